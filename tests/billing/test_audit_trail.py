"""The audit trail: written by the database, only added to, chained, and read by the owner."""

from collections.abc import Iterator
from contextlib import contextmanager
from decimal import Decimal
from io import StringIO
from typing import Any

import pytest
from django.apps import apps
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection, transaction
from django.urls import reverse
from rest_framework.test import APIClient

from billing import trail
from billing.models import Payment, TrailEntry, TrailHead
from billing.queries.trail import Break, check_trail
from billing.services.issuing import start_issue_run
from billing.services.payments import record_payment, undo_payment
from tests import make
from tests.billing import bills
from trimmer.acting import acting
from trimmer.models import Client
from trimmer.services import jobs
from trimmer.services.people import make_token

pytestmark = pytest.mark.django_db


@pytest.fixture
def client() -> Client:
    return make.a_client(bills.a_trimming_business(), name="Alder Bank Dairy")


def link_now() -> None:
    """What PostgreSQL does when a transaction goes through."""
    connection.check_constraints()


def entries(thing: str, **more: Any) -> list[TrailEntry]:
    link_now()
    return list(TrailEntry.objects.filter(thing=f"billing_{thing}", **more).order_by("pk"))


@contextmanager
def without_triggers() -> Iterator[None]:
    link_now()
    trail.lift(connection)
    yield
    trail.lay(connection)


def paid(client: Client) -> Payment:
    return record_payment(
        client=client, received_on=make.TODAY, amount=Decimal("90.00"), method="cash", by=None, now=make.NOW
    )


# What is noted


def test_who_when_what_before_and_after(client: Client) -> None:
    person = make.a_member(client.business, "office").user
    with acting(person, "job try"):
        payment = paid(client)
        undo_payment(payment=payment, reason="Typed twice", by=None, now=make.NOW)
    added, changed = entries("payment")
    assert (added.act, changed.act) == ("added", "changed")
    assert {added.by, changed.by} == {person.pk}
    assert (added.by_name, added.told["through"]) == (str(person), "job try")
    assert (added.key, added.client, added.business_id) == (payment.pk, client.pk, client.business_id)
    assert added.told["before"] is None
    assert changed.told["before"]["withdrawn_reason"] == ""
    assert changed.told["after"]["withdrawn_reason"] == "Typed twice"
    assert changed.told_at == changed.at


def test_the_person_of_a_request_is_noted(client: Client) -> None:
    owner = make.a_member(client.business, "owner")
    make.signed_in(owner).post("/billing-settings", {"credit_prefix": "CR-", "travel_share": "alone"})
    [entry] = entries("billingsettings", act="added") or entries("billingsettings", act="changed")
    assert (entry.by, entry.told["through"]) == (owner.user.pk, "billing-settings")


def test_the_person_of_a_token_is_noted(client: Client) -> None:
    office = make.a_member(client.business, "office")
    _token, secret = make_token(seat=office, name="till", now=make.NOW)
    program = APIClient(headers={"Authorization": f"Bearer {secret}"})
    values = {"name": "VAT 20 %", "code": "S", "rate": "20"}
    assert program.post(reverse("api-tax-category-list"), values, format="json").status_code == 201
    [entry] = entries("taxcategory")
    assert (entry.by, entry.told["through"]) == (office.user.pk, "api-tax-category-list")


def test_the_person_who_asked_for_a_job_is_noted(client: Client) -> None:
    office = make.a_member(client.business, "office")
    draft = bills.a_draft(client)
    run = start_issue_run(business=client.business, invoices=[draft], on=make.TODAY, by=office.user, now=make.NOW)
    assert run.job is not None
    assert jobs.run(run.job.pk, clock=lambda: make.NOW)
    issued = [entry for entry in entries("invoice", act="changed") if entry.told["after"]["state"] == "issued"]
    assert [(entry.by, entry.told["through"]) for entry in issued] == [(office.user.pk, "job issue_invoices")]


def test_nobody_is_noted_where_nobody_acts(client: Client) -> None:
    paid(client)
    [entry] = entries("payment")
    assert (entry.by, entry.by_name) == (None, "")


def test_raw_sql_is_noted_too(client: Client) -> None:
    bills.a_price_list(client.business)
    with connection.cursor() as cursor:
        cursor.execute("UPDATE billing_price SET amount = 99 WHERE article = 'head_cow'")
    [entry] = entries("price", act="changed")
    assert (float(entry.told["before"]["amount"]), float(entry.told["after"]["amount"])) == (14.5, 99)


def test_what_stays_as_it_was_is_not_noted(client: Client) -> None:
    client.save()
    assert TrailEntry.objects.filter(thing="trimmer_client").count() == 1


def test_prices_removed_with_their_list_are_noted(client: Client) -> None:
    bills.a_price_list(client.business).delete()
    assert len(entries("price", act="removed")) == len(bills.PRICES)
    assert len(entries("pricelist", act="removed")) == 1


def test_an_invoice_leads_to_all_that_was_done_to_it(client: Client) -> None:
    invoice = bills.an_invoice(client)
    link_now()
    things = set(TrailEntry.objects.filter(invoice=invoice.pk).values_list("thing", flat=True))
    assert things >= {"billing_invoice", "billing_invoiceline", "billing_invoicetax", "billing_billedvisit"}


def test_what_is_rolled_back_leaves_no_trace(client: Client) -> None:
    with transaction.atomic():
        paid(client)
        transaction.set_rollback(True)
    assert entries("payment") == []
    assert check_trail(client.business) is None


def test_every_table_about_money_is_watched_or_says_why_not() -> None:
    names = {model.__name__ for model in apps.get_app_config("billing").get_models()}
    watched = {model.__name__ for model in trail.watched()}
    assert names - watched == set(trail.NOT_WATCHED)
    assert set(trail.WATCHED_FACTS) <= watched


def test_files_stay_out_of_the_trail_and_their_hash_goes_in(client: Client) -> None:
    from billing.services.documents import keep_document

    kept = keep_document(invoice=bills.an_invoice(client), now=make.NOW)
    [entry] = entries("invoicefile")
    assert entry.told["after"]["sha256"] == kept.sha256
    assert "pdf" not in entry.told["after"]


# Only added to


def test_the_database_refuses_to_change_or_take_away_an_entry(client: Client) -> None:
    paid(client)
    link_now()
    [entry] = entries("payment")
    changes: list[Any] = [
        lambda: TrailEntry.objects.filter(pk=entry.pk).update(by_name="Somebody else"),
        lambda: TrailEntry.objects.filter(pk=entry.pk).update(position=None, hash=""),
        lambda: TrailEntry.objects.filter(pk=entry.pk).delete(),
        lambda: TrailEntry.objects.create(
            business=client.business, at=make.NOW, by_name="", act="added", thing="x", key=1, body="{}", hash="x" * 64
        ),
    ]
    for change in changes:
        with pytest.raises(IntegrityError), transaction.atomic():
            change()
    sweeping = {"postgresql": "TRUNCATE billing_trailentry", "sqlite": "DELETE FROM billing_trailentry"}
    with pytest.raises(IntegrityError), transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sweeping[connection.vendor])


# The chain


def test_each_business_has_a_chain_of_its_own(client: Client) -> None:
    other = make.a_client(bills.a_trimming_business(name="Stranger"))
    paid(client)
    paid(other)
    link_now()
    for business in (client.business, other.business):
        places = TrailEntry.objects.of(business).sealed().values_list("position", flat=True)
        assert list(places) == list(range(1, len(places) + 1))
        assert check_trail(business) is None


def tampered(client: Client, how: str) -> Break | None:
    bills.an_invoice(client)
    paid(client)
    link_now()
    rows = TrailEntry.objects.of(client.business)
    last = rows.sealed().last()
    [entry] = entries("payment")
    assert last is not None
    with without_triggers():
        match how:
            case "words":
                rows.filter(pk=entry.pk).update(body=entry.body.replace("90", "9"))
            case "columns":
                rows.filter(pk=entry.pk).update(by_name="Somebody else")
            case "middle":
                rows.filter(pk=entry.pk - 1).delete()
            case "end":
                rows.filter(pk=last.pk).delete()
            case "all but the first":
                rows.filter(position__gt=1).delete()
    found = check_trail(client.business)
    assert found is not None
    return found.how


@pytest.mark.parametrize(
    ("how", "said"),
    [
        ("words", Break.HASH),
        ("columns", Break.COLUMNS),
        ("middle", Break.MISSING),
        ("end", Break.END),
        ("all but the first", Break.END),
    ],
)
def test_what_was_tampered_with_is_found(client: Client, how: str, said: Break) -> None:
    assert tampered(client, how) == said


def test_a_chain_written_anew_does_not_lead_through_what_was_handed_over(client: Client) -> None:
    paid(client)
    link_now()
    head = TrailHead.objects.of(client.business).get()
    anchor = (head.position, head.hash)
    assert check_trail(client.business, anchors=[anchor]) is None
    with without_triggers():
        rows = list(TrailEntry.objects.of(client.business).sealed())
        TrailEntry.objects.of(client.business).delete()
        TrailHead.objects.of(client.business).delete()
    for row in rows:
        row.body, row.position, row.hash = row.body.replace("90", "9"), None, ""
    TrailEntry.objects.bulk_create(rows)
    link_now()
    found = check_trail(client.business, anchors=[anchor])
    assert found is not None
    assert found.how in {Break.ANCHOR, Break.COLUMNS}


def test_the_command_names_the_first_broken_link(client: Client) -> None:
    paid(client)
    link_now()
    said = StringIO()
    call_command("check_audit_trail", stdout=said)
    assert "links hold" in said.getvalue()
    [entry] = entries("payment")
    with without_triggers():
        TrailEntry.objects.filter(pk=entry.pk).update(body="{}")
    with pytest.raises(CommandError, match="broken"):
        call_command("check_audit_trail", business=client.business_id, stdout=said)
    assert f"BROKEN at link {entry.position} (hash), entry {entry.pk}" in said.getvalue()


@pytest.mark.parametrize("options", [{"business": 0}, {"anchor": [(1, "0" * 64)]}])
def test_the_command_refuses_what_it_cannot_check(options: dict[str, Any]) -> None:
    with pytest.raises(CommandError):
        call_command("check_audit_trail", **options)
