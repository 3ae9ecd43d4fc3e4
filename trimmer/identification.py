"""Official ear tags and ISO 11784 transponders: what they mean and whether they can be right.

A ``problem`` contradicts the rule of that kind of number, so the text cannot be one. A ``warning`` is worth a second
look and no more: old tags, tags of other countries and numbers of the farm's own exist, and a trimmer mostly reads
what is left of a tag. The two are checked apart, for not every tag fits a transponder (UK 284205 700016 is too big
for one).

Sources: EU, Reg. (EU) 2017/949 art. 2 and Impl. Reg. (EU) 2021/520 art. 12: country code and at most 12 digits, zeros
between when shorter. UK numeric tag: herd mark of 6, check digit, animal of 5; the check digit rule was derived from
printed numbers (British Cattle Movement Service example, ICAR example), hence a warning. US animal identification
number: federal definition as in Indiana 345 IAC 1-1.5, 15 digits that begin with 840. ISO 11784: 3 + 12 digits, the
national number in 38 bits.

This module knows no Django.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final, Literal

TagKind = Literal["none", "eu", "uk", "us_840", "iso_11784", "other"]
TagProblem = Literal["empty", "characters", "too_many_digits", "not_15_digits", "number_too_big"]
TagWarning = Literal[
    "form_unknown", "old_form", "country_unknown", "uk_length", "uk_check_digit", "no_iso_11784_number", "test_code"
]

EU_COUNTRIES: Final = frozenset(
    {
        *("AT", "BE", "BG", "CY", "CZ", "DE", "DK", "EE", "EL", "ES", "FI", "FR", "HR", "HU"),
        *("IE", "IT", "LT", "LU", "LV", "MT", "NL", "PL", "PT", "RO", "SE", "SI", "SK", "XI"),
    }
)
"""Letters on EU tags: ISO 3166 but for Greece (EL); XI is Northern Ireland."""

ISO_11784_MAX: Final = 2**38 - 1
"""The greatest national number: 274 877 906 943."""

_SPELLINGS: Final = {"GR": "EL", "GB": "UK"}
_SEPARATORS: Final = re.compile(r"[\s\-‐‑‒–—−]+")
_PLAIN: Final = re.compile(r"[0-9A-Z]+")
_DIGITS: Final = re.compile(r"[0-9]+")
_LETTERS_THEN_REST: Final = re.compile(r"([A-Z]{2})([0-9A-Z]*)")


@dataclass(frozen=True, slots=True)
class TagCheck:
    """What a text turned out to be.

    ``kind``: ``uk`` UK numeric, ``eu`` (also ISO numeric country and 12 digits), ``us_840``, ``iso_11784`` a
    transponder, ``other`` none of these, ``none`` nothing was written. ``normalised`` is what to store. What is in
    ``warns`` may be stored too, but somebody should look at it again. ``country`` is the code as on the tag (two
    letters or three digits), "" when there is none.
    """

    kind: TagKind
    normalised: str
    problems: tuple[TagProblem, ...] = ()
    warns: tuple[TagWarning, ...] = ()
    country: str = ""

    @property
    def is_refused(self) -> bool:
        """It cannot be such a number."""
        return bool(self.problems)

    @property
    def is_valid(self) -> bool:
        """Nothing is wrong or doubtful."""
        return not self.problems and not self.warns


def normalise(text: str) -> str:
    """Without spaces and dashes, in upper case."""
    return _SEPARATORS.sub("", text).upper()


def uk_check_digit(herd: int | str, animal: int | str) -> int:
    """The check digit 1-7 between herd mark and animal: (herd and animal as one number of 11 digits) modulo 7, plus 1.

    Misreadings that differ by a multiple of seven are not caught. Raises ValueError unless herd has at most 6 and
    animal at most 5 digits.
    """
    digits_herd, digits_animal = str(herd).zfill(6), str(animal).zfill(5)
    if len(digits_herd) != 6 or len(digits_animal) != 5 or not _DIGITS.fullmatch(digits_herd + digits_animal):
        raise ValueError(f"herd {herd!r}, animal {animal!r}: 6 and 5 digits are needed")
    return int(digits_herd + digits_animal) % 7 + 1


def check_official_tag(text: str, *, country: str | None = None) -> TagCheck:
    """Check an ear tag. ``country`` (two letters) is that of the farm, used for a number of 9-12 digits written
    without one.

    Shorter numbers are never taken for an official tag: they are the farm's own.
    """
    tag = normalise(text)
    if not tag:
        return TagCheck("none", "", ("empty",))
    if not _PLAIN.fullmatch(tag):
        return TagCheck("other", tag, ("characters",))
    if country and 9 <= len(tag) <= 12 and _DIGITS.fullmatch(tag):
        prefix = normalise(country)
        prefix = _SPELLINGS.get(prefix, prefix)
        if prefix == "UK" or prefix in EU_COUNTRIES:
            tag = prefix + tag
    if _DIGITS.fullmatch(tag):
        return _check_numeric(tag)
    if lettered := _LETTERS_THEN_REST.fullmatch(tag):
        prefix, number = _SPELLINGS.get(lettered[1], lettered[1]), lettered[2]
        if _DIGITS.fullmatch(number):
            return _check_lettered(prefix, number)
        if number and (prefix == "UK" or prefix in EU_COUNTRIES):
            return TagCheck("other", prefix + number, (), ("old_form",), prefix)
    return TagCheck("other", tag, (), ("form_unknown",))


def _check_numeric(tag: str) -> TagCheck:
    if tag.startswith("840") and len(tag) > 12:
        if len(tag) != 15:
            return TagCheck("us_840", tag, ("not_15_digits",), (), "840")
        fits = int(tag[3:]) <= ISO_11784_MAX
        return TagCheck("us_840", tag, (), () if fits else ("no_iso_11784_number",), "840")
    if len(tag) > 15:
        return TagCheck("other", tag, ("too_many_digits",))
    if len(tag) == 15:
        return TagCheck("eu", tag, (), (), tag[:3])
    return TagCheck("other", tag, (), ("form_unknown",))


def _check_lettered(prefix: str, number: str) -> TagCheck:
    """A tag of two letters and digits. All over Europe 12 digits are the most."""
    known = prefix == "UK" or prefix in EU_COUNTRIES
    if not known:
        return TagCheck("other", prefix + number, (), ("country_unknown",), prefix)
    kind: TagKind = "uk" if prefix == "UK" else "eu"
    if len(number) > 12:
        return TagCheck(kind, prefix + number, ("too_many_digits",), (), prefix)
    if kind == "eu":
        return TagCheck(kind, prefix + number.zfill(12), (), (), prefix)
    if len(number) < 12:
        return TagCheck(kind, prefix + number, (), ("uk_length",), prefix)
    # Northern Ireland's numbers begin with 9 and have their check digit elsewhere (from memory): not judged here.
    sound = number[0] == "9" or number[6] == str(uk_check_digit(number[:6], number[7:]))
    return TagCheck(kind, prefix + number, (), () if sound else ("uk_check_digit",), prefix)


def check_transponder(text: str) -> TagCheck:
    """Check a transponder number of ISO 11784 as a reader shows it: 15 digits, country or maker (3) and number (12).

    Country 999 is for tests (from memory) and warned of, as is 000, which is nobody's.
    """
    number = normalise(text)
    if not number:
        return TagCheck("none", "", ("empty",))
    problems: list[TagProblem] = []
    if not _DIGITS.fullmatch(number):
        problems.append("characters")
    if len(number) != 15:
        problems.append("not_15_digits")
    if problems:
        return TagCheck("iso_11784", number, tuple(problems))
    country = number[:3]
    if int(number[3:]) > ISO_11784_MAX:
        return TagCheck("iso_11784", number, ("number_too_big",), (), country)
    warns: tuple[TagWarning, ...] = ()
    if country == "999":
        warns = ("test_code",)
    elif country == "000":
        warns = ("country_unknown",)
    return TagCheck("iso_11784", number, (), warns, country)
