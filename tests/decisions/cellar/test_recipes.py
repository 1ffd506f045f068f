"""Recipes: against costs worked by hand from the figures of the recipe, the rows that they become, and what the
Recipes sheet must not say. The worked figures are this project's own.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, InputError, cost_per_bottle, read_estate, run
from costing.decisions.cellar.recipe_figures import Recipe, read_recipes
from costing.decisions.cellar.recipe_rows import quantities, recipe_rows
from costing.decisions.cellar.recipes import recipe_estate, recipe_findings, recipes
from costing.inputs.schema import recipe_figures, sheets
from costing.model import Runs
from costing.results.composition import composition
from tests.golden.as_kept import differences

FIGURES_BY_STAGE = ["standard_per_bottle", "actual_per_bottle", "difference"]
PLAIN = {
    "harvest date": "2025-09-15",
    "kilograms": "18000",
    "grape price per kg": "6",
    "must per kg": "0.5",
    "tirage date": "2026-04-15",
    "tirage sugar": "0",
    "months on lees": "24",
    "dry goods at tirage per bottle": "1.25",
    "dry goods at release per bottle": "0.75",
}


def estate_with(recipes: dict[str, dict[str, str]], **more: pd.DataFrame):
    rows = [(name, what, value) for name, figures in recipes.items() for what, value in figures.items()]
    frames = {
        "Settings": pd.DataFrame({"Setting": ["Valuation date", "Date style"], "Value": ["2025-08-01", "year first"]}),
        "Interest rates": pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [10.0]}),
        "Recipes": pd.DataFrame(rows, columns=["Recipe", "What", "Value"]),
        "Opening stock": pd.DataFrame(
            {"Date": ["2025-01-01"], "Lot": ["V1"], "Kind": ["wine"], "Quantity": [500.0], "Unit": ["L"]}
        ),
    }
    return read_estate(frames | {sheets()[name].title: frame for name, frame in more.items()})


def costs(estate) -> pd.DataFrame:
    return recipes(Runs(estate))["recipes_costed"].set_index("recipe")


def test_a_plain_recipe_by_hand() -> None:
    """18 t at 6.00 give 9,000 L at 12.00: 12,000 bottles of 0.75 L at 9.00, and 2.00 of dry goods."""
    one = costs(estate_with({"Plain": PLAIN})).loc["Plain"]
    assert one["bottles_good"] == 12_000
    assert one["book_per_bottle"] == pytest.approx(11.0, rel=1e-12)
    wine = Fraction(12) * Fraction(3, 4)
    assert float(wine) == 9.0
    days = np.array(["2025-09-15", "2026-04-15", "2028-04-15"], dtype="datetime64[D]").astype(int)
    growth = 1.1 ** ((days[2] - days) / 365)
    assert one["economic_per_bottle"] == pytest.approx(9.0 * growth[0] + 1.25 * growth[1] + 0.75, rel=1e-12)
    assert str(one["disgorged"])[:10] == "2028-04-15"


def test_losses_reserve_and_liqueur_by_hand() -> None:
    """Losses make what is left dearer, a reserve is averaged in, liqueur takes wine's place in the bottle."""
    figures = PLAIN | {"vinification loss": "4", "reserve share": "25 %", "reserve value per litre": "16"}
    figures |= {"reserve age": "3", "tirage sugar": "24", "format": "magnum", "months on lees": "36"}
    norms = pd.DataFrame(
        [
            ("racking", 9.0, "per movement"),  # the recipe's own loss takes the place of those of vinification
            ("blending", 0.5, "per movement"),
            ("bottling", 0.8, "per movement"),
            ("on lees", 0.5, "per year"),
            ("disgorgement", 1.5, "per movement"),
        ],
        columns=["Operation or stage", "Norm (%)", "Time base"],
    )
    estate = estate_with({"Magnum": figures}, loss_norms=norms)
    recipes, _ = read_recipes(estate)
    made = quantities(estate, recipes["Magnum"])
    assert made.first_must_l == 9_000
    assert made.wine_l[-1] == pytest.approx(8_640)
    assert made.reserve_l == pytest.approx(2_880)
    drawn_l = 1.5 * (1 - 0.048) / 0.992  # 48 mL of liqueur in a litre of mixture
    bottles = np.floor(11_520 * 0.995 / drawn_l)
    years = (np.datetime64("2029-04-15") - np.datetime64("2026-04-15")).astype(int) / 365
    lost = np.floor(bottles * (1 - 0.995**years))
    assert (made.bottles, made.lost) == (bottles, lost)
    blend_per_l = (108_000 + 2_880 * 16) / 11_520 / 0.995
    filled = blend_per_l * drawn_l + 1.25
    expected = (filled * bottles / (bottles - lost)) / 0.985 + 0.75
    one = costs(estate).loc["Magnum"]
    assert one["book_per_bottle"] == pytest.approx(expected, rel=1e-12)
    assert one["economic_per_75cl"] == pytest.approx(one["economic_per_bottle"] / 2, rel=1e-12)


def test_the_steps_stand_on_their_days_between_harvest_and_tirage() -> None:
    """212 days from 15 September to 15 April: a tenth, three, eight and nine and a half tenths of them."""
    figures = {"reserve share": "20", "reserve value per litre": "8", "reserve age": "3", "first pressing share": "80"}
    norms = pd.DataFrame([("on lees", 0.5, "per year")], columns=["Operation or stage", "Norm (%)", "Time base"])
    estate = estate_with({"X": PLAIN | figures}, loss_norms=norms)
    rows = recipe_rows(estate, "X", read_recipes(estate)[0]["X"])
    moves = rows["movements"].assign(on=rows["movements"]["on_date"].astype(str))
    assert moves.groupby("operation")["on"].unique().str.join(", ").to_dict() == {
        "settling": "2025-09-16",
        "fermentation": "2025-10-06",
        "racking": "2025-11-18",
        "fining and filtration": "2026-03-04",
        "blending": "2026-04-04",
        "loss": "2028-04-15",
    }
    assert rows["deliveries"].set_index("lot").loc["X: reserve", "vintage"] == "2022"
    assert rows["pressings"]["fraction"].tolist() == ["first", "second"]
    assert moves.loc[moves["operation"] == "loss", "sequence"].tolist() == [1]
    assert rows["disgorgements"]["sequence"].tolist() == [2]


def test_less_than_a_litre_or_an_amount_of_less_than_one_still_has_its_row() -> None:
    """10 kg give 5 L: 0.25 L of second pressing, 4.75 L of wine, a tenth as much reserve beside them, 0.50 of picking;
    of the 7 bottles a tenth a year is lost, which is 1 in two years.
    """
    figures = {"kilograms": "10", "first pressing share": "95", "picking per kg": "0.05", "reserve share": "10"}
    norms = pd.DataFrame([("on lees", 10.0, "per year")], columns=["Operation or stage", "Norm (%)", "Time base"])
    estate = estate_with({"X": PLAIN | figures | {"reserve value per litre": "8"}}, loss_norms=norms)
    rows = recipe_rows(estate, "X", read_recipes(estate)[0]["X"])
    assert rows["pressings"]["volume_l"].tolist() == pytest.approx([4.75, 0.25])
    assert rows["costs"]["amount"].tolist() == pytest.approx([0.5])
    assert rows["deliveries"].set_index("lot").loc["X: reserve", "quantity"] == pytest.approx(4.75 / 9)
    lost = rows["movements"].set_index("operation").loc["loss", "out_bottles"]
    assert (rows["tirage"]["bottles"].tolist(), lost) == ([7.0], 1.0)


def test_what_a_recipe_has_none_of_has_no_row() -> None:
    estate = estate_with({"X": PLAIN})
    rows = recipe_rows(estate, "X", read_recipes(estate)[0]["X"])
    assert "costs" not in rows
    assert rows["deliveries"]["lot"].tolist() == ["X: grapes"]
    assert rows["pressings"]["fraction"].tolist() == ["first"]
    assert "loss" not in set(rows["movements"]["operation"])


def test_a_recipe_of_one_bottle_that_lives_is_costed_and_one_that_loses_it_is_not() -> None:
    figures = {name: value for name, value in PLAIN.items() if name != "kilograms"} | {"bottles": "1"}
    one = costs(estate_with({"X": figures})).loc["X"]
    assert (one["bottles_good"], one["book_per_bottle"]) == (1.0, pytest.approx(11.0))
    norms = pd.DataFrame([("on lees", 100.0, "per year")], columns=["Operation or stage", "Norm (%)", "Time base"])
    said = list(recipe_findings(estate_with({"X": figures}, loss_norms=norms)))
    assert [finding.rule for finding in said] == ["makes no bottle that lives to be released (1 filled)."]


def test_second_pressing_stays_behind_with_its_share() -> None:
    estate = estate_with({"First": PLAIN | {"first pressing share": "80"}})
    recipes, _ = read_recipes(estate)
    of = recipe_estate(estate, "First", recipes["First"], np.zeros(0))
    results = run(of, BOOK)
    made = quantities(estate, recipes["First"])
    assert made.second_must_l == pytest.approx(1_800)
    assert cost_per_bottle(results)["per_bottle"].iloc[0] == pytest.approx(11.0, abs=1e-4)  # by volume: 12 a litre too
    left = results.reconciliation().set_index("line")["amount"]["Stock at the end of the records"]
    assert left == pytest.approx(9_600 * 11 + 1_800 * 12)  # the release, and the second pressing


@pytest.mark.parametrize("size", ["bottles", "litres"])
def test_a_recipe_is_as_large_as_one_figure_says(size) -> None:
    figures = {name: value for name, value in PLAIN.items() if name != "kilograms"}
    one = costs(estate_with({"Sized": figures | {size: "9000"}})).loc["Sized"]
    assert one["bottles_good"] == (9_000 if size == "bottles" else 12_000)
    assert one["kilograms"] == pytest.approx((6_750 if size == "bottles" else 9_000) / 0.5)
    assert one["book_per_bottle"] == pytest.approx(11.0, rel=1e-9)


def test_the_estates_rates_pools_and_dry_goods_enter() -> None:
    """A bottle on lees pays the rate and, each year again, the last pool; the sheet's dry goods stand in for none."""
    figures = {name: value for name, value in PLAIN.items() if not name.startswith("dry goods")} | {"location": "Deep"}
    pool = pd.DataFrame(
        {"From": ["2025-01-01"], "To": ["2025-12-31"], "Pool": ["Deep cellar"], "Amount": [5_000.0]}
    ).assign(Driver="bottle-year", Stage="on lees", Location="Deep", Element="storage", **{"Normal capacity": 20_000.0})
    rates = pd.DataFrame(
        {"From": ["2025-01-01"], "Operation": ["storage"], "Driver": ["bottle-year"], "Amount": [0.10]}
    )
    goods = pd.DataFrame({"From": ["2025-01-01"] * 2, "Stage": ["tirage", "finishing"], "Item": ["glass", "cork"]})
    estate = estate_with(
        {"Stored": figures},
        pools=pool,
        operation_rates=rates.assign(Element="storage"),
        dry_goods=goods.assign(**{"Unit price": [1.25, 0.75]}),
    )
    years = (np.datetime64("2028-04-15") - np.datetime64("2026-04-15")).astype(int) / 365
    one = costs(estate).loc["Stored"]
    # pools are budgets of a calendar year: 2028 has a day more to spread the same money over
    assert one["book_per_bottle"] == pytest.approx(11.0 + years * (0.10 + 5_000 / 20_000), abs=3e-4)
    elsewhere = estate_with({"Stored": figures | {"location": "Attic"}}, pools=pool)
    assert costs(elsewhere).loc["Stored", "book_per_bottle"] == pytest.approx(9.0, rel=1e-9)


def test_a_pool_without_normal_capacity_stands_on_what_was_used_and_is_named() -> None:
    """Once it was left out of recipes, and only `--write` said so."""
    pool = pd.DataFrame({"From": ["2025-01-01"], "To": ["2025-12-31"], "Pool": ["Hall"], "Amount": [500.0]})
    pool = pool.assign(Driver="bottle-year", Stage="on lees", Element="storage")
    estate = estate_with({"Plain": PLAIN}, pools=pool)
    assert costs(estate).loc["Plain", "book_per_bottle"] == pytest.approx(11.0, rel=1e-12)  # nothing ever used it
    recipes, _ = read_recipes(estate)
    of = recipe_estate(estate, "Plain", recipes["Plain"], np.array([1_000.0]))
    charged = [part.amount.sum() for part in run(of, BOOK).charges.accrued]
    assert sum(charged) > 0
    said = list(recipe_findings(estate))
    assert [finding.severity for finding in said] == ["caution"]
    assert said[0].place.startswith("Pools!")
    assert "Hall" in said[0].rule


@pytest.mark.parametrize(("capacity", "said"), [(0.0, 1), (0.5, 0), (1.0, 0)])
def test_a_normal_capacity_of_nothing_is_none_and_any_other_is_one(capacity: float, said: int) -> None:
    pool = pd.DataFrame({"From": ["2025-01-01"], "To": ["2025-12-31"], "Pool": ["Hall"], "Amount": [500.0]})
    pool = pool.assign(Driver="bottle-year", Stage="on lees", Element="storage", **{"Normal capacity": capacity})
    estate = estate_with({"Plain": PLAIN}, pools=pool)
    assert len(list(recipe_findings(estate))) == said
    kept = recipe_estate(estate, "Plain", read_recipes(estate)[0]["Plain"], np.array([capacity]))["pools"]
    assert kept["normal_capacity"].tolist() == ([capacity] if capacity else [])


def test_rows_are_ordinary_rows_and_the_lots_know_what_they_are_made_of() -> None:
    figures = PLAIN | {"variety": "Meunier", "village": "Mirecombe", "reserve share": "20", "reserve age": "3"}
    estate = estate_with({"Mixed": figures | {"reserve value per litre": "10"}})
    recipes, _ = read_recipes(estate)
    rows = recipe_rows(estate, "Mixed", recipes["Mixed"])
    for sheet, frame in rows.items():
        assert set(frame.columns) <= {column.name for column in sheets()[sheet].columns}
    results = run(recipe_estate(estate, "Mixed", recipes["Mixed"], np.zeros(0)), BOOK)
    made_of = composition(results, ["Mixed: release"]).set_index(["attribute", "name"])["share"]
    assert made_of["vintage", "2025"] == pytest.approx(0.8)
    assert made_of["vintage", "2022"] == pytest.approx(0.2)
    assert made_of["variety", "Meunier"] == pytest.approx(0.8)
    assert made_of["reserve", "reserve"] == pytest.approx(0.2)


BAD = {
    ("must per kilo", "0.5"): ("B", "is no figure of a recipe."),
    ("must per kg", "half"): ("C", "is not a number."),
    ("must per kg", "5"): ("C", "above the most allowed, 0.9"),
    ("months on lees", "24.5"): ("C", "is not a whole number."),
    ("months on lees", "0"): ("C", "below the least allowed, 1"),
    ("format", "bottel"): ("C", "is not in the list for 'format'."),
    ("harvest date", "2025-13-40"): ("C", "is not a day of the calendar."),
    ("tirage date", "2025-09-20"): ("C", "less than 30 days after the harvest"),
    ("bottles", "500"): ("C", "stands beside kilograms"),
    ("reserve share", "30"): ("A", "reserve value per litre"),
    ("tirage sugar", "900"): ("C", "above the most allowed, 60"),
    ("kilograms", "1"): ("A", "makes no bottle"),
}


@pytest.mark.parametrize(("what", "value"), BAD)
def test_each_mistake_is_named_at_its_cell(what, value) -> None:
    column, rule = BAD[what, value]
    figures = {"Odd": PLAIN | {what: value}}
    estate = estate_with(figures)
    findings = [finding for finding in recipe_findings(estate) if finding.severity == "error"]
    assert any(rule in finding.rule for finding in findings), [str(finding) for finding in findings]
    row = 2 + list(figures["Odd"]).index(what)
    place = "Recipes!A2" if column == "A" else f"Recipes!{column}{row}"
    assert place in {finding.place for finding in findings}
    with pytest.raises(InputError):
        costs(estate)


def test_thirty_days_from_harvest_to_tirage_are_enough_and_one_less_is_not() -> None:
    """30 September is day 15 after 15 September, 15 October day 30."""
    for day, findings in (("2025-10-15", 0), ("2025-10-14", 1)):
        assert len(read_recipes(estate_with({"Soon": PLAIN | {"tirage date": day}}))[1]) == findings


def test_all_mistakes_of_all_recipes_at_once() -> None:
    lacking = {name: value for name, value in PLAIN.items() if name not in ("kilograms", "harvest date")}
    estate = estate_with({"One": PLAIN | {"dosage": "-3"}, "Two": lacking, "Three": PLAIN | {"riddling": "by robot"}})
    findings = list(recipe_findings(estate))
    assert len(findings) == 3
    assert "harvest date, kilograms, bottles or litres" in findings[1].rule
    assert "machine riddling, hand riddling" in findings[2].remedy


@pytest.mark.slow
def test_every_figure_changes_something() -> None:
    """No figure that nothing reads: each one, changed, changes the rows or the run."""
    other = {
        "picking per kg": "0.2", "first pressing share": "80", "vinification loss": "3", "reserve share": "10",
        "reserve value per litre": "9", "reserve age": "4", "tirage sugar": "24", "format": "magnum",
        "riddling": "hand riddling", "dosage": "6", "location": "Deep", "variety": "Meunier", "village": "Praysson",
        "cuvée": "Brut", "bottles": "900", "litres": "900",
    }  # fmt: skip
    changed = {**dict.fromkeys(PLAIN, ""), **other}
    assert set(changed) == {figure.header for figure in recipe_figures().values()}
    assert list(Recipe.model_fields) == list(recipe_figures())
    base = PLAIN | {"reserve share": "20", "reserve value per litre": "8"}
    of_that_size = {key: one for key, one in base.items() if key != "kilograms"}
    sizes = ("bottles", "litres")
    given = {"base": base} | {f"base of {name}": of_that_size | {name: "700"} for name in sizes}
    given |= {name: (of_that_size if name in sizes else base) | {name: value} for name, value in other.items()}
    estate = estate_with(given)
    sound, wrong = read_recipes(estate)
    assert wrong == []
    rows = {name: _rows(estate, recipe) for name, recipe in sound.items()}
    for name in other:
        assert rows[f"base of {name}" if name in sizes else "base"] != rows[name], name
    dearer = ("dry goods at tirage per bottle", "dry goods at release per bottle", "grape price per kg")
    found = costs(estate_with({name: PLAIN | {name: "3"} for name in dearer}))["book_per_bottle"]
    for name in dearer:
        assert found[name] != pytest.approx(11.0), name


def _rows(estate, recipe) -> str:
    """Rows that a recipe becomes under one name, whatever it is called."""
    of = recipe_estate(estate, "X", recipe, np.zeros(0))
    names = ("deliveries", "costs", "pressings", "movements", "tirage", "disgorgements", "loss_norms")
    return "".join(of[name].to_csv() for name in names)


@pytest.fixture(scope="module")
def demo(demo_runs):
    return [demo_runs.on(basis) for basis in (BOOK, ECONOMIC)]


@pytest.fixture(scope="module")
def tables(demo_runs):
    answer = recipes(demo_runs)
    return answer["recipes_costed"], answer["standard_and_actual"]


def test_the_demo_has_two_recipes_and_a_standard_near_the_actual(demo, tables) -> None:
    standard, by_stage = tables
    assert standard["recipe"].tolist() == ["Brut standard", "Blanc de Meunier"]
    assert list(recipe_findings(demo[0].estate)) == []
    brut = standard.set_index("recipe").loc["Brut standard"]
    assert brut["release_actual"] == "D25-3-BRUT"
    actual = cost_per_bottle(demo[1]).set_index("release").loc["D25-3-BRUT", "per_bottle"]
    assert brut["economic_per_bottle"] - brut["economic_over_actual"] == pytest.approx(actual, abs=1e-4)
    assert abs(brut["economic_over_actual"]) < 0.1 * actual
    lines = by_stage[(by_stage["recipe"] == "Brut standard") & (by_stage["basis"] == "economic")].set_index("stage")
    assert lines.drop("total")[FIGURES_BY_STAGE].sum().tolist() == pytest.approx(
        lines.loc["total", FIGURES_BY_STAGE].tolist()
    )
    assert lines.loc["dressing", "difference"] == pytest.approx(0.0, abs=1e-9)  # one price list for both


def test_a_cuvee_never_made_has_no_actual(tables) -> None:
    standard, by_stage = tables
    new = standard.set_index("recipe").loc["Blanc de Meunier"]
    assert new["release_actual"] == ""
    assert np.isnan(new["book_over_actual"])
    assert by_stage.loc[by_stage["recipe"] == "Blanc de Meunier", "actual_per_bottle"].isna().all()
    assert new["economic_per_bottle"] > new["book_per_bottle"]


def test_a_recipe_changes_nothing_of_the_estate(demo) -> None:
    estate = demo[0].estate
    silent = replace(estate, tables={**estate.tables, "recipes": estate["recipes"].iloc[:0]})
    assert len(recipes(Runs(silent, demo[0].chain)).main) == 0
    again = run(silent, BOOK)
    assert again.total.tolist() == demo[0].total.tolist()


def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    assert differences("demo", ["recipes"], demo_runs) == []
