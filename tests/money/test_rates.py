"""Rates by driver: from which day they hold, and what they rise to in plans."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing import Estate, InputError, read_estate, run
from costing.graph.arrays import STAGES
from costing.inputs.basis import BOOK, ECONOMIC, REPLACEMENT
from costing.money.capital import interest_rate_on
from costing.money.dated_rates import dated_rates, escalated
from costing.money.postings import FLOW_DRIVERS
from costing.money.rates import FORMATS
from costing.money.time_charges import by_month
from costing.results.stock import stock_values
from tests.decisions.one_bottling import one_bottling
from tests.money.test_entries import cost, pressed, spent


def rate(since: str, amount: float) -> pd.DataFrame:
    return pd.DataFrame(
        {"From": [since], "Operation": ["pressing"], "Driver": ["kg"], "Element": ["pressing"], "Amount": [amount]}
    )


def test_work_before_the_first_date_of_its_rate_is_not_charged() -> None:
    tables = {**pressed(("2025-09-10", "2025-09-12")), "operation_rates": rate("2025-09-12", 0.5)}
    assert [cost(tables, "M1"), cost(tables, "M2")] == pytest.approx([24_000, 26_000])


def test_a_forecast_charges_no_rate_before_its_first_date() -> None:
    estate = read_estate({**pressed(), "operation_rates": rate("2025-09-12", 0.5)})
    rates = dated_rates(estate, "operation_rates")
    first = np.datetime64("2025-09-12", "D").astype(int)
    day = np.array([first - 1, first, first + 1])
    assert rates.on(rates.rows(operation="pressing"), day, int(first + 30)).tolist() == [0.0, 0.5, 0.5]


def test_a_rate_holds_until_the_next() -> None:
    rates = pd.concat([rate("2025-09-01", 0.5), rate("2025-09-11", 0.75)], ignore_index=True)
    for order in (rates, rates.iloc[::-1].reset_index(drop=True)):
        tables = {**pressed(("2025-09-10", "2025-09-12")), "operation_rates": order}
        assert [cost(tables, "M1"), cost(tables, "M2")] == pytest.approx([26_000, 27_000])


def test_a_plan_rises_by_the_year_from_the_later_of_the_valuation_and_the_rate() -> None:
    """2 % a year: nothing until the valuation day, then 1.02 and its square; a later rate rises from its own day."""
    valuation, year = 20_000, 365
    day = np.array([valuation - year, valuation, valuation + year, valuation + 2 * year, valuation + 2 * year])
    since = np.array([0, 0, 0, 0, valuation + year])
    raised = escalated(np.full(5, 100.0), np.full(5, 0.02), since, day, valuation)
    assert raised == pytest.approx([100.0, 100.0, 102.0, 104.04, 102.0])
    assert escalated(np.array([100.0]), np.array([np.nan]), since[:1], day[3:4], valuation) == pytest.approx([100.0])


@pytest.mark.parametrize(("given", "stage"), [(None, "vinification"), ("pressing", "pressing"), ("tirage", "tirage")])
def test_a_cost_on_must_stands_under_its_own_stage_where_one_is_given(given: str | None, stage: str) -> None:
    tables = {**pressed(), "costs": spent("2025-09-10", "M1", "labour", 300.0).assign(Stage=given)}
    results = run(read_estate(tables), BOOK)
    last = int(results.chain.states.last_of_lot[results.chain.lots.names.get_loc("M1")])
    row = dict(zip(results.columns, np.ravel(results.cost[np.array([last])]), strict=True))
    charged = {name: amount for name, amount in row.items() if name[1] == "labour" and amount}
    assert charged == {(stage, "labour"): pytest.approx(300.0)}


def bottles(interest: pd.DataFrame, **basis: object) -> float:
    """Cost of 1,000 bottles filled with wine for 9,000 on 1 March 2022 and disgorged 1 March 2025, 1,096 days later."""
    results = run(read_estate({**one_bottling(), "interest_rates": interest}), ECONOMIC.replace(**basis))
    return float(results.total[results.chain.states.last_of_lot[results.chain.lots.names.get_loc("D")]])


def interest(**rates: list[float | None]) -> pd.DataFrame:
    """Interest rates from 2020 and from 1 March 2023, of the columns given."""
    dates = ["2020-01-01", "2023-03-01"][: len(next(iter(rates.values())))]
    return pd.DataFrame({"From": dates, **{f"{name.capitalize()} rate (%)": given for name, given in rates.items()}})


def test_without_a_hurdle_rate_capital_is_free_and_a_borrowing_rate_is_not_taken_for_it() -> None:
    assert bottles(interest(borrowing=[5.0])) == pytest.approx(9_000.0)
    assert bottles(interest(borrowing=[5.0], hurdle=[8.0])) == pytest.approx(9_000 * 1.08 ** (1_096 / 365))
    assert bottles(interest(borrowing=[5.0], hurdle=[8.0]), capital="borrowing") == pytest.approx(
        9_000 * 1.05 ** (1_096 / 365)
    )


def test_each_of_the_two_rates_holds_until_its_own_next_one() -> None:
    """A row with one rate alone leaves the other as it was, in whichever order the rows stand."""
    rates = interest(borrowing=[5.0, 6.0], hurdle=[8.0, None])
    for given in (rates, rates.iloc[::-1].reset_index(drop=True)):
        assert bottles(given) == pytest.approx(9_000 * 1.08 ** (1_096 / 365))
        expected = 9_000 * 1.05 ** (365 / 365) * 1.06 ** (731 / 365)
        assert bottles(given, capital="borrowing") == pytest.approx(expected)


def test_capital_at_a_borrowing_rate_that_is_not_given_is_a_finding() -> None:
    with pytest.raises(InputError, match="holds no borrowing rate, which the basis 'economic'") as refused:
        bottles(interest(hurdle=[8.0]), capital="borrowing")
    assert [finding.place for finding in refused.value.findings] == ["Interest rates"]


def stored(escalation: float = 0.0, until: str = "2024-12-31", **tables: pd.DataFrame) -> Estate:
    """1,000 L bought for nothing on 1 January 2024, at 0.10 a litre-year from that day; valued on 31 December, a year
    of 365 days later, and racked then or on a day still planned.
    """
    storage = {"From": ["2024-01-01"], "Operation": ["storage"], "Stage": ["vinification"], "Driver": ["litre-year"]}
    storage |= {"Element": ["storage"], "Amount": [0.10], "Yearly change in plans (%)": [escalation]}
    bought = {"Date": ["2024-01-01"], "Lot": ["V"], "What": ["wine"], "Quantity": [1_000.0], "Unit": ["L"]}
    racked = {"Date": [until], "Operation": ["racking"], "From lot": ["V"], "Out (L)": [1_000.0]}
    return read_estate(
        {
            "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2024-12-31"]}),
            "deliveries": pd.DataFrame({**bought, "Price per unit": [0.0]}),
            "operation_rates": pd.DataFrame(storage),
            "movements": pd.DataFrame({**racked, "To lot": ["W"], "In (L)": [1_000.0]}),
            **tables,
        }
    )


def test_storage_of_a_stage_is_borne_in_that_stage_alone() -> None:
    """1,000 L at 0.10 for a year of 365 days; nothing lies as grapes, and a rate of no stage is for all."""
    rates = pd.DataFrame(
        {"From": ["2024-01-01"], "Operation": "storage", "Driver": "litre-year", "Element": "storage", "Amount": 0.10}
    )
    borne = {
        stage: stock_values(run(stored(operation_rates=rates.assign(Stage=stage)), BOOK))["value"].sum()
        for stage in ("harvest", "vinification", "reserve", None)
    }
    assert borne == pytest.approx({"harvest": 0.0, "vinification": 100.0, "reserve": 0.0, None: 100.0})


def test_storage_of_an_element_with_an_index_is_replaced_at_the_level_of_the_valuation_day() -> None:
    """The level stands at 100 until the eve of the valuation, at 110 on it: a tenth more than was paid."""
    levels = pd.DataFrame({"Element": ["storage"] * 2, "Date": ["2024-12-30", "2024-12-31"], "Index": [100.0, 110.0]})
    estate = stored(price_indices=levels)
    paid, again = (run(estate, basis.replace(rate=0.0)) for basis in (ECONOMIC, REPLACEMENT))
    last = paid.chain.states.last_of_lot[paid.chain.lots.names.get_loc("W")]
    assert [paid.total[last], again.total[last]] == pytest.approx([100.0, 110.0])


def test_storage_without_an_index_is_replaced_at_the_newest_rate_wherever_its_row_stands() -> None:
    rates = pd.DataFrame(
        {
            **{"From": ["2024-07-01", "2024-01-01"], "Operation": "storage", "Stage": "vinification"},
            **{"Driver": "litre-year", "Element": "storage", "Amount": [0.2, 0.1]},
        }
    )
    again = run(stored(operation_rates=rates), REPLACEMENT.replace(rate=0.0))
    assert again.total[again.chain.states.last_of_lot[again.chain.lots.names.get_loc("W")]] == pytest.approx(200.0)


def test_escalated_storage_of_a_plan_rises_by_steps_of_thirty_days_from_the_valuation_day() -> None:
    """A year as paid, then one of twelve steps and five days, each at 10 % a year."""
    results = run(stored(escalation=10.0, until="2025-12-31"), BOOK)
    planned = sum(100.0 * min(30, 365 - begin) / 365 * 1.10 ** (begin / 365) for begin in range(0, 365, 30))
    last = results.chain.states.last_of_lot[results.chain.lots.names.get_loc("W")]
    assert results.total[last] == pytest.approx(100.0 + planned, rel=1e-9)


def test_storage_month_by_month_ends_with_the_day_asked_for() -> None:
    """100 for the 365 days from 1 January to 31 December: a day of each month at a time."""
    estate = stored()
    results = run(estate, BOOK)
    accrued = results.charges.accrued[0]
    day = int(np.datetime64("2024-03-15", "D").astype(int))
    ends, row, amount = by_month(accrued.charge, accrued.states, results.chain, day)
    assert ends.astype("datetime64[D]").astype(str).tolist() == ["2024-01-31", "2024-02-29", "2024-03-15"]
    assert row.tolist() == [0, 0, 0]
    assert amount == pytest.approx(np.array([31, 29, 15]) * 100 / 365)
    whole = by_month(accrued.charge, accrued.states, results.chain, day + 1_000)
    assert (len(whole[0]), whole[2].sum()) == (12, pytest.approx(100.0))


def test_dry_goods_go_onto_bottles_filled_released_or_sent_in_their_presentation() -> None:
    """1,000 filled, 980 released, 400 of them sent in a box and 100 in none; another format has a glass of its own."""
    tables = one_bottling()
    tables["disgorgements"] = tables["disgorgements"].assign(**{"Bottles out (bottles)": 980})
    sent = {"Date": ["2025-06-01"] * 2, "Release lot": ["D"] * 2, "Channel": ["Trade"] * 2}
    tables["dispatches"] = pd.DataFrame({**sent, "Presentation": ["box", None], "Bottles (bottles)": [400, 100]})
    goods = [
        ("tirage", "glass", "bottle", None, None, 0.50),
        ("tirage", "glass", FORMATS[0], None, None, 0.40),
        ("finishing", "cork", None, None, None, 0.20),
        ("dressing", "label", None, None, 2.0, 0.05),
        ("dressing", "carton", None, "box", 0.5, 1.0),
    ]
    columns = ["Stage", "Item", "Format", "Presentation", "Quantity per bottle", "Unit price"]
    tables["dry_goods"] = pd.DataFrame(goods, columns=columns).assign(From="2020-01-01", Element="dry goods")
    charged = run(read_estate(tables), BOOK).charges.postings
    of_goods = charged.take(charged.of("dry_goods", "unit_price"))
    found = {
        int(row): (STAGES[stage], float(amount), FLOW_DRIVERS[driver], float(quantity))
        for row, stage, amount, driver, quantity in zip(
            of_goods.row, of_goods.stage, of_goods.amount, of_goods.driver, of_goods.quantity, strict=True
        )
    }
    assert found == {
        0: ("tirage", 500.0, "bottle out", 1_000.0),
        2: ("finishing", pytest.approx(196.0), "bottle out", 980.0),
        3: ("dressing", pytest.approx(98.0), "bottle out", 980.0),
        4: ("dressing", 200.0, "bottle in", 400.0),
    }


def test_storage_of_a_format_or_a_place_is_borne_by_that_alone() -> None:
    """A hundred bottles of each format lie a year on lees, each in its cellar; rates per format, pools per place."""
    number = np.arange(1, len(FORMATS) + 1)
    lots = {"Lot": list(FORMATS), "Format": list(FORMATS), "Location": [f"Cellar {one}" for one in number]}
    rates = {"Operation": "storage", "Driver": "bottle-year", "Element": "storage", "From": "2020-01-01"}
    pools = {"Driver": "bottle-year", "Element": "overhead", "From": "2024-01-01", "To": "2024-12-31"}
    kept = {"Date": "2023-12-31", "What": "on lees", "Quantity": 100, "Unit": "bottles", "Price per unit": 0.0}
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2024-12-31"]}),
        "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
        "deliveries": pd.DataFrame({**lots, **kept, "Cuvée": "Brut"}),
        "operation_rates": pd.DataFrame({"Format": list(FORMATS), "Amount": 0.1 * number, **rates}),
        "pools": pd.DataFrame(
            {"Pool": lots["Location"], "Location": lots["Location"], "Amount": 10.0 * number, **pools}
        ),
    }
    found = [cost(tables, lot) for lot in FORMATS]
    assert found == pytest.approx(10.0 * number * 366 / 365 + 10.0 * number)


def test_the_rate_in_force_on_a_day_is_the_latest_given_until_then() -> None:
    rates = {"From": ["2020-01-01", "2022-01-01", "2024-01-01"], "Hurdle rate (%)": [8.0, None, 6.0]}
    estate = read_estate(
        {**pressed(), "interest_rates": pd.DataFrame({**rates, "Borrowing rate (%)": [None, 4.0, 5.0]})}
    )
    days_asked = [
        int(np.datetime64(day, "D").astype(int)) for day in ("2019-12-31", "2020-01-01", "2022-01-01", "2025-01-01")
    ]
    found = {
        name: [interest_rate_on(estate, name, day) for day in days_asked] for name in ("hurdle_rate", "borrowing_rate")
    }
    assert found == {"hurdle_rate": [0.0, 0.08, 0.08, 0.06], "borrowing_rate": [0.0, 0.0, 0.04, 0.05]}


def test_storage_month_by_month_names_the_row_in_force_at_the_end_of_each() -> None:
    storage = {"Operation": "storage", "Stage": "vinification", "Driver": "litre-year", "Element": "storage"}
    rates = pd.DataFrame({"From": ["2024-01-01", "2024-02-15", "2024-04-30"], "Amount": [0.1, 0.2, 0.3], **storage})
    estate = stored(operation_rates=rates)
    results = run(estate, BOOK)
    day = int(np.datetime64("2024-04-30", "D").astype(int))
    _, row, amount = by_month(results.charges.accrued[0].charge, results.charges.accrued[0].states, results.chain, day)
    assert row.tolist() == [0, 1, 1, 2]
    assert amount == pytest.approx(np.array([31 * 100, 14 * 100 + 15 * 200, 31 * 200, 29 * 200 + 300]) / 365)
