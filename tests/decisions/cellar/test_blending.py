"""Trial blends: against the ordinary rows that would carry them out, against means redone by hand, bounds,
shortages; the cheapest blend against a grid search and at its shadow prices.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, cost_per_bottle, read_estate, run, trace
from costing.cli import main
from costing.decisions.cellar.blending import lots_on_hand, trial_blends, trials_side_by_side
from costing.decisions.cellar.bottling_costs import per_bottle
from costing.decisions.cellar.cheapest_blend import cheapest_blend, cheapest_blends, trials
from costing.decisions.plan.views import plan_answer
from costing.model import Runs
from costing.results.stock import stock_values
from tests.golden.as_kept import differences

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo(demo_runs):
    return [demo_runs.book, demo_runs.economic]


@pytest.fixture(scope="module")
def on_hand(demo_runs):
    return lots_on_hand(demo_runs)


def small_cellar() -> dict[str, pd.DataFrame]:
    """Two wines, norms, rates and dry goods, and one release of the cuvée after 24 months."""
    opening = {"Date": "2025-01-01", "Lot": ["V1", "R1", "T22"], "Kind": ["wine", "reserve", "on lees"]}
    opening |= {"Quantity": [4_000.0, 2_000.0, 1_000.0], "Unit": ["L", "L", "bottles"]}
    opening |= {"Format": ["", "", "bottle"], "Cuvée": ["", "", "Brut"], "Vintage": ["2024", "2022", ""]}
    opening |= {"Tirage date": ["", "", "2023-01-20"]}
    rates = [
        ("", "blending", "litre", 0.02),
        ("", "bottling", "bottle out", 0.15),
        ("on lees", "storage", "bottle-year", 0.25),
        ("", "machine riddling", "bottle in", 0.12),
        ("", "disgorgement", "bottle in", 0.35),
        ("", "dressing", "bottle out", 0.19),
    ]
    goods = [("tirage", "glass", 1.0), ("finishing", "cork", 0.35), ("dressing", "label", 0.30)]
    norms = [("blending", 0.5, "per movement"), ("bottling", 0.7, "per movement")]
    norms += [("disgorgement", 1.2, "per movement"), ("on lees", 0.4, "per year")]
    return {
        "Settings": pd.DataFrame({"Setting": ["Valuation date", "Date style"], "Value": ["2025-02-01", "year first"]}),
        "Interest rates": pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [8.0]}),
        "Cuvées": pd.DataFrame({"Cuvée": ["Brut"]}),
        "Opening stock": pd.DataFrame(opening),
        "Opening costs": pd.DataFrame({"Lot": ["V1", "R1"], "Element": "grapes", "Amount": [36_000.0, 24_000.0]}),
        "Disgorgements": pd.DataFrame(
            {"Date": ["2025-01-25"], "Release lot": ["D25"], "From lot": ["T22"], "Bottles in (bottles)": [500]}
        ).assign(Riddling="machine riddling"),
        "Operation rates": pd.DataFrame(rates, columns=["Stage", "Operation", "Driver", "Amount"]).assign(
            **{"From": "2020-01-01", "Element": "labour", "Yearly change in plans (%)": 2.0}
        ),
        "Dry goods": pd.DataFrame(goods, columns=["Stage", "Item", "Unit price"]).assign(
            **{"From": "2020-01-01", "Yearly change in plans (%)": 1.5}
        ),
        "Loss norms": pd.DataFrame(norms, columns=["Operation or stage", "Norm (%)", "Time base"]),
        "Trial blends": pd.DataFrame(
            {
                "Trial": "A",
                "Line": "lot",
                "Cuvée": "Brut",
                "Lot or attribute": ["V1", "R1"],
                "Litres (L)": [3_000, 1_000],
            }
        ),
    }


def test_a_trial_costs_what_the_rows_that_carry_it_out_cost() -> None:
    frames = small_cellar()
    before = read_estate(frames)
    trial = trial_blends(Runs(before))[0].iloc[0]

    blended_l = 4_000 * 0.995
    mixture_l = blended_l / (1 - 24 / 500)  # no tirage is on record: the usual share of liqueur
    bottles = mixture_l * 0.993 / 0.75
    years = (np.datetime64("2027-02-01") - np.datetime64("2025-02-01")).astype(int) / 365
    survivors = bottles * 0.996**years
    carried = dict(frames)
    carried["Movements"] = pd.DataFrame(
        {
            "Date": ["2025-02-01", "2025-02-01", "2027-02-01"],
            "Operation": ["blending", "blending", "loss"],
            "From lot": ["V1", "R1", "T25"],
            "Out (L)": [3_000, 1_000, None],
            "Out (bottles)": [None, None, bottles - survivors],
            "To lot": ["B25", "B25", ""],
        }
    )
    carried["Tirage"] = pd.DataFrame(
        {
            "Date": ["2025-02-01"],
            "Cuvée": ["Brut"],
            "Bottle lot": ["T25"],
            "Wine lot": ["B25"],
            "Wine (L)": [blended_l],
            "Liqueur (L)": [mixture_l - blended_l],
            "Bottles (bottles)": [bottles],
        }
    )
    carried["Disgorgements"] = pd.concat(
        [
            frames["Disgorgements"],
            pd.DataFrame(
                {
                    "Date": ["2027-02-01"],
                    "Release lot": ["D27"],
                    "From lot": ["T25"],
                    "Bottles in (bottles)": [survivors],
                    "Riddling": ["machine riddling"],
                }
            ),
        ]
    )
    after = read_estate(carried)
    chain = trace(after)
    for name, basis in (("book", BOOK), ("economic", ECONOMIC)):
        results = run(after, basis, chain)
        stack = stock_values(results).set_index("lot").loc["T25"]
        assert trial[f"{name}_at_tirage"] == pytest.approx(stack["value_per_unit"], rel=1e-12)
        made = cost_per_bottle(results).set_index("release").loc["D27", "per_bottle"]
        assert trial[f"{name}_at_release"] == pytest.approx(made, abs=6e-5)  # printed to four decimals
    assert trial["bottles"] == np.floor(bottles)
    assert str(trial["release_date"])[:10] == "2027-02-01"


def test_a_trial_costs_the_mean_of_its_lots(demo_runs, demo) -> None:
    estate = demo[0].estate
    table, findings = trial_blends(demo_runs)
    assert findings == []
    lines, takes = estate["trial_blends"], per_bottle(demo_runs, "Brut")
    wine_l = 0.75 * 26_872 / (26_872 + 1_355) / 0.993 / 0.998  # liqueur of tirage 2025, norms of the sheet
    work = 0.153 + 1.02 + 0.039 + 0.071 + 0.034  # bottling, glass, crown cap, liqueur and yeast, cage
    for results, column in zip(demo, ("book_at_tirage", "economic_at_tirage"), strict=True):
        value = stock_values(results).set_index("lot")["value_per_unit"]
        for _, trial in table[table["litres_left"] != ""].iterrows():
            mine = lines[(lines["trial"] == trial["trial"]) & (lines["line"] == "lot")]
            weight = mine["litres"].fillna(mine["share"])  # all lines of a trial are litres, or all are shares
            mean = np.average(value[mine["lot"].astype(str)], weights=weight)
            assert trial[column] == pytest.approx((mean + 0.021) * wine_l + work, rel=1e-9)
    assert takes.drawn_l == pytest.approx(wine_l)


def test_shares_draw_what_the_bottles_wanted_need(demo_runs) -> None:
    table = trial_blends(demo_runs)[0].set_index("trial")
    by_share = table.loc["C Chardonnay and old reserve"]
    assert by_share["bottles"] == 36_000
    assert by_share["litres"] == pytest.approx(36_000 * per_bottle(demo_runs, "Brut").drawn_l, rel=1e-9)


def test_composition_is_the_mean_of_the_lots(demo_runs, demo, on_hand) -> None:
    table = trial_blends(demo_runs)[0].set_index("trial")
    trial = table.loc["A as last year"]
    lines = demo[0].estate["trial_blends"]
    mine = lines[(lines["trial"] == "A as last year") & (lines["line"] == "lot")]
    reserves = mine["lot"].astype(str).str.startswith("R")
    assert trial["reserve"] == pytest.approx(mine.loc[reserves, "litres"].sum() / mine["litres"].sum())
    assert all(
        f"R22-PN {on_hand.litres[on_hand.names.get_loc('R22-PN')] - 730:,.0f}" in text
        for text in [trial["litres_left"]]
    )


def test_side_by_side_the_shares_of_each_attribute_add_up(demo_runs) -> None:
    made_of, left = trials_side_by_side(demo_runs)
    trials = [name.removeprefix("share_in:") for name in made_of.columns[2:]]
    shown = [f"share_in:{trial}" for trial in trials]
    table = trial_blends(demo_runs)[0].set_index("trial")
    assert trials == table.index[table["litres_left"] != ""].tolist()
    shares = made_of.groupby("attribute")[shown].sum().loc[["vintage", "variety", "village"]]
    assert shares.to_numpy() == pytest.approx(np.ones((3, 3)))
    assert made_of.loc[0, shown].tolist() == pytest.approx(table.loc[trials, "reserve"].tolist())
    held = left["litres_on_hand"]
    assert (held - left["left_by:A as last year"])[left["lot"] == "R-PERP"].tolist() == [7_100]
    assert (held.sum() - left.iloc[:, 2:].sum()).tolist() == pytest.approx(table.loc[trials, "litres"].tolist())


def test_the_last_blend_stands_beside_the_trials(demo_runs) -> None:
    table = trial_blends(demo_runs)[0]
    last = table[table["litres_left"] == ""].iloc[0]
    assert last["trial"] == "last blend: B25-BRUT"
    assert table["over_last_blend"].tolist() == pytest.approx(
        (table["economic_at_tirage"] - last["economic_at_tirage"]).tolist()
    )
    assert table["over_cheapest_trial"].min() == 0
    assert last["bottles"] == 37_358


def test_one_trial_breaks_its_bound_and_says_by_how_much(demo_runs) -> None:
    table, _ = trial_blends(demo_runs)
    breached = table[~table["bounds_breached"].isin(["none", ""])]
    assert breached["trial"].tolist() == ["B young, more Meunier"]
    assert breached["bounds_breached"].iloc[0] == "second pressing 13.8%, at most 12.0%"


def test_the_verdict_names_the_cheapest_trial_within_its_bounds(demo_runs) -> None:
    """The cheapest of all breaks a bound; the answer stood in no column."""
    table = trials(demo_runs)["trial_blends_costed"].set_index("trial")
    assert table["economic_at_tirage"].idxmin() == "B young, more Meunier"
    assert table.loc["B young, more Meunier", "verdict"] == "breaks a bound"
    assert table.loc["A as last year", "verdict"] == "cheapest within bounds"
    dearer = (
        table.loc["C Chardonnay and old reserve", "economic_at_tirage"]
        - table.loc["A as last year", "economic_at_tirage"]
    )
    assert table.loc["C Chardonnay and old reserve", "verdict"] == f"{dearer:.2f} dearer"
    assert table["verdict"].iloc[-1] == ""
    assert next(iter(table.columns)) == "verdict"


def with_lines(runs, change):
    """Results of the same rows with other trials."""
    lines = change(runs.estate["trial_blends"].copy())
    return Runs(replace(runs.estate, tables={**runs.estate.tables, "trial_blends": lines}), runs.chain)


def test_a_trial_may_draw_all_there_is_and_one_that_draws_more_names_the_lot_and_the_cell(small_runs) -> None:
    estate, on_hand = small_runs.estate, lots_on_hand(small_runs)
    row = int(np.flatnonzero((estate["trial_blends"]["line"] == "lot").to_numpy())[2])
    in_reserve = float(on_hand.litres[on_hand.names.get_loc("R")])

    def drawing(litres):
        return with_lines(
            small_runs, lambda lines: lines.assign(litres=lines["litres"].mask(lines.index == row, litres))
        )

    assert trial_blends(drawing(in_reserve))[1] == []
    _, findings = trial_blends(drawing(in_reserve + 0.01))
    assert [finding.place for finding in findings] == [estate.place("trial_blends", row, "litres")]
    assert "'R'" in findings[0].rule


def test_bad_trials_are_all_named_at_once(small_runs) -> None:
    trials = small_runs.estate["trial_blends"]
    shared = np.flatnonzero(trials["share"].notna() & (trials["line"] == "lot"))

    def spoil(lines):
        lines["lot"] = lines["lot"].astype(object)
        lines.loc[0, "lot"] = "V255"
        lines.loc[shared[1], "share"] = 0.9
        lines.loc[1, "litres"] = 900.0
        lines.loc[2, "lot"] = "W25"
        lines.loc[2, "litres"] = 800.0
        lines["lot"] = lines["lot"].astype("category")
        return lines

    table, findings = trial_blends(with_lines(small_runs, spoil))
    said = [str(finding) for finding in findings]
    assert any("V255" in line and "Did you mean 'V25'" in line for line in said)
    assert any("W25' holds" in line and "1,700 L" in line for line in said)  # two lines of one lot add up
    assert any("S25' holds" in line for line in said)  # nine tenths of the blend are more than the vat
    assert any("175" in line and finding.severity == "caution" for line, finding in zip(said, findings, strict=True))
    assert len(table) == 3


def test_a_share_without_bottles_is_an_error(small_runs) -> None:
    _, findings = trial_blends(with_lines(small_runs, lambda lines: lines[lines["line"] != "bottles"]))
    assert len(findings) == 3
    assert all("does not give" in finding.rule and finding.severity == "error" for finding in findings)


def bound(line: str, name: str, share: float) -> pd.DataFrame:
    return pd.DataFrame({"line": [line], "lot": [name], "share": [share]})


def test_the_cheapest_blend_is_no_dearer_than_any_on_a_grid(demo, on_hand) -> None:
    lots = ["V25-07", "V25-20", "R-PERP"]
    usable = on_hand.names.isin(lots)
    bounds = pd.concat([bound("at least", "reserve", 0.25), bound("at most", "second", 0.10)])
    found = cheapest_blend(on_hand, 4_000.0, bounds, usable)
    at = [on_hand.names.get_loc(lot) for lot in lots]
    value = on_hand.value["economic"].to_numpy()[at]
    reserve, second = (on_hand.part[name].to_numpy()[at] for name in ("reserve", "second"))
    best = np.inf
    for first in np.linspace(0, 1, 401):
        rest = np.linspace(0, 1 - first, 401)
        mix = np.column_stack([np.full(401, first), rest, 1 - first - rest])
        fits = (
            (mix @ reserve >= 0.25 - 1e-9)
            & (mix @ second <= 0.10 + 1e-9)
            & (mix * 4_000 <= on_hand.litres[at] + 1e-6).all(axis=1)
        )
        best = min(best, (mix[fits] @ value).min(initial=np.inf))
    assert found.value_per_l <= best + 1e-9
    assert found.value_per_l == pytest.approx(best, abs=0.03)  # a grid of a quarter of a percent
    assert found.litres.sum() == pytest.approx(4_000)
    assert found.attained[0] == pytest.approx(0.25)


def test_a_bound_that_gives_way_by_a_point_saves_its_shadow_price(on_hand) -> None:
    bounds = pd.concat([bound("at least", "reserve", 0.30), bound("at most", "second", 0.12)], ignore_index=True)
    here = cheapest_blend(on_hand, 20_000.0, bounds)
    for one, step in ((0, -1e-4), (1, 1e-4)):
        eased = bounds.copy()
        eased.loc[one, "share"] += step
        gained = here.value_per_l - cheapest_blend(on_hand, 20_000.0, eased).value_per_l
        assert gained == pytest.approx(here.shadow_price[one] * abs(step) / 0.01, rel=1e-4)
        assert gained > 0
    slack = cheapest_blend(on_hand, 20_000.0, pd.concat([bounds, bound("at most", "Meunier", 0.99)], ignore_index=True))
    assert slack.shadow_price[2] == 0
    assert slack.value_per_l == pytest.approx(here.value_per_l)


def test_without_bounds_the_cheapest_lots_are_poured_first(on_hand) -> None:
    found = cheapest_blend(on_hand, 5_000.0, bound("at most", "second", 1.0).iloc[:0])
    worth = on_hand.value["economic"].to_numpy()
    used = found.litres > 0
    assert worth[used].max() <= worth[~used & (on_hand.names != "LIQ-DOS")].min()


def test_the_cheapest_of_the_demo_keeps_every_bound_and_the_vats(demo_runs, on_hand) -> None:
    cheapest, shadows, findings = cheapest_blends(demo_runs)
    assert findings == []
    assert set(cheapest["trial"]) == {"A as last year", "B young, more Meunier", "C Chardonnay and old reserve"}
    least = (shadows["bound"] == "at least").to_numpy()
    over = np.where(
        least, shadows["share_attained"] - shadows["share_asked"], shadows["share_asked"] - shadows["share_attained"]
    )
    assert (over > -1e-9).all()
    assert (shadows["shadow_price"][over > 1e-6] == 0).all()
    for _, line in cheapest.iterrows():
        assert line["litres"] <= on_hand.litres[on_hand.names.get_loc(line["lot"])] + 1e-6
    table = trial_blends(demo_runs)[0].set_index("trial")
    first = cheapest.drop_duplicates("trial").set_index("trial")
    assert (first["saving_per_bottle"] + first["economic_at_tirage"]).to_numpy() == pytest.approx(
        table.loc[first.index, "economic_at_tirage"].to_numpy()
    )
    assert (
        first.loc["A as last year", "saving_per_bottle"] > 0
    )  # the trial keeps all its bounds, and the programme does better


def test_bounds_that_contradict_each_other_are_named(small_runs) -> None:
    estate = small_runs.estate
    lines = estate["trial_blends"]
    row = int(np.flatnonzero((lines["line"] == "at least") & (lines["lot"] == "reserve"))[0])

    def spoil(table):
        table.loc[row, "share"] = 0.99
        return table

    _, _, findings = cheapest_blends(with_lines(small_runs, spoil))
    assert [finding.place for finding in findings] == [estate.place("trial_blends", row, "share")]

    def thirsty(table):
        return table.assign(bottles=table["bottles"] * 10)

    _, _, findings = cheapest_blends(with_lines(small_runs, thirsty))
    assert len(findings) == 2
    assert all("hold less" in finding.rule for finding in findings)


def test_a_trial_of_thirty_lots(demo_runs, on_hand) -> None:
    wine = [lot for lot in on_hand.names if lot not in ("LIQ-DOS", "V25-31", "R-ROUGE")]
    lines = pd.DataFrame(
        {"trial": "all", "line": "lot", "cuvee": "Brut", "lot": (wine + wine)[:30], "litres": 100.0, "share": np.nan}
    ).assign(bottles=np.nan)
    table, findings = trial_blends(with_lines(demo_runs, lambda _: lines))
    assert findings == []
    assert table["litres"].iloc[0] == 3_000


def test_command_prints_the_trials(demo_workbook, tmp_path, capsys) -> None:
    assert main(["blend", str(demo_workbook)]) == 0
    printed = capsys.readouterr().out
    assert "C Chardonnay and old reserve" in printed
    assert list(tmp_path.iterdir()) == []


def test_a_cuvee_without_a_tirage_on_record_takes_a_usual_share_of_liqueur(demo_runs) -> None:
    """24 g/L at 500 g/L is 48 mL per litre of mixture (design of tirage liqueur: common practice, no source)."""
    demo = demo_runs.estate
    tables = {**demo.tables, "tirage": demo["tirage"].assign(liqueur_l=np.nan)}
    with_share = per_bottle(Runs(replace(demo, tables=tables), demo_runs.chain), "Brut")
    recorded = per_bottle(demo_runs, "Brut")
    assert with_share.drawn_l == pytest.approx(recorded.drawn_l, rel=0.01)


def test_the_worth_of_a_bottle_more_stands_beside_the_trials(demo_runs) -> None:
    """The same figure as on Worth of one more, of the tirage that the next Brut is filled into."""
    costed = trials(demo_runs)["trial_blends_costed"]
    margin = plan_answer(demo_runs)["worth_at_margin"].set_index("lot")["worth_of_one_more"]
    assert costed["worth_at_tirage"].to_numpy() == pytest.approx(np.full(len(costed), margin["T26-BRUT"]))


def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    assert differences("demo", ["blend"], demo_runs) == []
