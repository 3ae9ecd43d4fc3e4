"""Learning the pace from the visits recorded: read, fit, let the fit stand."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from django.db import transaction
from django.db.models import Count, Max, Q, Sum
from django.utils.translation import gettext_lazy as _

from scheduling import pace
from scheduling.pace.findings import Findings, Seen, learn_findings
from scheduling.pace.standing import StandingPace
from scheduling.pace_models import LearnedPace
from scheduling.services.pace import default_rates, pace_settings_of, published_shares
from trimmer.errors import Refusal
from trimmer.models import Business, ChuteRecord, HeadKind, Job, Treatment, TreatmentKind, User, Visit, VisitHead
from trimmer.services.jobs import start_job

YEARS: Final = 4
"""Visits of so many years are looked at."""
MOST_TRIED: Final = 400
"""So many past visits, the latest, are kept with what the others said of them."""
MOST_SET_ASIDE: Final = 400

_HEAVIEST: Final = (
    (TreatmentKind.BLOCK.value, "block"),
    (TreatmentKind.WRAP.value, "wrap"),
    (TreatmentKind.TOPICAL.value, "topical"),
)
_PLAIN: Final = {HeadKind.HEIFER.value: "heifer", HeadKind.RECHECK.value: "recheck"}

type _Brought = Counter[tuple[str, str]]
"""Head by kind brought and kind of work it came to."""


class AlreadyLearning(Refusal):
    code = "pace_is_being_learned"
    message = _("The pace is being learned already. Wait until that is done.")


@transaction.atomic
def ask_to_learn(*, business: Business, today: dt.date, by: User | None) -> Job:
    """Have a worker learn the pace from all visits up to today. Refused while one is at it."""
    Business.objects.select_for_update().get(pk=business.pk)
    if Job.objects.of(business).filter(kind="learn_pace").unfinished().exists():
        raise AlreadyLearning
    return start_job(business=business, kind="learn_pace", arguments={"today": today.isoformat()}, asked_by=by)


def has_news(*, business: Business) -> bool:
    """There are visits done that the fit that stands has not seen as they are now, or other defaults."""
    learned = LearnedPace.objects.of(business).first()
    state = _state(business)
    return state != learned.read if learned else bool(state["visits"])


def _state(business: Business) -> dict[str, Any]:
    """Changes whenever visits done, their times, what they came to, or the defaults do."""
    done = Visit.objects.of(business).done()
    visits = done.aggregate(n=Count("pk"), last=Max("last_head_at"), crews=Sum("crew"), farms=Sum("farm"))
    head = VisitHead.objects.of(business).aggregate(n=Sum("done"))
    records = ChuteRecord.objects.of(business).aggregate(n=Count("pk"), last=Max("recorded_at"))
    settings = pace_settings_of(business)
    return {
        "visits": visits["n"],
        "last": visits["last"].isoformat() if visits["last"] else "",
        "crews": int(visits["crews"] or 0),
        "farms": int(visits["farms"] or 0),
        "head": int(head["n"] or 0),
        "records": records["n"],
        "recorded": records["last"].isoformat() if records["last"] else "",
        "treatments": Treatment.objects.of(business).count(),
        "defaults": [float(settings.setup), *(float(getattr(settings, kind)) for kind in pace.KINDS)],
    }


@dataclass(frozen=True)
class Learned:
    """A fit, ready to be stored, and what was read for it."""

    fit: pace.Pace
    seen: tuple[Seen, ...]
    read: Mapping[str, Any]
    today: dt.date


def learn(*, business: Business, today: dt.date) -> Learned:
    """Read the visits done and fit. Writes nothing."""
    read = _state(business)
    records = _recorded(business, today)
    farms = dict(Visit.objects.of(business).filter(pk__in=records).values_list("pk", "farm"))
    seen = _seen(records, farms)
    visits = list(_past_visits(business, today, records, learn_findings(seen, published_shares(business))))
    defaults = default_rates(pace_settings_of(business))
    return Learned(pace.fit_pace(visits, today=today, defaults=defaults), seen, read, today)


def store_learned(*, business: Business, learned: Learned, now: dt.datetime) -> LearnedPace:
    """Let a fit be the one that stands."""
    fit = learned.fit
    tried = sorted(fit.tried, key=lambda each: (each.visit.date, each.visit.name))[-MOST_TRIED:]
    row, _made = LearnedPace.objects.update_or_create(
        business=business,
        defaults={
            "learned_on": learned.today,
            "learned_at": now,
            "visits": fit.visits,
            "figures": StandingPace.of(fit, learned.today).as_figures(),
            "tried": [_tried_row(each) for each in tried],
            "set_aside": [_set_aside_row(each) for each in fit.set_aside][-MOST_SET_ASIDE:],
            "seen": [
                {"farm": int(each.farm), "brought": each.brought, "work": dict(each.work)} for each in learned.seen
            ],
            "read": dict(learned.read),
        },
    )
    return row


def _tried_row(each: pace.Tried) -> dict[str, Any]:
    return {
        "visit": int(each.visit.name),
        "date": each.visit.date.isoformat(),
        "farm": int(each.visit.farm),
        "crew": int(each.visit.crew),
        "head": round(each.visit.total),
        "took": round(each.visit.minutes, 1),
        "said": [round(minutes, 1) for minutes in each.minutes],
    }


def _set_aside_row(each: pace.SetAside) -> dict[str, Any]:
    return {
        "visit": int(each.name),
        "farm": int(each.farm),
        "code": each.code,
        "minutes": round(each.minutes, 1),
        "head": each.head,
        "expected": each.expected,
    }


def _recorded(business: Business, today: dt.date) -> dict[int, _Brought]:
    """By visit, each head recorded singly: as what it was brought, and its heaviest work."""
    since = today - dt.timedelta(days=366 * YEARS)
    done = Treatment.objects.of(business).filter(
        kind__in=[kind for kind, _work in _HEAVIEST], record__visit__date__gte=since
    )
    kinds: dict[Any, set[str]] = {}
    for record, kind in done.values_list("record", "kind").iterator():
        kinds.setdefault(record, set()).add(kind)
    rows = ChuteRecord.objects.of(business).filter(visit__date__gte=since).order_by("visit", "recorded_at", "pk")
    by_visit: dict[int, _Brought] = {}
    for pk, visit, brought in rows.values_list("pk", "visit", "kind").iterator():
        by_visit.setdefault(visit, Counter())[brought, _work(brought, kinds.get(pk, set()))] += 1
    return by_visit


def _work(brought: str, treated: set[str]) -> str:
    """The kind of work of a head; a bull stays a bull, whatever was put on."""
    if brought == HeadKind.BULL:
        return "bull"
    return next((work for kind, work in _HEAVIEST if kind in treated), _PLAIN.get(brought, "trim"))


def _seen(records: Mapping[int, _Brought], farms: Mapping[int, int]) -> tuple[Seen, ...]:
    counts: dict[tuple[int, str], Counter[str]] = {}
    for visit, brought in records.items():
        for (kind, work), count in brought.items():
            counts.setdefault((farms[visit], kind), Counter())[work] += count
    return tuple(Seen(str(farm), kind, dict(work)) for (farm, kind), work in sorted(counts.items()))


def _past_visits(
    business: Business, today: dt.date, records: Mapping[int, _Brought], findings: Findings
) -> Iterator[pace.PastVisit]:
    """Visits done with their minutes, from arrival (or the first head in) to the last head out. Head that were counted
    but not recorded singly are taken as what is usually found among such. Visits without times say nothing."""
    visits = (
        Visit.objects.of(business)
        .done()
        .filter(last_head_at__isnull=False, date__gte=today - dt.timedelta(days=366 * YEARS))
        .prefetch_related("head")
        .order_by("date", "pk")
    )
    for visit in visits.iterator(chunk_size=1000):
        start = visit.arrived_at or visit.first_head_at
        if start is None or visit.last_head_at is None:
            continue
        head: Counter[str] = Counter()
        singly: Counter[str] = Counter()
        for (brought, work), count in records.get(visit.pk, Counter()).items():
            head[work] += count
            singly[brought] += count
        rest = {row.kind: row.done - singly[row.kind] for row in visit.head.all() if row.done > singly[row.kind]}
        total: dict[str, float] = dict(head)
        if rest:
            for kind, expected in findings.expected(str(visit.farm_id), rest).head().items():
                total[kind] = total.get(kind, 0.0) + expected
        minutes = (visit.last_head_at - start).total_seconds() / 60
        yield pace.PastVisit(visit.date, str(visit.farm_id), str(visit.crew_id), total, minutes, str(visit.pk))


def untimed_visits(*, business: Business) -> int:
    """How many visits done have no times to learn from."""
    done = Visit.objects.of(business).done()
    no_start = Q(arrived_at__isnull=True, first_head_at__isnull=True)
    return done.filter(no_start | Q(last_head_at__isnull=True)).count()
