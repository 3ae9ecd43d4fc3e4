"""Addresses of the API about facts: each noun's operations list their own."""

from django.urls import URLPattern, URLResolver, path

from trimmer.api import openapi

urlpatterns: list[URLPattern | URLResolver] = [
    path("schema", openapi.SchemaView.as_view(), name="api-schema"),
]
