"""What became of every row's money, on the demo and on rows that nothing meets."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from costing import BOOK
from costing.accounts.amounts_charged import charged
from costing.model import run
from costing.results.amounts_charged import FATES, amounts_charged, silent_rows


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
