"""Keeping what was asked once.

Estates, chains, results and runs never change after they are made, so what a function finds out about one of them
stays true for as long as it lives: `chain.once(asked, estate)` gives `asked(chain, estate)`, computed when first
asked for.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Self, TypeVar, TypeVarTuple

T = TypeVar("T")
Others = TypeVarTuple("Others")


class Once:
    """Something that never changes, and keeps what was asked of it."""

    def once(self, asked: Callable[[Self, *Others], T], *others: *Others) -> T:
        """Return `asked(self, *others)`, computed when first asked for. others: told apart by identity, and kept."""
        kept: dict[tuple[object, ...], tuple[tuple[object, ...], T]] = self.__dict__.setdefault("_kept", {})
        key = (asked, *map(id, others))
        if key not in kept:
            kept[key] = others, asked(self, *others)
        return kept[key][1]
