"""Memory that is not needed for the moment goes back to the system."""

from __future__ import annotations

import ctypes
import functools
from collections.abc import Callable

from spinlag.paged import let_go_of_pages


def release_freed_memory() -> None:
    """Hand back what was freed, and the pages of long columns, as between the stages of the analysis, each with needs
    of its own.

    glibc keeps what was freed for the next time, up to tens of megabytes, which is right within a stage; other C
    libraries are not affected.
    """
    let_go_of_pages()
    trim = _trim()
    if trim is not None:
        trim(0)


@functools.cache
def _trim() -> Callable[[int], int] | None:
    try:
        return ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError, TypeError):
        return None
