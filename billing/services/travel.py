"""The travel of rounds: noted when their visits are drafted, frozen when the first of their invoices is issued."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable

from django.db import transaction
from django.utils.translation import gettext_lazy

from billing.models import Invoice, InvoiceLine, RoundShare, SharedRound
from billing.queries.rounds import Round
from trimmer.errors import Refusal
from trimmer.models import Business
from trimmer.showing import show_day


class RoundWasSharedAnew(Refusal):
    code = "round_was_shared_anew"
    message = gettext_lazy(
        "The travel of the round of %(day)s was shared in another way since this draft was made. Price the draft anew, "
        "then issue it."
    )


@transaction.atomic
def note_rounds(*, business: Business, rounds: Iterable[Round]) -> None:
    """Keep how rounds are shared by the drafts just made. What is frozen stays as it is."""
    for one in {(row.crew_id, row.on): row for row in rounds if not row.frozen}.values():
        values = {"way": one.way, "metres": one.metres}
        kept, made = SharedRound.objects.get_or_create(
            crew_id=one.crew_id, date=one.on, defaults=values | {"business": business}
        )
        held = SharedRound.objects.select_for_update().get(pk=kept.pk)
        if held.frozen_at is not None:
            continue  # somebody issued in this moment: what this draft says is looked at when it is issued
        if not made:
            held.way, held.metres = one.way, one.metres
            held.save(update_fields=["way", "metres"])
            held.shares.all().delete()
        RoundShare.objects.bulk_create(
            RoundShare(round=held, visit_id=visit, place=place, share=share)
            for place, (visit, share) in enumerate(zip(one.visits, one.shares, strict=True))
        )


def freeze_rounds(*, invoice: Invoice, lines: Iterable[InvoiceLine], now: dt.datetime) -> None:
    """Freeze the rounds whose travel stands on an invoice that is being issued, in its transaction.

    Raises RoundWasSharedAnew if a line does not say what its round holds by now.
    """
    for line in lines:
        if line.round_share is None or line.visit is None:
            continue
        round_ = SharedRound.objects.select_for_update().filter(crew=line.visit.crew_id, date=line.visit.date).first()
        share = round_.shares.filter(visit=line.visit).first() if round_ else None
        if round_ is None or share is None or (round_.metres, share.share) != (line.round_m, line.round_share):
            raise RoundWasSharedAnew(day=show_day(line.visit.date, invoice.business.language, weekday=False))
        if round_.frozen_at is None:
            round_.frozen_at, round_.frozen_by = now, invoice
            round_.save(update_fields=["frozen_at", "frozen_by"])
