"""Reminding of what is overdue: by steps, once each, not where stopped, with interest by the business's rates alone."""

import datetime as dt
from decimal import Decimal as D
from typing import Any

import pytest
from django.core import mail
from django.db import IntegrityError, transaction
from django.urls import reverse
from rest_framework.test import APIClient

from billing import tasks
from billing.models import Invoice, LateInterest, RemindedInvoice, Reminder, ReminderStop
from billing.queries.reminders import due_reminders
from billing.services import reminders
from billing.services.payments import record_payment
from billing.services.reminders import RateValues, StepValues
from tests import make
from tests.billing import bills
from trimmer.models import Client, Job
from trimmer.services import jobs

pytestmark = pytest.mark.django_db
assert tasks.send_reminders  # registers what a worker does

NOW, TODAY = make.NOW, make.TODAY


@pytest.fixture
def client() -> Client:
    business = bills.a_trimming_business()
    steps = [StepValues(30, "Please pay now.", with_interest=True), StepValues(7, "Perhaps it was forgotten.")]
    reminders.keep_steps(business=business, steps=steps)
    return make.a_client(business, name="Carrow Dairy", email="carrow@example.test")


def overdue(client: Client, days: int, **more: Any) -> Invoice:
    due = TODAY - dt.timedelta(days=days)
    return bills.an_invoice(client, on=due - dt.timedelta(days=14), due_on=due, **more)


def remind(client: Client, now: dt.datetime = NOW) -> Reminder:
    return reminders.send_reminder(client=client, by=None, now=now)


def due(client: Client, today: dt.date = TODAY) -> list[str]:
    return [str(row.invoice.number) for one in due_reminders(client.business, today) for row in one.invoices]


@pytest.mark.parametrize(("days", "is_due"), [(6, False), (7, True), (29, True), (30, True)])
def test_a_step_is_due_from_its_day_on(client: Client, days: int, is_due: bool) -> None:
    invoice = overdue(client, days)
    assert due(client) == ([invoice.number] if is_due else [])


def test_each_step_is_sent_once(client: Client, django_capture_on_commit_callbacks: Any) -> None:
    invoice = overdue(client, 8)
    with django_capture_on_commit_callbacks(execute=True):
        remind(client)
    assert due(client) == []
    assert "Perhaps it was forgotten." in mail.outbox[0].body
    assert f"{invoice.number}" in mail.outbox[0].body
    assert mail.outbox[0].attachments[0][0] == f"{invoice.number}.pdf"
    with pytest.raises(reminders.NothingToRemind):
        remind(client)
    assert due(client, TODAY + dt.timedelta(days=22)) == [invoice.number]


def test_the_database_holds_a_step_to_one_reminder(client: Client) -> None:
    overdue(client, 8)
    said = remind(client).invoices.get()
    twin = RemindedInvoice(reminder=said.reminder, invoice=said.invoice, days=said.days, open_amount=1)
    with pytest.raises(IntegrityError), transaction.atomic():
        twin.save()


def test_a_client_is_reminded_of_all_at_once_in_the_furthest_words(client: Client) -> None:
    overdue(client, 40)
    other: dict[str, Any] = {"farm": make.a_farm(client, name="B"), "crew": make.a_crew(client.business, name="B")}
    bills.an_invoice(client, on=TODAY - dt.timedelta(days=24), due_on=TODAY - dt.timedelta(days=10), **other)
    reminder = remind(client)
    assert (reminder.days, reminder.invoices.count()) == (30, 2)


def test_what_is_paid_is_not_reminded_of(client: Client) -> None:
    overdue(client, 8)
    record_payment(client=client, received_on=TODAY, amount=D("690.20"), method="cash", by=None, now=NOW)
    assert due(client) == []


def test_a_client_that_owes_little_is_left_in_peace(client: Client) -> None:
    reminders.keep_steps(business=client.business, steps=[StepValues(7, "Please pay.", least=D("690.21"))])
    overdue(client, 8)
    assert due(client) == []


def test_interest_is_told_by_the_businesss_rates_and_only_where_its_step_says_so(client: Client) -> None:
    """690.20 for 40 days at 10 % of 365 days: 7.5638."""
    invoice = overdue(client, 40)
    assert due_reminders(client.business, TODAY)[0].interest == 0
    rates = [RateValues(dt.date(2025, 1, 1), D(10))]
    reminders.keep_rates(business=client.business, rates=rates, count="days_365")
    assert due_reminders(client.business, TODAY)[0].interest == D("7.56")
    assert remind(client).invoices.get(invoice=invoice).interest == D("7.56")


def test_a_stopped_invoice_is_left_out_until_the_stop_is_lifted(client: Client) -> None:
    invoice = overdue(client, 8)
    stop = reminders.stop_reminders(client=client, invoice=invoice, reason="count disputed", by=None, now=NOW)
    assert due(client) == []
    with pytest.raises(reminders.StoppedAlready):
        reminders.stop_reminders(client=client, invoice=invoice, reason="again", by=None, now=NOW)
    reminders.lift_stop(stop=stop, by=None, now=NOW)
    assert due(client) == [invoice.number]
    with pytest.raises(reminders.StopIsLifted):
        reminders.lift_stop(stop=stop, by=None, now=NOW)


def test_a_stopped_client_is_refused(client: Client) -> None:
    overdue(client, 8)
    with pytest.raises(reminders.StopReasonMissing):
        reminders.stop_reminders(client=client, reason=" ", by=None, now=NOW)
    reminders.stop_reminders(client=client, reason="a dispute", by=None, now=NOW)
    with pytest.raises(reminders.RemindersAreStopped, match="a dispute"):
        remind(client)


def test_a_client_without_an_address_is_refused(client: Client) -> None:
    Client.objects.filter(pk=client.pk).update(email="")
    overdue(client, 8)
    with pytest.raises(reminders.NoAddressToRemind):
        remind(client)


@pytest.mark.parametrize(
    "steps",
    [
        [StepValues(7, "a"), StepValues(7, "b")],
        [StepValues(0, "a")],
        [StepValues(7, "  ")],
        [StepValues(7, "a", least=D(-1))],
        [StepValues(day, "a") for day in range(1, 11)],
    ],
)
def test_steps_that_cannot_be_are_refused_and_the_others_stay(client: Client, steps: list[StepValues]) -> None:
    with pytest.raises(reminders.StepsRefused):
        reminders.keep_steps(business=client.business, steps=steps)
    assert client.business.reminder_steps.count() == 2


@pytest.mark.parametrize(
    ("rates", "count"),
    [
        ([RateValues(TODAY, D(-1))], "days_365"),
        ([RateValues(TODAY, D(101))], "days_365"),
        ([RateValues(TODAY, D(1)), RateValues(TODAY, D(2))], "days_365"),
        ([RateValues(TODAY, D(1))], "moons"),
    ],
)
def test_rates_that_cannot_be_are_refused(client: Client, rates: list[RateValues], count: str) -> None:
    with pytest.raises(reminders.RatesRefused):
        reminders.keep_rates(business=client.business, rates=rates, count=count)


def test_a_worker_reminds_many_and_one_that_cannot_be_stops_nobody(client: Client) -> None:
    overdue(client, 8)
    nobody = make.a_client(client.business, number="2", name="Nothing Due")
    job = reminders.start_reminders(business=client.business, clients=[client, nobody], by=None)
    assert jobs.run(job.pk, clock=lambda: NOW)
    job.refresh_from_db()
    assert [one["name"] for one in job.result["sent"]] == ["Carrow Dairy"]
    assert [one["name"] for one in job.result["failed"]] == ["Nothing Due"]


def test_nobody_chosen_is_refused(client: Client) -> None:
    stranger = make.a_client(bills.a_trimming_business(name="Elsewhere"))
    with pytest.raises(reminders.NobodyToRemind):
        reminders.start_reminders(business=client.business, clients=[stranger], by=None)


@pytest.fixture
def office(client: Client) -> Any:
    return make.signed_in(make.a_member(client.business, "office"))


def test_the_office_sets_up_steps_and_rates(client: Client, office: Any) -> None:
    page = office.get(reverse("reminder-settings")).content.decode()
    assert "Perhaps it was forgotten." in page
    sent = {
        "steps-TOTAL_FORMS": "1",
        "steps-INITIAL_FORMS": "0",
        "steps-0-days": "10",
        "steps-0-text": "Please.",
        "steps-0-with_interest": "on",
        "rates-TOTAL_FORMS": "1",
        "rates-INITIAL_FORMS": "0",
        "rates-0-valid_from": "2026-01-01",
        "rates-0-percent": "9.27",
        "count": "days_360",
    }
    assert office.post(reverse("reminder-settings"), sent).status_code == 302
    assert [step.days for step in client.business.reminder_steps.all()] == [10]
    assert LateInterest.objects.get().percent == D("9.27")
    refused = office.post(reverse("reminder-settings"), sent | {"steps-0-days": "0"})
    assert refused.status_code == 200
    assert "Please." in refused.content.decode()


def test_the_office_reminds_and_stops(client: Client, office: Any, freezer_today: None) -> None:
    overdue(client, 8)
    assert "Carrow Dairy" in office.get(reverse("reminder-list")).content.decode()
    answer = office.post(reverse("reminder-list"), {"client": [client.pk]})
    jobs.run(Job.objects.get(kind="send_reminders").pk, clock=lambda: NOW)
    assert "One client was reminded." in office.get(answer["Location"]).content.decode()
    assert "Choose at least one client." in office.post(reverse("reminder-list"), follow=True).content.decode()
    office.post(reverse("reminder-stop", args=[client.pk]), {"reason": "a dispute"})
    assert "a dispute" in office.get(reverse("reminder-list")).content.decode()
    office.post(reverse("reminder-stop-lift", args=[ReminderStop.objects.get().pk]))
    assert "a dispute" not in office.get(reverse("reminder-list")).content.decode()


@pytest.fixture
def freezer_today(monkeypatch: pytest.MonkeyPatch) -> None:
    """The pages of reminding take the tests' day for today."""
    monkeypatch.setattr("billing.views.reminders.timezone.localdate", lambda: TODAY)


def test_without_steps_the_page_says_what_to_do(client: Client, office: Any) -> None:
    client.business.reminder_steps.all().delete()
    assert "Set up reminding" in office.get(reverse("reminder-list")).content.decode()


def test_a_program_sees_who_is_due_and_stops_one(client: Client) -> None:
    overdue(client, 8)
    program = APIClient()
    program.force_login(make.a_member(client.business, "office").user)
    [row] = program.get(reverse("api-reminders")).json()
    assert (row["client"], row["open"], row["stopped"]) == (client.pk, "690.20", False)
    stop = program.post(reverse("api-reminder-stop-list"), {"client": client.pk, "reason": "x"}, format="json")
    assert stop.status_code == 201
    assert program.post(reverse("api-reminder-stop-lift", args=[stop.json()["id"]])).status_code == 200
    asked = program.post(reverse("api-reminders"), {"clients": [client.pk]}, format="json")
    assert asked.status_code == 202
    refused = program.post(reverse("api-reminders"), {"clients": []}, format="json")
    assert (refused.status_code, refused.json()["code"]) == (400, "nobody_to_remind")
