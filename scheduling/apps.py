"""Opinions about when: the week, its rounds, what did not fit."""

from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class SchedulingConfig(AppConfig):
    name = "scheduling"
    verbose_name = _("Rounds")

    def ready(self) -> None:
        from trimmer.queries.distances import reckoned_by

        reckoned_by("scheduling.services.distances.reckon_distances")
