"""A draft becomes a document: checked, copied, numbered without gaps, and from then on only credited."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from http import HTTPStatus
from typing import Any, Final

from django.db import transaction
from django.db.models import F, Q
from django.utils.translation import gettext_lazy

from billing.charges.totals import CreditTooLarge, TaxProblem, TaxUse, check_tax_rules
from billing.documents.reference import ReferenceRefused, rf_reference
from billing.models import (
    Allocation,
    Article,
    BilledVisit,
    Invoice,
    InvoiceKind,
    InvoiceLine,
    InvoiceSeries,
    InvoiceState,
    IssueRun,
)
from billing.queries.balances import invoice_standing
from billing.queries.prices import settings_of
from billing.services.amounts import write_totals
from billing.services.documents import buyer_as_printed, keep_document, seller_as_printed
from billing.services.drafts import NotADraft, hold_draft
from billing.services.einvoices import get_ready, keep_e_invoices, wants_e_invoices
from billing.services.travel import freeze_rounds
from trimmer.access import business_locale
from trimmer.errors import Refusal
from trimmer.models import Business, Client, User, Visit, VisitState
from trimmer.services.jobs import start_job
from trimmer.services.records import lock_visit, unlock_visit
from trimmer.showing import show_day, to_local

ISSUE_JOB: Final = "issue_invoices"


class NothingOnIt(Refusal):
    code = "nothing_on_it"
    message = gettext_lazy("There is no line on this draft. Add one, or drop the draft.")


class TotalIsNegative(Refusal):
    code = "total_is_negative"
    message = gettext_lazy("The total is below zero. Money given back is a credit note on the invoice it came from.")


class SellerIncomplete(Refusal):
    code = "seller_incomplete"
    message = gettext_lazy("Your business needs its name, town and country in the settings before it can issue.")


class TaxRulesBroken(Refusal):
    code = "tax_rules_broken"
    message = "%(sentences)s"


class DateIsAhead(Refusal):
    code = "issue_date_ahead"
    message = gettext_lazy("The date lies ahead. An invoice is dated today or before.")
    status = HTTPStatus.BAD_REQUEST


class DateBeforeTheLast(Refusal):
    code = "issue_date_before_the_last"
    message = gettext_lazy(
        "An invoice of %(day)s is issued already, and numbers follow the dates. Choose that day or a later one."
    )


class DueBeforeIssued(Refusal):
    code = "due_before_issued"
    message = gettext_lazy("It cannot be due before it is issued. Choose a later day to pay by.")
    status = HTTPStatus.BAD_REQUEST


class VisitWasTakenUpAgain(Refusal):
    code = "visit_taken_up_again"
    message = gettext_lazy("The visit of %(day)s at %(farm)s is not done any more. Complete it, or drop this draft.")


class CreditExceedsInvoice(Refusal):
    code = "credit_exceeds_invoice"
    message = gettext_lazy("More would be credited than is left of the invoice. Drop the draft and credit anew.")


class NothingToIssue(Refusal):
    code = "nothing_to_issue"
    message = gettext_lazy("None of these is a draft. Choose at least one draft.")
    status = HTTPStatus.BAD_REQUEST


_TAX_SENTENCES: Final = {
    TaxProblem.UNKNOWN_CATEGORY: gettext_lazy("A line has a tax category that invoices do not know."),
    TaxProblem.RATE_MISSING: gettext_lazy("A taxed line has no tax rate."),
    TaxProblem.RATE_NOT_ZERO: gettext_lazy("A line without tax has a tax rate."),
    TaxProblem.REASON_MISSING: gettext_lazy("A line without tax does not say why. Add the text to its tax category."),
    TaxProblem.REASON_NOT_ALLOWED: gettext_lazy("A taxed line has a text of exemption. Take it off its tax category."),
    TaxProblem.OUTSIDE_SCOPE_MIXED: gettext_lazy(
        "Category O (not subject to tax) cannot stand on one invoice with others. Ask your accountant."
    ),
    TaxProblem.SPLIT_PAYMENT_MIXED: gettext_lazy("Split payment cannot stand on one invoice with standard tax."),
    TaxProblem.SELLER_TAX_ID_MISSING: gettext_lazy(
        "Your tax registration or tax number is missing. Add it to the settings of the business."
    ),
    TaxProblem.SELLER_VAT_ID_NOT_ALLOWED: gettext_lazy(
        "With category O (not subject to tax) no tax registration may stand on the invoice. Ask your accountant which "
        "category is yours."
    ),
    TaxProblem.BUYER_VAT_ID_MISSING: gettext_lazy(
        "Reverse charge needs the client's tax registration. Add it to the client."
    ),
}


def issue_invoice(
    *, invoice: Invoice, on: dt.date, due_on: dt.date | None = None, by: User | None, now: dt.datetime
) -> Invoice:
    """Issue a draft, invoice or credit note: all of it happens, or nothing.

    The number comes last, from the counter of its series and year moved in this transaction, so there are no gaps and
    no twins. `due_on` defaults to the client's days to pay, or the business's. The e-invoice, if the business makes
    them, is written and checked in the same transaction; the page is made once this is through.

    Raises NotADraft, NothingOnIt, TotalIsNegative, SellerIncomplete, TaxRulesBroken, DateIsAhead, DateBeforeTheLast,
    DueBeforeIssued, VisitWasTakenUpAgain, RoundWasSharedAnew, CreditExceedsInvoice, EInvoiceRefused.
    """
    with_xml = wants_e_invoices(invoice.business)
    if with_xml:
        get_ready()
    return _issue(invoice, on, due_on, by, now, with_xml=with_xml)


@transaction.atomic
def _issue(
    invoice: Invoice, on: dt.date, due_on: dt.date | None, by: User | None, now: dt.datetime, *, with_xml: bool
) -> Invoice:
    draft = hold_draft(invoice)
    business, client = draft.business, draft.client
    credit = draft.kind == InvoiceKind.CREDIT_NOTE
    if credit:
        # One after another: each credit note is measured against what the others left.
        Client.objects.select_for_update(no_key=True).get(pk=client.pk)
    if on > to_local(now, business.time_zone).date():
        raise DateIsAhead.at("on")
    lines = list(draft.lines.select_related("visit").order_by("position"))
    _check(draft, lines)
    try:
        totals = write_totals(draft)
    except CreditTooLarge as refused:
        raise CreditExceedsInvoice from refused
    if draft.gross_total < 0:
        raise TotalIsNegative
    due = None if credit else _due(draft, on, due_on)
    if not credit:
        _lock_visits(draft, lines, now)
        freeze_rounds(invoice=draft, lines=lines, now=now)
    series = _next_number(business, credit=credit, on=on)
    number = f"{series.prefix}{series.year}-{series.last:06d}"
    draft.seller, draft.buyer = seller_as_printed(business), buyer_as_printed(client)
    draft.number, draft.reference = number, _reference(number)
    draft.issued_on, draft.due_on = on, due
    draft.issued_at, draft.issued_by = now, by
    if with_xml:
        keep_e_invoices(invoice=draft, taxes=totals.tax_groups, now=now)
    draft.state = InvoiceState.ISSUED
    draft.save()
    if credit:
        _settle_by(draft, now)
    transaction.on_commit(lambda: keep_document(invoice=draft, now=now), robust=True)
    return draft


@transaction.atomic
def start_issue_run(
    *,
    business: Business,
    invoices: Iterable[Invoice],
    on: dt.date,
    send: bool = False,
    by: User | None,
    now: dt.datetime,
) -> IssueRun:
    """Have a worker issue drafts, each in a transaction of its own, and send each by e-mail if asked to.

    Raises NothingToIssue, DateIsAhead.
    """
    if on > to_local(now, business.time_zone).date():
        raise DateIsAhead.at("on")
    drafts = Invoice.objects.of(business).drafts().filter(pk__in=[invoice.pk for invoice in invoices])
    keys = list(drafts.values_list("pk", flat=True))
    if not keys:
        raise NothingToIssue
    run = IssueRun.objects.create(business=business, issue_on=on, send=send, asked_at=now, asked_by=by)
    run.invoices.set(keys)
    run.job = start_job(business=business, kind=ISSUE_JOB, arguments={"run": run.pk}, asked_by=by)
    run.save(update_fields=["job"])
    return run


def tax_sentences(problems: Iterable[TaxProblem]) -> list[str]:
    """What is wrong with the tax of a document, in sentences that say what to do."""
    return [str(_TAX_SENTENCES[problem]) for problem in problems]


def tax_problems(draft: Invoice, lines: Sequence[InvoiceLine]) -> tuple[TaxProblem, ...]:
    """Which rules of form the tax of a draft breaks, by what holds of seller and buyer now."""
    return check_tax_rules(
        [TaxUse(line.tax_code, line.tax_rate, line.exemption_reason) for line in lines],
        seller_vat_id=draft.business.tax_id,
        seller_tax_number=draft.business.tax_number,
        buyer_vat_id=draft.client.tax_id,
    )


def _check(draft: Invoice, lines: Sequence[InvoiceLine]) -> None:
    business = draft.business
    if not lines:
        raise NothingOnIt
    if not (business.name.strip() and business.city.strip() and business.country.strip()):
        raise SellerIncomplete
    if problems := tax_problems(draft, lines):
        raise TaxRulesBroken(sentences=" ".join(tax_sentences(problems)))


def _due(draft: Invoice, on: dt.date, wanted: dt.date | None) -> dt.date:
    days = draft.business.payment_days if draft.client.payment_days is None else draft.client.payment_days
    due = wanted or on + dt.timedelta(days=days)
    if due < on:
        raise DueBeforeIssued.at("due_on")
    return due


def _lock_visits(draft: Invoice, lines: Sequence[InvoiceLine], now: dt.datetime) -> None:
    fees = {line.visit_id for line in lines if line.article == Article.LATE_CANCELLATION}
    visits = Visit.objects.select_for_update(of=("self",)).filter(billings__invoice=draft).select_related("farm")
    for visit in visits.order_by("pk"):
        if visit.state != (VisitState.CANCELLED if visit.pk in fees else VisitState.DONE):
            day = show_day(visit.date, draft.business.language, weekday=False)
            raise VisitWasTakenUpAgain(day=day, farm=visit.farm.name)
        lock_visit(visit=visit, now=now)


def _next_number(business: Business, *, credit: bool, on: dt.date) -> InvoiceSeries:
    """Move the counter: one UPDATE, whose row is held until the document is stored."""
    prefix = (settings_of(business).credit_prefix if credit else "") or business.invoice_prefix
    series, _made = InvoiceSeries.objects.get_or_create(business=business, prefix=prefix, year=on.year)
    moved = (
        InvoiceSeries.objects.filter(pk=series.pk)
        .filter(Q(last_on__isnull=True) | Q(last_on__lte=on))
        .update(last=F("last") + 1, last_on=on)
    )
    series.refresh_from_db()
    if not moved:
        day = series.last_on or on
        raise DateBeforeTheLast.at("on", day=show_day(day, business.language, weekday=False))
    return series


def _reference(number: str) -> str:
    try:
        return rf_reference(number)
    except ReferenceRefused:
        return ""  # letters that no reference knows: the payer repeats the number


def _settle_by(credit_note: Invoice, now: dt.datetime) -> None:
    """A credit note settles what is open of its invoice; the rest is credit on account.

    With the invoice credited whole, its visits can be billed again.
    """
    invoice = credit_note.credits
    if invoice is None:
        return
    stands = invoice_standing(invoice, to_local(now, credit_note.business.time_zone).date())
    part = min(stands.open, credit_note.gross_total)
    if part > 0:
        Allocation.objects.create(invoice=invoice, credit_note=credit_note, amount=part)
    if stands.credited < invoice.gross_total:
        return
    for billed in BilledVisit.objects.filter(invoice=invoice, released_at__isnull=True).select_related("visit"):
        billed.released_at = now
        billed.save(update_fields=["released_at"])
        unlock_visit(visit=billed.visit)


def issue_for_run(*, run: IssueRun, invoice: Invoice, by: User | None, now: dt.datetime) -> dict[str, Any]:
    """Issue one draft of a run and make its file. What is issued already is only told, so a run can be taken up again.

    Says `{"invoice", "number", "client"}`; raises what `issue_invoice` raises.
    """
    with business_locale(run.business):
        if invoice.state == InvoiceState.DRAFT:
            try:
                invoice = issue_invoice(invoice=invoice, on=run.issue_on, by=by, now=now)
            except NotADraft:
                invoice.refresh_from_db()  # somebody was quicker
        keep_document(invoice=invoice, now=now)
    return {"invoice": invoice.pk, "number": invoice.number, "client": invoice.client.name}
