"""Lower of cost and net realisable value, item by item. Source: IAS 2 Inventories, paragraphs 9, 28, 29 and 33."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, House, InputError, Results, read_estate, run
from costing.results.composition import Composition
from costing.results.net_realisable import by_pressing, market_value_per_unit, net_realisable_value
from costing.results.stock import stock_values


@pytest.fixture(scope="module")
def demo(demo_runs) -> Results:
    return demo_runs.book


def valued(results: Results, rows: list[dict[str, object]]) -> Results:
    """The same results with other market values."""
    given = pd.DataFrame(rows).reindex(columns=results.estate["market_values"].columns)
    given = given.astype({"from_date": "datetime64[s]", "value_per_unit": "float64"})
    tables = {**results.estate.tables, "market_values": given}
    return replace(results, estate=replace(results.estate, tables=tables))


def test_each_lot_is_written_down_on_its_own(demo: Results) -> None:
    """IAS 2.29: item by item, not the whole of inventory; a lot above cost does not offset one below."""
    cost = stock_values(demo).set_index("lot")["value_per_unit"]
    dear, cheap = cost["R-PERP"] + 5.0, cost["R-ROUGE"] - 2.0
    rows = [{"from_date": "2025-01-01", "lot": "R-PERP", "value_per_unit": dear}]
    rows.append({"from_date": "2025-01-01", "lot": "R-ROUGE", "value_per_unit": cheap})
    table = net_realisable_value(valued(demo, rows)).set_index("lot")
    assert table.loc["R-PERP", "write_down"] == 0.0
    assert table.loc["R-ROUGE", "write_down"] == pytest.approx(2.0 * table.loc["R-ROUGE", "quantity"])
    assert table["write_down"].sum() == pytest.approx(table.loc["R-ROUGE", "write_down"])


def test_a_new_assessment_each_period_reverses_a_write_down(demo: Results) -> None:
    """IAS 2.33: a new assessment in each subsequent period; the write-down is limited to the original one."""
    rows = [{"from_date": "2023-01-01", "what": "reserve", "value_per_unit": 1.0}]
    rows.append({"from_date": "2025-06-01", "what": "reserve", "value_per_unit": 1_000.0})
    table = net_realisable_value(valued(demo, rows), ["2025-12-31", "2024-12-31"])
    reserve = table[table["kind"] == "reserve"]
    by_day = reserve.groupby("date")[["value", "write_down", "carried_at"]].sum()
    before, after = by_day.loc["2024-12-31"], by_day.loc["2025-12-31"]
    assert before["write_down"] == pytest.approx(
        before["value"] - reserve[reserve["date"] == "2024-12-31"]["quantity"].sum()
    )
    assert (after["write_down"], after["carried_at"]) == (0.0, after["value"])


def test_no_market_value_means_no_write_down(demo: Results) -> None:
    table = net_realisable_value(valued(demo, []))
    assert table["market_value"].isna().all()
    assert table["write_down"].eq(0.0).all()


def test_the_most_particular_row_counts_then_the_latest(demo: Results) -> None:
    stock = by_pressing(Composition(demo.estate, demo.chain), stock_values(demo, "2025-12-31"))
    day = int(np.datetime64("2025-12-31").astype(np.int64))
    rows: list[dict[str, object]] = [
        {"from_date": "2026-01-01", "what": "on lees", "value_per_unit": 99.0},  # not yet
        {"from_date": "2024-01-01", "what": "on lees", "value_per_unit": 1.0},
        {"from_date": "2025-01-01", "what": "on lees", "value_per_unit": 2.0},
        {"from_date": "2025-02-01", "format": "magnum", "value_per_unit": 3.0},
        {"from_date": "2020-01-01", "what": "on lees", "format": "magnum", "value_per_unit": 4.0},
        {"from_date": "2020-01-01", "cuvee": "Brut", "value_per_unit": 5.0},
        {"from_date": "2020-01-01", "cuvee": "Brut", "format": "magnum", "value_per_unit": 6.0},
        {"from_date": "2019-01-01", "lot": "T24-BRUT", "value_per_unit": 7.0},
        {"from_date": "2025-01-01", "what": "first", "value_per_unit": 50.0},  # a press fraction, no stock
    ]
    estate = valued(demo, rows).estate
    shuffled = valued(demo, [rows[place] for place in (4, 8, 1, 6, 0, 7, 3, 2, 5)]).estate
    of_all: dict[str, object] = {"from_date": "2020-01-01", "value_per_unit": 8.0}
    for_the_rest = market_value_per_unit(valued(demo, [*rows, of_all]).estate, stock, day)
    found = pd.Series(market_value_per_unit(estate, stock, day), index=stock["lot"])
    assert np.array_equal(found, market_value_per_unit(shuffled, stock, day), equal_nan=True)
    kind, cuvee, form = (stock.set_index("lot")[name] for name in ("kind", "cuvee", "format"))
    assert found["T24-BRUT"] == 7.0
    magnum = (cuvee == "Brut") & (form == "magnum")
    brut = (cuvee == "Brut") & (form != "magnum") & (found.index != "T24-BRUT")
    others = (kind == "on lees") & (cuvee != "Brut") & (form == "bottle")
    assert set(found[magnum]) == {6.0}
    assert set(found[brut]) == {5.0}
    assert set(found[others]) == {2.0}
    assert found[kind == "reserve"].isna().all()
    assert np.array_equal(for_the_rest, found.fillna(8.0))


def test_write_down_is_no_posting(demo_estate) -> None:
    estate = demo_estate
    ruined = estate["market_values"].assign(value_per_unit=0.01)
    changed = replace(estate, tables={**estate.tables, "market_values": ruined})
    results = run(changed, ECONOMIC.replace(split_method="volume"))
    table = net_realisable_value(results)
    assert table["write_down"].sum() > 0.9 * table.loc[table["market_value"].notna(), "value"].sum()
    plain = stock_values(run(estate, ECONOMIC.replace(split_method="volume")))
    assert np.allclose(plain["value"], table["value"], rtol=1e-12)


def test_wine_of_the_second_pressing_has_a_value_of_its_own(demo: Results) -> None:
    """V25-20, V25-24 and V25-25 are pressed second, which the place table sells apart: common practice, no source."""
    rows: list[dict[str, object]] = [
        {"from_date": "2020-01-01", "what": "wine", "value_per_unit": 14.0},
        {"from_date": "2019-01-01", "what": "wine", "fraction": "second", "value_per_unit": 9.0},
        {"from_date": "2020-01-01", "what": "second", "value_per_unit": 3.0},  # must on the day of its split
        {"from_date": "2020-01-01", "lot": "V25-24", "value_per_unit": 8.0},
    ]
    table = net_realisable_value(valued(demo, rows)).set_index("lot")
    assert table.loc[["V25-05", "V25-20", "V25-24"], "market_per_unit"].tolist() == [14.0, 9.0, 8.0]
    wine = table[(table["unit"] == "L") & (table["kind"] == "wine")]
    assert set(wine.loc[wine["fraction"] == "second"].index) == {"V25-20", "V25-24", "V25-25"}
    assert table.loc[table["unit"] == "bottles", "market_per_unit"].isna().all()


def test_a_pressing_of_bottles_or_of_a_press_fraction_is_a_finding(demo: Results) -> None:
    def marked(values: pd.DataFrame) -> pd.DataFrame:
        return values.assign(fraction=values["fraction"].where(~values["what"].isin(["on lees", "first"]), "second"))

    with pytest.raises(InputError) as refused:
        House(demo.estate).replace(market_values=marked)
    (finding,) = refused.value.findings  # one for all of them
    wrong = demo.estate["market_values"]["what"].isin(["on lees", "first"]).sum()
    assert finding.place == "Market values!D2"
    assert f"{wrong - 1} more cells" in finding.rule


@pytest.mark.parametrize(("second", "pressing"), [(99.0, "first"), (100.0, "second"), (101.0, "second")])
def test_wine_half_of_which_is_second_pressing_counts_as_second_pressing(second: float, pressing: str) -> None:
    moves = {"Date": ["2024-10-01"] * 2, "Operation": "blending", "From lot": ["M", "N"], "To lot": "B"}
    litres = [200.0 - second, second]
    estate = read_estate(
        {
            "deliveries": pd.DataFrame(
                {"Date": ["2024-09-01"], "Lot": ["G"], "What": ["grapes"], "Quantity": [400.0], "Unit": ["kg"]}
            ),
            "pressings": pd.DataFrame(
                {"Date": ["2024-09-01"] * 2, "Load": "P", "From lot": ["G", None], "Grapes (kg)": [400.0, None],
                 "Fraction": ["first", "second"], "Must (L)": [150.0, 150.0], "To lot": ["M", "N"]}
            ),
            "movements": pd.DataFrame({**moves, "Out (L)": litres, "In (L)": litres}),
        }
    )  # fmt: skip
    results = run(estate, BOOK)
    stock = by_pressing(Composition(estate, results.chain), stock_values(results)).set_index("lot")
    assert stock.loc["B", "fraction"] == pressing
