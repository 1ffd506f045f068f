"""Origins of releases and of lots on hand: every line against an exact tracer, every sum against the cost.

The tracer (`tests.properties.tracer`) counts in fractions and shares no code with the engine. Figures of the
small estates stand as arithmetic beside their test.
"""

from __future__ import annotations

import re
from collections import defaultdict

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, REPLACEMENT, CostingError, read_estate, run
from costing.graph.arrays import Flow
from costing.inputs.basis import Basis
from costing.inputs.schema import sheets
from costing.results.costs import element_amounts, releases, stage_amounts
from costing.results.origins import grouped_origins, origins, release_states
from costing.results.results import Results
from costing.results.stock import open_states, values_at
from tests.form import chosen, every
from tests.golden.test_worked_cases import tables_of as worked_case
from tests.properties.estates import estate_drawn, random_rows, tables_of, valuation_date
from tests.properties.tracer import Tracer

PART = ECONOMIC.replace(name="on lees and in reserve", capital_stages=("on lees", "reserve"))
BASES = pytest.mark.parametrize("basis", [BOOK, ECONOMIC, PART, REPLACEMENT], ids=lambda basis: basis.name)
TABLE_OF_TITLE = {sheet.title: name for name, sheet in sheets().items()}


@pytest.fixture(scope="module")
def demo(demo_runs):
    return {basis.name: demo_runs.on(basis) for basis in (BOOK, ECONOMIC, PART, REPLACEMENT)}


def dated(*days: str) -> pd.Series:
    return pd.Series(pd.to_datetime(list(days)).astype("datetime64[s]"))


def lots_on_hand(results: Results) -> list[tuple[str, float]]:
    """Lots that were not disgorged, with their value on the valuation date as the stock sheet has it."""
    chain = results.chain
    state = open_states(results, chain.valuation_day)
    value = values_at(results, state, chain.valuation_day).sum(axis=1)
    released = chain.flows.target[chain.flows.kind == Flow.DISGORGEMENT]
    return [
        (str(chain.lots.names[lot]), float(one))
        for lot, one in zip(chain.states.lot[state], value, strict=True)
        if lot not in released
    ]


# -- sums


@pytest.mark.slow
@BASES
def test_lines_add_up_to_the_cost_of_every_release(demo, basis: Basis) -> None:
    results = demo[basis.name]
    table = releases(results)
    assert len(table) > 50
    for lot, total in every(5, zip(table["release"], table["total"], strict=True)):
        assert origins(results, lot)["total"].sum() == pytest.approx(total, rel=1e-12)


@pytest.mark.slow
@BASES
def test_lines_add_up_to_the_stock_value_of_every_lot_on_hand(demo, basis: Basis) -> None:
    lots = lots_on_hand(demo[basis.name])
    assert len(lots) > 30
    for lot, value in every(8, lots):
        assert origins(demo[basis.name], lot)["total"].sum() == pytest.approx(value, rel=1e-9, abs=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("basis", [BOOK, ECONOMIC, PART], ids=lambda basis: basis.name)
@pytest.mark.parametrize("plan_days", [0, 400])
@pytest.mark.parametrize("seed", range(chosen(full=5, short=1)))
def test_sums_on_random_estates_with_late_costs_and_plans(seed: int, plan_days: int, basis: Basis) -> None:
    results = run(estate_drawn(seed, 60, plan_days=plan_days), basis)
    table = releases(results)
    for lot, total in [*zip(table["release"], table["total"], strict=True), *lots_on_hand(results)]:
        assert origins(results, lot)["total"].sum() == pytest.approx(total, rel=1e-9, abs=1e-7)


@BASES
def test_own_shares_are_the_columns_of_the_cost(demo, basis: Basis) -> None:
    """By stage and by element without capital; all capital of the release stands in the capital column."""
    results = demo[basis.name]
    for lot in releases(results)["release"].iloc[::17]:
        state, lines = release_states(results, lot), origins(results, lot)
        by_element = element_amounts(results, state).sum()
        own = lines[lines["element"] != "capital"].groupby("element")["own"].sum()
        for element, amount in by_element.drop("capital", errors="ignore").items():
            assert own.pop(element) == pytest.approx(amount, rel=1e-9, abs=1e-7)
        assert own.abs().sum() < 1e-7  # no element that the cost does not have
        opened = lines.loc[lines["element"] == "capital", "own"].sum()
        assert lines["capital"].sum() + opened == pytest.approx(by_element.get("capital", 0.0), rel=1e-9, abs=1e-7)
        if basis is BOOK:
            by_stage = lines.groupby("stage")["own"].sum()
            for stage, amount in stage_amounts(results, state).sum().items():
                assert by_stage[stage] == pytest.approx(amount, rel=1e-9, abs=1e-7)


@pytest.mark.parametrize(
    "by", [["supplier"], ["village"], ["vintage"], ["stage"], ["element"], ["supplier", "vintage"]]
)
def test_groups_add_up_to_the_lines(demo, by: list[str]) -> None:
    lines = origins(demo["economic"], "D25-3-BRUT")
    grouped = grouped_origins(lines, by)
    assert not grouped.duplicated(by).any()
    assert 1 < len(grouped) < len(lines)
    for column in ("own", "capital", "total"):
        assert grouped[column].sum() == pytest.approx(lines[column].sum(), rel=1e-12)


def test_a_release_that_cost_nothing_has_no_lines() -> None:
    rows = {name: table for name, table in three_years_on_lees().items() if name not in ("opening_costs", "pools")}
    lines = origins(run(read_estate(rows), BOOK), "D1")
    assert len(lines) == 0
    assert {"place", "supplier", "own", "capital", "total"} <= set(lines.columns)


# -- every line


@pytest.mark.slow
@pytest.mark.parametrize("basis", [BOOK, ECONOMIC], ids=lambda basis: basis.name)
@pytest.mark.parametrize("seed", range(chosen(full=40, short=2)))
def test_every_line_equals_the_exact_tracers(seed: int, basis: Basis) -> None:
    """By row of the workbook, stage and element: time charges too, each rate under its own row."""
    rows = random_rows(seed, 50)
    tracer, results = Tracer(rows, basis, valuation_date(rows)), run(read_estate(tables_of(rows)), basis)
    compared = 0
    for number, row in enumerate(rows.get("disgorgements", [])):
        if sum(other["release_lot"] == row["release_lot"] for other in rows["disgorgements"]) > 1:
            continue  # the tracer has one batch for each row
        exact = tracer.origins(tracer.batches["disgorgements", number])
        found: dict[tuple[str, int, str, str], list[float]] = defaultdict(lambda: [0.0, 0.0])
        for line in origins(results, row["release_lot"]).itertuples():
            at = int(re.search(r"\d+$", line.place)[0]) - 2
            entry = found[TABLE_OF_TITLE[line.sheet], at, line.stage, line.element]
            entry[0] += line.own
            entry[1] += line.total
        scale = max(1.0, *(abs(float(own)) for own, _ in exact.values()))
        for origin in exact.keys() | found.keys():
            own, grown = exact.get(origin, (0, 0.0))
            assert found[origin][0] == pytest.approx(float(own), rel=1e-9, abs=1e-9 * scale), origin
            assert found[origin][1] == pytest.approx(grown, rel=1e-7, abs=1e-7 * scale), origin
            compared += 1
    assert compared > 0 or "disgorgements" not in rows


def test_the_tracer_met_many_lines() -> None:
    sizes = [len(random_rows(seed, 50).get("disgorgements", [])) for seed in range(8)]
    assert sum(sizes) > 10


def test_worked_press_case_on_30_june() -> None:
    """4,000 kg in four instalments, a premium and press work: the first-pressing wine, worked by hand.

    27,604.35 on 30 June 2026 at 8 %, one instalment still unpaid; the split gives it 25,486.62 of 29,926.80.
    """
    tables = worked_case("S1")
    settings = tables["settings"].copy()
    at = settings.iloc[:, 0].str.lower().str.replace("_", " ") == "valuation date"
    settings.loc[at, settings.columns[1]] = "2026-06-30"
    results = run(read_estate({**tables, "settings": settings}), ECONOMIC)
    share = 25_486.62 / 29_926.80
    first = max((name for name, _ in lots_on_hand(results)), key=lambda name: origins(results, name)["total"].sum())
    lines = origins(results, first)
    assert lines["total"].sum() == pytest.approx(27_604.35, abs=0.005)
    unpaid = lines[lines["paid"] > pd.Timestamp("2026-06-30")]
    assert unpaid["own"].tolist() == pytest.approx([6_800 * share], rel=1e-5)
    assert unpaid["total"].tolist() == pytest.approx([6_800 * share / 1.08 ** (67 / 365)], rel=1e-5)  # 5 September


# -- charges for time, each under its own row


def three_years_on_lees() -> dict[str, pd.DataFrame]:
    """1,000 bottles on lees on 31 December 2021, disgorged on 31 December 2024; one pool a year, by time."""
    return {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-06-30"]}),
        "opening_stock": pd.DataFrame(
            {
                "Date": dated("2021-12-31"),
                "Lot": ["L1"],
                "Kind": ["on lees"],
                "Quantity": [1000],
                "Unit": ["bottles"],
                "Format": ["bottle"],
            }
        ),
        "opening_costs": pd.DataFrame({"Lot": ["L1"], "Amount": [5_000.0]}),
        "disgorgements": pd.DataFrame(
            {
                "Date": dated("2024-12-31"),
                "Release lot": ["D1"],
                "From lot": ["L1"],
                "Bottles in": [1000],
                "Bottles out": [1000],
            }
        ),
        "pools": pd.DataFrame(
            {
                "Pool": ["Cellar"] * 3,
                "From": dated("2022-01-01", "2023-01-01", "2024-01-01"),
                "To": dated("2022-12-31", "2023-12-31", "2024-12-31"),
                "Amount": [100.0, 200.0, 366.0],
                "Driver": ["bottle-year"] * 3,
                "Stage": ["on lees"] * 3,
                "Element": ["storage"] * 3,
            }
        ),
    }


def test_each_year_of_a_pool_has_its_own_line() -> None:
    lines = origins(run(read_estate(three_years_on_lees()), BOOK), "D1")
    pools = lines[lines["sheet"] == "Pools"]
    assert pools["own"].tolist() == pytest.approx([100.0, 200.0, 366.0], rel=1e-12)
    assert pools["place"].nunique() == 3
    assert pools["incurred"].dt.year.add(1).tolist() == [2022, 2023, 2024]  # each from one 31 December to the next
    assert pools["paid"].dt.year.tolist() == [2022, 2023, 2024]


def test_capital_on_each_year_of_a_pool_is_that_of_an_even_annuity() -> None:
    """s·(g − 1)/ln g at the end of its year, then compound interest to the release (Act/365)."""
    results = run(read_estate(three_years_on_lees()), ECONOMIC.replace(name="8 %", rate=0.08))
    lines = origins(results, "D1")
    pools = lines[lines["sheet"] == "Pools"]
    expected = []
    for amount, held, after in ((100.0, 365, 731), (200.0, 365, 366), (366.0, 366, 0)):
        growth = 1.08 ** (held / 365)
        expected.append(amount * (growth - 1) / np.log(growth) * 1.08 ** (after / 365))
    assert pools["total"].tolist() == pytest.approx(expected, rel=1e-12)
    opening = lines[lines["sheet"] == "Opening costs"]
    assert opening["total"].tolist() == pytest.approx([5_000 * 1.08 ** (1096 / 365)], rel=1e-12)


# -- cells


def bought_grapes() -> dict[str, pd.DataFrame]:
    """Grapes at their own price with a premium, at a listed price with a premium, and own ones; one vat."""
    return {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-06-30"]}),
        "deliveries": pd.DataFrame(
            {
                "Date": dated(*["2024-09-12"] * 3),
                "Lot": ["G1", "G2", "G3"],
                "What": ["grapes"] * 3,
                "Supplier": ["Grower A", "Grower B", None],
                "Village": ["Amblencourt", "Vernoy", "Vernoy"],
                "Quantity": [1000.0] * 3,
                "Unit": ["kg"] * 3,
                "Price per unit": [6.0, None, 7.0],
                "Growing cost per unit": [None, None, 4.0],
                "Final premium per unit": [0.2, 0.1, None],
                "Premium date": dated("2025-03-20", "2025-03-20", "NaT"),
            }
        ),
        "grape_prices": pd.DataFrame({"Year": [2024], "Village": ["Vernoy"], "Price per kg": [5.0]}),
        "pressings": pd.DataFrame(
            {
                "Date": dated(*["2024-09-12"] * 3),
                "Load": ["P1"] * 3,
                "From lot": ["G1", "G2", "G3"],
                "Grapes (kg)": [1000.0] * 3,
                "Fraction": ["first", None, None],
                "Must (L)": [1900.0, None, None],
                "To lot": ["V1", None, None],
            }
        ),
        "costs": pd.DataFrame(
            {
                "Date incurred": dated("2025-06-30", "2025-07-15"),
                "Lot": ["V1", "V1"],
                "Element": ["labour", "labour"],
                "Amount": [50.0, 70.0],
            }
        ),
    }


@pytest.mark.parametrize(
    ("basis", "own_column", "own_amount"),
    [(BOOK, "growing_cost_per_unit", 4_000.0), (ECONOMIC, "price_per_unit", 7_000.0)],
    ids=lambda value: getattr(value, "name", None),
)
def test_each_amount_names_the_cell_it_stands_in(basis: Basis, own_column: str, own_amount: float) -> None:
    rate = None if basis.capital == "none" else 0.0
    results = run(read_estate(bought_grapes()), basis.replace(name="one", rate=rate))
    estate = results.estate
    lines = origins(results, "V1").groupby("place")["own"].sum().to_dict()
    assert lines == pytest.approx(
        {
            estate.place("deliveries", 0, "price_per_unit"): 6_000.0,
            estate.place("deliveries", 0, "premium_per_unit"): 200.0,
            estate.place("grape_prices", 0, "price_per_kg"): 5_000.0,
            estate.place("deliveries", 1, "premium_per_unit"): 100.0,
            estate.place("deliveries", 2, own_column): own_amount,
            estate.place("costs", 0, "amount"): 50.0,  # on the valuation date itself; the one after it is not in it
        }
    )


def test_growers_villages_and_years_of_deliveries() -> None:
    lines = origins(run(read_estate(bought_grapes()), BOOK), "V1")
    by_grower = grouped_origins(lines, ["supplier", "village"]).set_index(["supplier", "village"])["own"].to_dict()
    assert by_grower == {
        ("Grower A", "Amblencourt"): 6_200.0,
        ("Grower B", "Vernoy"): 5_100.0,
        ("own vineyard", "Vernoy"): 4_000.0,  # no supplier: own vineyard, as the sheet says
        ("", ""): 50.0,
    }
    grapes = lines[lines["element"] == "grapes"]
    assert grapes["vintage"].unique().tolist() == ["2024"]
    assert set(grapes["lot"]) == {"G1", "G2", "G3"}


def test_every_place_of_the_demo_is_a_cell_that_holds_its_amount(demo) -> None:
    results = demo["economic"]
    lines = origins(results, "D25-3-BRUT")
    assert lines["place"].str.fullmatch(r"[A-Z][\w é-]+![A-Z]+\d+").all()
    estate = results.estate
    direct = lines[lines["sheet"] == "Costs"]
    assert len(direct) > 5
    by_place = {estate.place("costs", row, "amount"): row for row in range(len(estate["costs"]))}
    amounts = direct.groupby("place")["amount"].sum()  # a late invoice stands in parts, one for each arrival
    rows = [by_place[place] for place in amounts.index]
    assert len(direct) > len(rows)
    assert amounts.tolist() == pytest.approx(estate["costs"]["amount"].to_numpy()[rows].tolist())


# -- mistakes


def test_unknown_names_say_the_nearest(demo) -> None:
    with pytest.raises(CostingError, match="D25-3-BRUT"):
        origins(demo["book"], "D25-3-BRUTT")
    with pytest.raises(CostingError, match="'village'"):
        grouped_origins(origins(demo["book"], "D25-3-BRUT"), ["vilage"])


def test_an_empty_lot_says_so() -> None:
    results = run(read_estate(bought_grapes()), BOOK)
    with pytest.raises(CostingError, match="'G1' holds nothing"):
        origins(results, "G1")
