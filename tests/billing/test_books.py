"""The books of a period: double entry, tax, and all of it for the accountant. Beancount's checker reads the text."""

import datetime as dt
import hashlib
import io
import json
import zipfile
from decimal import Decimal as D
from typing import Any

import pytest
from beancount import loader
from beancount.core import data
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st
from rest_framework.test import APIClient

from billing import tasks
from billing.documents.ledger import Account, Entry, Posting, Role, account_part, balances
from billing.models import BookAccount, BooksFile, Invoice
from billing.queries import client_balance
from billing.queries.books import journal_of, tax_summary
from billing.services import books
from billing.services.credits import credit_invoice
from billing.services.documents import keep_document
from billing.services.issuing import issue_invoice
from billing.services.payments import record_payment, undo_payment
from tests import make
from tests.billing import bills
from trimmer.models import Client
from trimmer.services import jobs

assert tasks.books_of_a_period  # registers what a worker does
FIRST, LAST = dt.date(2026, 1, 1), make.TODAY
NOW = make.NOW


@pytest.fixture
def client(db: None) -> Client:
    return make.a_client(bills.a_trimming_business(), name='The "Big" Dairy', number="7/a")


@pytest.fixture
def invoice(client: Client) -> Invoice:
    return bills.an_invoice(client)  # 580.00, 110.20, 690.20


def paid(client: Client, amount: str, **more: Any) -> Any:
    values: dict[str, Any] = {"received_on": make.TODAY, "method": "transfer", "by": None, "now": NOW} | more
    return record_payment(client=client, amount=D(amount), **values)


def credited(invoice: Invoice) -> Invoice:
    note = credit_invoice(invoice=invoice, reason="typed twice", by=None, now=NOW)
    return issue_invoice(invoice=note, on=make.TODAY, by=None, now=NOW)


def by_name(client: Client) -> dict[str, D]:
    return {account.name: amount for account, amount in balances(journal_of(client.business, FIRST, LAST)).items()}


def test_an_invoice_and_its_payment_are_double_entry(client: Client, invoice: Invoice) -> None:
    paid(client, "500.00")
    assert by_name(client) == {
        "Assets:Receivable:7-a-2F": D("190.20"),
        "Income:Trimming:S-19-20": D("-580.00"),
        "Liabilities:Tax:S-19-20": D("-110.20"),
        "Assets:Bank": D("500.00"),
    }


def test_a_credit_note_takes_it_back(client: Client, invoice: Invoice) -> None:
    credited(invoice)
    assert set(by_name(client).values()) == {D(0)}


def test_a_payment_taken_back_stands_with_its_reversal(client: Client, invoice: Invoice) -> None:
    undo_payment(payment=paid(client, "500.00"), reason="went back", by=None, now=NOW)
    assert by_name(client)["Assets:Bank"] == 0
    assert len(journal_of(client.business, FIRST, LAST)) == 3


def test_only_the_period_is_told(client: Client, invoice: Invoice) -> None:
    assert journal_of(client.business, FIRST, LAST - dt.timedelta(days=1)) == []


def test_postings_that_do_not_make_zero_are_no_entry() -> None:
    postings = (Posting(Account(Role.CASH), D(1)), Posting(Account(Role.REVENUE), D("-0.99")))
    with pytest.raises(ValueError, match="do not make zero"):
        Entry(on=LAST, document="1", client_number="", client="", text="", postings=postings)


def test_tax_is_summed_by_category_and_rate(client: Client, invoice: Invoice) -> None:
    bills.an_invoice(client, farm=make.a_farm(client, name="Other"), crew=make.a_crew(client.business, name="B"))
    credited(invoice)
    [row] = tax_summary(client.business, FIRST, LAST)
    assert (row.code, row.rate, row.base, row.tax, row.documents) == ("S", D(19), D("580.00"), D("110.20"), 3)


@pytest.mark.published
def test_beancounts_own_checker_finds_nothing_and_the_same_balances(client: Client, invoice: Invoice) -> None:
    """Beancount 3 (dev dependency, GPL): parses, balances every transaction, and proves the assertions."""
    paid(client, "700.00")
    BookAccount.objects.create(business=client.business, role="transfer", code="1200")
    text = books.beancount_of(business=client.business, first=FIRST, last=LAST)
    entries, errors, _options = loader.load_string(text)
    assert errors == []
    asserted = {one.account: one.amount.number for one in entries if isinstance(one, data.Balance)}
    assert asserted["Assets:Receivable:7-a-2F"] == client_balance(client, LAST).balance == D("-9.80")
    assert asserted["Assets:Bank"] == D("700.00")
    assert (
        next(one.meta["code"] for one in entries if isinstance(one, data.Open) and one.account == "Assets:Bank")
        == "1200"
    )


@pytest.mark.published
def test_the_checker_sees_a_wrong_balance(client: Client, invoice: Invoice) -> None:
    text = books.beancount_of(business=client.business, first=FIRST, last=LAST)
    before, after = text.rsplit("Receivable:7-a-2F  690.20", 1)
    wrong = f"{before}Receivable:7-a-2F  690.21{after}"
    assert [type(error).__name__ for error in loader.load_string(wrong)[1]] == ["BalanceError"]


@pytest.mark.published
def test_what_was_before_the_period_is_carried(client: Client, invoice: Invoice) -> None:
    paid(client, "90.20")
    text = books.beancount_of(
        business=client.business, first=LAST + dt.timedelta(days=1), last=LAST + dt.timedelta(days=9)
    )
    assert loader.load_string(text)[1] == []
    assert "balance Assets:Receivable:7-a-2F  600.00 ~ 0 EUR" in text


@given(st.text(min_size=1, max_size=12), st.text(min_size=1, max_size=12))
def test_every_text_is_a_part_of_a_name_and_no_two_share_one(one: str, other: str) -> None:
    part = account_part(one)
    assert part.isascii()
    assert part.replace("-", "").isalnum()
    assert part[0].isupper() or part[0].isdigit()
    assert (part == account_part(other)) == (one == other)


def test_the_journal_names_the_accountants_numbers_in_the_habits_of_the_language(
    client: Client, invoice: Invoice
) -> None:
    business = client.business
    business.language = "de-DE"
    codes = {("revenue", ""): "8400", ("revenue", "S 19"): "8401", ("tax", ""): ""}
    books.name_accounts(business=business, codes=codes)
    text = books.journal_text(business=business, first=FIRST, last=LAST)
    assert ";8401;Income:Trimming:S-19-20;;580,00;EUR" in text
    assert ";;Liabilities:Tax:S-19-20;;110,20;EUR" in text


def test_a_number_that_is_too_long_is_refused(client: Client) -> None:
    with pytest.raises(books.AccountCodeRefused):
        books.name_accounts(business=client.business, codes={("tax", ""): "1" * 21})


@pytest.mark.parametrize("period", [(LAST, FIRST), (FIRST, LAST + dt.timedelta(days=400))])
def test_a_period_that_cannot_be_is_refused(client: Client, period: tuple[dt.date, dt.date]) -> None:
    with pytest.raises(books.PeriodRefused):
        books.start_books(business=client.business, first=period[0], last=period[1], by=None, now=NOW)


def made_books(client: Client) -> BooksFile:
    made = books.start_books(business=client.business, first=FIRST, last=LAST, by=None, now=NOW)
    assert made.job is not None
    assert jobs.run(made.job.pk, clock=lambda: NOW)
    made.refresh_from_db()
    return made


def test_all_of_a_period_goes_into_one_zip_with_the_hash_of_each_file(client: Client, invoice: Invoice) -> None:
    keep_document(invoice=invoice, now=NOW)
    made = made_books(client)
    packed = zipfile.ZipFile(io.BytesIO(bytes(made.content or b"")))
    manifest = json.loads(packed.read("manifest.json"))
    assert set(packed.namelist()) - {"manifest.json"} == manifest["sha256"].keys()
    assert f"documents/{invoice.number}.pdf" in manifest["sha256"]
    for name, digest in manifest["sha256"].items():
        assert hashlib.sha256(packed.read(name)).hexdigest() == digest
    assert loader.load_string(packed.read("books.beancount").decode())[1] == []
    assert made.sha256 == hashlib.sha256(bytes(made.content or b"")).hexdigest()
    assert made_books(client).sha256 == made.sha256


def test_a_document_without_its_file_is_named_in_the_manifest(client: Client, invoice: Invoice) -> None:
    packed = zipfile.ZipFile(io.BytesIO(bytes(made_books(client).content or b"")))
    assert json.loads(packed.read("manifest.json"))["without_file"] == [invoice.number]


def test_the_office_hands_the_books_over(client: Client, invoice: Invoice) -> None:
    office = make.signed_in(make.a_member(client.business, "office"))
    period = f"?first={FIRST}&last={LAST}"
    page = office.get(reverse("books") + period).content.decode()
    assert "110.20" in page
    assert "No document is dated" in office.get(reverse("books") + "?first=2025-01-01&last=2025-01-31").content.decode()
    answer = office.post(reverse("books") + period)
    assert answer.status_code == 302
    made = BooksFile.objects.get()
    assert office.get(reverse("books-download", args=[made.pk])).status_code == 404
    assert made.job_id is not None
    assert jobs.run(made.job_id, clock=lambda: NOW)
    assert "It is ready" in office.get(answer["Location"]).content.decode()
    assert office.get(reverse("books-download", args=[made.pk])).content.startswith(b"PK")
    assert b"Receivable" in office.get(reverse("books-journal") + period).content
    assert b"operating_currency" in office.get(reverse("books-beancount") + period).content


def test_the_office_sets_account_numbers(client: Client, invoice: Invoice) -> None:
    office = make.signed_in(make.a_member(client.business, "office"))
    assert "tax owed: S 19" in office.get(reverse("books-accounts")).content.decode()
    office.post(reverse("books-accounts"), {"code-0": " 1400 "})
    assert BookAccount.objects.get().code == "1400"


def test_a_period_that_lies_ahead_is_refused_on_the_page(client: Client) -> None:
    office = make.signed_in(make.a_member(client.business, "office"))
    page = office.post(reverse("books") + "?first=2026-01-01&last=2999-01-01", follow=True).content.decode()
    assert "lies ahead" in page
    assert not BooksFile.objects.exists()


def test_a_program_reads_the_books(client: Client, invoice: Invoice) -> None:
    program = APIClient()
    program.force_login(make.a_member(client.business, "office").user)
    period = {"first": str(FIRST), "last": str(LAST)}
    assert program.get(reverse("api-books-tax"), period).json()[0]["tax"] == "110.20"
    [entry] = program.get(reverse("api-books-journal"), period).json()
    assert sum(D(posting["amount"]) for posting in entry["postings"]) == 0
    asked = program.post(reverse("api-books-file-list"), period, format="json")
    assert (asked.status_code, asked.json()["made_at"]) == (202, None)
    refused = program.get(reverse("api-books-tax"), {"first": str(LAST), "last": str(FIRST)})
    assert (refused.status_code, refused.json()["code"]) == (400, "books_period_refused")
