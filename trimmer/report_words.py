"""A herd report in words and figures of the business, the same for the page and for the paper."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from django.utils.functional import Promise
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext

from trimmer import showing
from trimmer.herd_report import PUBLISHED, PUBLISHED_SOURCE, Interval, LesionRow, Rate
from trimmer.models import Business, Farm
from trimmer.queries.herd_reports import FarmReport
from trimmer.wording import lesion_name

TOGETHER: Final[Mapping[str, str | Promise]] = {
    "": gettext_lazy("Any lesion"),
    "WL": gettext_lazy("White line lesion (fissure or abscess)"),
    "SH": gettext_lazy("Sole haemorrhage"),
}
CHANGES: Final[Mapping[str, tuple[str | Promise, str]]] = {
    "more": (gettext_lazy("more than before"), "warn"),
    "fewer": (gettext_lazy("fewer than before"), "good"),
    "unsure": (gettext_lazy("no more than chance"), "quiet"),
}
"""Change -> its words and the tone they are shown in."""


@dataclass(frozen=True, slots=True)
class ShownRate:
    """Head with it, for each hundred, and the interval as text; places of the plot in hundredths of its width."""

    count: str
    per_hundred: str
    interval: str
    dot: int = 0
    low: int = 0
    high: int = 0

    @property
    def wide(self) -> int:
        return self.high - self.low


@dataclass(frozen=True, slots=True)
class ShownRow:
    """A lesion: now, before, and the change with its tone."""

    name: str
    code: str
    now: ShownRate
    before: str
    change: str
    tone: str


@dataclass(frozen=True, slots=True)
class ShownCompared:
    """A lesion beside the published counts."""

    name: str
    here: ShownRate
    there: str
    span: str


@dataclass(frozen=True, slots=True)
class ShownMonth:
    """A month: its name, the share as a height in hundredths, and the place of its bar (12 wide, 20 apart)."""

    name: str
    rate: ShownRate
    x: int
    y: int
    height: int


@dataclass(frozen=True, slots=True)
class ShownReturning:
    """An animal whose lesion came back, and when."""

    number: str
    pk: int
    lesion: str
    days: str


@dataclass(frozen=True, slots=True)
class Shown:
    """All of a report as ready text."""

    period: str
    before: str
    head: str
    visits: str
    any_lesion: ShownRow
    rows: tuple[ShownRow, ...]
    compared: tuple[ShownCompared, ...]
    months: tuple[ShownMonth, ...]
    plot_width: int
    kept: str
    kept_parts: tuple[tuple[str, str], ...]
    returning: tuple[ShownReturning, ...]
    source: str
    method: str


def shown(made: FarmReport, business: Business) -> Shown:
    """The report in the language of the business, which must be in force."""
    report, language = made.report, business.language
    widest = max((row.now.interval.high for row in (report.any_lesion, *report.lesions) if row.now.interval), default=1)
    before_last = report.first - dt.timedelta(days=1)
    return Shown(
        period=showing.show_days(report.first, report.last, language),
        before=showing.show_days(before_last - (report.last - report.first), before_last, language),
        head=showing.show_number(report.head, language),
        visits=ngettext("on %(count)s day", "on %(count)s days", report.visits) % {"count": report.visits},
        any_lesion=_row(report.any_lesion, str(TOGETHER[""]), widest, language),
        rows=tuple(_row(row, lesion_name(row.lesion), widest, language) for row in report.lesions),
        compared=tuple(
            ShownCompared(
                name=str(TOGETHER.get(row.lesion) or lesion_name(row.lesion)),
                here=_rate(row.here, 1, language),
                there=_hundred(row.there, language),
                span=_span(Interval(row.lowest, row.highest), language),
            )
            for row in report.compared
        ),
        months=tuple(
            ShownMonth(
                name=showing.show_month(month.first, language),
                rate=_rate(month.any_lesion, 1, language),
                x=20 * place + 4,
                y=100 - round(100 * (month.any_lesion.share or 0)),
                height=round(100 * (month.any_lesion.share or 0)),
            )
            for place, month in enumerate(report.months)
        ),
        plot_width=20 * len(report.months),
        kept="" if report.kept.share is None else showing.show_percent(_exact(report.kept.share), language),
        kept_parts=tuple(
            (str(name), showing.show_number(count, language))
            for name, count in (
                (_("Due in the period"), report.kept.due),
                (_("In time at the chute"), report.kept.at_chute),
                (_("In time, as the farm told"), report.kept.told),
                (_("Late"), report.kept.late),
                (_("Not done yet"), report.kept.missing),
            )
        ),
        returning=tuple(
            ShownReturning(
                number=made.animals[each.animal].number,
                pk=each.animal,
                lesion=lesion_name(each.lesion),
                days=", ".join(showing.show_day(day, language, year=False) for day in each.days),
            )
            for each in report.returning
        ),
        source=_source(language),
        method=_(
            "Head are animals that came to the chute, each counted once. The interval is where the true share lies in "
            "19 of 20 such counts (score interval, Wilson 1927); a change is named where it is beyond chance "
            "(Newcombe 1998). A lesion came back if it was found again after four weeks or more."
        ),
    )


def printed(made: FarmReport, *, farm: Farm, business: Business) -> dict[str, Any]:
    """The report as ready text for the typesetter."""
    words = shown(made, business)
    return {
        "business": business.name,
        "farm": farm.name,
        "title": _("Herd report"),
        "period": words.period,
        "figures": [
            [_("Head seen"), f"{words.head}, {words.visits}"],
            [str(TOGETHER[""]), f"{words.any_lesion.now.per_hundred} ({words.any_lesion.now.interval})"],
            [_("Rechecks done in time"), words.kept or "–"],
        ],
        "sections": [
            {
                "title": _("Lesions for each 100 head"),
                "columns": [_("Lesion"), _("Head"), _("For each 100"), _("Interval"), _("Before"), _("Change")],
                "rows": [
                    [row.name, row.now.count, row.now.per_hundred, row.now.interval, row.before, row.change]
                    for row in (words.any_lesion, *words.rows)
                ],
            },
            {
                "title": _("Beside published counts"),
                "columns": [_("Lesion"), _("Here, for each 100"), _("There"), _("Regions there")],
                "rows": [[row.name, row.here.per_hundred, row.there, row.span] for row in words.compared],
                "note": words.source,
            },
            {
                "title": _("Rechecks"),
                "columns": [_("Rechecks"), _("Animals")],
                "rows": [list(pair) for pair in words.kept_parts],
            },
            {
                "title": _("Animals that keep coming back"),
                "columns": [_("Animal"), _("Lesion"), _("Found anew")],
                "rows": [[each.number, each.lesion, each.days] for each in words.returning],
                "empty": _("None in this period."),
            },
        ],
        "foot": words.method,
        "page_of": _("Page {page} of {pages}"),
    }


def _row(row: LesionRow, name: str, widest: float, language: str) -> ShownRow:
    change, tone = CHANGES[row.change] if row.change else ("", "quiet")
    return ShownRow(
        name=name,
        code=row.lesion,
        now=_rate(row.now, widest, language),
        before="" if row.before.share is None else _hundred(row.before.share, language),
        change=str(change),
        tone=tone,
    )


def _rate(rate: Rate, widest: float, language: str) -> ShownRate:
    if rate.share is None or rate.interval is None:
        return ShownRate(count="0", per_hundred="–", interval="")
    return ShownRate(
        count=showing.show_number(rate.count, language),
        per_hundred=_hundred(rate.share, language),
        interval=_span(rate.interval, language),
        dot=round(100 * rate.share / widest),
        low=round(100 * rate.interval.low / widest),
        high=round(100 * rate.interval.high / widest),
    )


def _exact(share: float) -> Decimal:
    return Decimal(repr(share))


def _hundred(share: float, language: str) -> str:
    return showing.show_number(100 * _exact(share), language, 1)


def _span(interval: Interval, language: str) -> str:
    return f"{_hundred(interval.low, language)}–{_hundred(interval.high, language)}"


def _source(language: str) -> str:
    return _(
        "%(source)s: %(farms)s farms, %(cows)s cows trimmed in %(regions)s. They may count a cow with a lesion on two "
        "feet twice; herds and seasons differ. For orientation only."
    ) % {
        "source": PUBLISHED_SOURCE,
        "farms": showing.show_number(sum(region.farms for region in PUBLISHED), language),
        "cows": showing.show_number(sum(region.cows for region in PUBLISHED), language),
        "regions": ", ".join(region.region for region in PUBLISHED),
    }
