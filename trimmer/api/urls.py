"""Addresses of the API about facts: each noun's operations list their own."""

from django.urls import URLPattern, URLResolver, path

from trimmer.api import animals, openapi, rechecks, records, requests, trim_lists, visits

urlpatterns: list[URLPattern | URLResolver] = [
    path("schema", openapi.SchemaView.as_view(), name="api-schema"),
    path("reader", openapi.ReaderView.as_view(), name="api-reader"),
    *animals.urlpatterns,
    *records.urlpatterns,
    *rechecks.urlpatterns,
    *requests.urlpatterns,
    *trim_lists.urlpatterns,
    *visits.urlpatterns,
]
