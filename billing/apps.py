"""Opinions about worth: prices, invoices, payments."""

from __future__ import annotations

from typing import Any

from django.apps import AppConfig
from django.db import connections
from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.backends.signals import connection_created
from django.db.migrations.executor import MigrationExecutor
from django.db.models.signals import post_migrate, pre_migrate
from django.utils.translation import gettext_lazy as _


class BillingConfig(AppConfig):
    name = "billing"
    verbose_name = _("Billing")

    def ready(self) -> None:
        from billing import search, sheets  # noqa: F401 (invoices are found; the price list is a kind of sheet)

        connection_created.connect(_introduce)
        pre_migrate.connect(_lift_triggers, sender=self)
        post_migrate.connect(_lay_triggers, sender=self)


def _introduce(connection: BaseDatabaseWrapper, **_rest: Any) -> None:
    from billing import trail

    trail.introduce(connection)


def _lift_triggers(using: str, plan: list[Any], **_rest: Any) -> None:
    """Tables are about to change. The frozen rows stay frozen until a migration says otherwise."""
    from billing import trail

    if plan:
        trail.lift(connections[using])


def _lay_triggers(using: str, plan: list[Any] | None = None, **_rest: Any) -> None:
    """Tables are as the models say (unless somebody migrates only so far). An emptied database comes by here too."""
    from billing import frozen_rows, trail

    connection = connections[using]
    if plan is not None:
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            return
    trail.lay(connection)
    frozen_rows.lay_anew(connection)
