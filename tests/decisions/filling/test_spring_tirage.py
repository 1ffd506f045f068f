"""This spring's tirage of the demo, its bounds, its wine, and what a person may enter wrong."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import House, InputError
from costing.answers.catalogue import columns
from costing.cli import main
from costing.decisions.filling.spring_tirage import _advice, _says, filling_of, markets_rate, tirage
from costing.decisions.filling.springs import SORTS, harvests_of, harvests_to_come, springs_of
from costing.decisions.plan.planning import value_of
from costing.model import Runs
from tests.decisions.plan.best import best_plan
from tests.golden.as_kept import differences

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def answer(demo_runs):
    return tirage(demo_runs)


def limits(*rows: tuple[str, str, str | None, float | None, float | None]) -> pd.DataFrame:
    """Limits: what, cuvée, format, at least, at most."""
    return pd.DataFrame(rows, columns=["what", "cuvee", "format", "least", "most"])


def test_every_planned_tirage_has_its_bottles_worth_cost_and_cover(answer, demo_runs) -> None:
    table = answer["tirage_advice"].set_index("lot")
    sheet = demo_runs.estate["tirage"]
    ahead = sheet[sheet["on_date"] > pd.Timestamp("2025-12-31")].set_index("to_lot")
    assert table["fill_planned"].to_dict() == ahead["bottles"].to_dict()
    assert (table["fill_advised"] >= table["fill_least"] - 1e-6).all()
    assert (table["fill_advised"] <= table["fill_most"] + 1e-6).all()
    assert table[["worth_filled", "cost_to_fill", "cover_now", "cover_three_years"]].notna().all().all()
    assert table["do"].str.match(r"fill (none|[\d,]+, ([\d,]+ (more|fewer)|as planned))").all()


def test_more_is_filled_where_one_more_is_worth_its_cost_and_fewer_where_not(answer) -> None:
    """Worth and cost are those at the planned bottles; the value of a plan is concave in what is filled."""
    table = answer["tirage_advice"]
    moved, gain = table["fill_advised"] - table["fill_planned"], table["worth_filled"] - table["cost_to_fill"]
    assert float((moved * gain).sum()) > 0.0


def test_its_worth_of_one_more_has_another_name_than_that_of_the_plan_and_says_why(answer, demo_runs) -> None:
    """It looks seven years ahead and fills later springs; the plan ends sooner and counts what is left."""
    headers = {name: columns()[name].header for name in ("worth_filled", "worth_of_one_more")}
    assert headers["worth_filled"] != headers["worth_of_one_more"]
    said = " ".join(answer.says)
    assert f"ends after {demo_runs.estate.settings.plan_horizon_months} months" in said
    assert "looks 84 months ahead" in said


def test_worth_of_one_more_lies_between_one_more_and_one_less(small_runs) -> None:
    found = filling_of(small_runs)
    springs = found.keeping
    base = value_of(springs.facts, found.as_planned[0])
    worth = found.as_planned[1].bottle
    assert len(springs.tirage)
    for at in springs.tirage:
        moved = []
        for step in (-1.0, 1.0):
            bottles = springs.planned.copy()
            bottles[at] += step
            facts = springs.fixed(bottles)
            moved.append((value_of(facts, best_plan(facts)[0]) - base) / step)
        assert moved[1] - 1e-3 <= worth[at] <= moved[0] + 1e-3


def test_wine_bottled_sold_and_kept_is_what_there_is(answer) -> None:
    table = answer["wine_by_spring"]
    first = table[table["spring"] == "2026"]
    out = first[["litres_bottled", "litres_in_bulk", "litres_kept"]].sum(axis=1)
    assert out.to_numpy() == pytest.approx(first["litres_come"].to_numpy(), abs=1e-3)


def test_harvests_are_the_must_of_the_press_loads_less_the_norms(demo_estate) -> None:
    """1,000 L of must are 1,000 · (1 − norm) for each of settling, fermentation, racking and filtration."""
    today = int(np.datetime64("2025-12-31").astype(np.int64))
    harvests = harvests_of(demo_estate, today)
    assert list(harvests.index) == list(range(2018, 2026))
    pressed = demo_estate["pressings"]
    first = pressed[(pressed["fraction"] == "first") & (pressed["on_date"].dt.year == 2024)]["volume_l"].sum()
    norms = demo_estate["loss_norms"].set_index("applies_to")["percent"]
    kept = np.prod([1.0 - norms[name] for name in ("settling", "fermentation", "racking", "fining and filtration")])
    bought = demo_estate["deliveries"]
    more = bought[bought["what"].isin(["must", "wine"]) & (bought["on_date"].dt.year == 2024)]["quantity"].sum()
    assert harvests.loc[2024, SORTS[0]] == pytest.approx(first * kept + more)


def test_a_harvest_before_the_first_spring_counts_by_its_press_loads_or_as_the_mean(demo_estate) -> None:
    """Valued in June, spring 2026 has the wine of harvest 2025: of its press loads where they stand in the records, of
    the mean harvest where none does, and of nothing once the season is over.
    """
    june, december, spring = (
        int(np.datetime64(day).astype(np.int64)) for day in ("2025-06-30", "2025-12-31", "2026-03-30")
    )
    harvests = harvests_of(demo_estate, june)
    norms = demo_estate["loss_norms"].set_index("applies_to")["percent"]
    kept = np.prod([1.0 - norms[name] for name in ("settling", "fermentation", "racking", "fining and filtration")])
    pressed = demo_estate["pressings"]
    loads = pressed[pressed["on_date"].dt.year == 2025].groupby("fraction", observed=True)["volume_l"].sum()
    come = harvests_to_come(demo_estate, june, spring, harvests)
    assert come == pytest.approx(loads[["first", "second"]].to_numpy() * kept)
    before = replace(
        demo_estate,
        tables={**demo_estate.tables, "pressings": pressed[pressed["on_date"].dt.year < 2025].reset_index(drop=True)},
    )
    assert harvests_to_come(before, june, spring, harvests) == pytest.approx(harvests.mean().to_numpy())
    assert not harvests_to_come(before, december, spring, harvests).any()
    assert not harvests_to_come(demo_estate, december, spring, harvests_of(demo_estate, december)).any()


def test_the_reserve_kept_is_enough_for_the_next_blends(answer) -> None:
    levels = answer["reserve_levels"]
    chosen = levels[levels["do"] == "keep this"]
    assert len(chosen) == 1
    assert chosen["cost_both"].iloc[0] == pytest.approx(levels["cost_both"].min(), abs=1e-6)
    first = answer["wine_by_spring"]
    kept = first[(first["spring"] == "2026") & (first["sort"] == SORTS[0])]["litres_kept"].iloc[0]
    assert kept >= chosen["reserve_l"].iloc[0] - 1e-6


def test_bounds_on_limits_hold(small_runs) -> None:
    """Without bounds none would be filled of the 4,050 planned; with a most of 600 in each spring as many as may be."""
    for least, most, advised in ((2_000, 2_500, 2_000), (None, 600, 600)):
        house = House(small_runs.estate).replace(limits=limits(("tirage", "Brut", "bottle", least, most)))
        (line,) = tirage(house.runs)["tirage_advice"].itertuples()
        assert (line.lot, line.fill_planned) == ("T26", 4_050)
        assert line.fill_advised == pytest.approx(advised)


def test_bounds_that_the_planned_bottles_break_cost_money_and_are_said_to(small_runs) -> None:
    house = House(small_runs.estate).replace(limits=limits(("tirage", "Brut", "bottle", 5_000, 5_000)))
    first = tirage(house.runs).says[0]
    assert "keeping the bounds on Limits costs" in first
    assert "-" not in first


def test_more_filled_than_there_is_wine_is_a_finding(small_runs) -> None:
    house = House(small_runs.estate).replace(limits=limits(("tirage", "Brut", "bottle", 200_000, None)))
    found = [finding for finding in tirage(house.runs).findings if "than there is wine" in finding.rule]
    assert found
    assert found[0].place.startswith("Limits!")
    assert "7,365 L on hand" in found[0].rule


def test_planned_tirages_that_want_more_wine_than_there_is_are_said_to(small_runs) -> None:
    """A wine lot that is overdrawn is an error of the rows; here the planned bottles alone are multiplied."""
    found = filling_of(small_runs)
    more = replace(found, springs=replace(found.springs, planned=found.springs.planned * 3.0))
    assert "no wine for all that is planned" in _says(small_runs, more, _advice(small_runs, more))[0]
    assert "no wine" not in _says(small_runs, found, _advice(small_runs, found))[0]


SAY_NOTHING = {
    "Limits!E2": (("tirage", "Brut", "bottle", None, None), "no bound"),
    "Limits!D3": (("tirage", "Brut", "bottle", 10, 5), "above At most"),
    "Limits!B4": (("tirage", None, "bottle", 10, None), "no cuvée"),
}


def test_bounds_that_say_nothing_are_findings_each_at_its_cell(small_runs) -> None:
    with pytest.raises(InputError) as wrong:
        House(small_runs.estate).replace(limits=limits(*(row for row, _ in SAY_NOTHING.values())))
    found = {finding.place: str(finding) for finding in wrong.value.findings if finding.severity == "error"}
    assert set(found) == set(SAY_NOTHING)
    for cell, (_, said) in SAY_NOTHING.items():
        assert said in found[cell]


def test_an_estate_that_never_filled_a_bottle_has_nothing_to_fill(demo_estate) -> None:
    none = replace(demo_estate, tables={**demo_estate.tables, "price_by_age": demo_estate["price_by_age"].iloc[:0]})
    answer = tirage(Runs(none))
    assert not len(answer.main)
    assert "nothing to fill" in answer.empty


def test_without_planned_tirages_the_next_spring_is_taken_from_the_last_ones(demo_estate) -> None:
    sheet = demo_estate["tirage"]
    ahead = sheet["on_date"] > pd.Timestamp("2025-12-31")
    lots = set(sheet.loc[ahead, "to_lot"])
    tables = {**demo_estate.tables, "tirage": sheet[~ahead].reset_index(drop=True)}
    movements = demo_estate["movements"]
    tables["movements"] = movements[movements["on_date"] <= pd.Timestamp("2025-12-31")].reset_index(drop=True)
    released = demo_estate["disgorgements"]
    drawn = released["from_lot"].isin(lots)
    tables["disgorgements"] = released[~drawn].reset_index(drop=True)
    sent = demo_estate["dispatches"]
    tables["dispatches"] = sent[~sent["release_lot"].isin(released.loc[drawn, "release_lot"])].reset_index(drop=True)
    springs = springs_of(Runs(replace(demo_estate, tables=tables)))
    assert springs is not None
    assert springs.years[0] == 2026
    assert springs.planned.sum() == 0.0
    assert not lots & set(springs.inputs.lots["lot"])


def test_the_command_prints_what_to_fill(demo_workbook, capsys) -> None:
    assert main(["tirage", str(demo_workbook)]) == 0
    printed = capsys.readouterr().out
    assert "What to fill in spring 2026" in printed
    assert "after bottling" in printed
    assert max(map(len, printed.splitlines())) <= 100
    assert main(["tirage", str(demo_workbook), "--json"]) == 0
    assert {"tirage_advice", "reserve_levels"} <= set(json.loads(capsys.readouterr().out))


def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    assert differences("demo", ["tirage"], demo_runs) == []


def test_a_market_that_says_nothing_takes_what_was_sent_of_its_cuvee_and_format_in_the_last_year(small_runs) -> None:
    """In 2025 700, 240 and 24 bottles of Brut and 260 of rosé went out; no magnum did."""
    runs = House(small_runs.estate).replace(price_by_age=lambda own: own.assign(bottles_a_month=np.nan)).runs
    springs = springs_of(runs)
    markets = zip(springs.inputs.markets["cuvee"], springs.inputs.markets["format"], strict=True)
    sent = {("Brut", "bottle"): 964.0, ("Rosé", "bottle"): 260.0}
    assert markets_rate(runs, springs).tolist() == pytest.approx([sent.get(each, 0.0) / 12.0 for each in markets])
