"""The herd report as a paper: a tagged PDF, set by typst. All text comes in ready.

No archive format: it is made anew whenever it is asked for, and a character without a glyph is no reason to refuse.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import typst

TEMPLATE = Path(__file__).with_name("herd_report.typ")


def render_herd_report(page: Mapping[str, Any], *, paper: str, language: str, dated: dt.date) -> bytes:
    """The PDF of ready text (trimmer.report_words.printed), on "a4" or "us-letter" paper."""
    tongue, _sep, region = language.partition("-")
    values = {
        **page,
        "paper": paper,
        "language": tongue.lower(),
        "region": region.lower(),
        "dated": [dated.year, dated.month, dated.day],
    }
    made: bytes = typst.compile(
        TEMPLATE,
        root=TEMPLATE.parent,
        font_paths=_fonts(),
        sys_inputs={"page": json.dumps(values, ensure_ascii=False, sort_keys=True)},
        format="pdf",
        timestamp=dt.datetime.combine(dated, dt.time(), dt.UTC),
    )
    return made


@cache
def _fonts() -> typst.Fonts:
    return typst.Fonts(include_system_fonts=True, include_embedded_fonts=True)
