"""Why a figure moved: parts add up exactly, each family says its own, two years in six lines.

Source: replacing one factor at a time is the ordinary variance analysis of price and quantity (OpenStax, Principles of
Accounting, vol. 2, 8.2 and 8.3, from memory); the textbook's materials variances are worked in the last test.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, CostingError, read_estate, run, trace
from costing.commands.records import demo_folder
from costing.decisions.changes.changes import Change, ChangedCells, apply_changes
from costing.decisions.changes.families import columns_of_family, matched_rows, passed_on, row_keys
from costing.decisions.changes.figures import STOCK, costed_figure
from costing.decisions.changes.replay import later_rows_follow
from costing.decisions.changes.why import why_answer, why_it_moved
from costing.decisions.changes.years import TOTAL, between_releases, bottle_of
from costing.inputs.load import read_inputs
from tests.decisions.one_bottling import one_bottling
from tests.form import every
from tests.golden.as_kept import differences
from tests.golden.every_decision import unpriced

LOT = "D25-3-BRUT"


@pytest.fixture(scope="module")
def demo(demo_estate):
    return demo_estate


@pytest.fixture(scope="module")
def small(small_runs):
    return small_runs.estate


def _with(estate, *changes):
    made = [
        Change(ChangedCells(table, column, rows, 1.0), "multiply", factor) for table, column, rows, factor in changes
    ]
    return later_rows_follow(estate, trace(estate), apply_changes(estate, made))[0]


def _all(estate, table):
    return np.arange(len(estate[table]))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("family", "table", "column", "factor"),
    every(
        2,
        [
            ("price", "deliveries", "price_per_unit", 1.05),
            ("price", "dry_goods", "unit_price", 1.10),
            ("rates", "operation_rates", "amount", 1.10),
            ("rates", "interest_rates", "hurdle_rate", 1.20),
            ("rates", "pools", "amount", 0.90),
        ],
    ),
)
def test_one_family_moved_says_so_alone(small, family, table, column, factor) -> None:
    """Of all stock: what is released there was filled before the records begin."""
    other = _with(small, (table, column, _all(small, table), factor))
    found = why_it_moved(small, other, STOCK).set_index("what_moved")
    assert list(found.index) == ["before", family, "after"]
    begin, end = (costed_figure(run(estate, ECONOMIC), STOCK) for estate in (small, other))
    assert found.loc[family, "change"] == end - begin
    assert found.loc[family, "behind_it"].startswith(
        ("Deliveries!", "Dry goods!", "Operation rates!", "Interest", "Pools!")
    )


@pytest.fixture(scope="module")
def other(small):
    """The small house with every family of figures moved."""
    first = np.flatnonzero((small["pressings"]["fraction"] == "first").to_numpy())
    other = _with(
        small,
        ("deliveries", "price_per_unit", _all(small, "deliveries"), 1.04),
        ("pressings", "volume_l", first, 0.985),
        ("disgorgements", "bottles_out", _all(small, "disgorgements"), 0.99),
        ("operation_rates", "amount", _all(small, "operation_rates"), 1.03),
    )
    later = other["disgorgements"].copy()
    later.loc[(later["release_lot"] == "D25").to_numpy(), "on_date"] += pd.Timedelta(days=15)
    without = other["costs"].drop(index=[1]).reset_index(drop=True)
    sources = replace(other.sources["costs"], row=np.delete(other.sources["costs"].row, 1))
    sources = replace(sources, sheet=np.delete(sources.sheet, 1))
    return replace(
        other,
        tables={**other.tables, "disgorgements": later, "costs": without},
        sources={**other.sources, "costs": sources},
    )


@pytest.mark.slow
def test_parts_add_up_exactly(small, other) -> None:
    found = why_it_moved(small, other, STOCK)
    assert list(found["what_moved"]) == ["before", "price", "yield", "loss", "rates", "timing", "plan", "after"]
    amounts = found["change"].to_numpy()
    assert amounts[1:-1].sum() == pytest.approx(amounts[-1] - amounts[0], rel=1e-12)
    assert np.allclose(found["running"].to_numpy()[:-1], np.cumsum(amounts[:-1]), rtol=1e-12)
    assert "Costs: 0 new, 1 gone" in found["behind_it"].iloc[-2]
    by = found.set_index("what_moved")["change"]
    assert by["price"] > 0
    assert by["rates"] > 0


def test_a_row_that_only_one_estate_has_is_the_plan(demo) -> None:
    """By hand: 4,000 bottles of the small example without their glass at 1.00; half of them are there, 40 more were
    lost of the other half.
    """
    small = read_inputs(demo_folder() / "small")
    glass = small["dry_goods"]["item"] != "glass"
    source = small.sources["dry_goods"]
    without = replace(
        small,
        tables={**small.tables, "dry_goods": small["dry_goods"][glass].reset_index(drop=True)},
        sources={**small.sources, "dry_goods": replace(source, row=source.row[glass], sheet=source.sheet[glass])},
    )
    before, after = (costed_figure(run(estate, BOOK), STOCK) for estate in (small, without))
    found = why_it_moved(small, without, STOCK, BOOK)
    assert list(found["what_moved"]) == ["before", "plan", "after"]
    assert found["change"].tolist() == pytest.approx([before, after - before, after])
    assert after - before == pytest.approx(-2_000.0 - 500.0 * 2_000.0 / 1_960.0)
    assert found["behind_it"].tolist()[1] == "Dry goods: 0 new, 1 gone"


def test_a_cell_that_was_blank_before_has_moved() -> None:
    """A premium on the wine that none was given for, and terms of payment that were not named."""
    first, terms = (
        one_bottling(),
        pd.DataFrame({"Terms": ["late"], "Share (%)": [100], "Days after delivery (days)": [365]}),
    )
    wine = first["deliveries"].assign(Terms=None)
    first["deliveries"] = pd.concat([wine, wine.assign(Lot="V", Terms="late")], ignore_index=True)
    before = read_estate({**first, "terms": terms})
    second = first["deliveries"].assign(
        **{"Terms": "late", "Final premium per unit": [1.0, None], "Premium date": ["2022-03-01", None]}
    )
    after = read_estate({**first, "terms": terms, "deliveries": second})
    pairs = {name: matched_rows(before[name], after[name], keys) for name, keys in row_keys().items()}
    passed = passed_on(before, after, pairs, columns_of_family("price"))
    assert passed["deliveries"]["premium_per_unit"].iloc[0] == 1.0
    found = why_it_moved(before, after, "D").set_index("what_moved")
    assert found.loc["price", "behind_it"] == f"Deliveries!2 +{0.75 * 1.08 ** (1096 / 365):.4f}"
    assert found.loc["timing", "behind_it"].startswith("Deliveries!2 -")


def test_one_release_alone_is_not_compared(demo_runs) -> None:
    assert "why_between" not in why_answer(demo_runs, LOT).tables
    assert "why_between" in why_answer(demo_runs, "D24-3-BRUT", LOT).tables


@pytest.mark.parametrize(("must", "made_of"), [(0.75, (6.0, 1.2, 0.75, 1.0)), (None, (0.0, 0.0, 0.75, 0.0))])
def test_a_single_bottle_and_one_of_a_by_product_are_told_as_any(must, made_of) -> None:
    """0.9 kg at 6.00 for 0.75 L; and the by-product of a load, which has neither cost nor kilograms."""
    fraction = {"Date": "2021-09-15", "Load": "P", "From lot": "G", "Grapes (kg)": 0.9, "Fraction": "first"}
    pressings = [{**fraction, "Must (L)": 0.75, "To lot": "W"}]
    if must is None:
        apart = {"Date": "2021-09-15", "Load": "P", "Fraction": "by-product", "Must (L)": 0.75, "To lot": "W"}
        pressings = [{**fraction, "Must (L)": 0.1, "To lot": "F"}, apart]
    names = ["Valuation date", "Volume tolerance (L)", "Weight tolerance (kg)"]
    sheets = one_bottling() | {
        "settings": pd.DataFrame({"Setting": names, "Value": ["2025-12-31", 0.001, 0.001]}),
        "deliveries": pd.DataFrame(
            {"Date": ["2021-09-15"], "Lot": "G", "What": "grapes", "Quantity": 0.9, "Unit": "kg", "Price per unit": 6}
        ),
        "pressings": pd.DataFrame(pressings),
    }
    sheets["tirage"] = sheets["tirage"].assign(**{"Wine (L)": 0.75, "Bottles (bottles)": 1})
    whole = {"Bottles in (bottles)": 1, "Bottles out (bottles)": 1}
    sheets["disgorgements"] = sheets["disgorgements"].assign(**whole)
    one = bottle_of(run(read_estate(sheets), BOOK), "D")
    assert (one.price, one.kg_per_l, one.entered_l, one.pressed) == pytest.approx(made_of)
    assert one.grapes == pytest.approx(one.cost)


def test_two_estates_that_are_the_same_differ_in_nothing(demo) -> None:
    found = why_it_moved(demo, demo, LOT)
    assert list(found["what_moved"]) == ["before", "after"]


def test_a_cuvee_that_is_only_planned_has_no_cost_to_explain() -> None:
    planned = r"^cuvée 'Zéro' has no release made by the valuation date. Planned ones: X26.$"
    with pytest.raises(CostingError, match=planned):
        costed_figure(run(read_estate(unpriced()), BOOK), "Zéro")


def test_an_estate_without_the_cuvee_is_refused(demo) -> None:
    with pytest.raises(CostingError, match="Did you mean 'Brut'"):
        why_it_moved(demo, demo, "Brutt")


@pytest.mark.parametrize("basis", [BOOK, ECONOMIC], ids=lambda basis: basis.name)
@pytest.mark.parametrize(
    ("first", "second"), [("D24-3-BRUT", LOT), ("D24-4-TERR", "D25-4-TERR"), ("D24-4-SEC", "D25-4-SEC"), (LOT, LOT)]
)
def test_two_years_in_six_lines_to_the_cent(demo_runs, basis, first, second) -> None:
    results = demo_runs.on(basis)
    table = between_releases(results, first, second)
    assert list(table["what_moved"]) == ["price", "yield", "loss", "rates", "timing", "plan", "cost per bottle"]
    difference = round(costed_figure(results, second), 2) - round(costed_figure(results, first), 2)
    assert table["change_per_bottle"].iloc[:6].sum() == pytest.approx(difference, abs=1e-9)
    assert table["change_per_bottle"].iloc[6] == pytest.approx(difference, abs=1e-9)
    for lot in (first, second):
        one = bottle_of(results, lot)
        assert one.grapes + one.work + one.time + one.wine == pytest.approx(one.cost, rel=1e-9)


def test_both_tables_of_years_add_up_to_the_eye_and_say_one_cost(demo_runs) -> None:
    """Rosé of the year before stood at 15.01 in one table and at 15.02 in the other, 1.23 below 16.24."""
    answer = why_answer(demo_runs)
    by_family = answer["why_by_family"].set_index("cuvee")
    lines = answer["why_by_year"]
    whole = lines[lines["what_moved"] == TOTAL].set_index("cuvee")
    assert len(by_family) == 6
    for name, family in by_family.iterrows():
        before, after = (round(whole.loc[name, side], 2) for side in ("figure_before", "figure_after"))
        assert (family["cost_then"], family["cost_now"]) == (before, after)
        moves = lines.loc[(lines["cuvee"] == name) & (lines["what_moved"] != TOTAL), "change_per_bottle"].sum()
        assert [round(moves, 2), whole.loc[name, "change_per_bottle"]] == pytest.approx([after - before] * 2)


def test_dearer_grapes_are_the_price_line(demo) -> None:
    """OpenStax, Principles of Accounting vol. 2, 8.2: price variance = (actual − standard price) × actual quantity."""
    dear = run(_with(demo, ("grape_prices", "price_per_kg", _all(demo, "grape_prices"), 1.10)), BOOK)
    one, other = bottle_of(run(demo, BOOK), LOT), bottle_of(dear, LOT)
    assert other.kg_per_l == pytest.approx(one.kg_per_l, rel=0.02)  # sales-value shares move a little with nothing else
    assert other.entered_l == pytest.approx(one.entered_l, rel=1e-9)
    assert other.price > one.price * 1.05
    assert other.grapes - one.grapes == pytest.approx(
        (other.price - one.price) * one.kg_per_l * one.entered_l * one.pressed
    )


def test_fewer_litres_from_the_same_grapes_are_the_yield_line(demo) -> None:
    every = np.flatnonzero(demo["pressings"]["volume_l"].notna().to_numpy())
    less = run(_with(demo, ("pressings", "volume_l", every, 0.95)), BOOK)
    one, other = bottle_of(run(demo, BOOK), LOT), bottle_of(less, LOT)
    assert other.kg_per_l == pytest.approx(one.kg_per_l / 0.95, rel=5e-3)
    assert other.price == pytest.approx(one.price, rel=5e-3)


def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    assert differences("demo", ["why"], demo_runs) == []
