"""What the operations about bills share: amounts as text, whose invoices one may see, and the day it is."""

from __future__ import annotations

import datetime as dt
from decimal import Decimal
from typing import Any

import django_filters
from django.utils import timezone
from rest_framework import serializers
from rest_framework.request import Request

from billing.charges.totals import rounded
from billing.currencies import places_of
from billing.queries.visits import Caution
from trimmer.api.access import SeatedView
from trimmer.showing import to_local

DIGITS, PLACES = 14, 3
LARGEST_KEY = 2**63 - 1


class AmountField(serializers.DecimalField):
    """An amount in the currency of the business, as text, with the decimals that currency has."""

    def __init__(self, **options: Any) -> None:
        super().__init__(max_digits=DIGITS, decimal_places=PLACES, **options)

    def to_representation(self, value: Any) -> str:
        view = self.context.get("view")
        places = places_of(view.seat.business.currency) if view is not None else 2
        return str(rounded(Decimal(value), places))


class KeyFilter(django_filters.NumberFilter):
    """Rows that belong to one, by its key. A number that no database can hold is refused."""

    def __init__(self, **options: Any) -> None:
        super().__init__(min_value=0, max_value=LARGEST_KEY, **options)


class CautionSerializer(serializers.Serializer[Caution]):
    """Something to look at, by its code and in words."""

    code = serializers.CharField()
    message = serializers.CharField(source="text")


class BillsView(SeatedView):
    """The base of operations that a farm's person may use only if they may see invoices."""

    def check_permissions(self, request: Request) -> None:
        super().check_permissions(request)
        if not self.seat.is_member and not self.seat.may_see_invoices:
            self.permission_denied(request)

    @property
    def today(self) -> dt.date:
        """The day on the clock of the business."""
        return to_local(timezone.now(), self.seat.business.time_zone).date()
