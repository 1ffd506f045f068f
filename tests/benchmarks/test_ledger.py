"""The generated ledger has the shape of a real house (common practice, no source)."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pandas as pd
import pytest

from costing.inputs.basis import BOOK
from costing.inputs.load import read_inputs
from costing.model import run
from tests.benchmarks.ledger import count_movements, ledger
from tests.form import every

Tables = dict[str, pd.DataFrame]


@pytest.fixture(scope="module")
def tables() -> Tables:
    return ledger(2_000, seed=3)


def _events(tables: Tables) -> list[tuple[pd.Timestamp, int, str, str, float]]:
    """(date, rank in the day, sign, lot, quantity): in, out, measured."""
    found = []

    def add(sheet: str, rank: int, sign: str, lot: str, quantity: str, date: str = "Date") -> None:
        rows = tables[sheet].dropna(subset=[lot, quantity])
        found.extend(
            (day, rank, sign, name, float(amount))
            for day, name, amount in zip(rows[date], rows[lot], rows[quantity], strict=True)
        )

    add("opening_stock", 0, "in", "Lot", "Quantity")
    add("deliveries", 1, "in", "Lot", "Quantity")
    add("pressings", 1, "in", "To lot", "Must (L)")
    add("pressings", 2, "out", "From lot", "Grapes (kg)")
    add("movements", 1, "in", "To lot", "In (L)")
    add("movements", 2, "out", "From lot", "Out (L)")
    add("tirage", 1, "in", "Bottle lot", "Bottles")
    add("tirage", 2, "out", "Wine lot", "Wine (L)")
    add("disgorgements", 1, "in", "Release lot", "Bottles out")
    add("disgorgements", 2, "out", "From lot", "Bottles in")
    add("disgorgements", 2, "out", "Liqueur lot", "Liqueur (L)")
    add("dispatches", 2, "out", "Release lot", "Bottles")
    add("stocktakes", 3, "measured", "Lot", "Measured")
    return sorted(found, key=lambda event: event[:2])


def _replay(tables: Tables) -> tuple[dict[str, float], list[float], float]:
    """Balances at the end, losses of the stocktakes, and the lowest balance met."""
    held: dict[str, float] = defaultdict(float)
    losses, lowest = [], 0.0
    for _, _, sign, lot, quantity in _events(tables):
        if sign == "measured":
            losses.append(held[lot] - quantity)
            held[lot] = quantity
        else:
            held[lot] += quantity if sign == "in" else -quantity
        lowest = min(lowest, held[lot])
    return held, losses, lowest


@pytest.mark.parametrize("size", every(2, [200, 5_000, 1_000]))
def test_ledger_has_exactly_the_movements_asked_for(size: int) -> None:
    assert count_movements(ledger(size)) == size


def test_ledger_is_the_same_for_the_same_seed_and_another_for_another() -> None:
    first, again, other = ledger(300, 1), ledger(300, 1), ledger(300, 2)
    for sheet, table in first.items():
        pd.testing.assert_frame_equal(table, again[sheet])
    assert not first["movements"].equals(other["movements"])


def test_no_lot_is_ever_overdrawn(tables: Tables) -> None:
    held, _, lowest = _replay(tables)
    assert lowest > -0.1
    assert sum(quantity > 1 for quantity in held.values()) > 20  # much is still in stock at the end


def test_stocktakes_find_losses_and_a_few_gains(tables: Tables) -> None:
    _, losses, _ = _replay(tables)
    assert sum(loss > 0 for loss in losses) > 10 * sum(loss < 0 for loss in losses) > 0


def test_wine_goes_back_and_forth_between_lots(tables: Tables) -> None:
    moves = tables["movements"].dropna(subset=["From lot", "To lot"])
    pairs = set(zip(moves["From lot"], moves["To lot"], strict=True))
    assert sum((to, source) in pairs for source, to in pairs) > 50


def test_blends_have_many_sources_and_a_shared_reserve(tables: Tables) -> None:
    moves = tables["movements"]
    sources = moves[moves["Operation"] == "blending"].groupby("To lot")["From lot"].nunique()
    assert sources.max() >= 6
    drawn = moves[moves["From lot"].astype(str).str.startswith("RES")]
    assert drawn["To lot"].nunique() > 10


def test_formats_instalments_splits_and_exits_are_mixed(tables: Tables) -> None:
    assert set(tables["tirage"]["Format"]) == {"bottle", "magnum"}
    assert tables["deliveries"]["Terms"].value_counts()["quarterly"] > 20
    assert tables["deliveries"]["Growing cost per unit"].notna().sum() > 5
    assert tables["pressings"]["Split method"].nunique() >= 4
    assert tables["dispatches"]["Channel"].nunique() == 5
    releases = tables["disgorgements"].groupby("From lot")["Release lot"].nunique()
    assert releases.max() >= 2


def test_a_dozen_stages_and_elements_are_in_use(tables: Tables) -> None:
    results = run(read_inputs(tables), BOOK)
    assert len(results.columns) == 12
    assert (np.abs(results.cost[np.arange(len(results.total))]).sum(axis=0) > 0).all()
