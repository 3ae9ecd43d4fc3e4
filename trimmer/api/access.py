"""The base of every view and viewset of the API."""

from __future__ import annotations

from contextlib import ExitStack
from typing import Any, ClassVar, cast

from django.http import HttpRequest
from django.http.response import HttpResponseBase
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.utils import OpenApiParameter
from rest_framework.request import Request
from rest_framework.views import APIView

from trimmer.access import Seat, business_locale
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
    """The base of every view and viewset of the API: says `who` may, acts from a seat, answers a repeated write once.

    The business's language and time zone are on while it answers, however one signed in.
    """

    who: ClassVar[Who] = frozenset()
    schema = Schema()

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        with ExitStack() as self._answering_in:
            return super().dispatch(request, *args, **kwargs)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        if seat := seat_of(request):
            self._answering_in.enter_context(business_locale(seat.business))

    @property
    def seat(self) -> Seat:
        """The seat of this request; only asked for where `who` demands one."""
        return cast(Seat, seat_of(self.request))
