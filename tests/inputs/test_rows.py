"""Rows taken together by what stands in them, beside what pandas makes of the same columns."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing.inputs.estate import Estate, Settings
from costing.inputs.rows import Rows
from tests.inputs.planted import only

KEYS = (["load"], ["load", "weight_kg"], ["on_date", "load", "weight_kg"], [])


def drawn(seed: int, size: int) -> Rows:
    """Press loads with names, kilograms and days that come again, blanks among them."""
    of = np.random.default_rng(seed)
    names = np.array([*"ABCD", None], dtype=object)[of.integers(0, 5, size)]
    days = pd.to_datetime("2025-09-01") + pd.to_timedelta(of.integers(0, 3, size), "D")
    table = pd.DataFrame(
        {
            "load": pd.Categorical(names, categories=list("ABCD")),
            "weight_kg": np.array([4000.0, 2000.0, np.nan])[of.integers(0, 3, size)],
            "on_date": pd.Series(days).mask(of.random(size) < 0.2),
        }
    )
    return Rows(Estate(Settings(), {"pressings": table}, {}), "pressings")


@pytest.mark.parametrize("keys", KEYS, ids=" ".join)
@pytest.mark.parametrize("size", [0, 1, 40])
def test_rows_alike_have_one_number_in_order_of_appearance(keys: list[str], size: int) -> None:
    rows = drawn(3, size)
    kinds = rows.kinds(keys)
    expected = rows.frame.groupby(keys, dropna=False, sort=False, observed=True).ngroup() if keys else np.zeros(size)
    assert kinds.tolist() == list(expected)
    again, first = rows.repeated(keys)
    assert again.tolist() == np.flatnonzero(pd.Series(kinds).duplicated()).tolist()
    assert [kinds.tolist().index(kinds[row]) for row in again] == first.tolist()


@pytest.mark.parametrize("size", [0, 1, 40])
def test_what_rows_of_a_name_make_together_stands_at_each(size: int) -> None:
    rows = drawn(5, size)
    named, by_load = rows.given("load"), rows.frame.groupby("load", observed=True)
    weight = np.nan_to_num(rows["weight_kg"].to_numpy())
    total = rows.together("load", weight, np.add)
    assert total[named].tolist() == by_load["weight_kg"].transform("sum")[named].tolist()
    day = rows.together("load", rows["on_date"].to_numpy(), np.fmin)
    assert pd.Series(day)[named].equals(by_load["on_date"].transform("min")[named].astype(day.dtype))
    heavy = rows.together("load", weight > 3000.0, np.logical_or)
    assert heavy[named].tolist() == (by_load["weight_kg"].transform("max") > 3000.0)[named].tolist()


def test_a_cell_is_shown_in_the_unit_in_which_it_was_typed() -> None:
    """A finding that quoted another number than the cell holds would send its reader elsewhere."""
    said = only({"Movements!J1": "Of which added (hl)", "Movements!J3": "40"})
    assert (said.place, said.value) == ("Movements!J3", "40")
