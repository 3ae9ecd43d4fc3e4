"""The API that finds everything by one text."""

from __future__ import annotations

from typing import Any

from django.urls import path
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from trimmer.access import SEATED
from trimmer.api.access import SeatedView
from trimmer.search import search


class HitSerializer(serializers.Serializer[Any]):
    """One thing found, with the address of its page."""

    kind = serializers.CharField()
    title = serializers.CharField()
    detail = serializers.CharField()
    url = serializers.CharField()


class SearchView(SeatedView):
    """Farms, clients, animals, telephone numbers and invoices."""

    who = SEATED

    @extend_schema(
        operation_id="search_list",
        parameters=[OpenApiParameter("q", str, required=True, description="Two characters or more.")],
        responses=HitSerializer(many=True),
    )
    def get(self, request: Request) -> Response:
        """What was found, at most a dozen of each kind."""
        found = search(self.seat, request.query_params.get("q", ""))
        rows = [
            {"kind": str(kind), "title": hit.title, "detail": hit.detail, "url": hit.url}
            for kind, hits in found
            for hit in hits
        ]
        return Response(HitSerializer(rows, many=True).data)


urlpatterns = [path("search", SearchView.as_view(), name="api-search")]
