"""Rounded lines add up to the rounded sum: the largest-remainder method, checked on seats of a parliament."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from costing.results.rounding import largest_remainder, rounded_rows

# Hamilton's method on the census of 1790, 105 seats. Populations, divisor 34,437.35 and the first seats as in
# R. N. Aufmann and others, Mathematical Excursions, 4th edition, section 4.1, exercise 2; all seats as in
# M. Balinski and H. P. Young, Fair Representation, the apportionment of 1791 (the latter from memory).
SEATS = {
    "Connecticut": (236_841, 7),
    "Delaware": (55_540, 2),
    "Georgia": (70_835, 2),
    "Kentucky": (68_705, 2),
    "Maryland": (278_514, 8),
    "Massachusetts": (475_327, 14),
    "New Hampshire": (141_822, 4),
    "New Jersey": (179_570, 5),
    "New York": (331_591, 10),
    "North Carolina": (353_523, 10),
    "Pennsylvania": (432_879, 13),
    "Rhode Island": (68_446, 2),
    "South Carolina": (206_236, 6),
    "Vermont": (85_533, 2),
    "Virginia": (630_560, 18),
}


def test_seats_of_1791() -> None:
    people = np.array([population for population, _ in SEATS.values()], dtype=float)
    assert people.sum() / 105 == pytest.approx(34_437.35, abs=0.01)
    assert largest_remainder(people / people.sum() * 105, 0).tolist() == [seats for _, seats in SEATS.values()]


amounts = st.lists(st.floats(-1e7, 1e7), min_size=1, max_size=40)


@given(amounts, st.integers(0, 4))
def test_lines_add_up_and_none_is_off_by_a_unit(values: list[float], decimals: int) -> None:
    exact = np.array(values)
    before = exact.copy()
    rounded = largest_remainder(exact, decimals)
    unit = 10.0**-decimals
    assert (exact == before).all()
    assert round(float(rounded.sum()) / unit) == round(float(np.round(exact.sum() / unit)))
    assert (np.abs(rounded - exact) < unit * (1 + 1e-6)).all()


@given(st.lists(st.integers(-(10**9), 10**9), min_size=1, max_size=30))
def test_what_is_round_already_stays(cents: list[int]) -> None:
    exact = np.array(cents) / 100
    assert largest_remainder(exact, 2).tolist() == np.round(exact, 2).tolist()


@given(st.lists(st.floats(-50, 50), min_size=2, max_size=8), st.floats(0, 100))
def test_lines_lead_from_one_rounded_figure_to_the_other(changes: list[float], start: float) -> None:
    moved = round(start + sum(changes), 2) - round(start, 2)
    rounded = largest_remainder(np.array(changes), 2, moved)
    assert round(float(rounded.sum()), 2) == round(moved, 2)
    assert (np.abs(rounded - np.array(changes)) < 0.01 + 1e-6).all()


def test_each_row_of_a_table_adds_up_to_its_own_total() -> None:
    lines, totals = rounded_rows(np.array([[1 / 3, 1 / 3, 1 / 3], [0.004, 0.004, 0.0], [-1.006, 2.0, 0.004]]), 2)
    assert totals.tolist() == [1.0, 0.01, 1.0]
    assert np.round(lines.sum(axis=1), 2).tolist() == [1.0, 0.01, 1.0]
    assert lines[1, 2] == 0.0  # an empty line gets no cent


def test_no_lines() -> None:
    assert largest_remainder(np.zeros(0), 2).tolist() == []
