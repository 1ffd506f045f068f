"""Smallest estates of faults that the random ones found; each test is named for its fault."""

from __future__ import annotations

import pandas as pd
import pytest

from tests.properties.estates import Tables
from tests.properties.reading import run_one


def _table(headers: str, *rows: tuple[object, ...]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=headers.split("|"))
    dated = {header: "datetime64[s]" for header in table if header in ("Date", "From", "To")}
    return table.astype(dated)


def _reserve(*sheets: tuple[str, pd.DataFrame]) -> Tables:
    """A thousand litres of reserve that had cost 1,000."""
    return {
        "opening_stock": _table("Date|Lot|Kind|Quantity|Unit", ("2020-01-01", "R", "reserve", 1_000.0, "L")),
        "opening_costs": _table("Lot|Amount", ("R", 1_000.0)),
        **dict(sheets),
    }


def test_an_estate_of_opening_stock_alone_runs() -> None:
    results = run_one(_reserve())
    assert results.total[results.final].sum() == pytest.approx(1_000)


def test_a_time_pool_is_charged_in_each_of_its_periods() -> None:
    pools = _table(
        "From|To|Pool|Amount|Driver|Stage|Element",
        ("2020-01-01", "2020-12-31", "vat hall", 100.0, "litre-year", "reserve", "overhead"),
        ("2021-01-01", "2021-12-31", "vat hall", 200.0, "litre-year", "reserve", "overhead"),
    )
    settings = _table("Setting|Value", ("Valuation date", "2022-01-01"))
    results = run_one(_reserve(("pools", pools), ("settings", settings)))
    lines = results.reconciliation().set_index("line")["amount"]
    assert lines["Cost in"] == pytest.approx(1_300)
    assert results.total[results.final].sum() == pytest.approx(1_300)


def test_a_disgorgement_without_a_good_bottle_is_expensed() -> None:
    estate = {
        "opening_stock": _table(
            "Date|Lot|Kind|Quantity|Unit|Format", ("2020-01-01", "T", "on lees", 10.0, "bottles", "bottle")
        ),
        "opening_costs": _table("Lot|Amount", ("T", 100.0)),
        "disgorgements": _table(
            "Date|Release lot|From lot|Bottles in (bottles)|Bottles out (bottles)",
            ("2021-01-01", "D", "T", 2.0, 0.0),
        ),
        "operation_rates": _table(
            "From|Stage|Operation|Driver|Amount|Element",
            ("2019-01-01", "finishing", "disgorgement", "bottle in", 3.0, "labour"),
        ),
    }
    lines = run_one(estate).reconciliation().set_index("line")["amount"]
    assert lines["Cost in"] == pytest.approx(106)
    assert lines["Stock at the end of the records"] == pytest.approx(80)
    assert lines["Difference"] == pytest.approx(0)
