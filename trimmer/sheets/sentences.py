"""What is said about a sheet, a row or a cell that cannot be taken: plain English, by code.

The texts are templates with ``%(name)s`` places, so that a layer with translations can look up the template of a code
and fill it afterwards.
"""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final


def gettext_noop(text: str) -> str:
    """Marks a text for translation and gives it back."""
    return text


SENTENCES: Final[Mapping[str, str]] = MappingProxyType(
    {
        # the file
        "file_empty": gettext_noop("The file is empty."),
        "file_too_large": gettext_noop("The file is too large: at most %(limit)s bytes can be read. Send it in parts."),
        "unpacks_too_large": gettext_noop("The file is too large when unpacked: at most %(limit)s bytes can be read."),
        "too_many_rows": gettext_noop("The table has more than %(limit)s rows. Send it in parts."),
        "too_many_columns": gettext_noop("Row %(row)s has more than %(limit)s columns."),
        "too_many_cells": gettext_noop(
            "The sheet spans more than %(limit)s cells. Delete the empty rows and columns that only have a format."
        ),
        "not_a_sheet": gettext_noop("%(name)s is not a table. Send a CSV or XLSX file."),
        "old_spreadsheet": gettext_noop(
            "%(name)s is an old spreadsheet (.xls). Open it in your spreadsheet program and save it as XLSX or CSV."
        ),
        "binary_workbook": gettext_noop(
            "%(name)s is a binary workbook (.xlsb). Open it in your spreadsheet program and save it as XLSX or CSV."
        ),
        "opendocument_sheet": gettext_noop(
            "%(name)s is an OpenDocument sheet (.ods). Open it in your spreadsheet program and save it as XLSX or CSV."
        ),
        "password_protected": gettext_noop("%(name)s is protected by a password. Save it without one."),
        "workbook_damaged": gettext_noop(
            "%(name)s cannot be opened: it seems damaged. Open it in your spreadsheet program and save it again as"
            " XLSX."
        ),
        "text_unreadable": gettext_noop("%(name)s holds characters that cannot be read. Save it as CSV in UTF-8."),
        "text_of_two_encodings": gettext_noop(
            "Around line %(row)s of %(name)s there are characters of another encoding than in the rest of it. Save it"
            " as CSV in UTF-8."
        ),
        "quotes_do_not_match": gettext_noop("The quotation marks do not match in row %(row)s (line %(line)s)."),
        "several_sheets": gettext_noop(
            "The file has more than one sheet: %(sheets)s. Hide all but the one to read, or keep it alone."
        ),
        "sheet_not_found": gettext_noop("There is no visible sheet named %(sheet)s. The file has: %(sheets)s."),
        "only_hidden_sheets": gettext_noop("All filled sheets of the file are hidden. Unhide the one to read."),
        "merged_cells": gettext_noop(
            "Sheet %(sheet)s has merged cells (%(ranges)s). Unmerge them and write the value into each row it belongs"
            " to."
        ),
        "title_used_twice": gettext_noop(
            "The title %(title)s stands twice in the header, in columns %(first)s and %(second)s."
        ),
        # the header
        "header_not_found": gettext_noop(
            "The first filled row, row %(row)s, should hold the titles of the columns, but none of them is known."
        ),
        "no_rows": gettext_noop("There are no rows below the header."),
        "column_missing": gettext_noop("The column %(title)s is missing."),
        "column_given_twice": gettext_noop("This column is the same as column %(first)s: %(title)s."),
        "column_unknown": gettext_noop("The column %(title)s is not known and was passed over."),
        "column_unknown_guess": gettext_noop(
            "The column %(title)s is not known and was passed over. Is it meant to be %(guess)s?"
        ),
        "cell_without_title": gettext_noop(
            "This cell stands in a column without a title. In a CSV file there may be a mark too many in this row."
        ),
        "example_row": gettext_noop("The example row of the template was passed over."),
        # any cell
        "cell_empty": gettext_noop("This cell must be filled."),
        "cell_too_long": gettext_noop(
            "There is too much text in one cell of row %(row)s. Is a quotation mark missing?"
        ),
        "text_too_long": gettext_noop("The text has %(length)s characters; at most %(limit)s can be kept."),
        "control_character": gettext_noop("“%(value)s” holds a character that cannot be shown (�). Type it anew."),
        "error_in_cell": gettext_noop("The cell shows an error (%(value)s) instead of a value."),
        "formula_without_value": gettext_noop(
            "The cell holds a formula whose result was not stored. Open the file in your spreadsheet program and save"
            " it, or replace the formula by its result."
        ),
        "truth_value_not_text": gettext_noop("The cell holds the truth value %(value)s where text is expected."),
        "date_not_text": gettext_noop(
            "The spreadsheet program made a date or time of it (%(value)s). Give the column the format Text and type"
            " it anew."
        ),
        "number_in_short_form": gettext_noop(
            "“%(value)s” is a long number in its short form: the last digits are lost. Give the column the format Text,"
            " put in the whole number and save the file again."
        ),
        "number_lost_digits": gettext_noop(
            "The number (%(value)s) has more than the 15 digits a spreadsheet program keeps: the last ones are lost."
            " Give the column the format Text and put in the whole number."
        ),
        "email_not_valid": gettext_noop("“%(value)s” is not an e-mail address."),
        "not_a_choice": gettext_noop("“%(value)s” is not one of: %(allowed)s."),
        "not_yes_or_no": gettext_noop("“%(value)s” is neither yes nor no."),
        "country_unknown": gettext_noop("“%(value)s” is not a country. Give its name or its two letters (ISO 3166)."),
        "feet_unclear": gettext_noop("“%(value)s” does not say which feet. Write for example LH RH, all or none."),
        # numbers
        "not_a_number": gettext_noop("“%(value)s” is not a number."),
        "not_whole": gettext_noop("“%(value)s” is not a whole number."),
        "number_ambiguous": gettext_noop(
            "“%(value)s” can be read in two ways, with a decimal mark or in thousands. Write it without a thousands"
            " mark, or with another number of decimals."
        ),
        "decimal_mark": gettext_noop("“%(value)s” has the wrong decimal mark: “%(mark)s” is expected."),
        "grouping_not_clear": gettext_noop("“%(value)s” is not clear: the marks between its digits do not fit."),
        "percent_not_expected": gettext_noop("A percentage (%(value)s) is not expected here."),
        "date_not_number": gettext_noop(
            "The spreadsheet program made a date or time of it (%(value)s) where a number is expected. Type it anew."
        ),
        "other_currency": gettext_noop("“%(value)s” is not in %(currency)s."),
        "clock_not_minutes": gettext_noop("“%(value)s” is not clear. Write the minutes as a number, such as 8 or 90."),
        "too_small": gettext_noop("%(value)s is too small: at least %(limit)s is expected."),
        "too_large": gettext_noop("%(value)s is too large: at most %(limit)s is expected."),
        "too_many_decimals": gettext_noop("%(value)s has too many decimals: at most %(limit)s can be kept."),
        # dates, times, places
        "not_a_date": gettext_noop("“%(value)s” is not a date. Write it as year-month-day, such as 2026-04-30."),
        "number_not_date": gettext_noop(
            "The number %(value)s is not a date. Give the cell a date format, or write year-month-day."
        ),
        "date_ambiguous": gettext_noop(
            "“%(value)s” can be read in two ways: which is the day, which the month? Write year-month-day."
        ),
        "date_in_other_order": gettext_noop(
            "“%(value)s” has day and month in another order than is usual here. Check the whole column; write"
            " year-month-day."
        ),
        "year_of_two_digits": gettext_noop("“%(value)s” has a year of two digits. Write all four."),
        "no_such_day": gettext_noop("“%(value)s”: there is no such day."),
        "year_out_of_range": gettext_noop("“%(value)s”: the year must lie between %(first)s and %(last)s."),
        "date_to_come": gettext_noop("%(value)s is still to come."),
        "time_not_expected": gettext_noop("A date without a time is expected, not %(value)s."),
        "zone_not_expected": gettext_noop("“%(value)s” names a time zone. Write the time of your own clock."),
        "not_a_time": gettext_noop("“%(value)s” is not a time of day. Write it such as 07:30."),
        "number_not_time": gettext_noop(
            "The number %(value)s is not a time of day. Give the cell a time format, or write it such as 07:30."
        ),
        "date_not_time": gettext_noop("A time without a date is expected, not %(value)s."),
        "not_a_coordinate": gettext_noop("“%(value)s” is not a place on the map. Write degrees, such as 47.0512."),
        "latitude_out_of_range": gettext_noop(
            "%(value)s is not a latitude: it lies between -90 and 90. Has the decimal mark been lost?"
        ),
        "longitude_out_of_range": gettext_noop(
            "%(value)s is not a longitude: it lies between -180 and 180. Has the decimal mark been lost?"
        ),
        "access_hours_unclear": gettext_noop(
            "“%(value)s” is not clear. Write hours such as Mon-Fri 06:00-11:00, 13:00-17:00; Sat 08:00-12:00."
        ),
        "access_hours_without_day": gettext_noop(
            "“%(value)s” does not say for which days. Write such as daily 06:00-11:00."
        ),
        "access_hours_overlap": gettext_noop("“%(value)s”: two spans of hours of one day overlap."),
        "weekdays_unclear": gettext_noop("“%(value)s” is not clear. Write days such as Mon, Wed-Fri."),
        # rows
        "row_given_twice": gettext_noop("Rows %(first_row)s and %(row)s say the same: %(columns)s are alike."),
        "number_used_twice": gettext_noop("The same number stands in row %(first_row)s. Is it right?"),
        "rows_disagree": gettext_noop(
            "Row %(first_row)s has “%(first)s” here, this row “%(value)s”, but both are about the same %(subject)s."
        ),
        "half_a_place": gettext_noop("Latitude and longitude are given together or not at all."),
        "place_is_null_island": gettext_noop(
            "0, 0 lies in the sea off Africa. Leave the place empty if it is not known."
        ),
        "farm_name_missing": gettext_noop("Something is said about a farm, but the farm has no name."),
        "contact_name_missing": gettext_noop("A contact has a phone or an e-mail address but no name."),
        "born_after_calving": gettext_noop("The animal calved before it was born."),
        "due_before_last_calving": gettext_noop("The expected calving is not after the last one."),
        "dry_off_after_due": gettext_noop("The planned dry-off is not before the expected calving."),
        "bull_calves": gettext_noop("A bull does not calve."),
        "ends_before_it_begins": gettext_noop("The list ends before it begins."),
        "unit_not_of_article": gettext_noop("%(article)s is priced by another unit: %(unit)s."),
        "tax_rate_missing": gettext_noop("Category S is taxed: give the rate."),
        "tax_rate_not_zero": gettext_noop("Category %(code)s has no tax: the rate must be 0 or empty."),
        "times_out_of_order": gettext_noop("%(later)s (%(value)s) is before %(earlier)s."),
        "scale_missing": gettext_noop("A score is kept with its scale: say which."),
        "score_missing": gettext_noop("A scale is given but no score."),
        "score_not_on_scale": gettext_noop("%(value)s is not a score of this scale."),
        "foot_missing": gettext_noop("Say on which foot."),
        "lesion_missing": gettext_noop("Say which lesion: zone and M-stage belong to one."),
        "lesion_unknown": gettext_noop("“%(value)s” is not a lesion code of the ICAR Claw Health Atlas."),
        "lesion_is_a_group": gettext_noop("%(value)s is a group of lesions. Name one of it: %(allowed)s."),
        "m_stage_only_for_dd": gettext_noop("M-stages belong to digital dermatitis (DD) alone."),
        "claw_missing": gettext_noop("Say on which claw, inner or outer."),
        "claw_not_in_this_zone": gettext_noop("Zones 0 and 10 lie between the claws: leave the claw empty."),
        "zone_unusual": gettext_noop("%(lesion)s is not usual in zone %(zone)s. Is it right?"),
        "treatment_missing": gettext_noop("Say which treatment this belongs to."),
        "block_kind_without_block": gettext_noop("A kind of block is given, but the treatment is not a block."),
        "treated_foot_missing": gettext_noop("Say on which foot it was put."),
        "block_claw_missing": gettext_noop("Say on which claw the block was put, inner or outer."),
        "withheld_until_before_visit": gettext_noop("This is before the visit. Read the label again."),
        # tags: worth a second look, never refused
        "tag_empty": gettext_noop("There is no number in this cell."),
        "tag_characters": gettext_noop("A tag has letters and digits only. Is it right?"),
        "tag_too_many_digits": gettext_noop("This tag has more than 12 digits after the country. Is it right?"),
        "tag_not_15_digits": gettext_noop("This number does not have 15 digits. Is it right?"),
        "tag_number_too_big": gettext_noop("The last 12 digits are too great for a transponder. Is it right?"),
        "tag_form_unknown": gettext_noop("This is not the form of an official tag. Is it right?"),
        "tag_old_form": gettext_noop("This is an older form of tag. Is it right?"),
        "tag_country_unknown": gettext_noop("The country of this number is not known. Is it right?"),
        "tag_uk_length": gettext_noop("A UK tag has 12 digits after UK. Is it right?"),
        "tag_uk_check_digit": gettext_noop("The check digit does not fit. Is the tag read right?"),
        "tag_no_iso_11784_number": gettext_noop("This tag is too great for a transponder number. Is it right?"),
        "tag_test_code": gettext_noop("Country 999 is for tests. Is it right?"),
    }
)


def sentence_for(code: str, params: Mapping[str, str | int]) -> str:
    """The sentence of a code with its places filled."""
    return SENTENCES[code] % params
