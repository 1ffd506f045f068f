"""The rules of place on plain rows: what is flagged, what passes, and what each caution says."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from costing.errors import CAUTION
from costing.inputs.appellations import RuleSet, rule_set
from costing.results import appellation as rules_of_place

CHAMPAGNE = rule_set("Champagne")
EU = rule_set("European Union")
DAYS = st.dates(date(1990, 1, 1), date(2060, 12, 31))


def places(findings):
    return [finding.place for finding in findings]


# Calendar months, against pandas.DateOffset (an independent calendar)


@given(DAYS, st.integers(0, 400))
def test_adding_months_agrees_with_pandas(start, months):
    expected = (pd.Timestamp(start) + pd.DateOffset(months=months)).date()
    assert rules_of_place.add_months([start], [months])[0].item() == expected


@given(DAYS, DAYS)
def test_months_between_are_the_most_that_pandas_can_add(start, end):
    start, end = min(start, end), max(start, end)
    months = int(rules_of_place.months_between([start], [end])[0])
    assert pd.Timestamp(start) + pd.DateOffset(months=months) <= pd.Timestamp(end)
    assert pd.Timestamp(start) + pd.DateOffset(months=months + 1) > pd.Timestamp(end)


def test_months_between_short_months_backwards_and_unknown():
    start = ["2024-01-31", "2024-01-31", "2023-01-31", "2024-03-15", "NaT", "2024-02-29"]
    end = ["2024-02-28", "2024-02-29", "2023-02-28", "2024-02-15", "2024-01-01", "2025-02-28"]
    assert rules_of_place.months_between(start, end).tolist()[:4] == [0, 1, 1, -1]
    assert np.isnan(rules_of_place.months_between(start, end)[4])
    assert rules_of_place.months_between(start, end)[5] == 12
    assert np.isnat(rules_of_place.add_months(["NaT", "2024-01-01"], [3, np.nan])).all()


# Press, tirage, ageing


def test_press_yield_flags_the_load_above_its_litres():
    days = ["2020-09-10"] * 4
    found = list(
        rules_of_place.press_yield(
            CHAMPAGNE,
            days,
            [4000, 4000, np.nan, 2000],
            [2550, 2551, 2600, 1275.5],
            [f"Pressings!{n}" for n in range(2, 6)],
        )
    )
    assert places(found) == ["Pressings!3", "Pressings!5"]
    assert found[0].value == "2,551 L from 4,000 kg"
    assert "above 2,550 L (102 L per 160 kg)" in found[0].rule


def test_unsettled_must_may_hold_four_percent_of_sediment():
    litres = [2550 * 1.04, 2550 * 1.04 + 1]
    check = rules_of_place.press_yield(
        CHAMPAGNE, ["2020-09-10"] * 2, [4000] * 2, litres, ["Pressings!2", "Pressings!3"], settled=False
    )
    assert places(check) == ["Pressings!3"]


def test_tirage_before_its_first_day():
    days = ["2020-12-31", "2021-01-01", "2020-12-31", "2020-12-31"]
    years = [2020, 2020, 2019, np.nan]
    found = list(rules_of_place.earliest_tirage(CHAMPAGNE, days, years, list("abcd")))
    assert places(found) == ["a"]
    assert "before 2021-01-01" in found[0].rule
    loire = rule_set("Crémant de Loire")
    days = ["2020-11-30", "2020-12-01"]
    assert places(rules_of_place.earliest_tirage(loire, days, [2020, 2020], ["a", "b"])) == ["a"]


def test_tirage_by_category():
    cava, days, years = rule_set("Cava"), ["2022-11-15"] * 2, [2022, 2022]
    assert places(rules_of_place.earliest_tirage(cava, days, years, ["a", "b"], ["reserva", ""])) == ["a"]


def test_months_on_lees_by_category_and_row():
    franciacorta = rule_set("Franciacorta")
    tirage = ["2019-04-01"] * 5
    disgorged = ["2020-09-30", "2020-10-01", "2021-09-30", "2021-10-01", "2024-03-31"]
    categories = ["", "", "vintage", "vintage", "riserva"]
    found = list(rules_of_place.months_on_lees(franciacorta, tirage, disgorged, list("abcde"), categories))
    assert places(found) == ["a", "c", "e"]
    assert found[0].value == "17 months on lees"
    assert "below 18 months" in found[0].rule
    assert "below 30 months (vintage)" in found[1].rule


def test_the_rule_of_the_day_of_tirage_counts_and_before_the_set_that_of_disgorgement():
    cap = rule_set("Cap Classique")
    tirage = ["2022-08-01", "2023-08-01", "2015-08-01"]
    disgorged = ["2023-06-01", "2024-06-01", "2024-06-01"]
    assert places(rules_of_place.months_on_lees(cap, tirage, disgorged, ["a", "b", "c"])) == ["b"]
    found = rules_of_place.months_on_lees(cap, ["2016-12-01"], ["2017-06-01"], ["old"])
    assert places(found) == ["old"]


def test_a_set_with_days_only_is_checked_in_days():
    found = list(
        rules_of_place.months_on_lees(EU, ["2021-01-01"] * 3, ["2021-03-31", "2021-04-01", "NaT"], list("abc"))
    )
    assert places(found) == ["a"]
    assert found[0].value == "89 days on lees"


def test_months_to_sale():
    found = list(
        rules_of_place.months_to_sale(
            CHAMPAGNE,
            ["2018-03-15"] * 4,
            ["2019-06-14", "2019-06-15", "2021-03-14", "2021-03-15"],
            list("abcd"),
            ["non-vintage", "non-vintage", "vintage", "vintage"],
        )
    )
    assert places(found) == ["a", "c"]


@pytest.mark.parametrize("name", ["Champagne", "Trento", "European Union"])
def test_earliest_release_is_the_first_day_without_a_caution(name):
    rules, tirage = rule_set(name), np.array(["2020-01-31", "2021-08-31"], dtype="datetime64[D]")
    disgorged, sale = rules_of_place.earliest_release(rules, tirage, date(2024, 1, 1), "vintage")
    for check, first in ((rules_of_place.months_on_lees, disgorged), (rules_of_place.months_to_sale, sale)):
        assert list(check(rules, tirage, first, ["a", "b"], "vintage")) == []
        if check is rules_of_place.months_on_lees or name == "Champagne":
            assert places(check(rules, tirage, first - 1, ["a", "b"], "vintage")) == ["a", "b"]
    assert (sale >= disgorged).all()


def test_earliest_release_without_a_rule_is_unknown():
    disgorged, sale = rules_of_place.earliest_release(rule_set("Cap Classique"), ["2020-01-01"], date(2021, 1, 1))
    assert disgorged[0].item() == date(2020, 10, 1)
    assert sale[0] == disgorged[0]
    old = rules_of_place.earliest_release(rule_set("Cap Classique"), ["2000-01-01"], date(2001, 1, 1))
    assert np.isnat(old[0][0])
    assert np.isnat(old[1][0])


# Sweetness, strength, volume


def test_a_stated_term_that_does_not_fit_is_answered_with_those_that_do():
    found = list(
        rules_of_place.sweetness_terms(
            EU,
            ["2022-05-01"] * 6,
            [2, 2, 8, 8, np.nan, 8],
            ["brut", "brut nature", "Extra-Brut", "extra dry", "brut", None],
            [f"Disgorgements!{n}" for n in range(2, 8)],
        )
    )
    assert places(found) == ["Disgorgements!3", "Disgorgements!4", "Disgorgements!5"]
    assert "with sugar added" in found[0].rule
    assert "extra brut, brut" in found[0].remedy
    assert "brut nature," not in found[0].remedy
    assert "Terms that fit (tolerance 3 g/L, from memory): brut." in found[1].remedy


def test_residual_sugar_counts_but_is_no_addition():
    check = rules_of_place.sweetness_terms(
        EU, ["2022-05-01"] * 2, [0, 0], ["brut nature", "brut nature"], ["a", "b"], [2.5, 3.0]
    )
    assert places(check) == ["b"]


def test_an_unknown_term_is_a_caution_and_a_label_may_say_more():
    found = list(
        rules_of_place.sweetness_terms(EU, ["2022-05-01"] * 3, [8] * 3, ["bruut", "Brut rosé", "BRUT"], ["a", "b", "c"])
    )
    assert places(found) == ["a"]


def test_terms_of_a_day_without_terms_are_not_judged():
    assert list(rules_of_place.sweetness_terms(EU, ["2001-05-01"], [8], ["doux"], ["a"])) == []
    assert rules_of_place.terms_for(EU, date(2001, 5, 1), 8) == []


def test_tirage_sugar_above_one_and_a_half_percent():
    found = list(rules_of_place.tirage_alcohol_gain(EU, ["2021-03-01"] * 3, [24, 25.2, 25.3], ["a", "b", "c"]))
    assert places(found) == ["c"]
    assert "1.49 to 1.50 % vol" in found[0].rule
    assert rules_of_place.BURST_CAUTION in found[0].remedy


def test_technical_loss_by_stage_and_date():
    days = ["2012-03-01", "2016-03-01", "2016-03-01"]
    check = rules_of_place.technical_loss(CHAMPAGNE, "tirage", days, [1000, 1000, 0], [985, 985, 0], ["a", "b", "c"])
    assert places(check) == ["b"]
    with pytest.raises(KeyError):
        list(rules_of_place.technical_loss(CHAMPAGNE, "racking", days, [1] * 3, [1] * 3, ["a", "b", "c"]))


def test_vintage_share():
    check = rules_of_place.vintage_share(CHAMPAGNE, ["2020-12-31"] * 3, [80, 81, 0], [100, 100, 0], list("abc"))
    assert places(check) == ["b"]


def test_nominal_volumes():
    found = list(
        rules_of_place.nominal_volume(
            EU, ["2020-01-01"] * 6, [0.75, 0.5, 3.0, 0.1, np.nan, 0.62], [f"Tirage!{n}" for n in range(2, 8)]
        )
    )
    assert places(found) == ["Tirage!3", "Tirage!7"]
    assert "is not one of the sizes allowed: 125, 200, 375, 750, 1500 mL" in found[0].rule
    assert list(rules_of_place.nominal_volume(EU, ["2001-01-01"], [0.5], ["a"])) == []


# Pressure


def test_pressure_above_what_the_bottle_is_rated_for():
    found = list(rules_of_place.pressure_caution([24, 26, np.nan], ["Tirage!2", "Tirage!3", "Tirage!4"]))
    assert places(found) == ["Tirage!3"]
    assert "estimated 6.5 bar at 10 °C (8.7 bar at 20 °C), above 6 bar" in found[0].rule
    assert "bottles burst" in found[0].remedy
    assert "glassmaker" in found[0].remedy
    assert "oenologist" in found[0].remedy
    rated = rules_of_place.pressure_caution([24, 24], ["a", "b"], [7.9, 8.1], rated_at_c=20.0)
    assert places(rated) == ["a"]


def test_pressure_at_the_threshold_itself_is_no_caution():
    """24 g/L are 6 bar at 10 °C and 8 bar at 20 °C; 10.5 g/L are 3.5 bar at 20 °C: neither above nor below."""
    at, beyond = list("ab"), [24.0, 24.001]
    assert places(rules_of_place.pressure_caution(beyond, at)) == ["b"]
    assert places(rules_of_place.pressure_caution(beyond, at, [8.0, 8.0], rated_at_c=20.0)) == ["b"]
    check = rules_of_place.least_pressure(EU, ["2021-03-01"] * 2, [10.5, 10.499], [0.75] * 2, at)
    assert places(check) == ["b"]
    small = rules_of_place.least_pressure(EU, ["2021-03-01"] * 2, [10.499, 10.499], [0.25, 0.249], at)
    assert places(small) == ["a"]  # under 25 cl the least is 3 bar


def test_pressure_below_the_least_of_the_set():
    # 3.5 bar at 20 °C asks for 3.5 × 4 × 6/8 = 10.5 g/L; small bottles for 9 g/L; Crémant (4 bar) for 12 g/L
    sugar, bottles = [10.4, 10.6, 10.4, 8.9], [0.75, 0.75, 0.2, 0.2]
    check = rules_of_place.least_pressure(EU, ["2021-03-01"] * 4, sugar, bottles, list("abcd"))
    assert places(check) == ["a", "d"]
    loire = rules_of_place.least_pressure(
        rule_set("Crémant de Loire"), ["2021-03-01"] * 2, [11.9, 12.1], [0.75, 0.75], ["a", "b"]
    )
    assert places(loire) == ["a"]


# What all have in common


def every_kind_of_caution():
    day = ["2020-06-01"]
    yield from rules_of_place.press_yield(CHAMPAGNE, day, [100], [100], ["a"])
    yield from rules_of_place.earliest_tirage(CHAMPAGNE, day, [2020], ["a"])
    yield from rules_of_place.months_on_lees(CHAMPAGNE, day, ["2020-07-01"], ["a"])
    yield from rules_of_place.months_to_sale(CHAMPAGNE, day, ["2020-07-01"], ["a"])
    yield from rules_of_place.sweetness_terms(CHAMPAGNE, day, [8], ["doux"], ["a"])
    yield from rules_of_place.tirage_alcohol_gain(CHAMPAGNE, day, [30], ["a"])
    yield from rules_of_place.technical_loss(CHAMPAGNE, "vinification", day, [100], [90], ["a"])
    yield from rules_of_place.vintage_share(CHAMPAGNE, day, [90], [100], ["a"])
    yield from rules_of_place.nominal_volume(CHAMPAGNE, day, [0.7], ["a"])
    yield from rules_of_place.least_pressure(CHAMPAGNE, day, [4], [0.75], ["a"])


def test_each_is_a_caution_that_names_its_set_its_date_and_local_rules():
    found = list(every_kind_of_caution())
    assert len(found) == 10
    for finding in found:
        assert finding.severity == CAUTION
        assert finding.rule.endswith(("(rules of Champagne).", "(rules of European Union)."))
        assert "in force from 20" in finding.source
        assert "confirm the one in force" in finding.remedy


def test_the_rule_is_short_and_its_source_stands_apart():
    """Rule and source were one text of up to 300 signs."""
    for finding in every_kind_of_caution():
        assert len(finding.rule) <= 120
        assert finding.source
        assert finding.source not in finding.rule
        assert str(finding).endswith(f"Source: {finding.source}.")


def test_a_caution_on_a_second_hand_figure_says_so():
    found = list(rules_of_place.months_on_lees(rule_set("Sussex"), ["2023-01-01"], ["2023-06-01"], ["a"]))
    assert "second-hand" in found[0].source


def test_a_hundred_thousand_rows_are_looked_up_as_columns():
    n = 100_000
    tirage = np.datetime64("2016-01-01") + np.arange(n) % 3000
    disgorged = rules_of_place.add_months(tirage, np.full(n, 30))
    kinds = np.array(["", "vintage", "riserva", "satèn"], dtype=object)[np.arange(n) % 4]
    found = rules_of_place.months_on_lees(rule_set("Franciacorta"), tirage, disgorged, range(n), list(kinds))
    assert sum(1 for _ in found) == n // 4  # the riserva alone asks for more than 30 months


def test_without_a_word_on_what_is_left_fermentation_has_left_no_sugar() -> None:
    dosage = np.arange(10.0, 17.0, 0.5)
    given = [["2022-05-01"] * len(dosage), dosage, ["brut"] * len(dosage), [str(amount) for amount in dosage]]
    found, none_left, one_left = (
        [finding.place for finding in rules_of_place.sweetness_terms(EU, *given, *more)]
        for more in ([], [[0.0] * len(dosage)], [[1.0] * len(dosage)])
    )
    assert found == none_left != one_left


def of_one_rule(rules: RuleSet, rule: str, **changes: object) -> RuleSet:
    """A set of the figures of one rule alone, some of their fields changed."""
    figures = tuple(replace(figure, **changes) for figure in rules.figures if figure.rule == rule)  # type: ignore[arg-type]
    return RuleSet(rules.title, figures)


def test_the_first_figure_of_a_set_is_a_rule_like_any_other() -> None:
    tirage = of_one_rule(CHAMPAGNE, "earliest tirage")
    assert places(rules_of_place.earliest_tirage(tirage, ["2020-12-31", "2021-01-01"], [2020] * 2, list("ab"))) == ["a"]
    lees = of_one_rule(EU, "days on lees")
    found = list(rules_of_place.months_on_lees(lees, ["2021-01-01"] * 2, ["2021-03-31", "2021-04-01"], list("ab")))
    assert [(one.place, one.value) for one in found] == [("a", "89 days on lees")]


def test_a_tirage_allowed_from_the_middle_of_a_month_is_early_until_then() -> None:
    middle = of_one_rule(rule_set("Crémant de Loire"), "earliest tirage", month_day="12-15")
    days = ["2020-12-14", "2020-12-15"]
    found = list(rules_of_place.earliest_tirage(middle, days, [2020] * 2, list("ab")))
    assert [one.place for one in found] == ["a"]
    assert "before 2020-12-15" in found[0].rule


def test_half_a_gram_of_dosage_is_sugar_added() -> None:
    found = list(rules_of_place.sweetness_terms(EU, ["2022-05-01"] * 2, [0.5, 0.0], ["brut nature"] * 2, list("ab")))
    assert [one.place for one in found] == ["a"]
    assert "0.5 g/L with sugar added" in found[0].rule


def test_a_size_is_allowed_on_the_last_day_of_its_rule() -> None:
    sizes = of_one_rule(EU, "nominal volume", in_force_to=date(2020, 6, 30)).figures
    ranges = [figure for figure in EU.figures if figure.rule.startswith("nominal volume ")]
    rules = RuleSet(EU.title, (*ranges, *sizes))
    check = rules_of_place.nominal_volume(rules, ["2020-06-30", "2020-07-01"], [0.75] * 2, list("ab"))
    assert places(check) == ["b"]
