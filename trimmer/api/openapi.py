"""The OpenAPI schema: where it is read and how it describes signing in; and what an unknown address answers."""

from typing import Any

from django.http import Http404
from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.views import SpectacularAPIView, SpectacularSwaggerSplitView
from rest_framework.request import Request
from rest_framework.views import APIView

from trimmer.access import ANYONE, SIGNED_IN


class SchemaView(SpectacularAPIView):
    """The schema itself, for any signed-in person or program."""

    who = frozenset({SIGNED_IN})


class ReaderView(SpectacularSwaggerSplitView):
    """The schema as a page to read and try, from files of our own server."""

    who = frozenset({SIGNED_IN})
    url_name = "api-schema"
    template_name = "trimmer/api_reader.html"


class UnknownView(APIView):
    """An address of the API that is none: refused like everything else, as code and message."""

    who = frozenset({ANYONE})

    schema = None

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        raise Http404


class TokenScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "trimmer.api.signin.TokenSignIn"
    name = "token"

    def get_security_definition(self, auto_schema: object) -> dict[str, str]:
        return {"type": "http", "scheme": "bearer"}


class SessionScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "trimmer.api.signin.SessionSignIn"
    name = "session"

    def get_security_definition(self, auto_schema: object) -> dict[str, str]:
        return {"type": "apiKey", "in": "cookie", "name": "sessionid"}
