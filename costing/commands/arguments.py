"""What a person types behind a command: days, names, whole numbers."""

from __future__ import annotations

import argparse
from collections.abc import Callable


def name(text: str) -> str:
    """A name as it is read on a sheet: accents composed, no invisible marks."""
    from costing.inputs.cells import tidy

    return tidy(text)


def whole_number(least: int) -> Callable[[str], int]:
    """A whole number of at least so much."""

    def read(text: str) -> int:
        if not text.isdecimal() or int(text) < least:
            msg = f"'{text}' is no whole number of {least} or more"
            raise argparse.ArgumentTypeError(msg)
        return int(text)

    return read
