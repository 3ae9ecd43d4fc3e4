"""Addresses of the pages about proposed weeks."""

from django.urls import URLPattern, URLResolver

from scheduling.views import asking, changing, comparing, outlook, pace, replanning, roads, rounds, settings, weeks

urlpatterns: list[URLPattern | URLResolver] = [
    *weeks.urlpatterns,
    *changing.urlpatterns,
    *rounds.urlpatterns,
    *roads.urlpatterns,
    *asking.urlpatterns,
    *comparing.urlpatterns,
    *replanning.urlpatterns,
    *settings.urlpatterns,
    *pace.urlpatterns,
    *outlook.urlpatterns,
]
