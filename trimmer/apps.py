"""The facts: what is, what was asked, what was done."""

from django.apps import AppConfig
from django.contrib.admin.apps import AdminConfig
from django.utils.translation import gettext_lazy as _


class TrimmerConfig(AppConfig):
    name = "trimmer"
    verbose_name = _("Facts")

    def ready(self) -> None:
        # Here and not in __init__.py: pure modules of this package must be importable without Django.
        from trimmer import celery  # noqa: F401
        from trimmer.services import sheets  # noqa: F401 (their checking and storing are kinds of jobs)


class LookOnlyAdminConfig(AdminConfig):
    """Django's admin, with a site on which nothing can be changed."""

    default_site = "trimmer.admin_site.LookOnlySite"
