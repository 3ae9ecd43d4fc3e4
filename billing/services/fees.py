"""The fee for a visit that was cancelled late: asked for by a person, or forgone."""

from __future__ import annotations

import datetime as dt

from django.db import transaction
from django.utils.translation import gettext_lazy

from billing.models import BilledVisit, ForgoneFee
from trimmer.errors import Refusal
from trimmer.models import User, Visit, VisitState


class NotACancelledVisit(Refusal):
    code = "not_a_cancelled_visit"
    message = gettext_lazy("This visit is not cancelled, or its fee is billed. There is no fee to forgo.")


@transaction.atomic
def forgo_fee(*, visit: Visit, by: User | None, now: dt.datetime) -> None:
    """Ask nothing for a cancelled visit: it does not wait for a bill any more. Raises NotACancelledVisit."""
    billed = BilledVisit.objects.filter(visit=visit, released_at__isnull=True).exists()
    if visit.state != VisitState.CANCELLED or billed:
        raise NotACancelledVisit
    ForgoneFee.objects.get_or_create(visit=visit, defaults={"at": now, "by": by})
