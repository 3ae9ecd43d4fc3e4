"""Reminding: who is due, what it will say, stops, steps and rates."""

from __future__ import annotations

import uuid
from typing import Any

from django.contrib import messages
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import path, reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST

from billing.charges.totals import ZERO
from billing.forms import as_key
from billing.forms.reminders import CountForm, RateFormSet, StepFormSet, StopForm
from billing.models import LateInterest, Reminder, ReminderStep, ReminderStop
from billing.queries.reminders import due_reminders
from billing.services import reminders
from billing.services.reminders import REMIND_JOB, RateValues, StepValues
from trimmer.access import OFFICE, OWNER, SeatedRequest, may
from trimmer.errors import Refusal
from trimmer.forms import posted, say_refusal
from trimmer.models import Client, Job

SENT_BEFORE = 20


@may(OWNER, OFFICE)
def reminder_list(request: SeatedRequest) -> HttpResponse:
    """Who is to be reminded today; sending has a worker do it."""
    business = request.seat.business
    if request.method == "POST":
        keys = [as_key(told) for told in request.POST.getlist("client")]
        chosen = list(Client.objects.of(business).filter(pk__in=keys))
        try:
            job = reminders.start_reminders(business=business, clients=chosen, by=request.user)
        except Refusal as refusal:
            messages.error(request, str(refusal))
            return redirect("reminder-list")
        return redirect(f"{reverse('reminder-list')}?job={job.pk}")
    due = due_reminders(business, timezone.localdate())
    job_asked = _job(request)
    values = {
        "due": [one for one in due if one.stopped is None],
        "stopped_due": [one for one in due if one.stopped is not None],
        "steps": ReminderStep.objects.of(business).count(),
        "stops": ReminderStop.objects.of(business).filter(lifted_at__isnull=True).select_related("client", "invoice"),
        "job": job_asked,
        "result": job_asked.result if job_asked and job_asked.finished else None,
        "sent": Reminder.objects.of(business).select_related("client", "message", "sent_by")[:SENT_BEFORE],
    }
    return render(request, "billing/reminder_list.html", values)


def _job(request: SeatedRequest) -> Job | None:
    try:
        key = uuid.UUID(request.GET.get("job", ""))
    except ValueError:
        return None
    return Job.objects.of(request.seat.business).filter(kind=REMIND_JOB, pk=key).first()


@may(OWNER, OFFICE)
def reminder_settings(request: SeatedRequest) -> HttpResponse:
    """The steps of reminding, their words, and the rates for late payment."""
    business = request.seat.business
    rates = list(LateInterest.objects.of(business))
    sent = posted(request)
    steps = StepFormSet(sent, prefix="steps", initial=list(ReminderStep.objects.of(business).values()))
    rate_forms = RateFormSet(sent, prefix="rates", initial=[_fields(rate) for rate in rates])
    count = CountForm(sent, initial={"count": rates[-1].count if rates else "days_365"})
    if request.method == "POST" and all([steps.is_valid(), rate_forms.is_valid(), count.is_valid()]):
        try:
            reminders.keep_reminding(
                business=business,
                steps=[StepValues(**_kept(row, least=ZERO)) for row in _rows(steps)],
                rates=[RateValues(**_kept(row)) for row in _rows(rate_forms)],
                count=count.cleaned_data["count"],
            )
        except Refusal as refusal:
            say_refusal(count, refusal)
        else:
            messages.success(request, _("Reminding is set up."))
            return redirect("reminder-list")
    return render(request, "billing/reminder_settings.html", {"steps": steps, "rates": rate_forms, "count": count})


def _fields(rate: LateInterest) -> dict[str, Any]:
    return {"valid_from": rate.valid_from, "percent": rate.percent.normalize()}


def _rows(formset: Any) -> list[dict[str, Any]]:
    """What is filled in, without rows that are empty or to be taken away."""
    return [form.cleaned_data for form in formset if form.cleaned_data and not form.cleaned_data.get("DELETE")]


def _kept(row: dict[str, Any], **instead: Any) -> dict[str, Any]:
    return {name: instead.get(name) if value is None else value for name, value in row.items() if name != "DELETE"}


@may(OWNER, OFFICE)
def reminder_stop(request: SeatedRequest, pk: int) -> HttpResponse:
    """Ask why, then stop reminders to a client, or of one of its invoices."""
    client = get_object_or_404(Client.objects.seen_by(request.seat), pk=pk)
    form = StopForm(posted(request), business=request.seat.business, client=client, today=timezone.localdate())
    if request.method == "POST" and form.is_valid():
        try:
            reminders.stop_reminders(
                client=client,
                invoice=form.cleaned_data["invoice"],
                reason=form.cleaned_data["reason"],
                by=request.user,
                now=timezone.now(),
            )
        except Refusal as refusal:
            say_refusal(form, refusal)
        else:
            messages.success(request, _("Nobody is reminded of it until you lift the stop."))
            return redirect("reminder-list")
    return render(request, "billing/reminder_stop.html", {"form": form, "client": client})


@may(OWNER, OFFICE)
@require_POST
def reminder_stop_lift(request: SeatedRequest, pk: int) -> HttpResponse:
    """Let reminders go on."""
    stop = get_object_or_404(ReminderStop.objects.seen_by(request.seat), pk=pk)
    try:
        reminders.lift_stop(stop=stop, by=request.user, now=timezone.now())
    except Refusal as refusal:
        messages.error(request, str(refusal))
    else:
        messages.success(request, _("The stop is lifted."))
    return redirect("reminder-list")


urlpatterns = [
    path("reminders", reminder_list, name="reminder-list"),
    path("reminders/settings", reminder_settings, name="reminder-settings"),
    path("clients/<int:pk>/stop-reminders", reminder_stop, name="reminder-stop"),
    path("reminder-stops/<int:pk>/lift", reminder_stop_lift, name="reminder-stop-lift"),
]
