"""Tags for the frame of a page: icons, badges, pages of a list, groups of form fields."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django import forms, template
from django.core.paginator import Page
from django.forms.boundfield import BoundField
from django.http import QueryDict
from django.templatetags.static import static
from django.utils.html import format_html
from django.utils.safestring import SafeString

register = template.Library()

MESSAGE_ICONS = {"success": "done", "warning": "warn", "error": "warn"}


@register.simple_tag
def icon(name: str | None, label: str = "") -> SafeString:
    """One of the drawings in icons.svg; with a `label` it is read aloud, without one it is an ornament."""
    if not name:
        return SafeString("")
    address = static("trimmer/icons.svg")
    if label:
        return format_html(
            '<svg class="icon" role="img" aria-label="{}" viewBox="0 0 24 24"><use href="{}#{}"></use></svg>',
            label,
            address,
            name,
        )
    return format_html(
        '<svg class="icon" aria-hidden="true" viewBox="0 0 24 24"><use href="{}#{}"></use></svg>', address, name
    )


@register.filter
def message_icon(level_tag: str) -> str:
    """The icon that goes with a message's level."""
    return MESSAGE_ICONS.get(level_tag, "note")


@register.simple_tag(takes_context=True)
def query_with(context: template.Context, **changes: Any) -> str:
    """This page's query string with some parameters changed (None takes one away)."""
    request = context.get("request")
    query = QueryDict(mutable=True) if request is None else request.GET.copy()
    for name, value in changes.items():
        if value is None:
            query.pop(name, None)
        else:
            query[name] = str(value)
    return f"?{query.urlencode()}"


@register.filter
def pages_near(page: Page[Any]) -> list[int | None]:
    """Page numbers worth a link: the ends and the neighbours; None stands for a gap."""
    last = page.paginator.num_pages
    shown = sorted({1, last, *range(max(1, page.number - 1), min(last, page.number + 1) + 1)})
    numbers: list[int | None] = []
    for number in shown:
        before = numbers[-1] if numbers else None
        if before is not None and number - before > 1:
            numbers.append(None)
        numbers.append(number)
    return numbers


@register.filter
def has_needed_fields(form: forms.BaseForm) -> bool:
    """Whether any visible field must be filled in."""
    return any(bound.field.required for bound in form.visible_fields())


@register.filter
def field_groups(form: forms.BaseForm) -> Iterator[dict[str, Any]]:
    """A form's visible fields as groups.

    A form may say `groups = ((title, (name, …)), …)`; fields it does not name come first, without a title.
    """
    groups = getattr(form, "groups", ())
    named = {name for _, names in groups for name in names}
    loose = [bound for bound in form.visible_fields() if bound.name not in named]
    if loose:
        yield {"title": "", "fields": loose}
    for title, names in groups:
        fields: list[BoundField] = [form[name] for name in names if name in form.fields]
        if fields:
            yield {"title": title, "fields": fields}
