"""Forms about clients."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from trimmer.forms import FactForm, country_field
from trimmer.models import Business, Client


class ClientForm(FactForm[Client]):
    """What is said of a client."""

    groups = (
        (_("Who pays"), ("name", "number", "tax_id", "payment_days", "on_hold")),
        (_("How to reach them"), ("email", "phone", "street", "postcode", "city", "region", "country")),
        (_("For the office"), ("note",)),
    )

    class Meta:
        model = Client
        fields = [
            "name",
            "number",
            "tax_id",
            "payment_days",
            "on_hold",
            "email",
            "phone",
            "street",
            "postcode",
            "city",
            "region",
            "country",
            "note",
        ]
        help_texts = {
            "number": _("Empty: the next number."),
            "email": _("Invoices go there."),
            "note": _("The farm does not see it."),
        }
        widgets = {"note": forms.Textarea(attrs={"rows": 3}), "phone": forms.TextInput(attrs={"type": "tel"})}

    def __init__(self, *args: Any, business: Business, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["number"].required = False
        self.fields["country"] = country_field(business.language)
        self.fields["payment_days"] = forms.IntegerField(
            label=_("Days to pay"),
            min_value=0,
            max_value=365,
            required=False,
            help_text=_("Empty: as the business has it (%(days)d).") % {"days": business.payment_days},
        )
