"""Secrets of links and tokens: shown once, kept only as a hash."""

from __future__ import annotations

import hashlib
import secrets
from typing import Final

SECRET_BYTES: Final = 32


def new_secret() -> str:
    """A secret of 32 random bytes, fit for an address."""
    return secrets.token_urlsafe(SECRET_BYTES)


def hash_secret(secret: str) -> str:
    """SHA-256 of a secret with enough entropy of its own (32 random bytes): no salt needed."""
    return hashlib.sha256(secret.encode()).hexdigest()
