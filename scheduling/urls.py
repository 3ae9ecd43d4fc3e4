"""Addresses of the pages about proposed weeks."""

from django.urls import URLPattern, URLResolver

from scheduling.views import settings, weeks

urlpatterns: list[URLPattern | URLResolver] = [*weeks.urlpatterns, *settings.urlpatterns]
