"""When Python does not look for objects that only each other keep: it takes time, and here there are few.

A command lives for seconds and leaves little garbage: to look for it takes a twentieth of them, most of it when all is
done. Reading makes a million objects that all live on: to look at them again and again takes a tenth of it.
"""

from __future__ import annotations

import atexit
import gc
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache

_OBJECTS_BETWEEN_COLLECTIONS = 1_000_000


@cache
def looked_for_seldom() -> None:
    """For the rest of this process."""
    gc.set_threshold(_OBJECTS_BETWEEN_COLLECTIONS)
    atexit.register(gc.freeze)


@contextmanager
def not_looked_for() -> Iterator[None]:
    """Meanwhile, unless it is not looked for anyway."""
    looks = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if looks:
            gc.enable()
