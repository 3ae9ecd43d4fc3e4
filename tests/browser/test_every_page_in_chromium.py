"""Every page of the service in a real Chromium, as each of the four kinds of person, on a small phone and on a desk.

Walked from the URL configuration: a page that is added is looked at by itself.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from http import HTTPStatus
from typing import TYPE_CHECKING, Any

import pytest
from django.conf import settings
from django.urls import resolve, reverse

from tests.make import a_business, a_member, signed_in
from tests.test_who_may import ROLES, pages, path_of
from tests.world import World, a_world
from trimmer.access import ANYONE, SIGNED_IN, Seat, said_who
from trimmer.api.permissions import said_who as said_who_in_the_api
from trimmer.models import Visit, VisitState

if TYPE_CHECKING:
    from playwright.sync_api import BrowserContext, Page
    from pytest_django.live_server_helper import LiveServer

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.django_db(transaction=True)]

PHONE, DESK = 320, 1280
TOUCHED = 44  # px: WCAG 2.2, success criterion 2.5.5 (target size, enhanced)

# What a page says of itself, for either width.
FAULTS_OF_A_PAGE = """() => {
    const faults = [];
    const all = (selector) => [...document.querySelectorAll(selector)];
    const named = (element) => element.outerHTML.replace(/\\s+/g, " ").slice(0, 110);
    if (!document.documentElement.lang) faults.push("has no language");
    if (!document.title.split("·")[0].trim()) faults.push("has no title");
    const headings = all("h1").filter((heading) => heading.textContent.trim());
    if (headings.length !== 1) faults.push(`has ${headings.length} h1`);
    const seen = new Set();
    for (const { id } of all("[id]")) {
        if (seen.has(id)) faults.push(`has two #${id}`);
        seen.add(id);
    }
    for (const element of all("input:not([type=hidden]), select, textarea")) {
        const label = [...(element.labels ?? [])].map((found) => found.textContent.trim()).join("");
        if (!label && !element.ariaLabel && !element.hasAttribute("aria-labelledby")) {
            faults.push(`has no label for ${named(element)}`);
        }
    }
    for (const element of all("a, button")) {
        if (!element.textContent.trim() && !element.ariaLabel) faults.push(`has no words on ${named(element)}`);
    }
    for (const option of all("option")) {
        if (option.textContent.includes("---")) faults.push(`has dashes to choose in ${named(option.parentElement)}`);
    }
    for (const attribute of ["aria-describedby", "aria-labelledby"]) {
        for (const element of all(`[${attribute}]`)) {
            for (const id of element.getAttribute(attribute).split(" ")) {
                if (!document.getElementById(id)) faults.push(`points to no #${id}`);
            }
        }
    }
    return faults;
}"""
FAULTS_OF_A_WIDTH = """(least) => {
    const faults = [];
    const wide = document.documentElement.scrollWidth;
    if (wide > innerWidth) faults.push(`is ${wide} px wide`);
    const shown = (element) => element.checkVisibility({ visibilityProperty: true }) && element.getClientRects().length;
    for (const card of document.querySelectorAll("main .card, main .group, main .page-head, main .day")) {
        if (shown(card) && card.scrollWidth > card.clientWidth + 1) {
            faults.push(`has ${card.scrollWidth} px in a card of ${card.clientWidth}: ${card.innerText.slice(0, 40)}`);
        }
    }
    const targets = "main :is(.button, select, textarea, summary, .tile, .tiles label), .menu-button, " +
        "main input:not([type=hidden], [type=checkbox], [type=radio])";
    for (const target of document.querySelectorAll(targets)) {
        const { height } = target.getBoundingClientRect();
        if (!shown(target) || height >= least) continue;
        faults.push(`has a target ${height} px high: ${target.outerHTML.slice(0, 90)}`);
    }
    return faults;
}"""

# Where its links and forms lead to, within the service.
WAYS_ON = """() => [...document.querySelectorAll("a[href], form[action], button[formaction]")]
    .map((way) => new URL(way.formAction || way.action || way.href, location))
    .filter((url) => url.origin === location.origin && !url.pathname.startsWith("/static/"))
    .map((url) => url.pathname)"""


def pages_shown_to(seat: Seat, actor: str, world: World) -> list[str]:
    """The paths of the whole pages this person may open: not of parts of a page, nor of files."""
    browser = signed_in(seat)
    allowed = [page for page in pages() if {ANYONE, SIGNED_IN, ROLES[actor]} & (said_who(page.view) or frozenset())]
    done = Visit.objects.get(farm=world.farm, state=VisitState.DONE)
    paths = []
    for other in ({}, {"invoices": world.objects["drafts"]}, {"visits": done}):
        twin = replace(world, objects=world.objects | other)
        paths += [path_of(page, twin) for page in allowed]
    answers: dict[str, Any] = {path: browser.get(path) for path in dict.fromkeys(paths)}
    return [
        path
        for path, answer in answers.items()
        if answer.status_code == HTTPStatus.OK
        and not answer.streaming
        and answer.content.lstrip().startswith(b"<!DOCTYPE html>")
    ]


def is_open(way: str, actor: str) -> bool:
    """Whether this person may open an address that a page of theirs leads to. Those of libraries say it themselves."""
    view: Any = resolve(way).func
    who = said_who_in_the_api(view.cls, "list") if hasattr(view, "cls") else said_who(view)
    return "allauth" in view.__module__ or bool({ANYONE, SIGNED_IN, ROLES[actor]} & (who or frozenset()))


def faults_of(page: Page, path: str) -> list[str]:
    """What is wrong with one page, at both widths."""
    page.set_viewport_size({"width": DESK, "height": 900})
    answer = page.goto(path)
    if answer is None or answer.status != HTTPStatus.OK:
        return [f"{path} does not open"]
    found = page.evaluate(FAULTS_OF_A_PAGE) + page.evaluate(FAULTS_OF_A_WIDTH, 0)
    page.set_viewport_size({"width": PHONE, "height": 700})
    found += page.evaluate(FAULTS_OF_A_WIDTH, TOUCHED)
    return [f"{path} {fault}" for fault in dict.fromkeys(found)]


def page_of(context: BrowserContext, live_server: LiveServer, seat: Seat) -> Page:
    """A page of this person's browser."""
    name = settings.SESSION_COOKIE_NAME
    context.add_cookies([{"name": name, "value": signed_in(seat).cookies[name].value, "url": live_server.url}])
    return context.new_page()


@pytest.mark.parametrize("actor", ["owner", "office", "trimmer", "farm person"])
def test_every_page_is_sound(
    actor: str, open_context: Callable[..., BrowserContext], live_server: LiveServer, page_complaints: list[str]
) -> None:
    world = a_world()
    seat = world.cast[actor]
    assert seat is not None
    page = page_of(open_context(), live_server, seat)
    paths = pages_shown_to(seat, actor, world)
    faults = []
    ways: set[str] = set()
    for path in paths:
        faults += faults_of(page, path)
        ways |= set(page.evaluate(WAYS_ON))
        faults += [f"{path} complains: {complaint}" for complaint in page_complaints]
        page_complaints.clear()
    faults += [f"{way} is linked, but closed" for way in sorted(ways) if not is_open(way, actor)]
    assert "\n".join(faults) == ""
    assert len(paths) > (15 if actor == "farm person" else 40)


@pytest.mark.parametrize("name", ["account_login", "account_reset_password", "account_signup"])
def test_every_page_before_signing_in_is_sound(name: str, page: Page) -> None:
    assert faults_of(page, reverse(name)) == []


@pytest.mark.parametrize("width", [PHONE, DESK])
def test_the_reader_of_the_api_lives_under_the_content_policy(
    width: int, open_context: Callable[..., BrowserContext], live_server: LiveServer
) -> None:
    page = page_of(open_context(width=width), live_server, a_member(a_business()))
    page.goto(reverse("api-reader"))
    operation = page.locator("#operations-animals-animals_list")
    operation.wait_for()
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    operation.locator(".opblock-summary").click()
    operation.get_by_role("button", name="Try it out").click()
    operation.get_by_role("button", name="Execute").click()
    operation.locator(".live-responses-table").get_by_text('"count"').wait_for()
