"""What to carry for a week: blocks, glue, wraps and product, against what is on hand."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Final

from django.db import transaction
from django.utils.translation import gettext_lazy as _

from scheduling.pace.load_list import Coming, LoadLine, Supply, load_list
from scheduling.pace_models import PaceSettings, SupplyKind, SupplyStock
from scheduling.queries import booked_in
from scheduling.services.pace import estimator_of, pace_settings_of
from trimmer.errors import Refusal
from trimmer.models import Business, Visit

MOST_ON_HAND: Final = 100_000


class StockRefused(Refusal):
    code = "stock_refused"
    message = _("Some counts cannot be taken. What is on hand is a whole number of units, 0 or more.")


@transaction.atomic
def count_stock(*, business: Business, on_hand: Mapping[str, int]) -> None:
    """Store how many units are on hand, by supply. Refuses counts below 0 and unknown supplies, by field."""
    faults = {}
    for supply, count in on_hand.items():
        if supply not in SupplyKind.values:
            faults[supply] = str(_("There is no such supply."))
        elif not 0 <= count <= MOST_ON_HAND:
            faults[supply] = str(_("Must be between 0 and 100,000."))
    if faults:
        raise StockRefused(fields=faults)
    for supply, count in on_hand.items():
        SupplyStock.objects.update_or_create(business=business, supply=supply, defaults={"on_hand": count})


def stock_of(business: Business) -> dict[str, int]:
    """Units on hand by supply; those never counted are 0."""
    counted = dict(SupplyStock.objects.of(business).values_list("supply", "on_hand"))
    return {supply: counted.get(supply, 0) for supply in SupplyKind.values}


def supplies_of(settings: PaceSettings) -> tuple[Supply, ...]:
    """What is used up by which work. Glue and product by the units of the business; common practice."""
    return (
        Supply(SupplyKind.BLOCK.value, ("block",)),
        Supply(SupplyKind.GLUE.value, ("block",), head_per_unit=settings.blocks_a_cartridge),
        Supply(SupplyKind.WRAP.value, ("wrap",)),
        Supply(SupplyKind.PRODUCT.value, ("topical", "wrap"), head_per_unit=settings.head_a_bottle),
    )


def visits_to_load_for(*, business: Business, monday: dt.date) -> list[Visit]:
    """Visits still to come in the week that begins on a Monday."""
    return booked_in(business, monday, monday + dt.timedelta(days=6))


def load_of_week(*, business: Business, monday: dt.date) -> tuple[LoadLine, ...]:
    """What to carry for the visits booked from Monday to Sunday and not yet begun."""
    settings = pace_settings_of(business)
    coming = [
        Coming(str(visit.farm_id), head_to_come(visit))
        for visit in visits_to_load_for(business=business, monday=monday)
    ]
    return load_list(
        coming,
        estimator_of(business).findings,
        supplies_of(settings),
        chance=settings.run_out_percent / 100,
        on_hand=stock_of(business),
    )


def head_to_come(visit: Visit) -> dict[str, int]:
    """Head planned on a visit, by kind."""
    return {row.kind: row.planned for row in visit.head.all() if row.planned}
