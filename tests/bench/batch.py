"""A batch of invoices through a real worker, each with its PDF and both e-invoice files; the worker is killed in the
middle, at a moment drawn by a seed, and another takes it up.

    python -m tests.bench.batch [--count 500] [--seed 7]

Time per invoice is the mean between one kept file and the next, without the time until the other worker took over.
Memory is the highest the worker's processes reached together, each at its own peak (Linux). Ends with 1 unless there
are as many invoices as asked for, numbered without gap or twin, each with its three files, in less than 1 GB.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from typing import Any

LEASE_SECONDS = 3
MOST_MB = 1024
MOST_SECONDS = 600


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the figures; 0 if all holds."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.batch", description="A batch through a worker.")
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--seed", type=int, default=7)
    chosen = parser.parse_args(arguments)
    with ExitStack() as stack:
        folder = Path(tempfile.mkdtemp(prefix="trimround-batch-"))
        stack.callback(shutil.rmtree, folder, ignore_errors=True)
        os.environ |= {
            "TRIMROUND_VAR": str(folder),
            "DATABASE_URL": f"sqlite:///{folder / 'batch.sqlite3'}",
            "SECRET_KEY": "only-for-figures-" + "x" * 50,
            "JOB_LEASE_SECONDS": str(LEASE_SECONDS),
            "DJANGO_SETTINGS_MODULE": "trimmer.settings",
        }
        os.environ.pop("REDIS_URL", None)
        import django

        django.setup()
        return _run(chosen.count, chosen.seed, folder, stack)


def _run(count: int, seed: int, folder: Path, stack: ExitStack) -> int:
    from django.conf import settings
    from django.core.management import call_command
    from django.utils import timezone

    from billing.models import Invoice
    from billing.services.einvoice_settings import keep_e_invoice_settings
    from billing.services.issuing import start_issue_run
    from tests import make
    from tests.billing import bills
    from tests.billing.many_drafts import many_drafts
    from trimmer import embedded
    from trimmer.models import Job
    from trimmer.services import jobs

    call_command("migrate", verbosity=0)
    business = bills.a_trimming_business()
    keep_e_invoice_settings(business=business, e_invoices=True)
    drafts = many_drafts(business, count)
    stack.enter_context(embedded.valkey(settings.VAR_DIR))
    peak = 0

    def a_worker(name: str) -> embedded.Child:
        command = embedded.worker_command("--hostname", f"{name}@%h", "--without-mingle", concurrency=1)
        child = embedded.Child(name, command, log=folder / f"{name}.log")
        child.start()
        stack.callback(child.kill)
        return child

    def wait(child: embedded.Child, until: Callable[[], bool]) -> None:
        nonlocal peak
        deadline = time.monotonic() + MOST_SECONDS
        while not until():
            if child.ended is not None or time.monotonic() > deadline:
                raise RuntimeError(child.last_lines())
            peak = max(peak, _peak_of_group(child.pid))
            time.sleep(0.05)

    def issued() -> int:
        return Invoice.objects.issued().count()

    chance = random.Random(seed)
    stop_at, moment = chance.randrange(count // 10, count - count // 10), chance.uniform(0, 0.1)
    first = a_worker("first")
    run = start_issue_run(business=business, invoices=drafts, on=make.TODAY, by=None, now=timezone.now())
    assert run.job is not None
    key = run.job.pk
    wait(first, lambda: issued() >= stop_at)
    time.sleep(moment)
    first.kill()
    left = issued()
    print(f"{count} drafts; killed (-9) with {left} issued, seed {seed}", flush=True)
    second = a_worker("second")

    def finished() -> bool:
        jobs.requeue_stale(now=timezone.now())
        return Job.objects.get(pk=key).finished

    wait(second, finished)
    job = Job.objects.get(pk=key)
    return _tell(count, peak, {"state": job.state, "attempts": job.attempts, **job.result})


def _tell(count: int, peak: int, result: dict[str, Any]) -> int:
    from billing.models import Invoice, InvoiceFile, InvoiceXml
    from tests import make

    made = sorted(InvoiceFile.objects.values_list("made_at", flat=True))
    gaps = sorted((after - before).total_seconds() for before, after in pairwise(made))
    each = 1000 * sum(gaps[:-1]) / max(1, len(gaps) - 1)
    numbers = list(Invoice.objects.issued().order_by("number").values_list("number", flat=True))
    wanted = [f"{make.TODAY.year}-{place:06d}" for place in range(1, count + 1)]
    files = InvoiceFile.objects.count(), InvoiceXml.objects.count()
    print(f"time per invoice: {each:.0f} ms (PDF, CII and UBL, checked by the official rules)")
    print(f"most memory of the worker: {peak} MB" if peak else "most memory of the worker: not known here")
    print(f"taken up {gaps[-1]:.1f} s after the last file; attempts {result['attempts']}, {result['state']}")
    print(f"{len(numbers)} invoices, {len(set(numbers))} numbers, {files[0]} PDF, {files[1]} XML files")
    faults = [
        name
        for name, holds in (
            ("numbers", numbers == wanted),
            ("told", len(result.get("issued", ())) == count and not result.get("failed")),
            ("files", files == (count, 2 * count)),
            ("memory", peak < MOST_MB),
        )
        if not holds
    ]
    print("FAILED: " + ", ".join(faults) if faults else "all hold")
    return 1 if faults else 0


def _peak_of_group(group: int) -> int:
    """The peaks of the processes of a group, added up, in MB; 0 where the system does not tell."""
    kilobytes = 0
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            if os.getpgid(int(status.parent.name)) != group:
                continue
            told = status.read_text()
        except OSError:
            continue  # gone meanwhile
        kilobytes += next((int(line.split()[1]) for line in told.splitlines() if line.startswith("VmHWM")), 0)
    return kilobytes // 1024


if __name__ == "__main__":
    sys.exit(main())
