"""Every page and every operation of the API, against every kind of person.

Walked from the URL configuration and from the OpenAPI schema: an address that is added is walked by itself, and one
that does not say who may use it is refused to everyone, which these tests notice.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from http import HTTPStatus
from typing import Any

import pytest
from django.db import transaction
from django.test import Client as Browser
from django.urls import URLPattern, URLResolver, get_resolver, resolve
from drf_spectacular.generators import SchemaGenerator
from rest_framework.test import APIClient

from tests.make import signed_in
from tests.world import MARK, MONDAY, World, a_world
from trimmer.access import ANYONE, FARM, MEMBERS, SIGNED_IN, said_who
from trimmer.api.permissions import said_who as said_who_in_the_api

pytestmark = pytest.mark.django_db

CAST = (
    "no one",
    "owner",
    "trimmer",
    "office",
    "farm person",
    "owner of another business",
    "farm person of another client",
)
PERSONAL = {"tokens"}  # nouns of what belongs to one person (in this world the owner), not to the business
STRANGERS = {"owner of another business", "farm person of another client"}
ROLES = {"owner": "owner", "trimmer": "trimmer", "office": "office", "farm person": FARM} | {
    "owner of another business": "owner",
    "farm person of another client": FARM,
}

NO_ARGUMENT_SAMPLES = {"monday": MONDAY.isoformat(), "date": MONDAY.isoformat(), "day": MONDAY.isoformat()}


@dataclass(frozen=True)
class Address:
    """A page's address, as the URL configuration has it."""

    route: str
    view: Any

    @property
    def is_a_librarys(self) -> bool:
        """Made by the admin or by the sign-in library, which say themselves who may: their rule is tested below."""
        return self.route.startswith("admin/") or self.view.__module__.startswith("allauth.")

    @property
    def has_object(self) -> bool:
        return bool(re.search(r"<(int|uuid):", self.route))

    @property
    def is_personal(self) -> bool:
        return any(f"{noun}/<" in self.route for noun in PERSONAL)


def addresses(patterns: list[URLPattern | URLResolver] | None = None, before: str = "") -> Iterator[Address]:
    """Every address of the URL configuration."""
    for entry in get_resolver().url_patterns if patterns is None else patterns:
        route = before + str(entry.pattern)
        if isinstance(entry, URLResolver):
            yield from addresses(entry.url_patterns, route)
        else:
            yield Address(route, entry.callback)


def pages() -> list[Address]:
    """Addresses of our own pages: not the API's, not the libraries'."""
    ours = (address for address in addresses() if not address.is_a_librarys)
    return [address for address in ours if not address.route.lstrip("^").startswith("api/")]


def path_of(address: Address, world: World) -> str:
    """The address with the world's own objects in it."""

    def sample(match: re.Match[str]) -> str:
        kind, name = match.group(1) or "str", match.group(2)
        before = address.route[: match.start()].rstrip("/").split("/")[-1]
        if before in world.objects and (kind in {"int", "uuid"} or name not in NO_ARGUMENT_SAMPLES):
            return str(world.objects[before].pk)
        if name in NO_ARGUMENT_SAMPLES:
            return str(NO_ARGUMENT_SAMPLES[name])
        return str(world.samples[name]) if name in world.samples else "none-such"

    return "/" + re.sub(r"<(?:(\w+):)?(\w+)>", sample, address.route).removeprefix("^").removesuffix("$")


def ask(browser: Browser, path: str) -> Any:
    """GET a page; POST nothing to one that is only for changes. Whatever it did is undone."""
    with transaction.atomic():
        answer = browser.get(path)
        if answer.status_code == HTTPStatus.METHOD_NOT_ALLOWED:
            answer = browser.post(path)
        transaction.set_rollback(True)
    return answer


def fault_of(answer: Any, *, actor: str, who: frozenset[str], address: Address) -> str | None:
    """What is wrong with the answer this person got, if anything."""
    code = answer.status_code
    to_sign_in = code == HTTPStatus.FOUND and "/accounts/login" in answer.headers["Location"]
    if code >= HTTPStatus.INTERNAL_SERVER_ERROR:
        return f"breaks with {code}"
    if ANYONE in who:
        return None if not to_sign_in else "sends to sign in, though open to anyone"
    if actor == "no one":
        return None if to_sign_in else f"answers {code} to no one"
    allowed = SIGNED_IN in who or ROLES[actor] in who
    if not allowed:
        return None if code == HTTPStatus.FORBIDDEN else f"answers {code}, not 403"
    if address.has_object and (actor in STRANGERS or (actor != "owner" and address.is_personal)):
        ok = code == HTTPStatus.NOT_FOUND or (actor == "farm person of another client" and code == HTTPStatus.FORBIDDEN)
        return None if ok else f"answers {code} for a stranger's object, not 404"
    if code in {HTTPStatus.FORBIDDEN, HTTPStatus.NOT_FOUND} or to_sign_in:
        return f"answers {code}, though allowed"
    if actor in STRANGERS and not answer.streaming and MARK.encode() in answer.content:
        return "shows what belongs to another"
    return None


def test_every_page_says_who_may() -> None:
    silent = [address.route for address in pages() if not said_who(address.view)]
    assert silent == []
    assert len(pages()) > 60


@pytest.mark.parametrize("actor", CAST)
def test_pages_let_in_whom_they_name_and_nobody_else(actor: str) -> None:
    world = a_world()
    seat = world.cast[actor]
    browser = signed_in(seat) if seat else Browser()
    browser.raise_request_exception = False
    faults = []
    for address in pages():
        path = path_of(address, world)
        who = said_who(address.view) or frozenset()
        if fault := fault_of(ask(browser, path), actor=actor, who=who, address=address):
            faults.append(f"{path} ({address.route}): {fault}")
    assert faults == []


def test_pages_of_libraries_are_for_signing_in_or_for_staff() -> None:
    browser = Browser()
    for address in addresses():
        if not address.is_a_librarys or "<" in address.route or "(?P" in address.route:
            continue
        answer = browser.get("/" + address.route)
        if address.route.startswith("admin/"):
            assert answer.status_code in {HTTPStatus.FOUND, HTTPStatus.NOT_FOUND} or "login" in address.route
            continue
        assert address.route.startswith("accounts/")
        assert MARK.encode() not in answer.content


@pytest.mark.parametrize("actor", [name for name in CAST if name != "no one"])
def test_the_admin_is_closed_to_everyone_who_is_not_staff(actor: str) -> None:
    seat = a_world().cast[actor]
    assert seat is not None
    answer = signed_in(seat).get("/admin/")
    assert answer.status_code == HTTPStatus.FOUND


# The API


@dataclass(frozen=True)
class Operation:
    """An operation of the API, as the schema has it."""

    path: str
    method: str

    @property
    def has_object(self) -> bool:
        return "{" in self.path

    @property
    def is_personal(self) -> bool:
        return any(f"{noun}/{{" in self.path for noun in PERSONAL)


def operations() -> list[Operation]:
    """Every operation of the OpenAPI schema."""
    schema = SchemaGenerator().get_schema(request=None, public=True)  # type: ignore[no-untyped-call]
    methods = ("get", "post", "put", "patch", "delete")
    return [Operation(path, method) for path, entry in schema["paths"].items() for method in methods if method in entry]


def filled(operation: Operation, world: World) -> str:
    """The operation's path with the world's own objects in it."""
    parts = operation.path.strip("/").split("/")
    for n, part in enumerate(parts):
        if part.startswith("{"):
            noun = parts[n - 1]
            parts[n] = str(world.objects[noun].pk) if noun in world.objects else str(world.samples.get(noun, "none"))
    return "/" + "/".join(parts)


def call(client: APIClient, operation: Operation, path: str) -> Any:
    """Do the operation with an empty body. Whatever it did is undone."""
    with transaction.atomic():
        answer = getattr(client, operation.method)(path, data={} if operation.method != "get" else None, format="json")
        transaction.set_rollback(True)
    return answer


def api_fault(answer: Any, *, actor: str, who: frozenset[str], operation: Operation) -> str | None:
    """What is wrong with the API's answer, if anything."""
    code = answer.status_code
    if code >= HTTPStatus.INTERNAL_SERVER_ERROR:
        return f"breaks with {code}"
    if code >= HTTPStatus.BAD_REQUEST and not {"code", "message"} <= set(answer.json()):
        return f"refuses with {code}, but not as code and message"
    if ANYONE in who:
        return None
    if actor == "no one":
        return None if code == HTTPStatus.UNAUTHORIZED else f"answers {code}, not 401"
    allowed = SIGNED_IN in who or ROLES[actor] in who
    if not allowed:
        return None if code == HTTPStatus.FORBIDDEN else f"answers {code}, not 403"
    if operation.has_object and (actor in STRANGERS or (actor != "owner" and operation.is_personal)):
        ok = code == HTTPStatus.NOT_FOUND or (actor == "farm person of another client" and code == HTTPStatus.FORBIDDEN)
        return None if ok else f"answers {code} for a stranger's object, not 404"
    if code in {HTTPStatus.UNAUTHORIZED, HTTPStatus.FORBIDDEN, HTTPStatus.NOT_FOUND}:
        return f"answers {code}, though allowed"
    if actor in STRANGERS and MARK.encode() in answer.content:
        return "shows what belongs to another"
    return None


def who_of(operation: Operation, path: str) -> frozenset[str]:
    view: Any = resolve(path).func
    action = getattr(view, "actions", {}).get(operation.method)
    return said_who_in_the_api(view.cls, action)


def test_every_operation_says_who_may() -> None:
    world = a_world()
    silent = [
        f"{operation.method} {operation.path}"
        for operation in operations()
        if not who_of(operation, filled(operation, world))
    ]
    assert silent == []
    assert len(operations()) > 60


@pytest.mark.parametrize("actor", CAST)
def test_operations_let_in_whom_they_name_and_nobody_else(actor: str) -> None:
    world = a_world()
    client = APIClient(raise_request_exception=False)
    if seat := world.cast[actor]:
        client.force_login(seat.user, backend="allauth.account.auth_backends.AuthenticationBackend")
    faults = []
    for operation in operations():
        path = filled(operation, world)
        who = who_of(operation, path)
        if fault := api_fault(call(client, operation, path), actor=actor, who=who, operation=operation):
            faults.append(f"{operation.method} {path}: {fault}")
    assert faults == []


def test_members_may_do_more_than_a_farms_people() -> None:
    by_members = [address.route for address in pages() if (said_who(address.view) or frozenset()) & MEMBERS]
    by_farms = [address.route for address in pages() if FARM in (said_who(address.view) or frozenset())]
    assert len(by_members) > len(by_farms) > 0
