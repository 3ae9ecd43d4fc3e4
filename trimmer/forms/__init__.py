"""Forms about facts, one file a noun, and how a form says what a service refused."""

from __future__ import annotations

from django import forms

from trimmer.errors import Refusal


def say_refusal(form: forms.BaseForm, refusal: Refusal) -> None:
    """Show a refusal in the form it answers: beside the fields it names, else above them. What was typed stays."""
    beside = {name: said for name, said in refusal.fields.items() if name in form.fields}
    for name, said in beside.items():
        form.add_error(name, said)
    if not beside:
        form.add_error(None, str(refusal))
