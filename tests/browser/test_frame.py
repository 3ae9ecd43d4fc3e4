"""The frame in a real browser: every width, the keyboard, and the small conveniences of page.js."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import pytest
from django.urls import reverse

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

TABLE = """
<input type="search" id="find" data-filter="farms"><p data-filter-none="farms" hidden>nothing</p>
<table class="sheet" id="farms"><thead><tr><th>Farm</th><th>Head</th></tr></thead>
<tbody><tr><th>Oberried</th><td>64</td></tr><tr><th>Quillbrook</th><td>1640</td></tr></tbody></table>
"""
FORMSET = """
<div data-formset="w"><input name="w-TOTAL_FORMS" value="1"><input name="w-MAX_NUM_FORMS" value="2">
<table><tbody><tr><td><input name="w-0-day"></td></tr></tbody></table>
<template><tr><td><input name="w-__prefix__-day"></td></tr></template>
<button type="button" data-formset-add>Add</button></div>
"""


def put(page: Page, html: str) -> None:
    page.goto(reverse("account_login"))
    page.evaluate("html => document.querySelector('main').insertAdjacentHTML('beforeend', html)", html)


@pytest.mark.parametrize("width", [320, 390, 768, 1280, 1920])
@pytest.mark.parametrize("name", ["account_login", "account_reset_password", "account_signup"])
def test_no_page_scrolls_sideways(open_context: Callable[..., BrowserContext], width: int, name: str) -> None:
    page = open_context(width=width).new_page()
    page.goto(reverse(name))
    assert page.evaluate("document.documentElement.scrollWidth") <= width


def test_the_keyboard_skips_to_the_page(page: Page) -> None:
    page.goto(reverse("account_login"))
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"


def test_what_is_touched_on_a_phone_is_48_pixels_high(page: Page) -> None:
    page.goto(reverse("account_login"))
    for target in page.locator("main input:not([type=hidden]), main .button").all():
        box = target.bounding_box()
        assert box is not None
        assert box["height"] >= 48


def test_typing_narrows_a_table_and_says_when_nothing_is_left(page: Page) -> None:
    put(page, TABLE)
    page.fill("#find", "quill 16")
    assert page.locator("#farms tbody tr:visible").all_inner_texts()[0].startswith("Quillbrook")
    page.fill("#find", "quill 64 x")
    assert page.locator("#farms tbody tr:visible").count() == 0
    assert page.locator("[data-filter-none]").is_visible()


def test_a_row_is_added_to_a_formset_up_to_its_limit(page: Page) -> None:
    put(page, FORMSET)
    page.click("[data-formset-add]")
    assert page.input_value("[name=w-TOTAL_FORMS]") == "2"
    assert page.locator("tbody input").count() == 2
    assert page.evaluate("document.activeElement.name") == "w-1-day"
    assert page.locator("[data-formset-add]").is_disabled()


def test_a_form_pressed_twice_is_sent_once(page: Page) -> None:
    put(page, '<form id="twice" method="post" target="none"><button>Store</button></form>')
    page.evaluate("""() => {
        window.sent = 0;
        addEventListener("submit", (event) => {
            if (!event.defaultPrevented) window.sent += 1;
            event.preventDefault();
        });
    }""")
    page.click("#twice button")
    page.click("#twice button")
    assert page.evaluate("window.sent") == 1
