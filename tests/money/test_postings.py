"""A posting knows its cell and how much of its driver it was charged by: amount = money of the cell × quantity."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, read_estate, run
from costing.decisions.changes.gradients import Reached, linear_gradients
from costing.money.charges import CommonMoney
from costing.money.deliveries import counted_from
from costing.money.postings import FLOW_DRIVERS, MONEY_COLUMNS
from costing.results.amounts_charged import amounts_charged
from costing.results.origins import origins
from tests.money.test_entries import pressed


@pytest.mark.parametrize(
    ("table", "column"), [("operation_rates", "amount"), ("dry_goods", "unit_price"), ("pools", "amount")]
)
def test_what_is_charged_by_driver_is_its_cell_times_the_quantity(demo_runs, table: str, column: str) -> None:
    estate, chain = demo_runs.estate, demo_runs.chain
    spent = CommonMoney(estate, chain).spent(None)
    charged = spent.take(spent.of(table, column) & (spent.incurred <= chain.valuation_day) & (spent.driver >= 0))
    assert len(charged) > 20
    frame = estate[table]
    if table == "pools":  # every use of one pool at one rate, its driver that of the row that shares it out
        by_use = pd.Series(charged.amount / charged.quantity).groupby([charged.row, charged.shared_by])
        assert (by_use.max() - by_use.min()).to_numpy() == pytest.approx(0.0, abs=1e-9)
        named = frame["driver"].iloc[charged.shared_by]
    else:
        per_unit = frame[column] * (frame["quantity_per_bottle"].fillna(1.0) if table == "dry_goods" else 1.0)
        assert charged.amount == pytest.approx(per_unit.to_numpy()[charged.row] * charged.quantity)
        named = frame["driver"].iloc[charged.row] if table == "operation_rates" else None
    if named is not None:
        assert named.tolist() == [FLOW_DRIVERS[driver] for driver in charged.driver]


@pytest.mark.parametrize("own_grapes", ["growing cost", "transfer price"])
def test_what_a_delivery_cost_stands_in_the_cells_that_say_so(own_grapes: str) -> None:
    """8,000 kg at 6.00 bought, with 0.10 of premium expected and 0.15 in the end; 8,000 kg grown at 4.00, 5.00 to
    transfer; 8,000 kg of the list at 7.00 and 0.50.
    """
    bought = pressed()["deliveries"].assign(
        **{"Expected premium per unit": 0.10, "Final premium per unit": 0.15, "Premium date": "2026-03-20"}
    )
    grown = pressed()["deliveries"].assign(**{"Lot": "H", "Price per unit": 5.0, "Growing cost per unit": 4.0})
    listed = pressed()["deliveries"].assign(**{"Lot": "I", "Price per unit": np.nan})
    prices = pd.DataFrame({"Year": [2025], "Price per kg": [7.0], "Premium per kg": [0.5]})
    tables = {"deliveries": pd.concat([bought, grown, listed], ignore_index=True), "grape_prices": prices}
    postings = run(read_estate(tables), BOOK.replace(own_grapes=own_grapes)).charges.postings
    cells = {
        (*MONEY_COLUMNS[column], int(row)): (float(amount), float(quantity))
        for column, row, amount, quantity in zip(
            postings.column, postings.row, postings.amount, postings.quantity, strict=True
        )
    }
    own = ("growing_cost_per_unit", 32_000.0) if own_grapes == "growing cost" else ("price_per_unit", 40_000.0)
    assert cells == {
        ("deliveries", "price_per_unit", 0): (48_000.0, 8_000.0),
        ("deliveries", "expected_premium_per_unit", 0): (pytest.approx(800.0), 8_000.0),
        ("deliveries", "premium_per_unit", 0): (pytest.approx(400.0), 8_000.0),
        ("deliveries", own[0], 1): (own[1], 8_000.0),
        ("grape_prices", "price_per_kg", 0): (60_000.0, 8_000.0),
    }


def expected_alone() -> dict[str, pd.DataFrame]:
    """Grapes at the price of the list, 7.00, whose premium of 0.10 is only expected."""
    deliveries = pressed()["deliveries"].assign(**{"Price per unit": np.nan, "Expected premium per unit": 0.10})
    return {
        **pressed(),
        "deliveries": deliveries,
        "grape_prices": pd.DataFrame({"Year": [2025], "Price per kg": [7.0]}),
    }


def test_a_premium_expected_on_a_listed_price_is_among_the_amounts_charged() -> None:
    results = run(read_estate(expected_alone()), BOOK)
    lines = amounts_charged(results).set_index("table")
    assert lines["given"].to_dict() == pytest.approx({"deliveries": 800.0, "grape_prices": 56_000.0})
    assert lines["given"].sum() == pytest.approx(results.reconciliation().set_index("line")["amount"]["Cost in"])
    assert {place.split("!")[0] for place in origins(results, "M1")["place"]} == {"Deliveries", "Grape prices"}


@pytest.mark.parametrize("final", [None, 0.15])
def test_the_cost_answers_to_a_premium_expected(final: float | None) -> None:
    """At 8 % a year: with no final premium all of it counts, with one nothing: that takes it back on its day."""
    tables = expected_alone()
    tables["settings"] = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2026-09-10"]})
    tables["interest_rates"] = pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [8.0]})
    if final:
        tables["deliveries"] = tables["deliveries"].assign(
            **{"Final premium per unit": final, "Premium date": pd.Timestamp("2026-03-20")}
        )

    def worth(expected: float) -> float:
        moved = tables["deliveries"].assign(**{"Expected premium per unit": expected})
        results = run(read_estate({**tables, "deliveries": moved}), ECONOMIC)
        return float(results.solution.worth[results.final].sum())

    results = run(read_estate(tables), ECONOMIC)
    slope = linear_gradients(Reached.by(results, [results.final]))["deliveries", "expected_premium_per_unit"][0, 0]
    assert slope == pytest.approx((worth(0.11) - worth(0.09)) / 0.02, rel=1e-9, abs=1e-6)
    assert (slope == 0.0) if final else (slope > 8_000.0)


def test_what_was_fixed_between_closing_and_approval_counts_at_the_closing() -> None:
    """Both days included; what belongs to the new year, or is fixed after the approval, counts when it is fixed."""
    chosen = {"Setting": ["Valuation date", "Accounts approved on"], "Value": ["2025-12-31", "2026-04-30"]}
    estate = read_estate({**pressed(), "settings": pd.DataFrame(chosen)})
    days = [
        ("2025-12-31", "2026-04-30", "2025-12-31"),
        ("2026-01-01", "2026-04-30", "2026-04-30"),
        ("2025-12-31", "2026-05-01", "2026-05-01"),
        ("2025-09-01", "2025-12-30", "2025-12-30"),
    ]
    belongs, fixed, expected = np.array(days, dtype="datetime64[D]").astype(np.int64).T
    assert counted_from(estate, belongs, fixed).tolist() == expected.tolist()
