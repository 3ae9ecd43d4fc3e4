"""Addresses of the pages about facts: each noun's pages list their own."""

from django.urls import URLPattern, URLResolver

from trimmer.views import (
    animals,
    clients,
    farms,
    herd_reports,
    jobs,
    links,
    people,
    rechecks,
    records,
    requests,
    searching,
    seats,
    settings,
    sheets,
    trim_lists,
    visits,
)

urlpatterns: list[URLPattern | URLResolver] = [
    *animals.urlpatterns,
    *clients.urlpatterns,
    *farms.urlpatterns,
    *herd_reports.urlpatterns,
    *jobs.urlpatterns,
    *links.urlpatterns,
    *people.urlpatterns,
    *rechecks.urlpatterns,
    *records.urlpatterns,
    *requests.urlpatterns,
    *searching.urlpatterns,
    *seats.urlpatterns,
    *settings.urlpatterns,
    *sheets.urlpatterns,
    *trim_lists.urlpatterns,
    *visits.urlpatterns,
]
