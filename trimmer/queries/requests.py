"""Requests read across rows."""

from __future__ import annotations

from django.db.models import Case, DateField, F, IntegerField, Prefetch, QuerySet, Value, When

from trimmer.access import Seat
from trimmer.models import Farm, RequestState, Urgency, Visit, VisitHead, VisitRequest, VisitState

URGENCY_ORDER = {Urgency.URGENT: 0, Urgency.SOON: 1, Urgency.ROUTINE: 2}


def requests_to_show(seat: Seat) -> QuerySet[VisitRequest]:
    """Requests a seat may see: those that wait first (the urgent, then the soonest due), then the others, newest first.

    Head, lame animals and standing visits (`standing_visits`) come along.
    """
    waits = {"state": RequestState.OPEN}
    return (
        VisitRequest.objects.seen_by(seat)
        .select_related("farm__client", "asked_by")
        .prefetch_related(
            "head",
            "lame_animals",
            Prefetch(
                "visits",
                Visit.objects.standing().select_related("crew").order_by("date", "pk"),
                to_attr="standing_visits",
            ),
        )
        .order_by(
            Case(When(**waits, then=Value(0)), default=Value(1), output_field=IntegerField()),
            Case(
                *(When(**waits, urgency=urgency, then=Value(place)) for urgency, place in URGENCY_ORDER.items()),
                default=Value(len(URGENCY_ORDER)),
                output_field=IntegerField(),
            ),
            Case(When(**waits, then=F("due_on")), output_field=DateField()).asc(nulls_last=True),
            "-asked_at",
            "-pk",
        )
    )


def waiting_at(farm: Farm) -> QuerySet[VisitRequest]:
    """A farm's requests without a visit yet, the oldest first."""
    found = VisitRequest.objects.waiting().filter(farm=farm)
    return found.select_related("farm__client__business").prefetch_related("head").order_by("asked_at", "pk")


def head_left(request: VisitRequest) -> dict[str, int]:
    """Head by kind that were asked for and not done yet on its visits; kinds of which all are done are left out."""
    asked = {row.kind: row.count for row in request.head.all()}
    done = VisitHead.objects.filter(visit__requests=request, visit__state=VisitState.DONE)
    for kind, count in done.values_list("kind", "done"):
        if kind in asked:
            asked[kind] -= count
    return {kind: count for kind, count in asked.items() if count > 0}
