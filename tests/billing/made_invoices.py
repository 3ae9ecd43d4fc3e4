"""Makes many different e-invoices out of fixed numbers: every category, discount, credit, currency and oddity."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import replace
from decimal import Decimal
from random import Random

from billing.charges.totals import (
    ZERO,
    Adjustment,
    Line,
    TaxCategory,
    Totals,
    compute_totals,
    credit_totals,
    part_of,
    rounded,
)
from billing.documents.einvoice import (
    CREDIT_NOTE,
    INVOICE,
    EAdjustment,
    EInvoice,
    ELine,
    EParty,
    EPayment,
    sums_of,
    taxes_of,
)
from billing.documents.reference import rf_reference

D = Decimal

CURRENCIES = {"EUR": 2, "USD": 2, "JPY": 0}
S, Z, E, AE, O = (  # noqa: E741  (the standard's own letter)
    TaxCategory.STANDARD,
    TaxCategory.ZERO_RATED,
    TaxCategory.EXEMPT,
    TaxCategory.REVERSE_CHARGE,
    TaxCategory.OUTSIDE_SCOPE,
)
K, G = TaxCategory.INTRA_COMMUNITY, TaxCategory.EXPORT
MIXES: tuple[tuple[tuple[TaxCategory, str], ...], ...] = (
    ((S, "19"),),
    ((S, "19"), (S, "7")),
    ((S, "13.5"), (S, "23"), (Z, "0")),
    ((S, "9.975"), (E, "0")),
    ((Z, "0"),),
    ((E, "0"),),
    ((AE, "0"),),
    ((O, "0"),),
    ((K, "0"),),
    ((G, "0"),),
)
REASONS = {
    E: "Small business, no tax is charged",
    AE: "Reverse charge",
    K: "Intra-Community supply",
    G: "Export outside the EU",
    O: "Not subject to tax",
}
UNITS = ("HEA", "C62", "LS", "HUR", "KMT", "SMI", "MIN")
NAMES = (
    "Cow trimmed",
    'Block 110 mm "thick"',
    "Wrap & tape <5 cm",
    "Anfahrt über Öd",
    "Visite à l'étable",
    "Set-up\nof the chute",
)
DAY = dt.date(2026, 3, 4)


def made_invoices(count: int, *, seed: int = 16931) -> Iterator[tuple[EInvoice, Totals]]:
    """So many e-invoices with the totals they were made of; the same seed gives the same ones."""
    random = Random(seed)
    made = 0
    while made < count:
        currency = list(CURRENCIES)[made % len(CURRENCIES)]
        found = _one(random, made, currency, MIXES[made % len(MIXES)])
        if found[1].gross_total >= 0:
            made += 1
            yield found


def _one(random: Random, place: int, currency: str, mix: Sequence[tuple[TaxCategory, str]]) -> tuple[EInvoice, Totals]:
    places = CURRENCIES[currency]
    lines = [_line(random, mix[row % len(mix)], places) for row in range(random.randint(1, 8))]
    rows = [_row(random, row, line, places) for row, line in enumerate(lines, start=1)]
    extra = _adjustments(random, lines, places)
    credit = place % 4 == 3
    if credit:
        whole = compute_totals(lines, [_adjustment(one) for one in extra], places=places)
        totals = credit_totals(lines, [_adjustment(one) for one in extra], invoiced=whole.tax_groups, places=places)
    else:
        totals = _with_paid(random, lines, extra, places)
    seller, buyer = _parties(random, {category for category, _rate in mix})
    one_day = random.random() < 0.5
    reasons = {(str(category), D(rate)): REASONS.get(category, "") for category, rate in mix}
    number = f"2026-{place + 1:06d}"
    invoice = EInvoice(
        number=number,
        issued_on=DAY,
        kind=CREDIT_NOTE if credit else INVOICE,
        currency=currency,
        seller=seller,
        buyer=buyer,
        lines=tuple(replace(row, net=net) for row, net in zip(rows, totals.line_nets, strict=True)),
        taxes=taxes_of(totals.tax_groups, reasons),
        sums=sums_of(totals),
        payment=None if credit else _payment(random, currency, number),
        due_on=None if credit or place % 5 == 0 else DAY + dt.timedelta(days=30),
        terms="Settles the invoice." if credit else "Within 30 days." if place % 5 == 0 else "",
        buyer_reference=random.choice(("", "Barn 7")),
        notes=random.choice(((), ("Thank you.",), ("First\nsecond", "<third> & last"))),
        credits_number="2026-000000" if credit else "",
        credits_date=DAY if credit else None,
        delivered_on=DAY,
        deliver_country=buyer.country if {category for category, _rate in mix} & {K, G} else "",
        first=None if one_day else DAY - dt.timedelta(days=20),
        last=None if one_day else DAY,
        adjustments=tuple(extra),
    )
    return invoice, totals


def _figure(random: Random, most: int, places: int) -> Decimal:
    return D(random.randint(1, most * 10**places)).scaleb(-places)


def _line(random: Random, tax: tuple[TaxCategory, str], places: int) -> Line:
    sign = -1 if random.random() < 0.08 else 1
    price = ZERO if random.random() < 0.1 else _figure(random, 120, random.choice((places, 4)))
    allowed = _figure(random, 9, places) if random.random() < 0.2 else ZERO
    charged = _figure(random, 9, places) if random.random() < 0.1 else ZERO
    return Line(
        quantity=sign * _figure(random, 160, random.choice((0, 0, 2, 4))),
        price=price,
        base_quantity=D(random.choice((1, 1, 1, 10, 100))),
        allowances=(allowed,) if allowed else (),
        charges=(charged,) if charged else (),
        category=tax[0],
        rate=D(tax[1]),
    )


def _row(random: Random, key: int, line: Line, places: int) -> ELine:
    return ELine(
        key=str(key),
        name=random.choice(NAMES),
        quantity=line.quantity,
        unit=random.choice(UNITS),
        price=line.price,
        net=line.net(places),
        category=str(line.category),
        rate=line.rate,
        base_quantity=line.base_quantity,
        text=random.choice(("", "Home Farm")),
        article=random.choice(("", "head_cow")),
        first=DAY if random.random() < 0.7 else None,
        last=DAY if random.random() < 0.7 else None,
        adjustments=tuple(
            EAdjustment(amount=amount, is_charge=is_charge, reason="Agreed")
            for amounts, is_charge in ((line.allowances, False), (line.charges, True))
            for amount in amounts
        ),
        attributes=random.choice(((), (("Animal", "AT 1234"), ("Treatment", "block")))),
    )


def _adjustments(random: Random, lines: Sequence[Line], places: int) -> list[EAdjustment]:
    """A discount in per cent on each tax, and now and then a charge on the first of them."""
    found = []
    taxes = list(dict.fromkeys((str(line.category), line.rate) for line in lines))
    if random.random() < 0.4:
        percent = D(random.choice(("2", "3", "12.5")))
        for category, rate in taxes:
            base = sum((line.net(places) for line in lines if (line.category, line.rate) == (category, rate)), ZERO)
            if base > 0:
                base = rounded(base, places)
                amount = part_of(base, percent, places)
                found.append(EAdjustment(amount, False, "Discount", category, rate, percent, base))
    if random.random() < 0.2:
        category, rate = taxes[0]
        found.append(EAdjustment(_figure(random, 20, places), True, "Late booking", category, rate))
    return found


def _adjustment(one: EAdjustment) -> Adjustment:
    return Adjustment(one.amount, one.is_charge, one.category, one.rate)


def _with_paid(random: Random, lines: Sequence[Line], extra: Sequence[EAdjustment], places: int) -> Totals:
    adjustments = [_adjustment(one) for one in extra]
    totals = compute_totals(lines, adjustments, places=places)
    if totals.gross_total < 10 or random.random() < 0.7:
        return totals
    paid = rounded(totals.gross_total / 4, places)
    whole = rounded(totals.gross_total - paid, 0)
    return compute_totals(lines, adjustments, paid=paid, rounding=whole - (totals.gross_total - paid), places=places)


def _parties(random: Random, categories: set[TaxCategory]) -> tuple[EParty, EParty]:
    untaxed = O in categories
    seller = EParty(
        name="Hooves & Sons <Öd>",
        country="AT",
        street="Mill Lane 4",
        city="Oberfeld",
        postcode="4711",
        region=random.choice(("", "Upper valley")),
        vat_id="" if untaxed else "ATU12345675",
        tax_number=random.choice(("", "12 345/6789")) if not untaxed else "12 345/6789",
        register_number="FN 12345 a" if untaxed else random.choice(("", "FN 12345 a")),
        address="office@hooves.example",
        scheme="EM",
        contact=random.choice(("", "Nell")),
        phone=random.choice(("", "+43 1 000")),
        email=random.choice(("", "office@hooves.example")),
    )
    abroad = bool(categories & {AE, K})
    buyer = EParty(
        name="Grange Farm",
        country="DE" if abroad else "CH" if G in categories else "AT",
        street=random.choice(("", "Upper Yard")),
        city="Unterfeld",
        postcode="8000",
        vat_id="DE136695976" if abroad else "",
        key="1001",
        register_number=random.choice(("", "HRB 7")),
        address=random.choice(("", "farm@grange.example")),
        scheme="EM",
        email=random.choice(("", "farm@grange.example")),
    )
    return seller, buyer if buyer.address else replace(buyer, scheme="")


def _payment(random: Random, currency: str, number: str) -> EPayment | None:
    if currency == "EUR":
        bic = random.choice(("", "COBADEFFXXX"))
        return EPayment("58", rf_reference(number), "DE89370400440532013000", "Hooves & Sons", bic)
    if currency == "USD":
        return EPayment("30", number, "000123456789", "Hooves & Sons", "111000025")
    return random.choice((None, EPayment("1", number)))
