"""The bank's files taken in once, and each line settled, set aside or taken back."""

import datetime as dt
from decimal import Decimal as D
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import IntegrityError, transaction
from django.urls import reverse
from rest_framework.test import APIClient

from billing.models import BankColumns, BankEntry, BankEntryState, Invoice, Payment
from billing.queries import client_balance, invoice_standing
from billing.queries.bank import suggestions
from billing.services import bank
from billing.services.payments import undo_payment
from tests import make
from tests.billing import bills
from tests.billing.test_reading_a_bank_file import a_file, an_entry
from trimmer.management.scenario import bank as statement
from trimmer.models import Client

pytestmark = pytest.mark.django_db

NOW = make.NOW


@pytest.fixture
def client() -> Client:
    return make.a_client(bills.a_trimming_business(language="en-IE"), name="Carrow Dairy")


@pytest.fixture
def invoice(client: Client) -> Invoice:
    return bills.an_invoice(client)  # 690.20


def details(reference: str = "", name: str = "Carrow Dairy", e2e: str = "") -> str:
    strd = f"<Strd><CdtrRefInf><Ref>{reference}</Ref></CdtrRefInf></Strd>" if reference else ""
    return f"""<TxDtls><Refs><EndToEndId>{e2e or "NOTPROVIDED"}</EndToEndId></Refs>
    <RltdPties><Dbtr><Nm>{name}</Nm></Dbtr></RltdPties><RmtInf>{strd}</RmtInf></TxDtls>"""


def brought(client: Client, content: bytes, name: str = "statement.xml") -> int:
    return bank.bring_bank_file(business=client.business, name=name, content=content, by=None, now=NOW)[1]


def paid(invoice: Invoice, amount: str = "690.20", **more: Any) -> bytes:
    told = details(**({"reference": invoice.reference} | more))
    return a_file(an_entry(amount, details=told), opening="0.00", closing=amount)


def the_entry() -> BankEntry:
    return BankEntry.objects.get()


def open_of(invoice: Invoice) -> D:
    return invoice_standing(invoice, make.TODAY).open


def test_a_sure_line_settles_its_invoice_when_somebody_says_so(client: Client, invoice: Invoice) -> None:
    assert brought(client, paid(invoice)) == 1
    assert open_of(invoice) == D("690.20")
    assert bank.accept_sure(business=client.business, by=None, now=NOW) == 1
    assert open_of(invoice) == 0
    assert the_entry().payment.allocations.get().invoice == invoice


def test_the_same_file_and_lines_known_from_another_change_nothing(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice))
    assert brought(client, paid(invoice)) == 0
    told = details(invoice.reference)
    wider = a_file(an_entry("690.20", details=told) + an_entry("5.00"), opening="0.00", closing="695.20")
    assert brought(client, wider) == 1
    assert BankEntry.objects.count() == 2


def test_a_bank_line_cannot_be_stored_twice(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice))
    twin = the_entry()
    twin.pk = None
    with pytest.raises(IntegrityError), transaction.atomic():
        twin.save()


def test_a_likely_line_is_settled_as_it_was_seen(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice, "700.00"))
    [found] = suggestions(client.business, make.TODAY)
    assert bank.accept_sure(business=client.business, by=None, now=NOW) == 0
    bank.accept_proposal(entry=found.entry, seen=found.print, by=None, now=NOW)
    assert open_of(invoice) == 0
    assert client_balance(client, make.TODAY).credit == D("9.80")


def test_a_proposal_that_changed_meanwhile_is_refused(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice, "700.00"))
    [found] = suggestions(client.business, make.TODAY)
    bills.an_invoice(make.a_client(client.business, number="2", name="Other"))
    undo = found.print[::-1]
    with pytest.raises(bank.ProposalChanged):
        bank.accept_proposal(entry=found.entry, seen=undo, by=None, now=NOW)
    assert the_entry().state == BankEntryState.WAITING


def test_a_line_is_decided_once(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice))
    bank.accept_sure(business=client.business, by=None, now=NOW)
    with pytest.raises(bank.LineNotWaiting):
        bank.settle_entry(entry=the_entry(), client=client, by=None, now=NOW)


def test_a_line_is_settled_by_hand_for_another_client(client: Client, invoice: Invoice) -> None:
    other = make.a_client(client.business, number="2", name="Lough Farm")
    theirs = bills.an_invoice(other)
    brought(client, paid(invoice, reference="", name="M. Keane"))
    bank.settle_entry(entry=the_entry(), client=other, invoices=[theirs], by=None, now=NOW)
    assert (open_of(theirs), open_of(invoice)) == (D(0), D("690.20"))


def test_a_returned_debit_opens_its_invoice_again(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice, e2e="E-1"))
    bank.accept_sure(business=client.business, by=None, now=NOW)
    back = an_entry("690.20", side="DBIT", more="<RvslInd>true</RvslInd>", details=details(e2e="E-1"))
    brought(client, a_file(back, opening="690.20", closing="0.00"))
    assert bank.accept_sure(business=client.business, by=None, now=NOW) == 1
    assert open_of(invoice) == D("690.20")
    assert Payment.objects.get().withdrawn_at is not None
    assert set(BankEntry.objects.values_list("state", flat=True)) == {BankEntryState.SETTLED}


def test_a_decision_can_be_taken_back(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice))
    bank.accept_sure(business=client.business, by=None, now=NOW)
    bank.decide_again(entry=the_entry(), by=None, now=NOW)
    assert (the_entry().state, open_of(invoice)) == (BankEntryState.WAITING, D("690.20"))
    with pytest.raises(bank.LineNotDecided):
        bank.decide_again(entry=the_entry(), by=None, now=NOW)


def test_withdrawing_the_payment_lets_its_line_wait_again(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice))
    bank.accept_sure(business=client.business, by=None, now=NOW)
    undo_payment(payment=Payment.objects.get(), reason="typed wrongly", by=None, now=NOW)
    assert the_entry().state == BankEntryState.WAITING


def test_a_line_is_set_aside_with_a_reason(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice, reference=""))
    with pytest.raises(bank.ReasonMissing):
        bank.set_aside(entry=the_entry(), reason=" ", by=None, now=NOW)
    bank.set_aside(entry=the_entry(), reason="a private transfer", by=None, now=NOW)
    assert suggestions(client.business, make.TODAY) == []
    bank.decide_again(entry=the_entry(), by=None, now=NOW)
    assert the_entry().note == ""


def test_money_out_settles_nothing(client: Client) -> None:
    brought(client, a_file(an_entry("4.00", side="DBIT"), opening="4.00", closing="0.00"))
    with pytest.raises(bank.NotMoneyIn):
        bank.settle_entry(entry=the_entry(), client=client, by=None, now=NOW)


def test_a_line_in_another_currency_is_refused(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice).replace(b"EUR", b"GBP"))
    with pytest.raises(bank.OtherCurrency):
        bank.settle_entry(entry=the_entry(), client=client, by=None, now=NOW)


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "It is empty."),
        (a_file(an_entry(), version="11"), "camt.053.001.11"),
        (a_file(an_entry(), closing="1.00"), "closing balance"),
        (b"%PDF-1.7", "is not a table"),
        (b"Date,Amount\n2026-03-04,a lot\n", "Row 2, column B (Amount)"),
        (b"Date,Amount\n03/04/26,10.00\n", "Row 2, column A (Date)"),
    ],
)
def test_a_file_that_cannot_be_trusted_is_refused_whole(client: Client, content: bytes, says: str) -> None:
    with pytest.raises(bank.BankFileRefused) as refused:
        brought(client, content, "statement.csv")
    assert says in str(refused.value)
    assert not BankEntry.objects.exists()


def test_a_csv_file_with_plain_titles_is_read_at_once(client: Client, invoice: Invoice) -> None:
    text = f"Date;Name;Reference;Paid in;Paid out\n04/03/2026;Carrow Dairy;{invoice.reference};690.20;\n;;;;\n"
    assert brought(client, text.encode(), "march.csv") == 1
    assert bank.accept_sure(business=client.business, by=None, now=NOW) == 1


def test_a_csv_file_with_titles_of_its_own_waits_and_is_known_the_next_time(client: Client) -> None:
    first = b"Wann,Wieviel,Wer\n2026-03-04,690.20,Carrow Dairy\n"
    file, new = bank.bring_bank_file(business=client.business, name="m.csv", content=first, by=None, now=NOW)
    assert (new, file.read_at) == (0, None)
    with pytest.raises(bank.ColumnsRefused):
        bank.tell_columns(file=file, columns={"payer": "Wer"}, now=NOW)
    told = {"booked_on": "Wann", "amount": "Wieviel", "payer": "Wer", "text": ""}
    assert bank.tell_columns(file=file, columns=told, now=NOW) == 1
    assert (the_entry().booked_on, the_entry().amount) == (dt.date(2026, 3, 4), D("690.20"))
    assert BankColumns.objects.count() == 1
    with pytest.raises(bank.FileIsRead):
        bank.tell_columns(file=file, columns=told, now=NOW)
    assert brought(client, first.replace(b"690.20", b"7.00"), "n.csv") == 1


def test_lines_of_another_business_are_not_seen(client: Client, invoice: Invoice) -> None:
    brought(client, paid(invoice))
    stranger = make.signed_in(make.a_member(bills.a_trimming_business(name="Elsewhere"), "office"))
    assert stranger.get(reverse("bank-entry", args=[the_entry().pk])).status_code == 404
    assert stranger.get(reverse("bank-list")).context["groups"] == []


def test_the_office_brings_a_file_and_settles_what_is_sure(client: Client, invoice: Invoice) -> None:
    office = make.signed_in(make.a_member(client.business, "office"))
    assert "No bank file yet" in office.get(reverse("bank-list")).content.decode()
    upload = SimpleUploadedFile("march.xml", paid(invoice))
    page = office.post(reverse("bank-bring"), {"file": upload}, follow=True).content.decode()
    assert "1 line is new." in page
    assert "reference and amount agree" in page
    assert "1 line is settled." in office.post(reverse("bank-accept-sure"), follow=True).content.decode()
    assert "Carrow Dairy" in office.get(reverse("bank-list") + "?show=settled").content.decode()
    office.post(reverse("bank-again", args=[the_entry().pk]))
    office.post(reverse("bank-aside", args=[the_entry().pk]), {"reason": "a gift"})
    assert "a gift" in office.get(reverse("bank-list") + "?show=aside").content.decode()


def test_the_office_settles_a_line_by_hand(client: Client, invoice: Invoice) -> None:
    office = make.signed_in(make.a_member(client.business, "office"))
    brought(client, paid(invoice, "100.00", reference=""))
    address = reverse("bank-entry", args=[the_entry().pk]) + f"?client={client.pk}"
    assert str(invoice.number) in office.get(address).content.decode()
    office.post(address, {"named_invoices": [invoice.pk]})
    assert open_of(invoice) == D("590.20")


def test_a_refused_file_is_said_in_the_form(client: Client) -> None:
    office = make.signed_in(make.a_member(client.business, "office"))
    page = office.post(reverse("bank-bring"), {"file": SimpleUploadedFile("a.xml", a_file("", closing="1.00"))})
    assert "do not make the closing balance" in page.content.decode()


def test_columns_are_told_on_a_page(client: Client) -> None:
    office = make.signed_in(make.a_member(client.business, "office"))
    upload = SimpleUploadedFile("m.csv", b"Wann,Wieviel\n2026-03-04,690.20\n")
    page = office.post(reverse("bank-bring"), {"file": upload}, follow=True)
    assert "Which column holds what?" in page.content.decode()
    told = {"booked_on": "Wann", "amount": "Wieviel"}
    assert "1 line is new." in office.post(page.redirect_chain[-1][0], told, follow=True).content.decode()


def test_a_program_takes_a_file_in_and_accepts_a_suggestion(client: Client, invoice: Invoice) -> None:
    program = APIClient()
    program.force_login(make.a_member(client.business, "office").user)
    upload = {"file": SimpleUploadedFile("m.xml", paid(invoice, "700.00"))}
    answer = program.post(reverse("api-bank-file-list"), upload, format="multipart")
    assert (answer.status_code, answer.json()["new_lines"]) == (201, 1)
    [found] = program.get(reverse("api-bank-line-suggestions")).json()
    assert (found["sureness"], found["parts"][0]["amount"]) == ("likely", "690.20")
    accepted = program.post(
        reverse("api-bank-line-accept", args=[found["line"]]), {"seen": found["seen"]}, format="json"
    )
    assert accepted.json()["state"] == "settled"
    again = program.post(reverse("api-bank-line-set-aside", args=[found["line"]]), {"reason": "x"}, format="json")
    assert (again.status_code, again.json()["code"]) == (409, "bank_line_not_waiting")


def test_many_lines_take_few_queries(client: Client, invoice: Invoice, django_assert_max_num_queries: Any) -> None:
    entries = "".join(an_entry(f"{amount}.00") for amount in range(1, 40))
    brought(client, a_file(entries, opening="0.00", closing="780.00"))
    with django_assert_max_num_queries(8):
        assert len(suggestions(client.business, make.TODAY)) == 39


def test_the_statement_of_the_demo_reconciles_to_the_last_cent(client: Client) -> None:
    business = client.business
    rows = []
    for place, name in enumerate(("Carrow", "Lough", "Hollin", "Brae", "Tully", "Glen")):
        payer = make.a_client(business, number=f"C{place}", name=f"{name} Dairy Farm")
        crew = make.a_crew(business, name=f"Crew {place}")
        rows.append(bills.an_invoice(payer, farm=make.a_farm(payer, name=f"Farm {place}"), crew=crew))
    told = statement.lines_of(rows, [open_of(row) for row in rows])
    content = statement.camt053(account="IE29AIBK93115212345678", currency="EUR", day=make.TODAY, lines=told)
    assert brought(client, content) == 7
    assert bank.accept_sure(business=business, by=None, now=NOW) == 3
    for found in suggestions(business, make.TODAY):
        if found.can_be_accepted:
            bank.accept_proposal(entry=found.entry, seen=found.print, by=None, now=NOW)
        else:
            bank.set_aside(entry=found.entry, reason="the bank's charges", by=None, now=NOW)
    left = sum(row.gross_total for row in rows) - sum(one.amount for one in told if one.amount > 0)
    assert sum(open_of(row) for row in rows) == left == D("345.10")
    assert sum(Payment.objects.values_list("amount", flat=True)) == sum(one.amount for one in told if one.amount > 0)
    assert BankEntry.objects.filter(state=BankEntryState.ASIDE).get().amount == statement.CHARGES
