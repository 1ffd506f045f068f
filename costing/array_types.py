"""Arrays by what they hold, for signatures, and arrays that belong together; shapes stand in docstrings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Flags = NDArray[np.bool_]
Names = NDArray[np.object_]
Days = NDArray[np.datetime64]


def first_true(flags: Flags) -> int:
    """Position of the first that is true, of some that are."""
    return int(np.flatnonzero(flags)[0])


def check_quantities(quantity: Floats, what: str) -> None:
    """ValueError that names the first row whose quantity is missing, infinite or below 0."""
    wrong = ~(quantity >= 0) | np.isinf(quantity)
    if wrong.any():
        row = first_true(wrong)
        message = f"row {row}: the {what} is {quantity.flat[row]:g}; it must be a number of 0 or more"
        raise ValueError(message)


@dataclass(frozen=True, eq=False)
class ParallelArrays:
    """Arrays of one length along their last axis: what stands at one position in each of them belongs together. A field
    may be such arrays itself.
    """

    def take(self, which: Ints | Flags) -> Self:
        """Those at some positions."""
        values: list[Any] = [getattr(self, field.name) for field in fields(self)]
        place = np.flatnonzero(which) if which.dtype == bool else which  # several times as fast as flags for each array
        return type(self)(*(_taken(value, place) for value in values))

    @classmethod
    def joined(cls, parts: Sequence[Self]) -> Self:
        """All of them one after the other."""
        names = [field.name for field in fields(cls)]
        return cls(*(np.concatenate([getattr(part, name) for part in parts], axis=-1) for name in names))


def _taken(value: Any, place: Any) -> Any:
    return value.take(place) if isinstance(value, ParallelArrays) else value[..., place]
