"""Every refusal of the API is `{"code", "message"}`, with `fields` where single values are at fault."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied
from django.http import Http404
from django.utils.translation import gettext as _
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.views import exception_handler

from trimmer.errors import Refusal


def answer(exc: Exception, context: dict[str, Any]) -> Response | None:
    """Turn a refusal into its answer; leave bugs alone."""
    if isinstance(exc, Refusal):
        body: dict[str, Any] = {"code": exc.code, "message": str(exc)}
        if exc.fields:
            body["fields"] = exc.fields
        return Response(body, status=exc.status)
    if isinstance(exc, exceptions.ValidationError):
        fields = flatten(exc.detail)
        first = next(iter(fields.values()), "")
        message = _("Some values cannot be taken: %(first)s") % {"first": first}
        return Response({"code": "invalid_values", "message": message, "fields": fields}, status=HTTPStatus.BAD_REQUEST)
    if isinstance(exc, Http404):
        exc = exceptions.NotFound()
    elif isinstance(exc, PermissionDenied):
        exc = exceptions.PermissionDenied()
    response = exception_handler(exc, context)
    if response is None or not isinstance(exc, exceptions.APIException):
        return response
    codes = exc.get_codes()
    response.data = {
        "code": codes if isinstance(codes, str) else "refused",
        "message": str(exc.detail) if not isinstance(exc.detail, (list, dict)) else str(exc),
    }
    return response


def flatten(detail: Any, path: str = "") -> dict[str, str]:
    """Nested field errors as `{"head.0.count": "sentence"}`."""
    if isinstance(detail, Mapping):
        items = detail.items()
    elif isinstance(detail, list) and any(isinstance(part, (Mapping, list)) for part in detail):
        items = enumerate(detail)  # type: ignore[assignment]
    else:
        text = " ".join(str(part) for part in detail) if isinstance(detail, list) else str(detail)
        return {path or "non_field_errors": text} if text else {}
    found: dict[str, str] = {}
    for key, value in items:
        found.update(flatten(value, f"{path}.{key}" if path else str(key)))
    return found
