"""Forms about people."""

from __future__ import annotations

from typing import Any

from django import forms
from django.utils.translation import gettext_lazy as _

from trimmer.forms import ModelForm
from trimmer.models import FarmPerson, Role, User


class MemberInvitationForm(forms.Form):
    """Whom to invite to work in the business, and as what."""

    email = forms.EmailField(label=_("E-mail"))
    role = forms.ChoiceField(
        label=_("Role"),
        choices=Role.choices,
        initial=Role.TRIMMER,
        widget=forms.RadioSelect(attrs={"class": "tiles"}),
        help_text=_(
            "The owner does everything. A trimmer plans, records and sees herds, no bills. The office takes requests, "
            "keeps clients and farms, and bills."
        ),
    )


class RoleForm(forms.Form):
    """Another role for a member."""

    role = forms.ChoiceField(label=_("Role"), choices=Role.choices, widget=forms.RadioSelect(attrs={"class": "tiles"}))


class FarmPersonForm(ModelForm[FarmPerson]):
    """What a farm's person may do."""

    class Meta:
        model = FarmPerson
        fields = ["may_ask", "may_see_invoices"]


class FarmInvitationForm(forms.Form):
    """Whom to invite to a client's farms, and what they may do."""

    email = forms.EmailField(label=_("E-mail"))
    may_ask = forms.BooleanField(label=_("May ask for visits"), initial=True, required=False)
    may_see_invoices = forms.BooleanField(label=_("May see invoices"), required=False)


class GuestForm(forms.Form):
    """A known person comes in: nothing to fill in."""


class NewPersonForm(GuestForm):
    """A new person comes in."""

    name = forms.CharField(label=_("Your name"), max_length=120, widget=forms.TextInput(attrs={"autocomplete": "name"}))
    password = forms.CharField(
        label=_("Choose a password"),
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
        help_text=_("At least 10 characters."),
    )
    password_again = forms.CharField(
        label=_("The same password again"),
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )

    def clean(self) -> dict[str, Any]:
        values = super().clean() or {}
        if "password" in values and "password_again" in values and values["password"] != values["password_again"]:
            self.add_error("password_again", _("The two passwords differ. Type the same one twice."))
        return values


class OwnNameForm(ModelForm[User]):
    """What the others call one."""

    class Meta:
        model = User
        fields = ["name"]


class TokenForm(forms.Form):
    """A name for a program's token."""

    name = forms.CharField(label=_("Name of the program"), max_length=80)
