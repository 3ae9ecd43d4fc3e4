"""What every browser test asks of its pages: nothing wider than the screen, and a picture where one is wanted."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Page

FITS = "() => document.documentElement !== null && document.documentElement.scrollWidth <= innerWidth"


def fits(page: Page) -> bool:
    """Wait until the page at hand is no wider than its screen; a page that reloads itself in between is asked anew.

    Raises playwright's TimeoutError where it stays wider.
    """
    page.wait_for_load_state()
    page.wait_for_function(FITS)
    return True


def take_picture(page: Page, name: str) -> None:
    """See that the page fits; keep a picture `NAME-WIDTH.png` in the folder $TRIMROUND_SCREENSHOTS, if it is set."""
    assert fits(page)
    folder = os.environ.get("TRIMROUND_SCREENSHOTS")
    if folder is not None and page.viewport_size is not None:
        page.screenshot(path=f"{folder}/{name}-{page.viewport_size['width']}.png", full_page=True)
