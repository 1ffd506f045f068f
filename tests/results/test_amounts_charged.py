"""What became of every row's money, on the demo and on rows that nothing meets."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from costing import BOOK, read_estate
from costing.accounts.amounts_charged import charged
from costing.house import open_house
from costing.model import run
from costing.results.amounts_charged import FATES, amounts_charged, silent_rows
from tests.accounts.test_services import with_rates
from tests.money.test_entries import pressed


def test_every_rate_price_and_pool_of_the_demo_charges_something(demo_estate) -> None:
    results = run(demo_estate, BOOK)
    lines = amounts_charged(results)
    rates = lines[lines["table"] == "operation_rates"]
    assert len(rates) == len(demo_estate["operation_rates"])
    assert (rates["given"] > 0).all()
    assert silent_rows(results) == []


def test_rates_that_charge_nothing_are_one_caution_that_names_them(demo_estate) -> None:
    rates = demo_estate["operation_rates"]
    odd = rates.assign(format=rates["format"].where(rates["operation"] != "bottling", "jeroboam"))
    odd["format"] = pd.Categorical(odd["format"], rates["format"].cat.categories)
    none_bottled = replace(demo_estate, tables={**demo_estate.tables, "operation_rates": odd})
    found = silent_rows(run(none_bottled, BOOK))
    assert [(one.severity, one.place.split("!")[0]) for one in found] == [("caution", "Operation rates")]
    assert found[0].rule.startswith("charged nothing, as did Operation rates!F")


def test_the_printed_lines_add_up_to_the_cost_in_of_the_run(demo_runs) -> None:
    answer = charged(demo_runs)
    for results in (demo_runs.book, demo_runs.economic):
        name = results.basis.name
        cost_in = results.reconciliation().set_index("line")["amount"]["Cost in"]
        for table in answer.tables.values():
            parts = sum(table[f"{name}_{fate}"] for fate in FATES if f"{name}_{fate}" in table)
            assert parts.round(2).tolist() == table[f"{name}_given"].round(2).tolist()
            assert table[f"{name}_given"].sum() == pytest.approx(cost_in, abs=0.006)


def test_work_for_other_owners_on_the_valuation_day_itself_is_charged_to_services() -> None:
    """Their 2,000 kg are received on it, at 0.10."""
    tables = with_rates()
    tables["settings"] = tables["settings"].replace("2025-12-31", "2024-09-11")
    lines = amounts_charged(open_house(tables).runs.book)
    reception = lines[lines["sheet"] == "Operation rates"].iloc[0]
    assert reception[["services", "not_yet_due"]].tolist() == pytest.approx([200.0, 0.0])


@pytest.mark.parametrize(("since", "is_said"), [("2025-12-31", True), ("2026-01-01", False)])
def test_a_rate_that_begins_on_the_valuation_day_and_charged_nothing_is_said(since: str, is_said: bool) -> None:
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]})
    rate = {"From": [since], "Operation": ["bottling"], "Driver": ["litre"], "Element": ["labour"], "Amount": [0.5]}
    results = run(read_estate({**pressed(), "settings": settings, "operation_rates": pd.DataFrame(rate)}), BOOK)
    assert len(silent_rows(results)) == is_said


def test_a_price_of_a_year_that_ended_on_the_first_day_of_the_records_is_not_missed() -> None:
    """Opening stock of 31 December holds what was picked that year; a price of the next year met no delivery."""
    opening = {"Date": ["2024-12-31"], "Lot": ["A"], "Kind": ["wine"], "Quantity": [1_000], "Unit": ["L"]}
    said = {}
    for year in (2024, 2025):
        tables = {
            "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]}),
            "opening_stock": pd.DataFrame(opening),
            "grape_prices": pd.DataFrame({"Vintage": [year], "Price per kg": [6.0]}),
        }
        said[year] = len(silent_rows(run(read_estate(tables), BOOK)))
    assert said == {2024: 0, 2025: 1}
