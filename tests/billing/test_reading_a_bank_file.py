"""Bank statements of ISO 20022, as banks send them: entries with no, one or many transactions, returns, faults."""

import datetime as dt
from decimal import Decimal as D

import pytest

from billing.bank.camt053 import is_camt, read_camt053
from billing.bank.statement import StatementRefused, keyed

pytestmark = pytest.mark.pure

IBAN = "IE29AIBK93115212345678"


def a_file(
    entries: str, *, version: str = "02", opening: str = "1000.00", closing: str = "1100.00", extra: str = ""
) -> bytes:
    return f"""<?xml version="1.0" encoding="UTF-8"?>
    <Document xmlns="urn:iso:std:iso:20022:tech:xsd:camt.053.001.{version}"><BkToCstmrStmt>
    <GrpHdr><MsgId>M1</MsgId><CreDtTm>2026-03-05T06:00:00</CreDtTm></GrpHdr>
    <Stmt><Id>S1</Id><ElctrncSeqNb>17</ElctrncSeqNb><Acct><Id><IBAN>{IBAN}</IBAN></Id><Ccy>EUR</Ccy></Acct>
    <Bal><Tp><CdOrPrtry><Cd>OPBD</Cd></CdOrPrtry></Tp><Amt Ccy="EUR">{opening}</Amt><CdtDbtInd>CRDT</CdtDbtInd></Bal>
    <Bal><Tp><CdOrPrtry><Cd>CLBD</Cd></CdOrPrtry></Tp><Amt Ccy="EUR">{closing}</Amt><CdtDbtInd>CRDT</CdtDbtInd></Bal>
    {entries}</Stmt>{extra}</BkToCstmrStmt></Document>""".encode()


def an_entry(
    amount: str = "100.00", *, side: str = "CRDT", status: str = "BOOK", more: str = "", details: str = ""
) -> str:
    return f"""<Ntry><Amt Ccy="EUR">{amount}</Amt><CdtDbtInd>{side}</CdtDbtInd>{more}<Sts>{status}</Sts>
    <BookgDt><Dt>2026-03-04</Dt></BookgDt><AcctSvcrRef>B-1</AcctSvcrRef><NtryDtls>{details}</NtryDtls></Ntry>"""


ONE = """<TxDtls><Refs><EndToEndId>E2E-9</EndToEndId></Refs><RltdPties><Dbtr><Nm>Carrow Dairy Ltd</Nm></Dbtr>
    <DbtrAcct><Id><IBAN>IE64IRCE92050112345678</IBAN></Id></DbtrAcct></RltdPties>
    <RmtInf><Strd><CdtrRefInf><Ref>RF462026000123</Ref></CdtrRefInf></Strd><Ustrd>Feet, with thanks</Ustrd></RmtInf>
    </TxDtls>"""


def test_a_payment_is_read_with_its_payer_and_both_kinds_of_remittance() -> None:
    (statement,) = read_camt053(a_file(an_entry(details=ONE)))
    (line,) = statement.lines
    assert (statement.account, statement.number, statement.currency, statement.adds_up) == (IBAN, "17", "EUR", True)
    assert (line.amount, line.booked_on, line.payer) == (D("100.00"), dt.date(2026, 3, 4), "Carrow Dairy Ltd")
    assert line.payer_account == "IE64IRCE92050112345678"
    assert (line.references, line.text, line.end_to_end) == (("RF462026000123",), "Feet, with thanks", "E2E-9")


def test_version_8_names_parties_and_states_one_level_deeper() -> None:
    details = ONE.replace("<Dbtr><Nm>Carrow Dairy Ltd</Nm></Dbtr>", "<Dbtr><Pty><Nm>Carrow Dairy Ltd</Nm></Pty></Dbtr>")
    content = a_file(an_entry(status="<Cd>BOOK</Cd>", details=details), version="08")
    assert read_camt053(content)[0].lines[0].payer == "Carrow Dairy Ltd"


def test_an_entry_without_transactions_is_one_line() -> None:
    entry = an_entry(more="<AddtlNtryInf>Lodgement</AddtlNtryInf>")
    assert [(line.amount, line.bank_reference) for line in read_camt053(a_file(entry))[0].lines] == [(D(100), "B-1")]


def test_a_batch_is_taken_apart_when_its_parts_make_it() -> None:
    part = '<TxDtls><AmtDtls><TxAmt><Amt Ccy="EUR">{}</Amt></TxAmt></AmtDtls></TxDtls>'
    whole = an_entry(details=part.format("60.00") + part.format("40.00"))
    assert [line.amount for line in read_camt053(a_file(whole))[0].lines] == [D(60), D(40)]
    short = an_entry(details=part.format("60.00") + part.format("39.00"))
    assert [line.amount for line in read_camt053(a_file(short))[0].lines] == [D(100)]


def test_a_single_transaction_in_another_currency_counts_as_booked() -> None:
    foreign = '<TxDtls><Amt Ccy="SEK">1130.00</Amt></TxDtls>'
    assert read_camt053(a_file(an_entry(details=foreign)))[0].lines[0].amount == D(100)


def test_what_is_not_booked_yet_is_left_out_and_counted() -> None:
    (statement,) = read_camt053(a_file(an_entry() + an_entry("7.00", status="PDNG")))
    assert (len(statement.lines), statement.not_booked) == (1, 1)


def test_a_returned_debit_goes_out_and_names_its_payer() -> None:
    entry = an_entry(side="DBIT", more="<RvslInd>true</RvslInd>", details=ONE)
    (line,) = read_camt053(a_file(entry, closing="900.00"))[0].lines
    assert (line.amount, line.returned, line.payer) == (D("-100.00"), True, "Carrow Dairy Ltd")


def test_a_return_told_only_by_its_reason_is_one_too() -> None:
    details = ONE.replace("</TxDtls>", "<RtrInf><Rsn><Cd>AC04</Cd></Rsn></RtrInf></TxDtls>")
    assert read_camt053(a_file(an_entry(side="DBIT", details=details), closing="900.00"))[0].lines[0].returned


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"not a file of a bank", "not_xml"),
        (b"", "not_xml"),
        (a_file(an_entry())[:-40], "not_xml"),
        (b'<!DOCTYPE d [<!ENTITY a "b">]><d>&a;</d>', "not_xml"),
        (a_file(an_entry(), version="11"), "not_camt053"),
        (b"<Document><BkToCstmrStmt/></Document>", "not_camt053"),
        (
            a_file(an_entry()).replace(b"Stmt>", b"Nothing>").replace(b"BkToCstmrNothing", b"BkToCstmrStmt"),
            "nothing_in_it",
        ),
        (a_file(an_entry("1e3")), "does_not_add_up"),
        (a_file(an_entry("a hundred")), "bad_amount"),
        (a_file(an_entry("-100.00")), "bad_amount"),
        (a_file(an_entry().replace("2026-03-04", "4 March")), "bad_date"),
        (a_file(an_entry(), closing="1100.01"), "does_not_add_up"),
    ],
)
def test_what_cannot_be_trusted_is_refused_by_name(content: bytes, code: str) -> None:
    with pytest.raises(StatementRefused) as refused:
        read_camt053(content)
    assert refused.value.code == code


def test_the_same_lines_have_the_same_keys_in_files_that_overlap() -> None:
    first = keyed(read_camt053(a_file(an_entry(details=ONE)))[0].lines)
    wider = read_camt053(a_file(an_entry("5.00") + an_entry(details=ONE), closing="1105.00"))[0].lines
    assert first[0][0] in {key for key, _ in keyed(wider)}


def test_two_payments_alike_in_one_file_are_two() -> None:
    lines = read_camt053(a_file(an_entry() + an_entry(), closing="1200.00"))[0].lines
    assert len({key for key, _ in keyed(lines)}) == 2


def test_a_file_of_the_family_is_told_from_others() -> None:
    assert is_camt(a_file(an_entry()))
    assert not is_camt(b"date;amount\n2026-03-04;100.00\n")
