"""Who acts, and through what: the person of the request or of the job, for whatever wants to note it.

It is told at the edge (middleware, worker) and looked up where something is written, so no service passes it on.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from typing import TYPE_CHECKING

from django.http import HttpRequest, HttpResponse

if TYPE_CHECKING:
    from trimmer.models import User

_request: ContextVar[HttpRequest | None] = ContextVar("request", default=None)
_worker: ContextVar[Actor | None] = ContextVar("worker", default=None)


@dataclass(frozen=True)
class Actor:
    """A person (their key and name; None and "" for the service itself) and the way they act: a page, a job."""

    key: int | None = None
    name: str = ""
    through: str = ""


class ActingMiddleware:
    """Remembers the request while it is answered. Who asks is read late: a token is looked at only in the view."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        token = _request.set(request)
        try:
            return self.get_response(request)
        finally:
            _request.reset(token)


@contextmanager
def acting(user: User | None, through: str) -> Iterator[None]:
    """For the length of the block, `user` acts (None: the service itself) through what is named."""
    token = _worker.set(_actor(user, through))
    try:
        yield
    finally:
        _worker.reset(token)


def who_acts() -> Actor:
    """Who acts now. Outside a request and a job: nobody, through nothing."""
    if (actor := _worker.get()) is not None:
        return actor
    request = _request.get()
    if request is None:
        return Actor()
    match = request.resolver_match
    return _actor(getattr(request, "user", None), str(match.view_name or match.route) if match else request.path)


def _actor(user: object, through: str) -> Actor:
    key = getattr(user, "pk", None)
    return Actor(None, "", through) if key is None else Actor(key, str(user), through)
