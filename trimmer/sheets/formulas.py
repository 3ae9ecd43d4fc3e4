"""Text that a spreadsheet program would run as a formula, made harmless, and back again.

A cell whose text begins with ``=``, ``+``, ``-``, ``@``, a tab or a carriage return may be run when the file is
opened. An apostrophe in front stops that ("CSV injection", OWASP, common practice). A text that has apostrophes in
front of such a mark already gets one more, so that taking one away always gives back what was there.
"""

import re

_RISKY = re.compile(r"'*[=+\-@\t\r]")
_MADE_HARMLESS = re.compile(r"'+[=+\-@\t\r]")


def harmless(text: str) -> str:
    """The text as it may stand in a file that somebody opens."""
    return f"'{text}" if _RISKY.match(text) else text


def as_meant(text: str) -> str:
    """Undoes ``harmless``."""
    return text[1:] if _MADE_HARMLESS.match(text) else text
