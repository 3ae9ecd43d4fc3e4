"""Addresses of the API about proposed weeks."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from scheduling.api import PlannerSettingsView, WeekViewSet

router = SimpleRouter(trailing_slash=False)
router.register("weeks", WeekViewSet, basename="api-week")

urlpatterns: list[URLPattern | URLResolver] = [
    *router.urls,
    path("planner-settings", PlannerSettingsView.as_view(), name="api-planner-settings"),
]
