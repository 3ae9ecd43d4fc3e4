"""Which sales taxes fall on what was done at a farm on a day."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date

from django.utils.translation import gettext as _

from billing.charges.prices import ChargeLine, PricedVisit
from billing.charges.sales_tax import Certificate, Levy, SalesRate, Sold, levy_on
from billing.models import ExemptionCertificate, FarmSalesTax, SalesTaxRate
from trimmer.models import Business, Client, Farm, Visit

LONGEST_TEXT = 300


@dataclass(frozen=True, slots=True)
class SalesTaxes:
    """The rates of the farms' places and the certificates of some clients, read at once."""

    places: Mapping[int, tuple[str, tuple[SalesRate, ...]]]
    certificates: Mapping[int, tuple[Certificate, ...]]

    def levy(self, farm: int, client: int, sold: Sold, day: date) -> Levy | None:
        """The taxes at a farm on a day; None where nobody said in which place it lies."""
        if farm not in self.places:
            return None
        return levy_on(sold, day, self.places[farm][1], self.certificates.get(client, ()))

    def why_none(self, farm: int, levy: Levy) -> str:
        """What stands on the invoice where no sales tax is charged."""
        if levy.certificates:
            return (_("Exempt by certificate %(numbers)s") % {"numbers": ", ".join(levy.certificates)})[:LONGEST_TEXT]
        return (_("No sales tax on this in %(place)s") % {"place": self.places[farm][0]})[:LONGEST_TEXT]

    def ran_out(self, client: int, day: date) -> str:
        """The number of a client's certificate that ran out before a day, where none holds on it; "" else."""
        known = self.certificates.get(client, ())
        if any(one.valid_from <= day and (one.valid_to is None or day <= one.valid_to) for one in known):
            return ""
        over = [one for one in known if one.valid_to is not None and one.valid_to < day]
        return max(over, key=lambda one: one.valid_to or day).number if over else ""


def sales_taxes_of(business: Business, client_ids: Collection[int]) -> SalesTaxes:
    """All places of a business with the farms of these clients in them, and their certificates, in three queries."""
    rates: dict[int, list[SalesRate]] = defaultdict(list)
    for row in SalesTaxRate.objects.of(business).order_by("pk"):
        of = frozenset(sold for sold, taxed in ((Sold.WORK, row.on_work), (Sold.GOODS, row.on_goods)) if taxed)
        rates[row.place_id].append(SalesRate(row.authority, row.rate, row.valid_from, row.valid_to, of))
    farms = FarmSalesTax.objects.of(business).filter(farm__client__in=client_ids).select_related("place")
    places = {row.farm_id: (row.place.name, tuple(rates[row.place_id])) for row in farms}
    held: dict[int, list[Certificate]] = defaultdict(list)
    for one in ExemptionCertificate.objects.of(business).filter(client__in=client_ids).order_by("pk"):
        of = frozenset(sold for sold, freed in ((Sold.WORK, one.on_work), (Sold.GOODS, one.on_goods)) if freed)
        certificate = Certificate(one.number, one.valid_from, one.valid_to, frozenset(one.authorities), of)
        held[one.client_id].append(certificate)
    return SalesTaxes(places, {key: tuple(rows) for key, rows in held.items()})


def with_sales_taxes(
    priced: PricedVisit, visit: Visit, sold: Mapping[tuple[str, str], str], taxes: SalesTaxes
) -> tuple[PricedVisit, bool]:
    """A priced visit with the sales taxes of its place on the lines that have them, and whether it lacks its place."""
    lines, lacks = [], False
    for line in priced.lines:
        what = sold.get((line.sheet_key, line.article), "")
        if not what:
            lines.append(line)
            continue
        levy = taxes.levy(visit.farm_id, visit.farm.client_id, Sold(what), line.on)
        if levy is None:
            lacks = True
            lines.append(line)
        else:
            lines.append(_levied(line, levy, taxes, visit.farm_id))
    return replace(priced, lines=tuple(lines)), lacks


def _levied(line: ChargeLine, levy: Levy, taxes: SalesTaxes, farm: int) -> ChargeLine:
    exemption = "" if levy.rates else taxes.why_none(farm, levy)
    return replace(line, category=levy.category, rate=levy.rate, exemption=exemption, levies=levies_of(levy))


def levies_of(levy: Levy) -> tuple[tuple[str, str], ...]:
    """A levy as it is frozen into a line: pairs of authority and rate."""
    return tuple((one.authority, f"{one.rate.normalize():f}") for one in levy.rates)


def place_for_typed_lines(client: Client) -> Farm | None:
    """The farm whose place counts for a line without a visit: any, where all farms of the client lie in one place."""
    rows = list(FarmSalesTax.objects.filter(farm__client=client).select_related("farm"))
    return rows[0].farm if rows and len({row.place_id for row in rows}) == 1 else None
