import datetime as dt
from decimal import Decimal as D

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from billing.models import Allocation, BilledVisit, Invoice
from billing.queries import client_balance, invoice_standing, visits_to_bill
from billing.queries.balances import Standing, credit_left
from billing.services import credits, issuing
from billing.services.credits import LineCredit, credit_invoice, lines_left
from billing.services.documents import document_of, keep_document
from billing.services.drafts import LineValues, draft_invoices, drop_draft, revise_draft
from billing.services.issuing import issue_invoice
from billing.services.payments import record_payment
from billing.services.prices import keep_billing_settings
from tests import make
from tests.billing import bills
from trimmer.models import Client, HeadKind, Visit

pytestmark = pytest.mark.django_db


@pytest.fixture
def client() -> Client:
    return make.a_client(bills.a_trimming_business())


def drafted(invoice: Invoice, parts: list[LineCredit] | None = None, reason: str = "Miscounted") -> Invoice:
    return credit_invoice(invoice=invoice, parts=parts, reason=reason, by=None, now=make.NOW)


def credited(invoice: Invoice, parts: list[LineCredit] | None = None) -> Invoice:
    return issue_invoice(invoice=drafted(invoice, parts), on=make.TODAY, by=None, now=make.NOW)


def test_a_whole_credit_repeats_the_invoice_with_positive_amounts(client: Client) -> None:
    invoice = bills.an_invoice(client)
    note = drafted(invoice)
    [line] = note.lines.all()
    assert (note.kind, note.state, note.credits, note.credit_reason) == ("381", "draft", invoice, "Miscounted")
    assert (line.quantity, line.price, line.net, line.credits) == (D(40), D("14.5"), D(580), invoice.lines.get())
    assert (note.net_total, note.tax_total, note.gross_total) == (D(580), D("110.20"), D("690.20"))


def test_an_issued_credit_note_is_numbered_with_the_invoices_and_has_no_due_date(client: Client) -> None:
    note = credited(bills.an_invoice(client))
    assert (note.number, note.due_on) == ("2026-000002", None)


def test_credit_notes_may_have_a_series_of_their_own(client: Client) -> None:
    keep_billing_settings(business=client.business, credit_prefix="CN-", travel_counts=False)
    note = credited(bills.an_invoice(client))
    assert (note.number, bills.an_invoice(client).number) == ("CN-2026-000001", "2026-000002")


def test_a_whole_credit_settles_the_invoice_and_sets_its_visits_free(client: Client) -> None:
    invoice = bills.an_invoice(client)
    note = credited(invoice)
    allocation = Allocation.objects.get()
    assert (allocation.invoice, allocation.credit_note, allocation.amount) == (invoice, note, D("690.20"))
    assert invoice_standing(invoice, make.TODAY).standing == Standing.CREDITED
    assert BilledVisit.objects.get().released_at == make.NOW
    assert Visit.objects.get().locked_at is None
    assert visits_to_bill(client.business).count() == 1


def test_a_visit_credited_whole_can_be_billed_again(client: Client) -> None:
    invoice = bills.an_invoice(client)
    visit = invoice.billed_visits.get().visit
    credited(invoice)
    [draft] = draft_invoices(business=client.business, visits=[visit], by=None, now=make.NOW).drafts
    again = issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)
    assert (again.number, again.gross_total) == ("2026-000003", invoice.gross_total)
    assert client_balance(client, make.TODAY).balance == D("690.20")


def test_credit_then_invoice_again_is_neutral_to_the_cent(client: Client) -> None:
    """Three cows at 33.37 and a block at 8.05 under two taxes, credited in odd parts, leave no cent."""
    business = client.business
    tax = bills.a_tax(business, name="VAT 7 %", rate=D(7))
    bills.a_price_list(business, {"head_cow": "33.37"})
    draft = bills.a_draft(client, head={HeadKind.COW: 3})
    row = draft.lines.get()
    kept = LineValues(row.name, row.quantity, row.price, row.pk)
    revise_draft(invoice=draft, lines=[kept, LineValues("Block", D(1), D("8.05"), unit="C62", tax_category=tax)])
    first = issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)
    cows, block = first.lines.order_by("position")
    visit = first.billed_visits.get().visit
    notes = [
        credited(first, [LineCredit(cows, quantity=D(1)), LineCredit(block, amount=D("2.01"))]),
        credited(first, [LineCredit(cows, amount=D("0.04"))]),
        credited(first),
    ]
    for total in ("net_total", "tax_total", "gross_total"):
        assert sum(getattr(note, total) for note in notes) == getattr(first, total)
    assert client_balance(client, make.TODAY).balance == 0
    [draft] = draft_invoices(business=business, visits=[visit], by=None, now=make.NOW).drafts
    row = draft.lines.get()
    kept = LineValues(row.name, row.quantity, row.price, row.pk)
    revise_draft(invoice=draft, lines=[kept, LineValues("Block", D(1), D("8.05"), unit="C62", tax_category=tax)])
    again = issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)
    taxes = [list(one.taxes.order_by("pk").values_list("code", "rate", "base", "tax")) for one in (first, again)]
    assert taxes[0] == taxes[1]
    assert client_balance(client, make.TODAY).balance == first.gross_total == again.gross_total


def test_until_it_is_issued_a_credit_note_settles_nothing(client: Client) -> None:
    invoice = bills.an_invoice(client)
    drafted(invoice)
    assert client_balance(client, make.TODAY).balance == D("690.20")
    assert visits_to_bill(client.business).count() == 0


def test_a_part_credit_by_quantity_leaves_the_visit_billed(client: Client) -> None:
    invoice = bills.an_invoice(client)
    note = credited(invoice, [LineCredit(invoice.lines.get(), quantity=D(3))])
    assert (note.net_total, note.tax_total) == (D("43.50"), D("8.27"))
    stands = invoice_standing(invoice, make.TODAY)
    assert (stands.standing, stands.open) == (Standing.PART_PAID, D("638.43"))
    assert visits_to_bill(client.business).count() == 0
    [left] = lines_left(invoice)
    assert (left.quantity, left.net) == (D(37), D("536.50"))


def test_a_part_credit_by_amount_is_one_of_that_amount(client: Client) -> None:
    invoice = bills.an_invoice(client)
    note = credited(invoice, [LineCredit(invoice.lines.get(), amount=D(100))])
    line = note.lines.get()
    assert (line.quantity, line.unit, line.price, line.net) == (D(1), "C62", D(100), D(100))
    assert lines_left(invoice)[0].net == 480


def test_all_credits_together_are_the_invoice_to_the_cent(client: Client) -> None:
    """Own worked figures, 20 % of 68.33, 68.33, 57.50 and 85.00: 55.83 in all, 13.67, 13.67, 11.50, 17.00 each."""
    tax = bills.a_tax(client.business, name="VAT 20 %", rate=D(20))
    prices = {"head_cow": "68.33", "head_lame": "68.33", "head_bull": "57.50", "head_heifer": "85.00"}
    bills.a_price_list(client.business, prices, tax=tax)
    kinds = (HeadKind.COW, HeadKind.LAME, HeadKind.BULL, HeadKind.HEIFER)
    invoice = bills.an_invoice(client, head=dict.fromkeys(kinds, 1))
    assert (invoice.net_total, invoice.gross_total) == (D("279.16"), D("334.99"))
    notes = [credited(invoice, [LineCredit(line)]) for line in invoice.lines.all()]
    assert sum(note.gross_total for note in notes) == D("334.99")
    assert notes[-1].tax_total == D("55.83") - sum(note.tax_total for note in notes[:-1])
    assert BilledVisit.objects.get().released_at is not None


@settings(max_examples=25, derandomize=True, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cuts=st.lists(st.integers(1, 6), min_size=1, max_size=5), price=st.decimals("0.001", 50, places=3))
def test_credits_in_any_parts_never_come_to_more_or_less(client: Client, cuts: list[int], price: D) -> None:
    name = f"List {client.business.price_lists.count()}"
    bills.a_price_list(client.business, {"head_cow": str(price)}, name=name, valid_from=make.TODAY)
    invoice = bills.an_invoice(client, head={HeadKind.COW: 20}, on=make.TODAY)
    line, notes = invoice.lines.get(), []
    for cut in cuts:
        [left] = lines_left(invoice)
        if cut < left.quantity:
            try:
                notes.append(credited(invoice, [LineCredit(line, quantity=D(cut))]))
            except credits.CreditRefused:
                continue  # the cents ran out before the head did
    if not lines_left(invoice)[0].gone:
        notes.append(credited(invoice))
    assert sum(note.net_total for note in notes) == invoice.net_total
    assert sum(note.tax_total for note in notes) == invoice.tax_total
    assert lines_left(invoice)[0].gone


def test_the_last_quantity_takes_the_last_cent_as_an_amount(client: Client) -> None:
    """Own worked figures: 3 at 33.335 are 100.01 (100.005), one is 33.34 (33.335), so 33.33 is left for the third."""
    bills.a_price_list(client.business, {"head_cow": "33.335"})
    invoice = bills.an_invoice(client, head={HeadKind.COW: 3})
    line = invoice.lines.get()
    for _ in range(2):
        credited(invoice, [LineCredit(line, quantity=D(1))])
    last = credited(invoice, [LineCredit(line, quantity=D(1))])
    assert invoice.net_total == D("100.01")
    assert (last.lines.get().price, last.net_total) == (D("33.33"), D("33.33"))


def test_lines_at_no_price_are_credited_with_the_rest(client: Client) -> None:
    bills.a_price_list(client.business, {"head_cow": "10", "head_recheck": "0"})
    invoice = bills.an_invoice(client, head={HeadKind.COW: 1, HeadKind.RECHECK: 2})
    note = credited(invoice)
    assert [(line.article, line.net) for line in note.lines.all()] == [("head_cow", D(10)), ("head_recheck", D(0))]


def test_what_was_paid_already_goes_on_account(client: Client) -> None:
    invoice = bills.an_invoice(client)
    record_payment(client=client, received_on=make.TODAY, amount=D("600"), method="transfer", by=None, now=make.NOW)
    credited(invoice)
    balance = client_balance(client, make.TODAY)
    assert (balance.owed, balance.credit) == (D(0), D(600))
    [source] = credit_left(client)
    assert source.credit_note is not None
    assert source.left == 600


def test_only_an_issued_invoice_is_credited(client: Client) -> None:
    note = credited(bills.an_invoice(client))
    for document in (bills.a_draft(client), note):
        with pytest.raises(credits.NotAnIssuedInvoice):
            drafted(document)


def test_a_credit_says_why(client: Client) -> None:
    with pytest.raises(credits.CreditReasonMissing):
        drafted(bills.an_invoice(client), reason=" ")


def test_what_is_credited_whole_is_not_credited_again(client: Client) -> None:
    invoice = bills.an_invoice(client)
    credited(invoice)
    with pytest.raises(credits.NothingToCredit):
        drafted(invoice)


def test_one_draft_of_a_credit_note_at_a_time(client: Client) -> None:
    invoice = bills.an_invoice(client)
    first = drafted(invoice)
    with pytest.raises(credits.CreditDraftWaits):
        drafted(invoice)
    drop_draft(invoice=first)
    assert drafted(invoice).pk


@pytest.mark.parametrize(
    ("part", "field"),
    [
        ({"quantity": D(41)}, "quantity"),
        ({"quantity": D(0)}, "quantity"),
        ({"quantity": D(-1)}, "quantity"),
        ({"amount": D("580.01")}, "amount"),
        ({"amount": D("0.001")}, "amount"),
        ({"amount": D(-5)}, "amount"),
    ],
)
def test_more_than_was_billed_is_refused(client: Client, part: dict[str, D], field: str) -> None:
    invoice = bills.an_invoice(client)
    with pytest.raises(credits.CreditRefused) as refused:
        drafted(invoice, [LineCredit(invoice.lines.get(), **part)])
    assert list(refused.value.fields) == [f"parts.0.{field}"]


def test_a_quantity_beyond_the_amount_that_is_left_is_refused(client: Client) -> None:
    invoice = bills.an_invoice(client)
    line = invoice.lines.get()
    credited(invoice, [LineCredit(line, amount=D(570))])
    with pytest.raises(credits.CreditRefused):
        drafted(invoice, [LineCredit(line, quantity=D(1))])


def test_a_line_of_another_invoice_or_twice_the_same_is_refused(client: Client) -> None:
    invoice, other = bills.an_invoice(client), bills.an_invoice(client)
    line = invoice.lines.get()
    with pytest.raises(credits.CreditRefused):
        drafted(invoice, [LineCredit(other.lines.get())])
    with pytest.raises(credits.CreditRefused):
        drafted(invoice, [LineCredit(line, quantity=D(1)), LineCredit(line, quantity=D(1))])


def test_a_credit_draft_that_is_more_than_the_invoice_is_not_issued(client: Client) -> None:
    note = drafted(bills.an_invoice(client))
    note.lines.update(quantity=41)
    with pytest.raises(issuing.CreditExceedsInvoice):
        issue_invoice(invoice=note, on=make.TODAY, by=None, now=make.NOW)


def test_a_credit_of_only_money_off_is_refused(client: Client) -> None:
    draft = bills.a_draft(client)
    line = draft.lines.get()
    tax = bills.a_tax(client.business)
    revise_draft(
        invoice=draft,
        lines=[
            LineValues(line.name, line.quantity, line.price, line=line.pk),
            LineValues("Goodwill", D(-1), D(30), unit="LS", tax_category=tax),
        ],
    )
    invoice = issue_invoice(invoice=draft, on=make.TODAY, by=None, now=make.NOW)
    off = invoice.lines.get(name="Goodwill")
    with pytest.raises(issuing.CreditExceedsInvoice):
        drafted(invoice, [LineCredit(off)])
    whole = credited(invoice)
    assert [(row.quantity, row.net) for row in whole.lines.all()] == [(D(40), D(580)), (D(-1), D(-30))]
    assert whole.gross_total == invoice.gross_total


def test_the_credit_note_names_its_invoice_and_why(client: Client) -> None:
    note = credited(bills.an_invoice(client))
    document = document_of(note, today=make.TODAY)
    assert (document.kind, document.credited_number, document.introduction) == (
        "credit_note",
        "2026-000001",
        ("Miscounted",),
    )
    assert (document.due_date, document.payment.iban, document.payment.code) == ("", "", "")
    assert keep_document(invoice=note, now=make.NOW).sha256


def test_dates_of_credit_notes_follow_the_numbers_too(client: Client) -> None:
    invoice = bills.an_invoice(client)
    with pytest.raises(issuing.DateBeforeTheLast):
        issue_invoice(invoice=drafted(invoice), on=make.TODAY - dt.timedelta(days=1), by=None, now=make.NOW)
