"""Addresses of the pages about facts: each noun's pages list their own."""

from django.urls import URLPattern, URLResolver

from trimmer.views import jobs, people, seats

urlpatterns: list[URLPattern | URLResolver] = [
    *jobs.urlpatterns,
    *people.urlpatterns,
    *seats.urlpatterns,
]
