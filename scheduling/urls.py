"""Addresses of the pages about proposed weeks."""

from django.urls import URLPattern, URLResolver

from scheduling.views import changing, settings, weeks

urlpatterns: list[URLPattern | URLResolver] = [
    *weeks.urlpatterns,
    *changing.urlpatterns,
    *settings.urlpatterns,
]
