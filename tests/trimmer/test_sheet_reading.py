import io
import re
import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, time
from typing import Any

import pytest
from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from trimmer.sheets.reading import LIMITS, CellFault, Percent, Table, UnreadableSheet, column_letter, read_table

pytestmark = pytest.mark.pure


def at(text: str) -> datetime:
    """A moment of the business's own clock."""
    return datetime.fromisoformat(text)


def refusal(content: bytes, name: str = "farms.csv", **options: Any) -> UnreadableSheet:
    with pytest.raises(UnreadableSheet) as caught:
        read_table(content, name, **options)
    return caught.value


def workbook(fill: Callable[[Worksheet], object]) -> bytes:
    book = Workbook()
    assert isinstance(book.active, Worksheet)
    fill(book.active)
    return saved(book)


def saved(book: Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def rows(*cells: list[Any]) -> bytes:
    def fill(sheet: Worksheet) -> None:
        for row in cells:
            sheet.append(row)

    return workbook(fill)


def with_sheet_xml(content: bytes, change: Callable[[str], str]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target:
        for part in source.namelist():
            text = source.read(part)
            target.writestr(part, change(text.decode()).encode() if part == "xl/worksheets/sheet1.xml" else text)
    return out.getvalue()


def cells(table: Table) -> list[tuple[Any, ...]]:
    return [row.cells for row in table.rows]


# CSV


@pytest.mark.parametrize(
    ("content", "encoding"),
    [
        ("Name;Town\nHöfer;Bärnau\n".encode(), "UTF-8"),
        ("\ufeffName;Town\nHöfer;Bärnau\n".encode(), "UTF-8"),
        ("Name;Town\nHöfer;Bärnau\n".encode("cp1252"), "Windows-1252"),
        ("Name;Town\nHöfer;Bärnau\n".encode("utf-16"), "UTF-16"),
    ],
)
def test_a_csv_is_read_in_the_encodings_spreadsheet_programs_save(content: bytes, encoding: str) -> None:
    table = read_table(content)

    assert (table.header, cells(table)) == (("Name", "Town"), [("Höfer", "Bärnau")])
    assert table.encoding == encoding


@pytest.mark.parametrize("delimiter", [";", ",", "\t"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n", "\r"])
def test_delimiter_and_line_ends_are_found(delimiter: str, line_end: str) -> None:
    lines = [delimiter.join(["Name", "Head"]), delimiter.join(["Upper Mill", "40"])]

    table = read_table(line_end.join(lines).encode())

    assert (table.delimiter, table.header, cells(table)) == (delimiter, ("Name", "Head"), [("Upper Mill", "40")])


def test_a_comma_inside_semicolon_parted_cells_parts_nothing() -> None:
    table = read_table(b"Client;Name, first;Price\n1;Marsh, Ann;1,50\n2;Hill, Bo;2,25\n")

    assert table.header == ("Client", "Name, first", "Price")
    assert cells(table)[0] == ("1", "Marsh, Ann", "1,50")


def test_a_first_line_that_tells_the_delimiter_is_believed() -> None:
    table = read_table(b'sep=;\nName;"a,b,c"\nx;y\n')

    assert (table.header, table.header_row, table.rows[0].number) == (("Name", "a,b,c"), 1, 2)


def test_quoted_cells_keep_delimiters_quotes_and_lines() -> None:
    table = read_table(b'Name,Note\r\n"Mill, upper","says ""wait""\r\nat the gate"\r\nB,c\r\n')

    assert cells(table) == [("Mill, upper", 'says "wait"\nat the gate'), ("B", "c")]
    assert [row.number for row in table.rows] == [2, 3]


def test_row_numbers_are_those_of_the_file_though_empty_rows_are_passed_over() -> None:
    table = read_table(b"\n;;\nName;Town\n\nA;x\n;\nB;y\n")

    assert table.header_row == 3
    assert [(row.number, row.cells) for row in table.rows] == [(5, ("A", "x")), (7, ("B", "y"))]


def test_empty_cells_are_none_and_trailing_ones_are_dropped() -> None:
    assert cells(read_table(b"A;B;C\n1; ;3\n4;;\n")) == [("1", None, "3"), ("4",)]


def test_cells_beyond_the_header_are_kept_so_that_they_can_be_named() -> None:
    assert cells(read_table(b"A,B\n1,2,50\n")) == [("1", "2", "50")]


def test_a_text_made_harmless_for_spreadsheets_is_read_as_it_was_meant() -> None:
    assert cells(read_table(b"A;B;C\n'=1+1;'-x;'plain\n")) == [("=1+1", "-x", "'plain")]


def test_a_control_character_is_a_fault_of_its_cell() -> None:
    assert cells(read_table(b"A;B\nx\x07y;2\n")) == [(CellFault("control_character", "x\ufffdy"), "2")]


def test_a_header_alone_is_a_table_without_rows() -> None:
    assert read_table(b"Name;Town\n").rows == ()


def test_quotes_that_do_not_match_are_refused_with_the_row() -> None:
    caught = refusal(b'Name;Note\nA;"open\nB;x\n')

    assert (caught.code, caught.params["row"]) == ("quotes_do_not_match", 2)


def test_two_encodings_in_one_file_are_refused_with_the_line() -> None:
    caught = refusal("Name\nHöfer\n".encode() + "Bärnau\n".encode("cp1252"))

    assert (caught.code, caught.params["row"]) == ("text_of_two_encodings", 3)


def test_bytes_no_encoding_has_are_refused() -> None:
    assert refusal(b"Name;Town\nA\x81;\x8d\n").code == "text_unreadable"
    assert refusal(b"\xff\xfeN\x00a").code == "text_unreadable"


@pytest.mark.parametrize("content", [b"", b" \n\r\n", b"\xef\xbb\xbf", b";;\n;\n"])
def test_a_file_with_nothing_in_it_is_refused(content: bytes) -> None:
    assert refusal(content).code == "file_empty"


def test_a_title_that_stands_twice_is_refused_with_both_columns() -> None:
    caught = refusal(b"Name;Town;NAME\nA;b;c\n")

    assert (caught.code, caught.params) == ("title_used_twice", {"title": "NAME", "first": "A", "second": "C"})


# XLSX


def test_a_workbook_keeps_the_types_of_its_cells() -> None:
    table = read_table(rows(["Text", "Whole", "Part", "Yes", "Day"], ["a", 3, 2.5, True, date(2026, 4, 3)]), "x.xlsx")

    assert (table.form, table.sheet) == ("xlsx", "Sheet")
    assert cells(table) == [("a", 3, 2.5, True, date(2026, 4, 3))]


def test_times_come_back_to_the_second() -> None:
    written = [time(7, 30), time(23, 59, 59), at("2026-04-03 07:20"), at("2026-04-03 00:00")]

    assert cells(read_table(rows(["A", "B", "C", "D"], written))) == [(*written[:3], date(2026, 4, 3))]


def test_a_cell_shown_as_a_percentage_is_one() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(["Rate", "Rate 2"])
        sheet.append([0.2, 0.055])
        sheet["A2"].number_format = "0%"
        sheet["B2"].number_format = "0.0%"

    read = cells(read_table(workbook(fill)))

    assert read == [(Percent("20"), Percent("5.5"))]
    assert all(isinstance(cell, Percent) for cell in read[0])


def test_leading_zeros_that_a_format_shows_are_kept() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(["Client"])
        sheet.append([42])
        sheet["A2"].number_format = "00000"

    assert cells(read_table(workbook(fill))) == [("00042",)]


def test_rows_and_columns_of_a_workbook_are_told_as_the_program_shows_them() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet["B3"], sheet["C3"] = "Name", "Town"
        sheet["B6"], sheet["C6"] = "A", "x"

    table = read_table(workbook(fill))

    assert (table.header, table.header_row) == (("", "Name", "Town"), 3)
    assert [(row.number, row.cells) for row in table.rows] == [(6, (None, "A", "x"))]


def test_a_formula_without_a_stored_result_is_a_fault_of_its_cell() -> None:
    assert cells(read_table(rows(["A", "B"], ["x", "=1+1"]))) == [("x", CellFault("formula_without_value"))]


def test_a_stored_result_is_taken_and_an_empty_text_is_an_empty_cell() -> None:
    def store(xml: str) -> str:
        xml = re.sub(r'<c r="A2"><f>1\+1</f><v\s*/?>(</v>)?</c>', '<c r="A2"><f>1+1</f><v>2</v></c>', xml)
        return re.sub(r'<c r="B2"><f>A1</f><v\s*/?>(</v>)?</c>', '<c r="B2" t="str"><f>A1</f><v></v></c>', xml)

    content = with_sheet_xml(rows(["A", "B", "C"], ["=1+1", "=A1", "z"]), store)

    assert cells(read_table(content)) == [(2, None, "z")]


def test_an_error_in_a_cell_is_a_fault_of_that_cell() -> None:
    assert cells(read_table(rows(["A", "B"], ["#REF!", "ok"]))) == [(CellFault("error_in_cell", "#REF!"), "ok")]


def test_a_text_that_looks_like_a_formula_stays_a_text() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(["A"])
        sheet["A2"].value = "=1+1"
        sheet["A2"].data_type = "s"

    assert cells(read_table(workbook(fill))) == [("=1+1",)]


def test_merged_cells_are_refused_with_their_range() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(["Client", "Farm"])
        sheet.append(["1", "Upper"])
        sheet.append([None, "Lower"])
        sheet.merge_cells("A2:A3")

    caught = refusal(workbook(fill))

    assert (caught.code, caught.params["ranges"]) == ("merged_cells", "A2:A3")


def several(*titles: str) -> Workbook:
    book = Workbook()
    book.remove(book.worksheets[0])
    for title in titles:
        sheet = book.create_sheet(title)
        sheet.append(["Name"])
        sheet.append([title])
    return book


def test_several_filled_sheets_are_refused_until_one_is_named() -> None:
    content = saved(several("North", "South"))

    assert (refusal(content).code, refusal(content).params["sheets"]) == ("several_sheets", "North, South")
    assert cells(read_table(content, sheet="South")) == [("South",)]
    assert refusal(content, sheet="West").code == "sheet_not_found"


def test_hidden_empty_and_explaining_sheets_do_not_count() -> None:
    book = several("Old", "Now")
    book["Old"].sheet_state = "hidden"
    book.create_sheet("Empty")
    book.create_sheet("Words").append(["?", "Column", "Meaning"])

    assert cells(read_table(saved(book))) == [("Now",)]
    assert refusal(saved(book), sheet="Old").code == "sheet_not_found"


def test_a_workbook_whose_filled_sheet_is_hidden_says_so() -> None:
    book = several("Old")
    book.create_sheet("Shown")
    book["Old"].sheet_state = "hidden"

    assert refusal(saved(book)).code == "only_hidden_sheets"


def test_a_workbook_with_nothing_in_it_is_refused() -> None:
    assert refusal(saved(Workbook())).code == "file_empty"


def test_a_wrong_dimension_told_by_the_file_is_not_believed() -> None:
    content = with_sheet_xml(
        rows(["A", "B"], ["1", "2"]), lambda xml: re.sub(r'<dimension ref="[^"]*"', '<dimension ref="A1:A1"', xml)
    )

    assert cells(read_table(content)) == [("1", "2")]


# what is no table


@pytest.mark.parametrize(
    ("content", "looks_like"),
    [
        (b"%PDF-1.7\n%abc", "PDF"),
        (b"\x89PNG\r\n\x1a\n....", "PNG"),
        (b"\xff\xd8\xff\xe0 JFIF", "JPEG"),
        (b"RIFF\x00\x00\x00\x00WEBPVP8 ", "WebP"),
        (b"{\\rtf1 hello}", "RTF"),
        (b"\xef\xbb\xbf <html><table>", "HTML"),
        (b"<!DOCTYPE html><p>", "HTML"),
        (b"<?xml version='1.0'?><a/>", "XML"),
        (b"\x1f\x8b\x08\x00", "gzip"),
        (b"abc\x00\x01\x02def", ""),
    ],
)
def test_a_file_of_another_kind_is_refused_by_its_content(content: bytes, looks_like: str) -> None:
    caught = refusal(content, "farms.csv")

    assert (caught.code, caught.params["looks_like"]) == ("not_a_sheet", looks_like)


def package(**parts: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as target:
        for name, content in parts.items():
            target.writestr(name.replace("__", "/"), content)
    return out.getvalue()


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"Workbook".ljust(600, b"\x01"), "old_spreadsheet"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + "EncryptedPackage".encode("utf-16-le"), "password_protected"),
        (package(**{"xl__workbook.bin": b"x"}), "binary_workbook"),
        (package(mimetype=b"application/vnd.oasis.opendocument.spreadsheet"), "opendocument_sheet"),
        (package(**{"word__document.xml": b"<x/>"}), "not_a_sheet"),
        (package(**{"photo.jpg": b"x"}), "not_a_sheet"),
        (package(**{"xl__workbook.xml": b"<x/>"}), "workbook_damaged"),
        (b"PK\x03\x04 cut off", "workbook_damaged"),
        (rows(["A"], ["b"])[:900], "workbook_damaged"),
    ],
)
def test_other_spreadsheets_and_broken_ones_are_refused_with_what_to_do(content: bytes, code: str) -> None:
    assert refusal(content, "farms.xlsx").code == code


def test_a_workbook_with_entities_is_refused() -> None:
    content = with_sheet_xml(
        rows(["A"], ["b"]), lambda xml: '<!DOCTYPE x [<!ENTITY a "aaaa">]>' + re.sub(r"<\?xml.*?\?>", "", xml)
    )

    assert refusal(content).code == "workbook_damaged"


def test_a_broken_sheet_inside_a_sound_package_is_refused() -> None:
    assert refusal(with_sheet_xml(rows(["A"], ["b"]), lambda xml: xml[: len(xml) // 2])).code == "workbook_damaged"


# limits


def test_too_many_bytes_are_refused() -> None:
    assert refusal(b"Name\nA\n", limits=replace(LIMITS, size=5)).code == "file_too_large"


def test_a_file_that_unpacks_to_too_much_is_refused_before_it_is_unpacked() -> None:
    bomb = io.BytesIO()
    with zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as target:
        target.writestr("xl/workbook.xml", b"0" * 3_000_000)

    assert len(bomb.getvalue()) < 10_000
    assert refusal(bomb.getvalue(), limits=replace(LIMITS, unpacked=2_000_000)).code == "unpacks_too_large"
    assert refusal(rows(["A"], ["b"]), limits=replace(LIMITS, parts=3)).code == "unpacks_too_large"


@pytest.mark.parametrize("make", [lambda: b"A\n" + b"x\n" * 11, lambda: rows(["A"], *[["x"]] * 11)])
def test_too_many_rows_are_refused(make: Callable[[], bytes]) -> None:
    assert refusal(make(), limits=replace(LIMITS, rows=10)).code == "too_many_rows"
    assert len(read_table(make(), limits=replace(LIMITS, rows=11)).rows) == 11


@pytest.mark.parametrize("make", [lambda: b"A;B;C\n1;2;3\n", lambda: rows(["A", "B", "C"], [1, 2, 3])])
def test_too_many_columns_are_refused(make: Callable[[], bytes]) -> None:
    assert refusal(make(), limits=replace(LIMITS, columns=2)).code == "too_many_columns"
    assert read_table(make(), limits=replace(LIMITS, columns=3)).header == ("A", "B", "C")


def test_a_sheet_that_is_wide_and_long_with_nothing_in_it_is_refused() -> None:
    def fill(sheet: Worksheet) -> None:
        sheet.append(["A"])
        for row in range(2, 40):
            sheet.cell(row, 100).number_format = "0.00"
        sheet["A50"] = "x"

    assert refusal(workbook(fill), limits=replace(LIMITS, cells=1000)).code == "too_many_cells"


def test_a_row_number_beyond_any_sheet_is_refused() -> None:
    content = with_sheet_xml(rows(["A"], ["b"]), lambda xml: xml.replace('r="2"', 'r="99999999999"'))

    assert refusal(content).code in ("too_many_cells", "workbook_damaged")


def test_a_cell_with_far_too_much_text_is_a_fault() -> None:
    read = cells(read_table(b"A;B\n" + b"x" * 40_000 + b";2\n"))[0][0]

    assert isinstance(read, CellFault)
    assert read.code == "cell_too_long"
    assert refusal(b"A;B\n" + b"x" * 200_000 + b";2\n").code == "cell_too_long"


def test_column_letters_go_on_after_z() -> None:
    assert [column_letter(index) for index in (0, 25, 26, 701)] == ["A", "Z", "AA", "ZZ"]
