"""Rules of place on the estate's rows: each broken rule is a caution at the cell that breaks it.

Figures: specification of Champagne, décret n° 2010-1441 (VIII-5°a, IX-2°c, IX-2°d, IX-5°a, IX-2°h), Regulations
(EU) 2019/33, Annex III, and 2019/934, Annex II, as the shipped rule sets cite them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, CostingError, Estate, Finding, InputError, read_estate, run
from costing.commands.records import demo_folder
from costing.inputs.appellations import rule_set_names
from costing.results.place_rules import _wine_of, place_cautions
from tests.form import chosen, every
from tests.money.test_entries import pressed
from tests.properties.estates import estate_drawn

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def demo(demo_estate) -> Estate:
    return demo_estate


def changed(estate: Estate, table: str, row: int, **cells: object) -> Estate:
    """The estate with other values in some cells of one row."""
    frame = estate[table].copy()
    for column, value in cells.items():
        if isinstance(frame[column].dtype, pd.CategoricalDtype):
            frame[column] = frame[column].astype(object)
        frame.loc[row, column] = value
        if frame[column].dtype == object:
            frame[column] = frame[column].astype("category")
    return replace(estate, tables={**estate.tables, table: frame})


def with_set(estate: Estate, name: str | None) -> Estate:
    return replace(estate, settings=estate.settings.model_copy(update={"rule_set": name}))


def row_of(estate: Estate, table: str, **cells: object) -> int:
    found = np.ones(len(estate[table]), dtype=bool)
    for column, value in cells.items():
        found &= (estate[table][column].astype(object) == value).to_numpy()
    return int(np.flatnonzero(found)[0])


def cautions(estate: Estate) -> list[Finding]:
    found = place_cautions(run(estate, BOOK))
    assert all(one.severity == "caution" for one in found)
    return found


def places(estate: Estate) -> list[str]:
    return [one.place for one in cautions(estate)]


def test_the_demo_keeps_the_rules_of_its_yardstick(demo: Estate) -> None:
    assert demo.settings.rule_set in rule_set_names()
    assert cautions(demo) == []


def test_must_above_the_press_yield(demo: Estate) -> None:
    """4,810 kg × 102 / 160 = 3,066 L settled, × 1.04 with its sediment = 3,189 L."""
    row = row_of(demo, "pressings", load="P18-01", fraction="first")
    kg, second = 4_810.0, float(demo["pressings"]["volume_l"][row + 1])
    assert demo["pressings"]["weight_kg"][row] == kg
    most = kg * 102 / 160 * 1.04
    assert cautions(changed(demo, "pressings", row, volume_l=most - second)) == []
    (found,) = cautions(changed(demo, "pressings", row, volume_l=most - second + 1))
    assert found.place == demo.place("pressings", row, "volume_l")
    assert "3,190 L from 4,810 kg" in found.value


@pytest.mark.parametrize("turned", [False, True])
def test_the_load_with_too_much_must_is_the_one_named(demo: Estate, turned: bool) -> None:
    """The last load but two, in whichever order its rows stand."""
    pressings = demo["pressings"].iloc[::-1].reset_index(drop=True) if turned else demo["pressings"]
    estate = replace(demo, tables={**demo.tables, "pressings": pressings})
    load = sorted(set(pressings["load"].astype(str)))[-3]
    row = row_of(estate, "pressings", load=load, fraction="first")
    most = float(pressings["weight_kg"].fillna(0)[(pressings["load"] == load).to_numpy()].sum()) * 102 / 160 * 1.04
    found = places(changed(estate, "pressings", row, volume_l=most + 1.0))
    wine = pressings["fraction"].isin(["first", "second"]).to_numpy() & (pressings["load"] == load).to_numpy()
    assert found == [estate.place("pressings", int(np.flatnonzero(wine)[0]), "volume_l")]


def test_tirage_before_the_new_year_after_the_harvest(demo: Estate) -> None:
    """Wine of several harvests counts from the youngest: 2017 in a blend of spring 2018."""
    row = row_of(demo, "tirage", to_lot="T18-BRUT")
    blended = row_of(demo, "movements", to_lot="B18-BRUT")
    youngest = pd.to_numeric(demo["opening_stock"]["vintage"].astype(str), errors="coerce").max()
    assert youngest == 2017
    early = changed(demo, "tirage", row, on_date=pd.Timestamp("2018-04-26"))
    assert places(early) == []
    lots = demo["opening_stock"]
    at = row_of(demo, "opening_stock", lot=str(demo["movements"]["from_lot"][blended]))
    younger = changed(demo, "opening_stock", at, vintage="2018")
    assert lots["vintage"][at] == "2017"
    found = [one for one in cautions(younger) if one.place == demo.place("tirage", row, "on_date")]
    assert "2019-01-01" in found[0].rule


def test_too_few_months_on_lees(demo: Estate) -> None:
    row = row_of(demo, "disgorgements", from_lot="T18-BRUT")
    bottled = demo["tirage"]["on_date"][row_of(demo, "tirage", to_lot="T18-BRUT")]
    early = changed(demo, "disgorgements", row, on_date=bottled + pd.DateOffset(months=12, days=-1))
    found = [one for one in cautions(early) if one.place == demo.place("disgorgements", row, "on_date")]
    assert [one.value for one in found] == ["11 months on lees"]
    in_time = changed(demo, "disgorgements", row, on_date=bottled + pd.DateOffset(months=12))
    assert demo.place("disgorgements", row, "on_date") not in places(in_time)


def test_vintage_wine_waits_longer_for_its_sale(demo: Estate) -> None:
    """36 months for vintage wine, 15 for other wine; given to guests, it is no sale."""
    lot, row = "D18-2-VINT", row_of(demo, "dispatches", release_lot="D18-2-VINT")
    stack = row_of(demo, "disgorgements", release_lot=lot)
    opened = row_of(demo, "opening_stock", lot=str(demo["disgorgements"]["from_lot"][stack]))
    sent = demo["dispatches"]["on_date"][row]
    young = changed(demo, "opening_stock", opened, tirage_date=sent - pd.DateOffset(months=30))
    place = demo.place("dispatches", row, "on_date")
    assert place in places(young)
    other = changed(young, "cuvees", row_of(demo, "cuvees", cuvee="Vintage"), category="non-vintage")
    assert place not in places(other)
    declared = changed(other, "cuvees", row_of(demo, "cuvees", cuvee="Vintage"), vintage="2012")
    assert place in places(declared)
    given = changed(young, "dispatches", row, channel="Hospitality")
    assert place not in places(given)


def test_term_that_does_not_fit_the_dosage(demo: Estate) -> None:
    row = row_of(demo, "disgorgements", release_lot="D18-1-BRUT")
    found = cautions(changed(demo, "disgorgements", row, dosage_g_per_l=14.0))
    assert [one.place for one in found] == [demo.place("disgorgements", row, "sweetness_term")]
    assert "extra dry" in found[0].remedy


def test_tirage_sugar_gives_pressure_and_strength(demo: Estate) -> None:
    """30 g/L: 7.5 bar at 10 °C by 4 g/L a bar; 1.76 to 1.78 % vol, above 1.5."""
    row = row_of(demo, "tirage", to_lot="T22-BRUT")
    unrated = replace(demo, settings=demo.settings.model_copy(update={"bottle_rating_bar": None}))
    found = cautions(changed(unrated, "tirage", row, sugar_g_per_l=30.0))
    assert {one.place for one in found} == {demo.place("tirage", row, "sugar_g_per_l")}
    assert any("7.5 bar at 10 °C" in one.rule for one in found)
    assert any("above 1.5 % vol" in one.rule for one in found)
    assert any("follow the glassmaker's rating" in one.remedy for one in found)
    flat = cautions(changed(demo, "tirage", row, sugar_g_per_l=8.0))
    assert ["below 3.5 bar at 20 °C" in one.rule for one in flat] == [True]


def test_sugar_follows_from_the_liqueur_and_its_setting(demo: Estate) -> None:
    """Litres of liqueur over litres of mixture: 24 g/L at 500 g/L, 31.2 g/L at 650."""
    row = row_of(demo, "tirage", to_lot="T22-BRUT")
    unsaid = changed(demo, "tirage", row, sugar_g_per_l=np.nan)
    assert cautions(unsaid) == []
    strong = replace(unsaid, settings=demo.settings.model_copy(update={"tirage_liqueur_g_per_l": 650.0}))
    found = cautions(strong)
    assert {one.place for one in found} == {demo.place("tirage", row, "liqueur_l")}
    assert {one.value for one in found if "bar" in one.rule} == {"31.2 g/L"}


def test_pressure_is_said_without_a_rule_set(demo: Estate) -> None:
    row = row_of(demo, "tirage", to_lot="T18-BRUT")
    bare = with_set(changed(demo, "tirage", row, sugar_g_per_l=30.0), None)
    assert [one.place for one in cautions(bare)] == [demo.place("tirage", row, "sugar_g_per_l")]


def test_loss_at_tirage(demo: Estate) -> None:
    row = row_of(demo, "tirage", to_lot="T18-BRUT")
    bottles = float(demo["tirage"]["bottles"][row])
    less = changed(demo, "tirage", row, bottles=np.floor(bottles * 0.98))
    assert demo.place("tirage", row, "bottles") in places(less)


def test_format_that_is_not_on_the_list(demo: Estate) -> None:
    """Between 125 mL and 1.5 L the list is 125, 200, 375, 750 and 1,500 mL (UK: SI 1988/2039, Schedule A1)."""
    united_kingdom = with_set(demo, "United Kingdom")
    assert not [one for one in cautions(united_kingdom) if "mL" in one.value]
    half = row_of(demo, "tirage", format="half")
    odd = replace(run(united_kingdom, BOOK))
    litres = odd.chain.lots.litres_per_unit.copy()
    litres[odd.chain.lots.names.get_loc(demo["tirage"]["to_lot"][half])] = 0.5
    odd = replace(odd, chain=replace(odd.chain, lots=replace(odd.chain.lots, litres_per_unit=litres)))
    found = [one for one in place_cautions(odd) if one.value == "500 mL"]
    assert [one.place for one in found] == [demo.place("tirage", half, "format")]


def test_vintage_wine_above_its_share_of_the_year(demo: Estate) -> None:
    """All of the year's wine in a vintage cuvée is more than 80 % of it."""
    cuvees = demo["cuvees"].assign(category=pd.Categorical(["vintage"] * len(demo["cuvees"])))
    everything = replace(demo, tables={**demo.tables, "cuvees": cuvees})
    found = [one for one in cautions(everything) if "of the year's wine is vintage" in one.value]
    assert found
    assert all(one.place.startswith("Tirage!") for one in found)
    shares = [float(one.value.split()[0]) for one in found]
    assert min(shares) > 80
    assert max(shares) <= 100


def test_a_vintage_bottling_of_mixed_harvests(demo: Estate) -> None:
    """A part of another harvest may stay within the 85 % of Regulation (EU) 2019/33, article 49 (from memory), and is
    below the 100 % of Champagne (lafinebulle.fr, second-hand); a larger one is too much for both.
    """
    bottled = [row_of(demo, "tirage", to_lot=lot) for lot in ("T23-VINT-M", "T23-VINT")]
    cells = [demo.place("tirage", row, "wine_lot") for row in bottled]

    def doubts(older: Sequence[str], rule_set: str, **cuvee: object) -> list[Finding]:
        """Cautions of the bottlings of 2023 where some loads of grapes are a year older."""
        estate = with_set(demo, rule_set)
        for lot in older:
            estate = changed(estate, "deliveries", row_of(demo, "deliveries", lot=lot), vintage="2021")
        if cuvee:
            estate = changed(estate, "cuvees", row_of(demo, "cuvees", cuvee="Vintage"), **cuvee)
        return [one for one in cautions(estate) if "on the label" in one.value and one.place in cells]

    few, many = ["G22-11"], ["G22-09"]
    assert doubts([], "Champagne") == doubts(few, "European Union") == []
    assert [one.place for one in doubts(few, "Champagne")] == cells
    told = doubts(many, "European Union")
    assert [one.place for one in told] == cells
    label, *parts = re.findall(r"([\d.]+ %)? ?(?:of )?(20\d\d)", told[0].value)
    assert label[1] == "2022"
    assert sum(float(share.split()[0]) for share, _ in parts) == pytest.approx(100.0, abs=0.02)
    assert "below 85 % of the year on the label" in told[0].rule
    assert "cuvée without a vintage" in told[0].remedy
    assert doubts(many, "European Union", category="non-vintage") == []
    assert doubts(many, "Cap Classique") == []
    named = doubts([], "European Union", vintage="2019")
    assert [one.value for one in named] == ["2019 on the label, 100 % of 2022"] * 2
    unknown = changed(demo, "deliveries", row_of(demo, "deliveries", lot="G22-09"), vintage="unknown")
    assert [one for one in cautions(unknown) if one.place in cells] == []


def test_each_cuvee_is_judged_by_its_own_set(demo: Estate) -> None:
    """Franciacorta asks 24 months of a rosé, Champagne 12."""
    rose = row_of(demo, "cuvees", cuvee="Rosé")
    row = row_of(demo, "disgorgements", from_lot="T18-ROSE")
    bottled = demo["tirage"]["on_date"][row_of(demo, "tirage", to_lot="T18-ROSE")]
    early = changed(demo, "disgorgements", row, on_date=bottled + pd.DateOffset(months=20))
    place = demo.place("disgorgements", row, "on_date")
    assert place not in places(early)
    own = changed(early, "cuvees", rose, rule_set="Franciacorta")
    assert place in places(own)
    assert place in places(with_set(own, None))
    assert place not in places(with_set(early, None))


@pytest.fixture(scope="module")
def random_estates() -> list[Estate]:
    return [estate_drawn(seed, 60) for seed in range(chosen(full=3, short=1))]


@pytest.mark.parametrize("name", rule_set_names())
def test_every_rule_set_judges_random_estates(random_estates: list[Estate], name: str) -> None:
    for estate in random_estates:
        cautions(with_set(estate, name))


@pytest.mark.parametrize("name", every(3, rule_set_names()))
def test_rule_sets_judge_the_demo(demo: Estate, name: str) -> None:
    cautions(with_set(demo, name))


def test_a_rule_set_that_does_not_exist_is_an_error_at_its_cell() -> None:
    tables = {path.stem: pd.read_csv(path) for path in demo_folder().glob("*.csv")}
    tables["settings"].loc[tables["settings"]["Setting"] == "Rule set", "Value"] = "Campagne"
    tables["cuvees"]["Rule set"] = [*[None] * (len(tables["cuvees"]) - 1), "Franciacorte"]
    with pytest.raises(InputError) as refused:
        read_estate(tables)
    found = {one.value: one for one in refused.value.findings}
    assert "Champagne" in found["Campagne"].remedy
    assert found["Campagne"].place.startswith("Settings!B")
    assert "Franciacorta" in found["Franciacorte"].remedy
    assert found["Franciacorte"].place == f"Cuvées!F{len(tables['cuvees']) + 1}"


def test_a_rule_set_that_slips_past_the_checks_is_refused(demo: Estate) -> None:
    with pytest.raises(CostingError, match="Did you mean 'Champagne'"):
        place_cautions(run(with_set(demo, "Champagn"), BOOK))


def test_bottles_rated_lower_are_doubted(demo: Estate) -> None:
    """24 g/L comes to 6.0 bar at 10 °C and about 8 bar at 20 °C (test_tirage_pressure holds the sources)."""

    def bursting(rating: float | None) -> list[Finding]:
        rated = replace(demo, settings=demo.settings.model_copy(update={"bottle_rating_bar": rating}))
        return [one for one in cautions(rated) if "bottles burst" in str(one)]

    assert bursting(None) == bursting(10.0) == []
    doubted = bursting(6.0)
    assert {one.place.split("!")[0] for one in doubted} == {"Tirage"}
    assert all("above 6 bar" in str(one) for one in doubted)


def test_less_than_a_litre_of_must_is_wine_of_its_year() -> None:
    """Half a litre from each of two loads pressed in 2025; nothing was pressed in 2024."""
    tables = pressed()
    estate = read_estate({**tables, "pressings": tables["pressings"].assign(**{"Must (L)": 0.25})})
    assert _wine_of(estate, np.array([2024.0, 2025.0])).tolist() == [0.0, 0.5]
