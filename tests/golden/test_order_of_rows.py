"""The order in which rows stand changes no figure: sheet by sheet they are turned round, so that another lot, load or
place is the first, where a slip in numbering would leave it out.
"""

from __future__ import annotations

import re
from functools import cache

import pandas as pd
import pytest

from costing import read_estate
from costing.accounts.amounts_charged import charged
from costing.accounts.check import out_by, run_check
from costing.accounts.costs import costs
from costing.accounts.origins import made_of_latest, origins_of
from costing.accounts.over_time import over_time
from costing.accounts.services import services
from costing.accounts.stock import stock
from costing.model import Runs
from tests.form import every
from tests.golden.figures import Tables
from tests.money.test_drivers import everything_once


def estate_tables() -> Tables:
    """Each kind of work once, with reserve wine in hand, direct costs, rates, pools and counts."""
    tables = everything_once()
    tables["settings"] = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]})
    opening = {"Date": ["2023-08-31"], "Lot": ["R"], "Kind": ["reserve"], "Quantity": [500.0], "Unit": ["L"]}
    tables["opening_stock"] = pd.DataFrame({**opening, "Location": ["Hall"], "Year": [2021]})
    tables["opening_costs"] = pd.DataFrame({"Lot": ["R"], "Element": ["must and wine"], "Amount": [1_500.0]})
    blended = {
        "Date": "2023-11-10",
        "Operation": "blending",
        "From lot": "R",
        "Out (L)": 200,
        "To lot": "V",
        "In (L)": 199,
    }
    racked = {
        "Date": "2023-10-10",
        "Operation": "racking",
        "From lot": "W",
        "Out (L)": 400,
        "To lot": "W",
        "In (L)": 380,
    }
    tables["movements"] = pd.concat([tables["movements"], pd.DataFrame([blended, racked])], ignore_index=True)
    tables["deliveries"] = tables["deliveries"].assign(Location=["Hall", "Hall", "Deep"], Supplier=["A", "B", "C"])
    tables["tirage"] = tables["tirage"].assign(Location="Deep")
    days, lots = ["2023-09-10", "2024-06-01", "2025-03-01"], ["G", "V", "D"]
    tables["costs"] = pd.DataFrame(
        {"Date incurred": days, "Lot": lots, "Element": ["picking", "labour", "labour"], "Amount": [800.0, 90.0, 70.0]}
    )
    rates = [("racking", "litre", 0.05), ("machine riddling", "bottle in", 0.3), ("dispatch", "bottle out", 0.2)]
    tables["operation_rates"] = pd.DataFrame(rates, columns=["Operation", "Driver", "Amount"]).assign(
        From="2020-01-01", Element="labour"
    )
    pools = [("Line", "bottle out", "tirage", None, 600.0), ("Cellar", "bottle-year", None, "Deep", 200.0)]
    pools += [("Vats", "litre-year", None, "Hall", 300.0)]
    tables["pools"] = pd.DataFrame(pools, columns=["Pool", "Driver", "Stage", "Location", "Amount"]).assign(
        From="2024-01-01", To="2025-12-31", Element="overhead", **{"Normal capacity": 2_000.0}
    )
    counts = {"Date": ["2024-12-31", "2025-12-01"], "Lot": ["T", "W"], "Measured": [995.0, 930.0]}
    tables["stocktakes"] = pd.DataFrame(counts)
    tables["loss_norms"] = pd.DataFrame(
        {
            "Operation or stage": ["racking", "on lees"],
            "Norm (%)": [1.0, 0.2],
            "Time base": ["per movement", "per year"],
        }
    )
    tables["interest_rates"] = pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [8.0]})
    return tables


def answers(tables: Tables) -> dict[str, list[list[object]]]:
    """Every table of the accounts as sorted lines, figures rounded, cells without their rows."""
    runs = Runs(read_estate(tables))
    assert out_by(runs) == pytest.approx(0.0, abs=1e-6)
    given = [costs(runs), stock(runs), charged(runs), over_time(runs), services(runs), made_of_latest(runs)]
    given += [run_check(runs, ()), origins_of(runs, "D"), origins_of(runs, "E")]
    return {
        f"{number} {name}": sorted(
            ([_plain(value) for value in line] for line in table.itertuples(index=False)), key=repr
        )
        for number, answer in enumerate(given)
        for name, table in answer.tables.items()
    }


def _plain(value: object) -> object:
    if isinstance(value, float):
        return "" if pd.isna(value) else round(value, 6) + 0.0
    return re.sub(r"(?<=!)[A-Z]*\d+", "", str(value))


@cache
def as_entered() -> dict[str, list[list[object]]]:
    """The answers with the rows as they stand."""
    return answers(estate_tables())


SEVERAL = [sheet for sheet, frame in estate_tables().items() if len(frame) > 1 and sheet != "settings"]


@pytest.mark.slow
@pytest.mark.parametrize("sheet", every(3, SEVERAL))
def test_rows_the_other_way_round_give_the_same_figures(sheet: str) -> None:
    tables = estate_tables()
    tables[sheet] = tables[sheet].iloc[::-1].reset_index(drop=True)
    assert answers(tables) == as_entered()
