"""The base of every view and viewset of the API."""

from __future__ import annotations

from typing import Any, ClassVar, cast

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.utils import OpenApiParameter
from rest_framework.views import APIView

from trimmer.access import Seat
from trimmer.api.idempotency import AnsweredOnce
from trimmer.api.permissions import Who, seat_of


class Schema(AutoSchema):
    """Documents the Idempotency-Key of writes."""

    def get_override_parameters(self) -> list[Any]:
        if self.method in {"POST", "PUT", "PATCH", "DELETE"} and isinstance(self.view, AnsweredOnce):
            return [
                OpenApiParameter(
                    "Idempotency-Key",
                    str,
                    OpenApiParameter.HEADER,
                    description="A key made by the client. The same write sent again with it gets the first answer "
                    "and changes nothing more.",
                )
            ]
        return []


class SeatedView(AnsweredOnce, APIView):
    """The base of every view and viewset of the API: says `who` may, acts from a seat, answers a repeated write once."""

    who: ClassVar[Who] = frozenset()
    schema = Schema()

    @property
    def seat(self) -> Seat:
        """The seat of this request; only asked for where `who` demands one."""
        return cast(Seat, seat_of(self.request))
