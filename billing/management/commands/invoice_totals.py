"""Compute totals of invoices given as plain figures: lines in, tax breakdown and totals out."""

from __future__ import annotations

import json
from argparse import ArgumentParser
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from billing.charges.totals import ZERO, Adjustment, Line, Totals, compute_totals

EN_16931_PLACES = 2
"""The standard knows no amount finer than this (BR-DEC), whatever the currency; a case may say `places` itself."""


class Command(BaseCommand):
    """Reads cases of lines, allowances and charges; writes what they come to by the arithmetic of EN 16931."""

    help = (
        'Compute the totals of invoices. CASES.json holds {"cases": [{currency, lines: [{qty, price, base, allow, '
        "charge, cat, rate}], doc_ac: [{charge, amount, cat, rate}], totals: {BT-113, BT-114}, places}]}; the answer "
        "holds, in the same order, the net of each line, the tax breakdown and the totals by their terms, as strings."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("cases", type=Path, help="The file of cases.")
        parser.add_argument("--out", type=Path, required=True, help="Where to write what was computed.")

    def handle(self, *args: Any, cases: Path, out: Path, **options: Any) -> None:
        try:
            given = json.loads(cases.read_text(encoding="utf-8"))["cases"]
        except (OSError, ValueError, KeyError, TypeError) as wrong:
            raise CommandError(f"{cases} cannot be read as cases: {wrong}") from wrong
        answers = []
        for place, case in enumerate(given, start=1):
            try:
                answers.append(_answer(case))
            except (ValueError, KeyError, TypeError, AttributeError, InvalidOperation) as wrong:
                raise CommandError(f"case {place} cannot be computed: {wrong!r}") from wrong
        out.write_text(json.dumps({"cases": answers}, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
        self.stdout.write(f"{len(answers)} cases computed, written to {out}")


def _answer(case: dict[str, Any]) -> dict[str, Any]:
    asked = case.get("totals") or {}
    totals = compute_totals(
        [_line(row) for row in case["lines"]],
        [_adjustment(row) for row in case.get("doc_ac") or ()],
        paid=_figure(asked.get("BT-113")),
        rounding=_figure(asked.get("BT-114")),
        places=int(case.get("places", EN_16931_PLACES)),
    )
    return {
        "source": case.get("source", ""),
        "lines": [{"net": str(net)} for net in totals.line_nets],
        "vat": [
            {"cat": str(group.category), "rate": str(group.rate), "base": str(group.base), "tax": str(group.tax)}
            for group in totals.tax_groups
        ],
        "totals": _terms(totals),
    }


def _figure(text: str | None) -> Decimal:
    """A figure as text; what is not given is nothing. A number of JSON would have been a float on the way: refused."""
    if text is None:
        return ZERO
    if not isinstance(text, str):
        raise TypeError(f"{text!r} must be a string")
    return Decimal(text)


def _line(row: dict[str, Any]) -> Line:
    return Line(
        _figure(row["qty"]),
        _figure(row["price"]),
        _figure(row.get("base", "1")),
        tuple(map(_figure, row.get("allow") or ())),
        tuple(map(_figure, row.get("charge") or ())),
        category=row["cat"],
        rate=_figure(row.get("rate")),
    )


def _adjustment(row: dict[str, Any]) -> Adjustment:
    return Adjustment(_figure(row["amount"]), bool(row["charge"]), row["cat"], _figure(row.get("rate")))


def _terms(totals: Totals) -> dict[str, str]:
    return {
        "BT-106": str(totals.line_net_total),
        "BT-107": str(totals.allowance_total),
        "BT-108": str(totals.charge_total),
        "BT-109": str(totals.net_total),
        "BT-110": str(totals.tax_total),
        "BT-112": str(totals.gross_total),
        "BT-113": str(totals.paid),
        "BT-114": str(totals.rounding),
        "BT-115": str(totals.due),
    }
