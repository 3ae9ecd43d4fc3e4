"""Opinions about worth: prices, invoices, payments."""

from django.apps import AppConfig
from django.utils.translation import gettext_lazy as _


class BillingConfig(AppConfig):
    name = "billing"
    verbose_name = _("Billing")

    def ready(self) -> None:
        from billing import sheets  # noqa: F401 (the price list is a kind of sheet)
