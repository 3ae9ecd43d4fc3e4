"""Forms about bills, one file a noun."""

LONGEST_KEY = 18
"""Figures of a key that every database can look for."""


def as_key(text: str | None) -> int:
    """A key as it stands in an address; 0, which no row has, for anything else."""
    return int(text) if text and text.isdecimal() and len(text) <= LONGEST_KEY else 0
