"""The OpenAPI schema: where it is read, and how it describes the ways to sign in."""

from drf_spectacular.extensions import OpenApiAuthenticationExtension
from drf_spectacular.views import SpectacularAPIView

from trimmer.access import SIGNED_IN


class SchemaView(SpectacularAPIView):
    """The schema itself, for any signed-in person or program."""

    who = frozenset({SIGNED_IN})


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
