"""The admin is for looking: whatever an app registers there can be read, and nothing added, changed or deleted."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.apps import apps
from django.contrib.admin import AdminSite, ModelAdmin
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.db.models import Field, Model
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

COLUMNS = 6
LONG_FIELDS = frozenset({"TextField", "JSONField", "BinaryField", "ManyToManyField"})


class LookOnly:
    """Takes every way to change a row out of a ModelAdmin."""

    list_per_page = 50
    show_full_result_count = False

    def has_add_permission(self, request: HttpRequest) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        return False

    def get_actions(self, request: HttpRequest) -> dict[str, Any]:
        return {}


class LookOnlySite(AdminSite):
    """The admin site. Staff sign in where everybody does, so that attempts are counted in one place."""

    site_header = _("Trimround, for looking")
    site_title = _("Trimround")
    index_title = _("Facts and opinions")
    enable_nav_sidebar = False

    def register(self, model_or_iterable: Any, admin_class: Any = None, **options: Any) -> None:
        """Register what is asked for, made look-only."""
        wanted = admin_class or ModelAdmin
        super().register(model_or_iterable, type(f"LookOnly{wanted.__name__}", (LookOnly, wanted), {}), **options)

    def login(self, request: HttpRequest, extra_context: dict[str, Any] | None = None) -> HttpResponse:
        """Send to the sign-in page; whoever is signed in and still comes here may not look."""
        if request.user.is_authenticated:
            raise PermissionDenied
        return redirect_to_login(request.GET.get("next", reverse("admin:index")))


def look_at(site: AdminSite, app_label: str, *, without: Iterable[str] = ()) -> None:
    """Show all models of an app, but for the fields named in `without`."""
    for model in apps.get_app_config(app_label).get_models():
        columns = [field.name for field in model._meta.fields if _fits_a_column(field) and field.name not in without]
        hidden = [field.name for field in model._meta.get_fields() if field.name in without]
        options = {"list_display": ["__str__", *columns[:COLUMNS]], "list_select_related": True, "exclude": hidden}
        site.register(model, None, **options)


def _fits_a_column(field: Field[Any, Any]) -> bool:
    return not field.primary_key and field.editable and field.get_internal_type() not in LONG_FIELDS
