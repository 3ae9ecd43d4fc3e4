"""Sales taxes: places with dated rates, the farms in them, certificates, and what they come to on a document."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from http import HTTPStatus

from django.db import IntegrityError, transaction
from django.db.models import ProtectedError
from django.utils.translation import gettext_lazy

from billing.charges.sales_tax import AuthorityTax, Levy, Rounding, SalesRate, sales_taxes
from billing.charges.share import shared_out
from billing.charges.totals import ZERO, Adjustment, Key, Totals, exact, rounded
from billing.currencies import places_of
from billing.models import (
    ExemptionCertificate,
    FarmSalesTax,
    Invoice,
    InvoiceLine,
    InvoiceSalesTax,
    InvoiceState,
    SalesTaxPlace,
    SalesTaxRate,
    SalesTaxRounding,
    SalesTaxSettings,
)
from trimmer.errors import Refusal
from trimmer.models import Business, Client, Farm

RATE_PLACES = 3


class PlaceNameMissing(Refusal):
    code = "sales_tax_place_name_missing"
    message = gettext_lazy("Give the place a name, such as that of the county.")
    status = HTTPStatus.BAD_REQUEST


class PlaceNameTaken(Refusal):
    code = "sales_tax_place_name_taken"
    message = gettext_lazy("“%(name)s” is there already. Choose another name.")


class SalesRateRefused(Refusal):
    code = "sales_tax_rate_refused"
    message = gettext_lazy(
        "Each rate needs its tax, a percentage above 0 with at most three decimals, a first day that is not after its "
        "last, and work or goods."
    )
    status = HTTPStatus.BAD_REQUEST


class SalesRatesOverlap(Refusal):
    code = "sales_tax_rates_overlap"
    message = gettext_lazy("“%(authority)s” has two rates at a time. Let one end before the other begins.")
    status = HTTPStatus.BAD_REQUEST


class PlaceInUse(Refusal):
    code = "sales_tax_place_in_use"
    message = gettext_lazy("Farms lie in this place. Put them into another one first.")


class PlaceOfAnotherBusiness(Refusal):
    code = "sales_tax_place_of_another_business"
    message = gettext_lazy("A farm or client is not yours. Choose of your own.")


class CertificateRefused(Refusal):
    code = "exemption_certificate_refused"
    message = gettext_lazy("A certificate needs its number, a first day that is not after its last, and work or goods.")
    status = HTTPStatus.BAD_REQUEST


class CertificateKeptAlready(Refusal):
    code = "exemption_certificate_kept_already"
    message = gettext_lazy("Certificate %(number)s from that day is kept for this client already.")


class RoundingUnknown(Refusal):
    code = "sales_tax_rounding_unknown"
    message = gettext_lazy("Choose what is rounded.")
    status = HTTPStatus.BAD_REQUEST


@dataclass(frozen=True, slots=True)
class RateValues:
    """What one authority takes in a place, per cent, from a day to a day, both included."""

    authority: str
    rate: Decimal
    valid_from: dt.date
    valid_to: dt.date | None = None
    on_work: bool = True
    on_goods: bool = True


@transaction.atomic
def keep_place(
    *,
    business: Business,
    place: SalesTaxPlace | None = None,
    name: str,
    rates: Sequence[RateValues],
    farms: Iterable[Farm] = (),
) -> SalesTaxPlace:
    """Add a place, or say anew what is taken there and which farms lie in it. Lines keep the taxes they were made with.

    Raises PlaceNameMissing, PlaceNameTaken, SalesRateRefused, SalesRatesOverlap, PlaceOfAnotherBusiness.
    """
    row = place or SalesTaxPlace(business=business)
    wanted = list(farms)
    if row.business_id != business.pk or any(farm.client.business_id != business.pk for farm in wanted):
        raise PlaceOfAnotherBusiness
    if not name.strip():
        raise PlaceNameMissing.at("name")
    _check_rates(rates)
    row.name = name.strip()[:80]
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError:
        raise PlaceNameTaken.at("name", name=row.name) from None
    row.rates.all().delete()
    for one in rates:
        SalesTaxRate.objects.create(
            place=row,
            authority=one.authority.strip(),
            rate=one.rate,
            valid_from=one.valid_from,
            valid_to=one.valid_to,
            on_work=one.on_work,
            on_goods=one.on_goods,
        )
    row.farms.exclude(farm__in=wanted).delete()
    for farm in wanted:
        FarmSalesTax.objects.update_or_create(farm=farm, defaults={"place": row})
    return row


def _check_rates(rates: Sequence[RateValues]) -> None:
    for place, one in enumerate(rates):
        sound = 0 < one.rate <= 100 and one.rate == rounded(exact(one.rate), RATE_PLACES)
        ends = one.valid_to is None or one.valid_to >= one.valid_from
        if not (one.authority.strip() and sound and ends and (one.on_work or one.on_goods)):
            raise SalesRateRefused.at(f"rates.{place}")
        for other in rates[:place]:
            if other.authority.strip() == one.authority.strip() and _meet(one, other):
                raise SalesRatesOverlap.at(f"rates.{place}", authority=one.authority.strip())


def _meet(one: RateValues, other: RateValues) -> bool:
    both = (one.on_work and other.on_work) or (one.on_goods and other.on_goods)
    starts_in_time = other.valid_to is None or one.valid_from <= other.valid_to
    ends_in_time = one.valid_to is None or other.valid_from <= one.valid_to
    return both and starts_in_time and ends_in_time


@transaction.atomic
def drop_place(*, place: SalesTaxPlace) -> None:
    """Take away a place no farm lies in. Raises PlaceInUse."""
    try:
        place.delete()
    except ProtectedError:
        raise PlaceInUse from None


@transaction.atomic
def keep_rounding(*, business: Business, rounding: str) -> SalesTaxSettings:
    """Say what is rounded. Raises RoundingUnknown."""
    if rounding not in SalesTaxRounding.values:
        raise RoundingUnknown.at("rounding")
    row, _made = SalesTaxSettings.objects.update_or_create(business=business, defaults={"rounding": rounding})
    return row


@transaction.atomic
def keep_certificate(
    *,
    business: Business,
    certificate: ExemptionCertificate | None = None,
    client: Client,
    number: str,
    valid_from: dt.date,
    valid_to: dt.date | None = None,
    authorities: Iterable[str] = (),
    on_work: bool = True,
    on_goods: bool = True,
) -> ExemptionCertificate:
    """Keep a client's certificate, or say anew what it says. Lines keep the taxes they were made with.

    Raises CertificateRefused, CertificateKeptAlready, PlaceOfAnotherBusiness.
    """
    row = certificate or ExemptionCertificate(client=client)
    if client.business_id != business.pk or row.client.business_id != business.pk:
        raise PlaceOfAnotherBusiness
    if not number.strip():
        raise CertificateRefused.at("number")
    if valid_to is not None and valid_to < valid_from:
        raise CertificateRefused.at("valid_to")
    if not (on_work or on_goods):
        raise CertificateRefused.at("on_work")
    row.client, row.number, row.valid_from, row.valid_to = client, number.strip()[:60], valid_from, valid_to
    row.authorities = list(dict.fromkeys(name.strip() for name in authorities if name.strip()))
    row.on_work, row.on_goods = on_work, on_goods
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError:
        raise CertificateKeptAlready.at("number", number=row.number) from None
    return row


@transaction.atomic
def drop_certificate(*, certificate: ExemptionCertificate) -> None:
    """Take away a certificate that was typed by mistake. What it freed keeps its number."""
    certificate.delete()


# On a document


@dataclass(frozen=True, slots=True)
class Worked:
    """The sales taxes of a document: by category and rate for the totals, and by authority."""

    by_group: dict[Key, Decimal]
    by_authority: tuple[AuthorityTax, ...]


def rounding_of(business: Business) -> Rounding:
    """What the business rounds; each tax by itself where it has not said."""
    row = SalesTaxSettings.objects.of(business).first()
    return Rounding(row.rounding) if row else Rounding.EACH


def levied(line: InvoiceLine) -> Levy | None:
    """The sales taxes frozen into a line; None if it has nothing to do with them."""
    if line.levies is None:
        return None
    return Levy(tuple(SalesRate(name, Decimal(rate), dt.date.min) for name, rate in line.levies))


def worked_out(
    lines: Sequence[InvoiceLine], adjustments: Sequence[Adjustment], totals: Totals, rounding: Rounding, places: int
) -> Worked | None:
    """The sales taxes of a document's lines, what is taken off under the lines shared among them by their amounts.

    `totals` are those without them; the other groups keep their tax. None where no line has sales taxes.
    """
    rows = [(levy, line.net) for line in lines if (levy := levied(line)) is not None]
    if not rows:
        return None
    for adjustment in adjustments:
        key = adjustment.category, adjustment.rate
        of_key = [(levy, net) for levy, net in rows if (levy.category, levy.rate) == key and net > 0]
        if of_key:
            amount = adjustment.amount if adjustment.is_charge else -adjustment.amount
            parts = shared_out(amount, [net for _levy, net in of_key], places)
            rows += [(levy, part) for (levy, _net), part in zip(of_key, parts, strict=True)]
    found = sales_taxes(rows, rounding, places)
    by_group = {group.key: found.by_group.get(group.key, group.tax) for group in totals.tax_groups}
    return Worked(by_group, found.by_authority)


def has_levies(lines: Iterable[InvoiceLine]) -> bool:
    """Whether any line has to do with sales taxes."""
    return any(line.levies is not None for line in lines)


def write_sales_taxes(
    invoice: Invoice, lines: Sequence[InvoiceLine], adjustments: Sequence[Adjustment], totals: Totals
) -> None:
    """Store what each authority takes of a draft; of a credit note, what it gives back: the last of it with the credit
    that takes the last of the base."""
    invoice.sales_taxes.all().delete()
    if not has_levies(lines):
        return
    places = places_of(invoice.currency)
    if invoice.credits_id is not None:
        found = _given_back(invoice, lines, totals, places)
    else:
        worked = worked_out(lines, adjustments, totals, rounding_of(invoice.business), places)
        found = worked.by_authority if worked else ()
    InvoiceSalesTax.objects.bulk_create(
        InvoiceSalesTax(invoice=invoice, authority=one.authority, rate=one.rate, base=one.base, tax=one.tax)
        for one in found
    )


def _given_back(note: Invoice, lines: Sequence[InvoiceLine], totals: Totals, places: int) -> tuple[AuthorityTax, ...]:
    """Each tax group of a credit note, shared among its authorities so that their parts make it."""
    left: dict[tuple[str, Decimal], AuthorityTax] = {}
    for row in InvoiceSalesTax.objects.filter(invoice=note.credits_id):
        left[row.authority, row.rate] = AuthorityTax(row.authority, row.rate, row.base, row.tax)
    earlier = InvoiceSalesTax.objects.filter(
        invoice__credits=note.credits_id, invoice__state=InvoiceState.ISSUED, invoice__lt=note.pk
    )
    for row in earlier:
        rest = left[row.authority, row.rate]
        left[row.authority, row.rate] = replace(rest, base=rest.base - row.base, tax=rest.tax - row.tax)
    found: dict[tuple[str, Decimal], AuthorityTax] = {}
    for group in totals.tax_groups:
        bases: dict[tuple[str, Decimal], Decimal] = {}
        of_group = [(levy, line.net) for line in lines if (levy := levied(line)) and levy.rate == group.rate]
        for levy, net in of_group:
            for rate in levy.rates:
                bases[rate.authority, rate.rate] = bases.get((rate.authority, rate.rate), ZERO) + net
        if not bases:
            continue
        if len({levy for levy, _net in of_group}) == 1:
            bases = dict.fromkeys(bases, group.base)  # what was taken off under the lines is off it too
        last = all(left[key].base == base for key, base in bases.items())
        weights = [left[key].tax if last else key[1] for key in bases]
        parts = shared_out(group.tax, weights if sum(weights) else [key[1] for key in bases], places)
        for (key, base), part in zip(bases.items(), parts, strict=True):
            known = found.get(key, AuthorityTax(*key, ZERO, ZERO))
            found[key] = replace(known, base=known.base + base, tax=known.tax + part)
    return tuple(found.values())
