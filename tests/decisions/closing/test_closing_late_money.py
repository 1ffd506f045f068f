"""Invoices that came after a closing for wine that left its lot on both sides of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, read_estate, run
from costing.decisions.closing.next_year import left_out, open_year
from costing.results.stock import stock_values
from tests.decisions.closing.test_closing import CLOSED, closed_on, same_after


def _bottled_on_both_sides() -> dict[str, pd.DataFrame]:
    """A vat of 1,000 L, bottled before and after the closing, topped up with 295 L after it; 20 L were lost."""
    wine = {"Lot": "B", "What": "wine", "Unit": "L", "Price per unit": 4.0}
    stack = {"Cuvée": "Brut", "Wine lot": "B", "Format": "bottle"}
    return {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]}),
        "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
        "loss_norms": pd.DataFrame([{"Operation or stage": "vinification", "Time base": "per year", "Norm (%)": 10}]),
        "deliveries": pd.DataFrame(
            [
                {**wine, "Date": "2024-01-01", "Quantity": 1000},
                {**wine, "Date": "2025-02-01", "Quantity": 295},
            ]
        ),
        "stocktakes": pd.DataFrame([{"Date": "2024-07-01", "Lot": "B", "Measured": 980}]),
        "tirage": pd.DataFrame(
            [
                {**stack, "Date": "2024-09-01", "Bottle lot": "T1", "Wine (L)": 300, "Bottles (bottles)": 400},
                {**stack, "Date": "2025-03-01", "Bottle lot": "T2", "Wine (L)": 975, "Bottles (bottles)": 1300},
            ]
        ),
        "costs": pd.DataFrame([{"Date incurred": "2025-05-01", "Lot": "B", "Element": "labour", "Amount": 1295.0}]),
    }


def test_an_invoice_that_bottlings_on_both_sides_of_a_closing_share_is_carried_in_its_parts() -> None:
    """What was bottled by then is frozen, and the row goes on with the rest: both workbooks give the same."""
    old = closed_on(read_estate(_bottled_on_both_sides()), CLOSED)
    new = open_year(old, CLOSED)
    shared = 1_000.0 * 300 / 980
    assert new["costs"]["amount"].tolist() == pytest.approx([680 + 295])
    carried = new["opening_costs"].loc[
        new["opening_costs"]["incurred_date"].notna() & (new["opening_costs"]["basis"] == "book")
    ]
    assert carried.set_index("lot")["amount"].to_dict() == pytest.approx({"T1": shared, "B": 1_000 - shared - 680})
    for estate in (old, new):
        value = stock_values(run(estate, BOOK), "2025-12-31").set_index("lot")["value"]
        assert value.to_dict() == pytest.approx(
            {"T1": 4_000 * 300 / 980 + shared, "T2": 5_180 + 1_295 - 4_000 * 300 / 980 - shared}
        )
    both = [stock_values(run(one, ECONOMIC), "2025-12-31").set_index("lot")["value"].sort_index() for one in (old, new)]
    assert np.allclose(both[0], both[1], rtol=1e-9)
    same_after(run(old, BOOK), run(new, BOOK), np.datetime64(CLOSED), np.datetime64("2025-12-31"))


def test_an_invoice_entered_after_the_closing_goes_on_whole() -> None:
    """The closing could not freeze a part of it: without this, 320 of 1,295 would be in neither workbook."""
    tables = _bottled_on_both_sides()
    late = read_estate(tables)
    known = closed_on(read_estate({name: table for name, table in tables.items() if name != "costs"}), CLOSED)
    entered = replace(known, tables={**known.tables, "costs": late["costs"]}, sources=late.sources)
    assert open_year(entered, CLOSED)["costs"]["amount"].tolist() == [1_295.0]


def test_an_invoice_entered_after_the_closing_on_a_lot_emptied_before_it_is_named() -> None:
    """Vat B is empty after the second bottling: neither the closing nor the next workbook would hold the invoice."""
    frames = _bottled_on_both_sides()
    late = frames.pop("costs")
    emptied = pd.Timestamp("2025-04-01").date()
    closed = closed_on(read_estate(frames), emptied)
    assert left_out(closed, emptied) == []
    whole = read_estate({**frames, "costs": late})
    tables, sources = {**closed.tables, "costs": whole["costs"]}, {**closed.sources, "costs": whole.sources["costs"]}
    entered = replace(closed, tables=tables, sources=sources)
    (found,) = left_out(entered, emptied)
    assert (found.place, found.severity) == ("Costs!B2", "caution")
    assert "which did not know of it: it is not carried on" in found.rule
    assert not len(open_year(entered, emptied)["costs"])
