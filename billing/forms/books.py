"""Forms about the books."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms

from billing.models import BookRole


class AccountsForm(forms.Form):
    """The accountant's number of each account."""

    def __init__(self, *args: Any, accounts: Sequence[tuple[str, str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.keys = [(role, detail) for role, detail, _code in accounts]
        for place, (role, detail, code) in enumerate(accounts):
            label = f"{BookRole(role).label}: {detail}" if detail else str(BookRole(role).label)
            self.fields[f"code-{place}"] = forms.CharField(label=label, required=False, max_length=20, initial=code)

    def codes(self) -> dict[tuple[str, str], str]:
        """{(role, detail): number} as typed."""
        return {key: self.cleaned_data[f"code-{place}"] for place, key in enumerate(self.keys)}
