"""How often something was tried from one address: a brake on guessing."""

from __future__ import annotations

import datetime as dt
from typing import Final

from allauth.account.adapter import get_adapter
from django.core.cache import cache
from django.http import HttpRequest

TRIES_A_MINUTE: Final = 30


def too_many_tries(request: HttpRequest, what: str, *, now: dt.datetime) -> bool:
    """Whether this address tried `what` more than 30 times in the minute that runs, this time included."""
    key = f"{what}:{get_adapter(request).get_client_ip(request)}:{now:%Y%m%d%H%M}"
    count = 1 if cache.add(key, 1, timeout=120) else cache.incr(key)
    return bool(count > TRIES_A_MINUTE)
