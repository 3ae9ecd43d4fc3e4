"""Addresses of the API about proposed weeks."""

from django.urls import URLPattern, URLResolver, path
from rest_framework.routers import SimpleRouter

from scheduling import outlook_api, pace_api, road_api
from scheduling.api import PlannerSettingsView, WeekQuestionViewSet, WeekViewSet

router = SimpleRouter(trailing_slash=False)
router.register("weeks", WeekViewSet, basename="api-week")
router.register(r"weeks/(?P<week_pk>\d+)/questions", WeekQuestionViewSet, basename="api-week-question")

urlpatterns: list[URLPattern | URLResolver] = [
    *router.urls,
    *road_api.urlpatterns,
    *pace_api.urlpatterns,
    *outlook_api.urlpatterns,
    path("planner-settings", PlannerSettingsView.as_view(), name="api-planner-settings"),
]
