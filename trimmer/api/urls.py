"""Addresses of the API about facts: each noun's operations list their own."""

from django.urls import URLPattern, URLResolver, path

from trimmer.api import (
    animals,
    businesses,
    clients,
    crews,
    farms,
    herd_reports,
    openapi,
    people,
    rechecks,
    records,
    requests,
    searching,
    sheets,
    tokens,
    trim_lists,
    visits,
)

urlpatterns: list[URLPattern | URLResolver] = [
    path("schema", openapi.SchemaView.as_view(), name="api-schema"),
    path("reader", openapi.ReaderView.as_view(), name="api-reader"),
    *animals.urlpatterns,
    *businesses.urlpatterns,
    *clients.urlpatterns,
    *crews.urlpatterns,
    *farms.urlpatterns,
    *herd_reports.urlpatterns,
    *people.urlpatterns,
    *rechecks.urlpatterns,
    *records.urlpatterns,
    *requests.urlpatterns,
    *searching.urlpatterns,
    *sheets.urlpatterns,
    *tokens.urlpatterns,
    *trim_lists.urlpatterns,
    *visits.urlpatterns,
]
