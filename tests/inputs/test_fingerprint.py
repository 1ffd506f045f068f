"""The fingerprint of inputs: another for whatever is read otherwise, the same for whatever is not read."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd
import pytest

from costing.inputs.fingerprint import fingerprint
from costing.inputs.load import read_frames
from tests.inputs.planted import frames, planted

Tables = dict[str, pd.DataFrame]
FEW = ("Settings", "Movements", "Stocktakes", "Channels", "Dry goods")


def few(cells: dict[str, object] | None = None) -> Tables:
    return {title: frame for title, frame in planted(cells or {}).items() if title in FEW}


BASE = fingerprint(read_frames(few()))


@pytest.mark.parametrize("title", FEW)
def test_every_column_that_is_read_counts(title: str) -> None:
    headers = list(frames()[title].columns)
    for position in range(len(headers)):
        for value in ("another", 12.5):
            if str(frames()[title].iloc[0, position]) != str(value):
                tables = few({f"{title}!{chr(ord('A') + position)}2": value})
                assert fingerprint(read_frames(tables)) != BASE, (headers[position], value)


def _moved(title: str) -> Tables:
    tables = few()
    blank = pd.DataFrame([[""] * tables[title].shape[1]], columns=tables[title].columns)
    return {**tables, title: pd.concat([blank, tables[title]], ignore_index=True)}


@pytest.mark.parametrize(
    ("change", "is_same"),
    [
        (lambda tables: tables, True),
        (lambda tables: dict(reversed(tables.items())), True),
        (lambda tables: {**tables, "Dry goods": tables["Dry goods"].assign(**{"My column": "x"})}, True),
        (lambda tables: {**tables, "Stocktakes": tables["Stocktakes"].iloc[:-1]}, False),
        (lambda tables: {**tables, "Stocktakes 2031": tables["Stocktakes"].iloc[:0]}, False),
        (lambda tables: {**tables, "Channels": tables["Channels"].iloc[:, ::-1]}, False),
        (lambda _: _moved("Movements"), False),
    ],
)
def test_what_is_read_and_where_counts_and_nothing_else(change: Callable[[Tables], Tables], is_same: bool) -> None:
    assert (fingerprint(read_frames(change(few()))) == BASE) == is_same


def test_numbers_and_texts_that_look_alike_are_told_apart() -> None:
    one, other, blank = (
        fingerprint(read_frames({"Stocktakes": pd.DataFrame({"Lot": [lot], "Measured": [amount]})}))
        for lot, amount in (("2024", 5.0), (2024.0, 5.0), (None, 5.0))
    )
    assert len({one, other, blank}) == 3
    assert len(one) == 10


def test_nothing_and_minus_nothing_are_one_amount() -> None:
    """A formula may give either, and both are read as 0."""
    one, other = (
        fingerprint(read_frames({"Stocktakes": pd.DataFrame({"Lot": ["A"], "Measured": [amount]})}))
        for amount in (0.0, -0.0)
    )
    assert one == other
