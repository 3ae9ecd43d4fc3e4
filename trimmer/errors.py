"""What the service says when it will not do a thing."""

from collections.abc import Mapping
from http import HTTPStatus
from typing import Any, ClassVar, Self

from django.utils.functional import Promise


class Refusal(Exception):
    """A rule says no. Subclasses stand beside the function that raises them.

    ``code`` is stable and machine-readable; ``message`` is a sentence fit for the user that says what to do, with
    ``%(name)s`` places filled from the keyword arguments. ``status`` is the HTTP answer of pages and API.
    ``fields`` (optional) maps a form or API field to its own sentence.
    """

    code: ClassVar[str] = "refused"
    message: ClassVar[str | Promise] = "This cannot be done."
    status: ClassVar[HTTPStatus] = HTTPStatus.CONFLICT

    def __init__(self, *, fields: Mapping[str, str] | None = None, **params: Any) -> None:
        self.params = params
        self.fields = dict(fields or {})
        super().__init__(self.code)

    @classmethod
    def at(cls, field: str, **params: Any) -> Self:
        """This refusal, said of the value in one form or API field."""
        return cls(fields={field: str(cls(**params))}, **params)

    def __str__(self) -> str:
        return str(self.message) % self.params if self.params else str(self.message)
