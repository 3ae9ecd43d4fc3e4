import datetime as dt
from decimal import Decimal as D
from typing import Any

import pytest

from billing.charges.ageing import Age
from billing.models import Invoice, Payment
from billing.queries import ageing_of, client_balance, invoice_standing, overdue_invoices, statement_of, with_standing
from billing.queries.balances import Standing
from billing.services import payments
from billing.services.credits import credit_invoice
from billing.services.issuing import issue_invoice
from billing.services.payments import record_payment, undo_payment, use_credit
from tests import make
from tests.billing import bills
from trimmer.models import Client, HeadKind

pytestmark = pytest.mark.django_db

JANUARY, FEBRUARY = dt.date(2026, 1, 1), dt.date(2026, 2, 1)


@pytest.fixture
def client() -> Client:
    business = bills.a_trimming_business()
    zero = bills.a_tax(business, name="Zero", code="Z", rate=D(0))
    bills.a_price_list(business, {"head_cow": "10"}, tax=zero, valid_from=dt.date(2025, 1, 1))
    return make.a_client(business)


def an_invoice_over(client: Client, tens: int, due: dt.date) -> Invoice:
    return bills.an_invoice(client, head={HeadKind.COW: tens}, on=dt.date(2026, 1, 1), due_on=due)


def paid(client: Client, amount: str, **more: Any) -> Payment:
    values: dict[str, Any] = {"received_on": make.TODAY, "method": "transfer", "by": None, "now": make.NOW} | more
    return record_payment(client=client, amount=D(amount), **values)


def parts(payment: Payment) -> list[tuple[int, D]]:
    return list(payment.allocations.values_list("invoice_id", "amount"))


def open_of(invoice: Invoice) -> D:
    return invoice_standing(invoice, make.TODAY).open


def test_a_payment_settles_the_oldest_due_first(client: Client) -> None:
    """Own worked figures: 100 due 1 January and 50 due 1 February; 120 leave 30 of the second open."""
    later, older = an_invoice_over(client, 5, FEBRUARY), an_invoice_over(client, 10, JANUARY)
    payment = paid(client, "120")
    assert parts(payment) == [(older.pk, D(100)), (later.pk, D(20))]
    assert (open_of(older), open_of(later)) == (D(0), D(30))


def test_what_the_payer_named_comes_first(client: Client) -> None:
    older, later = an_invoice_over(client, 10, JANUARY), an_invoice_over(client, 5, FEBRUARY)
    payment = paid(client, "120", named_invoices=[later])
    assert parts(payment) == [(later.pk, D(50)), (older.pk, D(70))]


def test_what_is_left_over_is_credit_on_account(client: Client) -> None:
    an_invoice_over(client, 10, JANUARY)
    an_invoice_over(client, 5, FEBRUARY)
    paid(client, "200")
    balance = client_balance(client, make.TODAY)
    assert (balance.owed, balance.credit, balance.balance) == (D(0), D(50), D(-50))


def test_credit_on_account_settles_what_comes_later(client: Client) -> None:
    payment = paid(client, "70")
    invoice = an_invoice_over(client, 10, JANUARY)
    [allocation] = use_credit(client=client)
    assert (allocation.payment, allocation.amount, open_of(invoice)) == (payment, D(70), D(30))


def test_a_second_part_of_a_payment_adds_to_the_first(client: Client) -> None:
    invoice = an_invoice_over(client, 10, JANUARY)
    first, second = paid(client, "80"), paid(client, "80")
    undo_payment(payment=first, reason="Typed twice", by=None, now=make.NOW)
    use_credit(client=client)
    assert parts(second) == [(invoice.pk, D(80))]
    assert open_of(invoice) == 20


def test_a_credit_note_on_account_is_used_before_payments(client: Client) -> None:
    first = an_invoice_over(client, 10, JANUARY)
    paid(client, "110")
    note = credit_invoice(invoice=first, reason="All", by=None, now=make.NOW)
    issue_invoice(invoice=note, on=make.TODAY, by=None, now=make.NOW)
    bills.an_invoice(client, head={HeadKind.COW: 10})
    [allocation] = use_credit(client=client)
    assert (allocation.credit_note, allocation.amount) == (note, D(100))
    assert client_balance(client, make.TODAY).credit == 10


def test_with_no_credit_or_nothing_open_there_is_nothing_to_use(client: Client) -> None:
    an_invoice_over(client, 1, JANUARY)
    with pytest.raises(payments.NoCredit):
        use_credit(client=client)
    paid(client, "20")
    with pytest.raises(payments.NoCredit):
        use_credit(client=client)


def test_a_withdrawn_payment_opens_what_it_settled_and_stays_on_record(client: Client) -> None:
    invoice = an_invoice_over(client, 10, JANUARY)
    payment = undo_payment(payment=paid(client, "100"), reason="Other client", by=None, now=make.NOW)
    assert (payment.withdrawn_at, payment.withdrawn_reason) == (make.NOW, "Other client")
    assert open_of(invoice) == 100
    assert client_balance(client, make.TODAY).credit == 0


def test_a_payment_is_withdrawn_once_and_for_a_reason(client: Client) -> None:
    payment = paid(client, "100")
    with pytest.raises(payments.WithdrawalReasonMissing):
        undo_payment(payment=payment, reason=" ", by=None, now=make.NOW)
    undo_payment(payment=payment, reason="Twice", by=None, now=make.NOW)
    with pytest.raises(payments.PaymentIsWithdrawn):
        undo_payment(payment=payment, reason="Twice", by=None, now=make.NOW)


@pytest.mark.parametrize("amount", ["0", "-1", "0.001", "10000000000"])
def test_an_amount_that_makes_no_sense_is_refused(client: Client, amount: str) -> None:
    with pytest.raises(payments.AmountRefused):
        paid(client, amount)


def test_a_day_ahead_and_an_unknown_way_are_refused(client: Client) -> None:
    with pytest.raises(payments.DayIsAhead):
        paid(client, "1", received_on=make.TODAY + dt.timedelta(days=1))
    with pytest.raises(payments.MethodUnknown):
        paid(client, "1", method="cowrie")


def test_an_invoice_that_is_not_open_or_not_the_clients_cannot_be_named(client: Client) -> None:
    settled = an_invoice_over(client, 1, JANUARY)
    paid(client, "10")
    neighbours = an_invoice_over(make.a_client(client.business), 1, JANUARY)
    for invoice in (settled, neighbours, bills.a_draft(client)):
        with pytest.raises(payments.InvoiceNotOpen):
            paid(client, "10", named_invoices=[invoice])
    assert Payment.objects.count() == 1


# How things stand


def test_how_an_invoice_stands_is_derived(client: Client) -> None:
    due = make.TODAY
    fresh, part, full = (an_invoice_over(client, 10, due) for _ in range(3))
    paid(client, "40", named_invoices=[part])
    paid(client, "100", named_invoices=[full])

    def standing(invoice: Invoice, today: dt.date = make.TODAY) -> Standing:
        return invoice_standing(invoice, today).standing

    assert [standing(one) for one in (fresh, part, full)] == [Standing.OPEN, Standing.PART_PAID, Standing.PAID]
    tomorrow = due + dt.timedelta(days=1)
    assert [standing(one, tomorrow) for one in (fresh, part, full)] == [
        Standing.OVERDUE,
        Standing.OVERDUE,
        Standing.PAID,
    ]
    assert standing(bills.a_draft(client)) == Standing.DRAFT


def test_an_invoice_over_nothing_is_paid(client: Client) -> None:
    bills.a_price_list(client.business, {"head_recheck": "0"}, name="Free")
    invoice = bills.an_invoice(client, head={HeadKind.RECHECK: 2})
    assert invoice_standing(invoice, make.TODAY).standing == Standing.PAID


def test_sums_of_cents_come_out_even(client: Client) -> None:
    """0.1 + 0.2 is not 0.3 for a database that adds floating-point numbers."""
    bills.a_price_list(client.business, {"head_bull": "0.10"}, name="Cents")
    invoice = bills.an_invoice(client, head={HeadKind.BULL: 3})
    assert invoice.gross_total == D("0.36")
    for amount in ("0.10", "0.20", "0.06"):
        paid(client, amount)
    assert invoice_standing(invoice, make.TODAY).standing == Standing.PAID
    assert client_balance(client, make.TODAY).balance == 0


def test_overdue_are_those_past_due_with_something_open(client: Client) -> None:
    first, second = an_invoice_over(client, 1, JANUARY), an_invoice_over(client, 2, make.TODAY)
    paid(client, "4", named_invoices=[first])
    assert [(row.pk, row.open_amount) for row in overdue_invoices(client.business, make.TODAY)] == [(first.pk, 6)]
    assert second not in overdue_invoices(client.business, make.TODAY)


def test_age_of_debt_per_client_and_in_all(client: Client) -> None:
    other = make.a_client(client.business, name="Beck Farm")
    an_invoice_over(client, 10, dt.date(2026, 2, 2))  # 30 days before
    an_invoice_over(client, 5, dt.date(2026, 2, 1))  # 31 days
    an_invoice_over(other, 1, make.TODAY)
    paid(make.a_client(client.business, name="Cole Farm"), "7")
    aged = ageing_of(client.business, make.TODAY)
    assert [(row.client.name, row.ageing.balance) for row in aged.rows] == [
        ("Alder Bank Dairy", D(150)),
        ("Beck Farm", D(10)),
        ("Cole Farm", D(-7)),
    ]
    assert aged.rows[0].ageing.by_age[Age.DAYS_1_30] == 100
    assert aged.rows[0].ageing.by_age[Age.DAYS_31_60] == 50
    assert (aged.total.owed, aged.total.by_age[Age.CURRENT], aged.total.credit) == (D(160), D(10), D(7))


def test_ageing_takes_few_queries_and_leaves_strangers_out(client: Client, django_assert_max_num_queries: Any) -> None:
    for _ in range(6):
        an_invoice_over(make.a_client(client.business), 1, JANUARY)
    stranger = make.a_client(bills.a_trimming_business(name="Stranger"))
    bills.an_invoice(stranger)
    with django_assert_max_num_queries(4):
        assert len(ageing_of(client.business, make.TODAY).rows) == 6


def test_many_invoices_stand_in_one_query(client: Client, django_assert_max_num_queries: Any) -> None:
    for _ in range(3):
        an_invoice_over(client, 1, JANUARY)
    with django_assert_max_num_queries(1):
        rows = list(with_standing(Invoice.objects.of(client.business), make.TODAY))
    assert [row.standing for row in rows] == ["overdue"] * 3


def test_a_statement_runs_from_opening_to_closing(client: Client) -> None:
    an_invoice_over(client, 10, JANUARY)
    paid(client, "30", received_on=dt.date(2026, 2, 1))
    undo_payment(payment=paid(client, "5"), reason="Typo", by=None, now=make.NOW)
    late = bills.an_invoice(client, head={HeadKind.COW: 2})
    note = credit_invoice(invoice=late, reason="All", by=None, now=make.NOW)
    issue_invoice(invoice=note, on=make.TODAY, by=None, now=make.NOW)
    statement = statement_of(client, dt.date(2026, 1, 15), make.TODAY)
    assert (statement.opening, statement.closing) == (D(100), D(70))
    assert [(line.text, line.amount, line.balance) for line in statement.lines] == [
        ("Payment, bank transfer", D(-30), D(70)),
        ("Invoice 2026-000002", D(20), D(90)),
        ("Credit note 2026-000003", D(-20), D(70)),
    ]
