"""Hold or release through the ordinary path: a folder of CSV files, `run`, the tables. Worked by hand for
this project, checked by independent routes (present values of dated flows).
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import brentq

from costing import BOOK, ECONOMIC, read_estate, run
from costing.decisions.plan.ageing_tables import ageing_findings, ex_cellar_price, hold_or_release_tables, holding

GOLDEN = Path(__file__).parents[2] / "golden"


def test_two_year_trap_hold_one_year_not_two() -> None:
    verdicts, by_date, _ = hold_or_release_tables(run(read_estate(GOLDEN / "S5"), ECONOMIC))
    assert by_date["bottles"].tolist() == pytest.approx([5_500, 5_472.5, 5_445.1375], abs=5e-5)
    assert by_date["price"].tolist() == pytest.approx([24.0, 27.54, 30.1716], abs=5e-5)
    assert by_date["finishing_per_bottle"].tolist() == pytest.approx([2.5, 2.575, 2.65225], abs=5e-6)
    assert by_date["net_worth"].tolist() == pytest.approx([118_250.00, 136_620.96, 149_846.64], abs=5e-3)
    assert by_date["npv"].tolist() == pytest.approx([118_250.00, 122_627.07, 120_842.81], abs=5e-3)
    assert by_date["year_return"].tolist()[1:] == pytest.approx([0.140445, 0.084289], abs=5e-7)
    assert by_date["break_even_price"].tolist()[1:] == pytest.approx([26.6602, 30.5681], abs=5e-5)
    one = verdicts.iloc[0]
    assert str(one["best_release_date"])[:10] == "2026-03-01"
    assert one["gain"] == pytest.approx(4_377.07, abs=5e-3)
    assert one["gain_per_bottle_year"] == pytest.approx(0.7958, abs=5e-5)
    assert one["storage_break_even"] == pytest.approx(1.1344, abs=5e-5)
    assert by_date["npv"].iloc[2] - by_date["npv"].iloc[1] == pytest.approx(-1_784.25, abs=6e-3)
    foregone, held, net = by_date["net_worth"].iloc[0], 0.30 * by_date["bottles"], by_date["net_worth"].iloc[2]

    def short_by(rate: float) -> float:
        """What two years at one rate would still owe: net worth foregone and storage, grown, less what comes in."""
        year = 1 + rate
        paid = rate / np.log(year)  # a charge of 1 spread over a year, at its end
        return foregone * year**2 + held.iloc[0] * paid * year + held.iloc[1] * paid - net

    average = brentq(short_by, 0.01, 0.5)
    assert average == pytest.approx(0.111841, abs=5e-7)
    assert average > 0.10  # clears the hurdle, and would have said hold both years


@pytest.fixture(scope="module")
def economic(demo_runs):
    return demo_runs.economic


@pytest.fixture(scope="module")
def held(economic):
    return holding(economic)


@pytest.fixture(scope="module")
def demo(economic):
    return hold_or_release_tables(economic)


def changed(estate, table: str, change) -> object:
    """The estate with one table changed."""
    frame = estate[table].copy()
    return replace(estate, tables={**estate.tables, table: change(frame)})


def test_prices_of_two_ages_a_month_apart_are_joined_by_a_straight_line() -> None:
    ages = pd.DataFrame(
        {"Cuvée": "Brut", "Format": "bottle", "Months on lees": [25, 24], "Ex-cellar price": [21.0, 20.0]}
    ).assign(**{"Money of": "2024-10-04"})  # the day that is asked for
    estate = read_estate({"Price by age": ages})
    age = np.array([23.9, 24.0, 24.25, 25.0, 25.1])
    found = ex_cellar_price(estate, "Brut", "bottle", age, np.full(5, 20_000))
    assert found == pytest.approx([np.nan, 20.0, 20.25, 21.0, np.nan], nan_ok=True)


def test_a_price_of_one_age_holds_at_that_age_alone() -> None:
    ages = {"Cuvée": ["Brut"], "Format": ["bottle"], "Months on lees": [24], "Ex-cellar price": [20.0]}
    estate = read_estate({"Price by age": pd.DataFrame({**ages, "Money of": "2024-10-04"})})
    found = ex_cellar_price(estate, "Brut", "bottle", np.array([23.9, 24.0, 24.1]), np.full(3, 20_000))
    assert found == pytest.approx([np.nan, 20.0, np.nan], nan_ok=True)


def test_dates_are_compared_at_the_rate_of_the_run_and_at_the_hurdle_where_it_charges_none() -> None:
    estate = read_estate(GOLDEN / "S5")
    at = [holding(run(estate, basis)).curve.rate for basis in (ECONOMIC.replace(rate=0.2), BOOK)]
    assert [rate.tolist() for rate in at] == [[0.2], [0.1]]


def test_a_date_at_just_the_highest_age_with_a_price_is_no_finding() -> None:
    results = run(read_estate(GOLDEN / "S5"), ECONOMIC)
    assert holding(results).stacks.age_months.max() == results.estate["price_by_age"]["months_on_lees"].max()
    assert list(ageing_findings(results)) == []


def test_second_wine_is_released_though_its_cost_is_low(demo) -> None:
    verdicts = demo[0].set_index("lot")
    assert verdicts.loc["T24-SEC", "verdict"].startswith("release")
    assert verdicts.loc["T24-SEC", "economic_on_lees"] < verdicts["economic_on_lees"].median()


def test_young_prestige_is_held(demo) -> None:
    verdicts = demo[0].set_index("lot")
    assert verdicts.loc["T19-PREST", "verdict"].startswith("hold")
    assert verdicts.loc["T19-PREST", "economic_on_lees"] > verdicts["economic_on_lees"].median()


def test_a_priced_date_before_the_minimum_months_is_barred_and_that_is_no_finding(economic) -> None:
    estate = economic.estate
    monthly = estate.settings.model_copy(update={"ageing_step_months": 1, "ageing_horizon_months": 18})
    results = run(replace(estate, settings=monthly), ECONOMIC, economic.chain)
    _, by_date, _ = hold_or_release_tables(results)
    young = by_date[by_date["barred"] == "before the minimum months on lees"]
    assert set(young["lot"]) >= {"T25-BRUT", "T25-ROSE", "T25-SEC"}
    assert young["price"].notna().all()
    assert (young.loc[young["lot"] == "T25-BRUT", "months_on_lees"] < 15).all()  # Champagne: 15 months to sale
    assert not [finding for finding in ageing_findings(results) if "minimum" in str(finding)]


def test_net_worth_from_the_sheets_by_hand(demo, economic) -> None:
    """T24-SEC today: rates, dry goods, norms and price read off the demo's files."""
    first = demo[1][demo[1]["lot"] == "T24-SEC"].iloc[0]
    put = 0.123 + 0.352  # machine riddling and disgorgement, per bottle put to it
    good = 0.188 + 0.35 + 0.30 + 0.1667 * 1.5 + 0.106  # dressing; cork, muselet; labels, foil; box; work at dispatch
    assert first["finishing_per_bottle"] == pytest.approx(put + 0.988 * good, abs=1e-12)
    table = economic.estate["price_by_age"]
    mine = table[table["cuvee"] == "Seconde"].set_index("months_on_lees")["ex_cellar_price"]
    age = 19 + 15 / 31  # from 16 May 2024: 19 months on 16 December 2025, and 15 of the 31 days to 16 January
    price = np.interp(age, mine.index, mine)  # its money does not rise
    assert first["price"] == pytest.approx(price, abs=1e-12)
    bottles = first["bottles"]
    force, years = (
        np.log(1.075),
        bottles * 0.988 / (12 * float(table[table["cuvee"] == "Seconde"]["bottles_a_month"].iloc[0])),
    )
    day = (np.arange(200_000) + 0.5) / 200_000 * years
    kept, unsold = np.exp(-force * day).mean(), (np.exp(-force * day) * (1 - day / years)).mean() * years
    worth = bottles * (0.988 * price * kept - first["finishing_per_bottle"] - 0.988 * 0.165 * unsold)
    assert first["net_worth"] == pytest.approx(worth, rel=1e-9)


def test_storage_is_the_rate_and_the_pool_of_the_cellar_where_the_stack_lies(held, economic) -> None:
    storage = dict(zip(held.stock["lot"], held.stacks.storage_per_bottle_year, strict=True))
    assert storage["T25-BRUT"][0] == pytest.approx(0.088 + _pool(economic, "Cellar 1", 2025), rel=1e-9)
    years = (held.day[1] - held.day[0]) / 365
    assert storage["T25-BRUT"][1] == pytest.approx(0.088 * 1.02**years + 12_200 / 98_000, rel=1e-3)
    assert storage["T19-PREST-M"][2] == pytest.approx(
        0.182 * 1.02 ** ((held.day[2] - held.day[0]) / 365) + 5_000 / 28_000, rel=1e-3
    )
    assert (np.diff(storage["T25-BRUT"]) > 0).all()  # the last pool of 2028 goes on, it does not end


def _pool(results, cellar: str, year: int) -> float:
    pools = results.estate["pools"]
    row = pools[(pools["pool"] == cellar) & (pools["from_date"].dt.year == year + 1)].iloc[0]
    return float(row["amount"] / row["normal_capacity"])


def test_findings_name_what_no_verdict_speaks_of(economic) -> None:
    estate = economic.estate

    def spoil(table):
        young = table["months_on_lees"] > 40
        table = table[~((table["cuvee"] == "Terrasses") & young) & (table["cuvee"] != "Vintage")]
        zero = (table["cuvee"] == "Rosé").to_numpy()
        return table.assign(bottles_a_month=np.where(zero, 0.0, table["bottles_a_month"])).reset_index(drop=True)

    results = run(changed(estate, "price_by_age", spoil), ECONOMIC, economic.chain)
    verdicts, by_date, _ = hold_or_release_tables(results)
    findings = list(ageing_findings(results))
    assert {finding.severity for finding in findings} == {"caution"}
    said = [str(finding) for finding in findings]
    assert any("Vintage, magnum" in line and "T21-VINT-M" in line and "no price" in line for line in said)
    assert any("highest age with a price for Terrasses" in line and "T25-TERR" in line for line in said)
    assert sum("takes nothing" in line for line in said) == (estate["price_by_age"]["cuvee"] == "Rosé").sum()
    assert all(finding.place.startswith("Price by age") for finding in findings)
    none = verdicts[verdicts["cuvee"] == "Vintage"]
    assert none["best_release_date"].isna().all()
    assert none["reason"].eq("no price for this age").all()
    rose = by_date[by_date["cuvee"] == "Rosé"]
    assert rose["barred"].eq("the market takes nothing").all()
    terrasses = by_date[(by_date["cuvee"] == "Terrasses") & (by_date["months_on_lees"] > 40)]
    assert terrasses["price"].isna().all()  # never extrapolated


def test_bottles_of_unknown_tirage_are_named() -> None:
    results = run(read_estate({**small_cellar(2), "Settings": settings(12, 24)}), ECONOMIC)
    unknown = changed(results.estate, "opening_stock", lambda table: table.assign(tirage_date=pd.NaT))
    findings = list(ageing_findings(run(unknown, ECONOMIC)))
    assert [finding.place for finding in findings] == ["Opening stock!H2", "Opening stock!H3"]


def test_two_hundred_stacks_on_120_months() -> None:
    results = run(read_estate({**small_cellar(200), "Settings": settings(1, 119)}), ECONOMIC)
    verdicts, by_date, _ = hold_or_release_tables(results)
    assert (len(verdicts), len(by_date)) == (200, 24_000)


def settings(step: int, horizon: int) -> pd.DataFrame:
    rows = {"Valuation date": "2025-03-01", "Date style": "year first", "Ageing step (months)": step}
    rows["Ageing horizon (months)"] = horizon
    return pd.DataFrame({"Setting": list(rows), "Value": [str(value) for value in rows.values()]})


def small_cellar(stacks: int) -> dict[str, pd.DataFrame]:
    """Stacks of forty cuvées on lees and nothing else, as data frames."""
    number = np.arange(stacks)
    cuvee = [f"C{one % 40}" for one in number]
    day = np.datetime64("2022-01-15") + 5 * number
    opening = {"Date": "2025-01-01", "Lot": [f"T{one}" for one in number], "Kind": "on lees", "Quantity": 5_000.0}
    opening |= {"Unit": "bottles", "Format": "bottle", "Cuvée": cuvee, "Tirage date": day.astype(str)}
    prices = {"Cuvée": np.repeat([f"C{one}" for one in range(40)], 3), "Format": "bottle"}
    prices |= {
        "Months on lees (months)": np.tile([12.0, 60.0, 240.0], 40),
        "Ex-cellar price": np.tile([15.0, 25.0, 50.0], 40),
    }
    prices |= {"Money of": "2025-03-01", "Yearly change (%)": 2.0, "Market takes a month (bottles)": 900.0}
    rates = {"From": ["2020-01-01"], "Stage": ["on lees"], "Operation": ["storage"], "Driver": ["bottle-year"]}
    return {
        "Interest rates": pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [9.0]}),
        "Cuvées": pd.DataFrame({"Cuvée": [f"C{one}" for one in range(40)]}),
        "Opening stock": pd.DataFrame(opening),
        "Price by age": pd.DataFrame(prices),
        "Operation rates": pd.DataFrame({**rates, "Amount": [0.3], "Element": ["storage"]}),
    }
