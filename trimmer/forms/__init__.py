"""Forms about facts, one file a noun, and how a form says what a service refused."""

from __future__ import annotations

from typing import TYPE_CHECKING

from django import forms
from django.db import models
from django.http import HttpRequest, QueryDict
from django.utils.translation import gettext_lazy as _

from trimmer.errors import Refusal
from trimmer.standards import countries

if TYPE_CHECKING:
    from django.forms import ModelForm as ModelForm
else:

    class ModelForm[M](forms.ModelForm):
        """Django's own, which may name its model for the type checker."""


class FactForm[M: models.Model](ModelForm[M]):
    """Takes its fields from a model and leaves what is allowed among the other rows to the service it is handed to,
    whose refusals say what to do. It makes no instance: give it `initial`."""

    def _post_clean(self) -> None:
        """Django would build an instance here and check it against the other rows."""


def posted(request: HttpRequest) -> QueryDict | None:
    """What was sent, for a form; None when the page is only looked at. A form of unticked boxes sends nothing."""
    return request.POST if request.method == "POST" else None


def country_field(language: str, *, required: bool = False) -> forms.ChoiceField:
    """A country of ISO 3166 by its name in a language; empty stands for none."""
    choices = [("", ""), *countries(language).items()]
    return forms.ChoiceField(label=_("Country"), choices=choices, required=required)


def say_refusal(form: forms.BaseForm, refusal: Refusal) -> None:
    """Show a refusal in the form it answers: beside the fields it names, else above them. What was typed stays."""
    beside = {name: said for name, said in refusal.fields.items() if name in form.fields}
    for name, said in beside.items():
        form.add_error(name, said)
    if not beside:
        form.add_error(None, str(refusal))
