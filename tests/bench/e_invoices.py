"""What an e-invoice costs: loading the official rules, then writing, checking and carrying one.

python -m tests.bench.e_invoices
"""

from __future__ import annotations

import resource
from collections.abc import Callable
from time import perf_counter
from typing import Any

from billing.documents.einvoice_check import find_faults
from billing.documents.einvoice_cii import read_cii, write_cii
from billing.documents.einvoice_rules import Syntax, failures, rule_set, warm_up
from billing.documents.einvoice_ubl import read_ubl, write_ubl
from tests.billing.made_invoices import made_invoices
from tests.billing.test_hybrid_pdf import page_of

COUNT = 60


def main() -> None:
    made = [invoice for invoice, _totals in made_invoices(COUNT)]
    before, start = _peak(), perf_counter()
    warm_up()
    first = failures(write_cii(made[0]), Syntax.CII)
    print(f"rules: {rule_set(Syntax.CII)}, {rule_set(Syntax.UBL)}")
    print(
        f"loading them: {perf_counter() - start:.2f} s, {_peak() - before} MB more; failures of the first: {len(first)}"
    )
    cii, ubl = [write_cii(one) for one in made], [write_ubl(one) for one in made]
    for name, call, given in (
        ("write CII", write_cii, made),
        ("write UBL", write_ubl, made),
        ("read CII", read_cii, cii),
        ("read UBL", read_ubl, ubl),
        ("own check", find_faults, made),
        ("official rules, CII", lambda content: failures(content, Syntax.CII), cii),
        ("official rules, UBL", lambda content: failures(content, Syntax.UBL), ubl),
        ("page with CII in it", page_of, made),
    ):
        print(f"{name}: {_milliseconds(call, given):.1f} ms each")
    print(f"most memory: {_peak()} MB")


def _milliseconds(call: Callable[[Any], Any], given: list[Any]) -> float:
    call(given[0])
    start = perf_counter()
    for one in given:
        call(one)
    return 1000 * (perf_counter() - start) / len(given)


def _peak() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


if __name__ == "__main__":
    main()
