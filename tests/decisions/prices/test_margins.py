"""Cuvées side by side: figures of a small estate by hand, and what the demo shows."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, REPLACEMENT, read_estate, run, trace
from costing.decisions.prices.grapes_behind import grapes_behind
from costing.decisions.prices.margins import _best, margins, reversals
from costing.decisions.prices.realised import _with_share, margins_by, margins_by_cuvee
from costing.decisions.prices.releases_to_sell import dispatch_states
from costing.inputs.estate import Estate
from costing.model import Runs
from costing.results.results import Results
from tests.decisions.one_bottling import one_bottling
from tests.golden.as_kept import differences


@pytest.fixture(scope="module")
def demo(demo_runs) -> list[Results]:
    return [demo_runs.on(basis) for basis in (BOOK, ECONOMIC, REPLACEMENT)]


@pytest.fixture(scope="module")
def table(demo_runs: Runs) -> pd.DataFrame:
    return margins_by_cuvee(demo_runs)


def small(**sheets: pd.DataFrame) -> Estate:
    """1,000 bottles filled with wine for 9,000 on 1 March 2022, disgorged 1 March 2025, all sold a year later."""
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2026-12-31"]})
    dispatches = pd.DataFrame(
        {"Date": ["2026-03-01"], "Release lot": ["D"], "Channel": ["Trade"], "Bottles": [1000], "Net price": [20.0]}
    )
    return read_estate({"settings": settings, "dispatches": dispatches, **one_bottling(), **sheets})


def one(estate: Estate, **how: object) -> pd.Series:
    return margins_by_cuvee(Runs(estate), **how).iloc[0]  # type: ignore[arg-type]


def test_prestige_looks_best_per_bottle_and_is_worst_per_unit_of_capital(table: pd.DataFrame) -> None:
    bottles = table[table["format"] == "bottle"].set_index("cuvee")
    assert bottles["margin_per_bottle"].idxmax() == "Prestige"
    assert bottles["margin_per_capital"].idxmin() == "Prestige"
    assert bottles["return_a_year"].idxmin() == "Prestige"
    prestige, others = bottles.loc["Prestige"], bottles.drop("Prestige")
    assert prestige["margin_per_bottle"] > 1.3 * others["margin_per_bottle"].max()
    # why: three times as long in the cellar as the others, four times the capital behind a bottle
    assert prestige["years_to_sale"] > 1.7 * others["years_to_sale"].max()
    assert prestige["average_capital_per_bottle"] > 2 * others["average_capital_per_bottle"].max()
    said = [sentence for sentence in reversals(table) if sentence.startswith("Prestige (bottle)")]
    assert len(said) == 1
    assert f"{prestige['margin_per_bottle']:,.2f}" in said[0]
    assert f"{prestige['margin_per_capital']:.1%}" in said[0]


def test_no_reversal_where_the_best_bottle_earns_most_on_capital(table: pd.DataFrame) -> None:
    without = table[table["cuvee"] != "Prestige"]
    assert not any(sentence.startswith("Terrasses (bottle)") for sentence in reversals(without))


def test_figures_of_one_sale_by_hand() -> None:
    """9.00 in, 20.00 out four years later: capital of so many years' charge at 8 %, return (20/9)^(1/4) − 1."""
    row = one(small())
    years = 1461 / 365
    value_years = 9 * (1.08**years - 1) / 0.08
    assert (row["bottles_sold"], row["net_receipt"], row["book_per_bottle"], row["margin_per_bottle"]) == (
        1000,
        20,
        pytest.approx(9),
        11,
    )
    assert row["average_capital_per_bottle"] == pytest.approx(value_years, rel=1e-12)
    assert row["margin_per_capital"] == pytest.approx(11 / value_years, rel=1e-12)
    assert row["return_a_year"] == pytest.approx((20 / 9) ** (1 / years) - 1, rel=1e-9)
    assert row["margin_after_capital"] == pytest.approx(20 - 9 * 1.08**years, rel=1e-12)
    assert row["margin_per_bottle_year"] == pytest.approx(11 / years, rel=1e-12)
    assert row["margin_per_litre"] == pytest.approx(11 / 0.75, rel=1e-12)
    assert row["years_to_sale"] == pytest.approx(years)
    assert np.isnan(row["margin_per_kilo"])  # bought as wine


def test_without_a_hurdle_capital_is_money_times_years() -> None:
    row = one(small(interest_rates=pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [0]})))
    assert row["average_capital_per_bottle"] == pytest.approx(9 * 1461 / 365, rel=1e-12)
    near = one(small(interest_rates=pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [0.0001]})))
    assert near["average_capital_per_bottle"] == pytest.approx(row["average_capital_per_bottle"], rel=1e-5)


def test_without_a_hurdle_the_cost_of_selling_waits_for_the_customer_too() -> None:
    """9.00 runs for five years, 1.50 of selling cost for the year until the customer pays."""
    terms = pd.DataFrame({"Channel": ["Trade"], "Selling cost per bottle": [1.5], "Customer days (days)": [365]})
    free = pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [0]})
    row = one(small(channels=terms, interest_rates=free))
    assert row["average_capital_per_bottle"] == pytest.approx(9 * 1826 / 365 + 1.5, rel=1e-12)


@pytest.mark.parametrize(("sold_on", "waited"), [("2022-03-01", 0), ("2022-03-15", 14)])
def test_bottles_sold_at_once_tie_up_next_to_nothing(sold_on: str, waited: int) -> None:
    """On the day of tirage itself no figure is per bottle-year nor per unit of capital."""
    estate = small(
        disgorgements=pd.DataFrame(
            {"Date": ["2022-03-01"], "Release lot": ["D"], "From lot": ["T"], "Bottles in (bottles)": [1000],
             "Bottles out (bottles)": [1000]}
        ),
        dispatches=pd.DataFrame(
            {"Date": [sold_on], "Release lot": ["D"], "Channel": ["Trade"], "Bottles": [1000], "Net price": [20.0]}
        ),
    )  # fmt: skip
    row = one(estate)
    years, capital = waited / 365, 9 * (1.08 ** (waited / 365) - 1) / 0.08
    assert row["years_to_sale"] == pytest.approx(years)
    assert row["average_capital_per_bottle"] == pytest.approx(capital, rel=1e-12)
    each = row[["margin_per_bottle_year", "contribution_per_bottle_year", "margin_per_capital"]].to_list()
    assert each == pytest.approx([11 / years, 11 / years, 11 / capital] if waited else [np.nan] * 3, nan_ok=True)


def test_shares_of_a_margin_are_said_where_something_was_left_in_all() -> None:
    """However little it is; of nothing, or of a loss, there is no share."""
    shares = [_with_share(pd.DataFrame({"margin_total": each}))["share_of_margin"].tolist() for each in
              ([0.75, -0.25], [5.0, -5.0], [1.0, -5.0])]  # fmt: skip
    assert shares[0] == [1.5, -0.5]
    assert np.isnan(shares[1:]).all()
    table = pd.DataFrame(
        {"cuvee_format": ["Brut bottle", "Rosé bottle"], "margin_total": [0.75, -0.25], "share_of_margin": [1.5, -0.5],
         "bottles_sold_75cl": [10.0, 10.0]}
    )  # fmt: skip
    runs = Runs(small())
    assert _best(table, runs).endswith(" per 75 cl; Brut bottle brings 150% of it.")
    assert _best(table.assign(margin_total=[5.0, -5.0]), runs).endswith(" 0.00 per 75 cl.")


def test_deductions_come_off_the_price() -> None:
    """List 25 less 20 % is the price paid; 10 % commission and 1.50 of selling cost; paid after a year."""
    terms = pd.DataFrame(
        {"Channel": ["Trade"], "Discount (%)": [20], "Commission (%)": [10], "Selling cost per bottle": [1.5],
         "Customer days (days)": [365]}
    )  # fmt: skip
    prices = pd.DataFrame({"From": ["2020-01-01", "2026-03-02"], "Cuvée": ["Brut"] * 2, "List price": [25.0, 99.0]})
    row = one(small(channels=terms, price_list=prices))
    assert row["net_receipt"] == pytest.approx(18.0)
    assert row["net_receipt_at_list"] == pytest.approx(18.0)
    assert row["margin_per_bottle"] == row["margin_at_list"] == pytest.approx(18 - 1.5 - 9)
    assert row["margin_of_receipt"] == pytest.approx(7.5 / 18)
    # 9.00 runs for five years, the selling cost for one
    after_five = 1826 / 365
    assert row["average_capital_per_bottle"] == pytest.approx(9 * (1.08**after_five - 1) / 0.08 + 1.5, rel=1e-12)


def test_sales_in_another_currency_count_at_the_rate_of_their_day() -> None:
    terms = pd.DataFrame(
        {"Channel": ["Trade"] * 2, "From": ["2020-01-01", "2026-03-02"], "Currency": ["GBP"] * 2,
         "Currency rate": [1.2, 9.9], "Currency buffer (%)": [5, 5]}
    )  # fmt: skip
    sold = pd.DataFrame(
        {"Date": ["2026-03-01"], "Release lot": ["D"], "Channel": ["Trade"], "Bottles": [400], "Net price": [15.0],
         "Currency": ["GBP"]}
    )  # fmt: skip
    assert one(small(channels=terms, dispatches=sold))["net_receipt"] == pytest.approx(18.0)


def test_samples_plans_and_unpriced_sales_are_left_out() -> None:
    ways = pd.DataFrame({"Channel": ["Trade", "Tastings"], "Way out": ["sale", "samples"]})
    sold = pd.DataFrame(
        {"Date": ["2025-06-01", "2025-06-01", "2025-07-01", "2027-06-01", "2025-05-01"], "Release lot": ["D"] * 5,
         "Channel": ["Trade", "Tastings", "Trade", "Trade", "Trade"], "Bottles": [100, 10, 20, 50, 300],
         "Net price": [20.0, 5.0, None, 30.0, 10.0]}
    )  # fmt: skip
    estate = small(channels=ways, dispatches=sold)
    assert one(estate)["bottles_sold"] == 400
    assert one(estate)["net_receipt"] == pytest.approx(12.5)
    assert one(estate, since=date(2025, 6, 1))["net_receipt"] == pytest.approx(20.0)


def test_contribution_leaves_pools_out() -> None:
    """A pool of 600 for the year 2024 on the stack: 0.60 a bottle, in the book cost and not in the contribution."""
    pools = pd.DataFrame(
        {"From": ["2024-01-01", "2023-01-01"], "To": ["2024-12-31", "2023-12-31"], "Pool": ["Cellar", "Press house"],
         "Amount": [600, 50], "Driver": ["bottle-year", "kg"], "Element": ["overhead"] * 2}
    )  # fmt: skip
    row = one(small(pools=pools))
    assert row["book_per_bottle"] == pytest.approx(9.6)
    assert row["contribution_per_bottle"] == pytest.approx(11.0)
    assert row["contribution_per_bottle_year"] == pytest.approx(11.0 * 365 / 1461)


def test_kilos_of_grapes_by_quantity_whatever_the_split_of_cost() -> None:
    """Champagne specification (décret 2010-1441, VIII-4°a and c, IX-1°h): 102 L per 160 kg, booked at 98.5 %, less
    0.50 % at disgorgement: 102 × 0.985 × 0.995 = 99.968 L, 1.2004 kg per 75 cl. First and second pressing cost
    differently and hold the same grapes.
    """
    grapes = pd.DataFrame(
        {"Date": ["2021-09-15"], "Lot": ["G"], "What": ["grapes"], "Supplier": ["A"], "Quantity": [4000],
         "Unit": ["kg"], "Price per unit": [6.8]}
    )  # fmt: skip
    load = {"Date": "2021-09-15", "Load": "P1", "Split method": "sales value"}
    pressings = pd.DataFrame(
        [{**load, "From lot": "G", "Grapes (kg)": 4000, "Fraction": "first", "Must (L)": 2050, "To lot": "F",
          "Value per litre": 14},
         {**load, "Fraction": "second", "Must (L)": 500, "To lot": "S", "Value per litre": 2},
         {**load, "Fraction": "by-product", "Must (L)": 100, "To lot": "R"}]
    )  # fmt: skip
    moves = pd.DataFrame(
        {"Date": ["2021-10-15"] * 2, "Operation": ["racking"] * 2, "From lot": ["F", "S"], "Out (L)": [2050, 500],
         "To lot": ["BF", "BS"], "In (L)": [2050 * 0.985, 500 * 0.985]}
    )  # fmt: skip
    bottles = [2050 * 0.985 / 0.75, 500 * 0.985 / 0.75]
    tirage = pd.DataFrame(
        {"Date": ["2022-03-01"] * 2, "Cuvée": ["Brut", "Seconde"], "Bottle lot": ["TF", "TS"],
         "Wine lot": ["BF", "BS"], "Wine (L)": [0.75 * count for count in bottles], "Format": ["bottle"] * 2,
         "Bottles (bottles)": bottles}
    )  # fmt: skip
    good = [0.995 * count for count in bottles]
    disgorged = pd.DataFrame(
        {"Date": ["2024-03-01"] * 2, "Release lot": ["DF", "DS"], "From lot": ["TF", "TS"],
         "Bottles in (bottles)": bottles, "Bottles out (bottles)": good}
    )  # fmt: skip
    sold = pd.DataFrame(
        {"Date": ["2025-03-01"] * 2, "Release lot": ["DF", "DS"], "Channel": ["Trade"] * 2, "Bottles": good,
         "Net price": [20.0, 20.0]}
    )  # fmt: skip
    estate = small(
        deliveries=grapes, pressings=pressings, movements=moves, tirage=tirage, disgorgements=disgorged,
        dispatches=sold, cuvees=pd.DataFrame({"Cuvée": ["Brut", "Seconde"]}),
    )  # fmt: skip
    found = margins_by_cuvee(Runs(estate)).set_index("cuvee")
    expected = 4000 / 2550 / 0.985 / 0.995 * 0.75
    assert round(expected, 4) == 1.2004
    assert found["grapes_kg"].to_numpy() == pytest.approx(expected, rel=1e-9)
    assert found["wine_traced"].to_numpy() == pytest.approx(1.0)
    assert found["margin_per_kilo"].to_numpy() == pytest.approx((found["margin_per_bottle"] / expected).to_numpy())
    assert found.loc["Brut", "book_per_bottle"] > 3 * found.loc["Seconde", "book_per_bottle"]


def test_kilos_are_those_of_the_part_that_is_traced() -> None:
    """Half of the wine was bought: the kilograms per bottle are those of the half from the press."""
    estate = small(
        deliveries=pd.DataFrame(
            {"Date": ["2021-09-15", "2021-12-01"], "Lot": ["G", "W"], "What": ["grapes", "wine"],
             "Supplier": ["A", "M"], "Quantity": [600, 375], "Unit": ["kg", "L"], "Price per unit": [6, 12]}
        ),
        pressings=pd.DataFrame(
            {"Date": ["2021-09-15"], "Load": ["P"], "From lot": ["G"], "Grapes (kg)": [600], "Fraction": ["first"],
             "Must (L)": [375], "To lot": ["W"]}
        ),
    )  # fmt: skip
    chain = trace(estate)
    _, state = dispatch_states(run(estate, BOOK, chain))
    behind = grapes_behind(estate, chain)
    assert behind.kg[state] == pytest.approx(600)
    assert behind.traced[state] == pytest.approx(0.5)
    assert one(estate)["grapes_kg"] == pytest.approx(1.2)


def test_a_fifth_of_the_wine_from_a_press_is_enough_for_kilos() -> None:
    estate = small(
        deliveries=pd.DataFrame(
            {"Date": ["2021-09-15", "2021-12-01"], "Lot": ["G", "W"], "What": ["grapes", "wine"],
             "Supplier": ["A", "M"], "Quantity": [120, 600], "Unit": ["kg", "L"], "Price per unit": [6, 12]}
        ),
        pressings=pd.DataFrame(
            {"Date": ["2021-09-15"], "Load": ["P"], "From lot": ["G"], "Grapes (kg)": [120], "Fraction": ["first"],
             "Must (L)": [150], "To lot": ["W"]}
        ),
    )  # fmt: skip
    row = one(estate)
    assert row[["wine_traced", "grapes_kg"]].tolist() == [0.2, pytest.approx(0.6)]
    assert row["margin_per_kilo"] == pytest.approx(row["margin_per_bottle"] / 0.6)


@pytest.mark.filterwarnings("error")
def test_a_load_that_gives_a_by_product_alone_puts_its_grapes_into_no_wine() -> None:
    pressed = pd.DataFrame(
        {"Date": ["2021-09-15"], "Load": ["P"], "From lot": ["G"], "Grapes (kg)": [600], "Fraction": ["by-product"],
         "Must (L)": [375], "To lot": ["R"]}
    )  # fmt: skip
    grapes = pd.DataFrame(
        {"Date": ["2021-09-15", "2021-12-01"], "Lot": ["G", "W"], "What": ["grapes", "wine"], "Supplier": ["A", "M"],
         "Quantity": [600, 750], "Unit": ["kg", "L"], "Price per unit": [6, 12]}
    )  # fmt: skip
    estate = small(deliveries=grapes, pressings=pressed)
    behind = grapes_behind(estate, trace(estate))
    assert behind.kg.sum() == behind.kg.max() == 600.0  # of the load itself


def test_a_by_product_that_is_bottled_has_no_kilos_to_earn_a_margin_on() -> None:
    """A by-product takes no kilograms, as it takes no cost."""
    pressings = pd.DataFrame(
        {"Date": "2021-09-15", "Load": "P", "From lot": ["G", None], "Grapes (kg)": [600, None],
         "Fraction": ["first", "by-product"], "Must (L)": [100, 750], "To lot": ["F", "W"]}
    )  # fmt: skip
    grapes = {"Date": ["2021-09-15"], "Lot": "G", "What": "grapes", "Quantity": 600, "Unit": "kg", "Price per unit": 6}
    row = one(small(deliveries=pd.DataFrame(grapes), pressings=pressings))
    assert row[["wine_traced", "grapes_kg", "margin_per_bottle"]].tolist() == [1.0, 0.0, 20.0]
    assert np.isnan(row["margin_per_kilo"])


def test_margins_of_the_demo_add_up(table: pd.DataFrame, demo: list[Results]) -> None:
    assert (table["net_receipt"] - table["selling_cost"] - table["book_per_bottle"]).to_numpy() == pytest.approx(
        table["margin_per_bottle"].to_numpy()
    )
    assert (
        table["net_receipt_at_list"] - table["selling_cost"] - table["book_per_bottle"]
    ).to_numpy() == pytest.approx(table["margin_at_list"].to_numpy())
    assert (table["economic_per_bottle"] >= table["book_per_bottle"]).all()
    assert (table["replacement_per_bottle"] > table["economic_per_bottle"]).all()
    assert (table["contribution_per_bottle"] > table["margin_per_bottle"]).all()
    sold = demo[0].estate["dispatches"]
    sale = ~sold["channel"].isin(["Samples", "Hospitality", "Staff"]) & (sold["on_date"] <= "2025-12-31")
    assert table["bottles_sold"].sum() == pytest.approx(sold.loc[sale & sold["net_price"].notna(), "bottles"].sum())


def test_shares_of_all_margin_are_of_the_money_that_was_left(table: pd.DataFrame) -> None:
    assert table["margin_total"].to_numpy() == pytest.approx(
        (table["margin_per_bottle"] * table["bottles_sold"]).to_numpy()
    )
    assert table["share_of_margin"].sum() == pytest.approx(1.0)
    assert table["margin_total"].is_monotonic_decreasing
    assert table.iloc[0]["share_of_margin"] == pytest.approx(table["margin_total"].max() / table["margin_total"].sum())


def test_returns_of_the_demo_beat_the_hurdle_where_the_economic_margin_is_above_nought(table: pd.DataFrame) -> None:
    assert ((table["return_a_year"] > 0.075) == (table["margin_after_capital"] > 0)).all()
    assert table["return_a_year"].notna().all()


def test_margins_by_channel_and_year_are_the_same_money(table: pd.DataFrame, demo_runs: Runs) -> None:
    for key in ("channel", "year"):
        parts = margins_by(demo_runs, (key,))
        assert parts["margin_total"].sum() == pytest.approx(table["margin_total"].sum(), rel=1e-9)
        assert parts["bottles_sold_75cl"].sum() == pytest.approx(table["bottles_sold_75cl"].sum(), rel=1e-9)
        assert parts["share_of_margin"].sum() == pytest.approx(1.0)
    magnum = table[table["format"] == "magnum"].iloc[0]
    assert magnum["bottles_sold_75cl"] == pytest.approx(2 * magnum["bottles_sold"])
    assert magnum["margin_per_75cl"] == pytest.approx(magnum["margin_per_bottle"] / 2)
    answer = margins(demo_runs)
    side = answer["margin_by_cuvee_and_channel"].set_index("cuvee_format")
    whole = answer["margins"].set_index("cuvee_format")["margin_total"]
    assert side.sum(axis=1).to_numpy() == pytest.approx(whole.loc[side.index].to_numpy(), rel=1e-9)


def test_every_figure_of_the_demo_is_as_kept(demo_runs: Runs) -> None:
    assert differences("demo", ["margins", "prices"], demo_runs) == []
