"""A write sent twice with the same Idempotency-Key is done once and answered twice."""

from __future__ import annotations

import hashlib
import json
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

from django.db import IntegrityError, transaction
from django.http import HttpRequest
from django.http.response import HttpResponseBase
from django.utils import timezone
from django.utils.translation import gettext_lazy as _
from rest_framework.exceptions import APIException
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.utils.encoders import JSONEncoder

from trimmer.errors import Refusal
from trimmer.models import AnsweredRequest

if TYPE_CHECKING:
    from rest_framework.views import APIView
else:
    APIView = object

HEADER = "Idempotency-Key"
LONGEST_KEY = 100
WRITES = frozenset({"POST", "PUT", "PATCH", "DELETE"})


class KeyUsedForAnother(Refusal):
    code = "idempotency_key_used_for_another"
    message = _("This Idempotency-Key was used for a different write. Use a new key for each write.")
    status = HTTPStatus.UNPROCESSABLE_ENTITY


class KeyTooLong(Refusal):
    code = "idempotency_key_too_long"
    message = _("An Idempotency-Key has at most 100 characters. Send a shorter one, such as a UUID.")
    status = HTTPStatus.BAD_REQUEST


class _Answered(APIException):
    """Carries the answer given the first time out of the view."""

    def __init__(self, answer: AnsweredRequest) -> None:
        super().__init__()
        self.answer = answer


class AnsweredOnce(APIView):
    """The write and the note of its answer share one transaction, so neither stands without the other.

    A second sender waits for the first (the key is unique) and gets its answer. Refused writes are not remembered.
    """

    _answering: AnsweredRequest | None = None

    def dispatch(self, request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
        if request.method not in WRITES or HEADER not in request.headers:
            return super().dispatch(request, *args, **kwargs)
        with transaction.atomic():
            response = super().dispatch(request, *args, **kwargs)
            if response.status_code >= HTTPStatus.BAD_REQUEST:
                transaction.set_rollback(True)
        return response

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        key = request.headers.get(HEADER)
        seat = getattr(request._request, "seat", None)
        if request.method not in WRITES or key is None or seat is None:
            return
        if len(key) > LONGEST_KEY:
            raise KeyTooLong
        mark = fingerprint(request)
        try:
            with transaction.atomic():
                self._answering = AnsweredRequest.objects.create(
                    business=seat.business, user=seat.user, key=key, fingerprint=mark, made_at=timezone.now()
                )
        except IntegrityError:
            first = AnsweredRequest.objects.of(seat.business).get(user=seat.user, key=key)
            if first.fingerprint != mark:
                raise KeyUsedForAnother from None
            raise _Answered(first) from None

    def handle_exception(self, exc: Exception) -> Response:
        if isinstance(exc, _Answered):
            return Response(exc.answer.body, status=exc.answer.status, headers={"Idempotency-Replayed": "true"})
        return super().handle_exception(exc)

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Any:
        final = super().finalize_response(request, response, *args, **kwargs)
        if self._answering is not None and final.status_code < HTTPStatus.BAD_REQUEST:
            body = json.loads(json.dumps(self.to_remember(getattr(final, "data", None)), cls=JSONEncoder))
            AnsweredRequest.objects.filter(pk=self._answering.pk).update(status=final.status_code, body=body)
        return final

    def to_remember(self, data: Any) -> Any:
        """What of an answer is kept for a repeated write: all of it, unless it holds something shown once only."""
        return data


def fingerprint(request: Request) -> str:
    """SHA-256 of method, path and body as sent."""
    body = request._request.body if request.content_type == "application/json" else b""
    text = f"{request.method} {request.get_full_path()}\n".encode() + body
    if not body:
        for name in sorted(request.FILES):
            for upload in request.FILES.getlist(name):
                text += name.encode() + hashlib.sha256(upload.read()).digest()
                upload.seek(0)
        text += json.dumps({k: request.POST.getlist(k) for k in sorted(request.POST)}).encode() if request.POST else b""
    return hashlib.sha256(text).hexdigest()
