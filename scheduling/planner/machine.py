"""Inner loops as machine code: a function is compiled once for each machine and kept in numba's cache.

Where no cache can be written (a read-only package and no NUMBA_CACHE_DIR), it is compiled anew in each process: slower
to start, the same in its answers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import cast

from numba import njit


def compiled[F: Callable[..., object]](function: F) -> F:
    """The function as machine code; other threads may run while it does."""
    try:
        return cast("F", njit(cache=True, nogil=True)(function))
    except RuntimeError:  # no place for a cache
        return cast("F", njit(nogil=True)(function))
