"""Rules on names, double entries, trial blends, scenarios and money: each proves the cell that it names."""

from __future__ import annotations

import pandas as pd
import pytest

from costing.errors import CAUTION, ERROR, InputError
from costing.inputs import price_checks
from costing.inputs.headers import KnownNames, closest
from costing.inputs.load import load, read_frames
from costing.inputs.schema import operations
from tests.inputs.planted import estate_of, findings_of, frames, only, planted

NAMES = [
    ("Movements!D2", "M11", "is no known lot.", "Did you mean 'M1' ("),
    ("Movements!D2", "Vat 17", "is no known lot.", "Enter it where it is filled first"),
    ("Movements!D2", "m1", "is written 'M1' at Pressings!G2.", "Use one spelling for one thing."),
    ("Pressings!C2", "G-1", "is written 'G1' at Deliveries!B2.", "Use one spelling for one thing."),
    ("Stocktakes!B2", "R1x", "is no known lot.", "Did you mean 'R1' ("),
    ("Tirage!D2", "B1x", "is no known lot.", "Did you mean 'B1' ("),
    ("Disgorgements!C2", "T20x", "is no known lot.", "Did you mean 'T20' ("),
    ("Dispatches!B2", "D25x", "is no known lot.", "Did you mean 'D25' ("),
    ("Costs!C2", "V1x", "is no known lot.", "Did you mean 'V1' ("),
    ("Opening costs!A2", "R1x", "is no known lot.", "Did you mean 'R1' ("),
    ("Market values!B2", "R1x", "is no known lot.", "Did you mean 'R1' ("),
    ("Opening stock!G3", "Brutt", "is no known cuvée.", "Did you mean 'Brut' ("),
    ("Price list!B2", "Prestige", "is no known cuvée.", "Add it to Cuvées"),
    ("Dispatches!C2", "Trades", "is no known channel.", "Did you mean 'Trade' ("),
    ("Targets!B2", "trade", "is written 'Trade' at Channels!A2.", "Use one spelling for one thing."),
    ("Deliveries!N2", "quaterly", "is no known set of payment terms.", "Did you mean 'quarterly' ("),
    ("Deliveries!N4", "at once", "is no known set of payment terms.", "Add it to Terms"),
    ("Trial blends!C2", "R-1", "is no known lot.", "Did you mean 'R1'?"),
    (
        "Trial blends!C3",
        "Chardonay",
        "is no known vintage, variety, village or kind of wine.",
        "Did you mean 'Chardonnay'?",
    ),
    ("Uncertainty!G3", "grape prise", "is no name on this sheet.", "Did you mean 'grape price'?"),
    ("Scenarios!B2", "Grape price", "is no sheet of the library.", "Did you mean 'Grape prices'?"),
    ("Scenarios!C2", "Price per kilo", "is no column of 'Grape prices'.", "Did you mean 'Price per kg'?"),
    ("Uncertainty!B2", "Grapes", "is no sheet of the library.", "Did you mean 'Grape prices'?"),
    ("Cuvées!C2", "Cavas", "is no rule set.", "Did you mean 'Cava'?"),
    ("Loss norms!A2", "disgorging", "is no operation or stage.", "Did you mean 'disgorgement'?"),
    ("Loss norms!A2", "moonlight", "is no operation or stage.", "Choose one of: reception"),
]


@pytest.mark.parametrize(("place", "value", "rule", "remedy"), NAMES)
def test_an_unknown_name_is_an_error_with_the_nearest(place, value, rule, remedy):
    finding = only({place: value})
    assert (finding.place, finding.value, finding.rule) == (place, value, rule)
    assert finding.remedy.startswith(remedy)
    assert finding.severity == ERROR


def test_a_lot_exists_wherever_it_is_filled():
    filled_by = {
        "Opening stock": "R1",
        "Deliveries": "W1",
        "Pressings": "M2",
        "Movements": "B1",
        "Tirage": "T25",
        "Disgorgements": "D25",
    }
    for lot in filled_by.values():
        assert findings_of({"Market values!B2": lot}) == []


def test_an_unknown_lot_is_named_wherever_it_is_used():
    found = findings_of({"Movements!D2": "X", "Costs!C2": "X", "Stocktakes!B2": "X"})
    assert sorted(finding.place for finding in found) == ["Costs!C2", "Movements!D2", "Stocktakes!B2"]


def test_lots_told_apart_by_capitals_alone_are_refused_where_the_rarer_is_filled():
    finding = only({"Pressings!G5": "m1"})
    assert (finding.place, finding.rule) == (
        "Pressings!G5",
        "differs from 'M1' at Pressings!G2 only in its capital letters.",
    )


def test_without_cuvees_every_name_of_a_cuvee_is_free():
    assert findings_of({"Price list!B2": "Prestige"}, without=("Cuvées",)) == []


def test_without_channels_a_way_out_counts_as_a_sale_with_a_caution():
    cells = {"Dispatches!E3": "9", "Dispatches!C3": "Trade"}
    found = findings_of(cells, without=("Channels", "Targets", "Price list"))
    assert [(finding.place, finding.severity) for finding in found] == [("Dispatches!C2", CAUTION)]


def test_a_sheet_that_could_not_be_read_is_not_held_against_the_lots_that_it_fills():
    finding = only({"Pressings!G1": "To lott"})
    assert finding.place == "Pressings!G1"


TWICE = {
    "Opening stock!B4": (
        {"A": "2023-01-01", "B": "R1", "C": "reserve", "D": "5", "E": "L"},
        "Opening stock!B2",
    ),
    "Interest rates!A4": ({"A": "2020-01-01", "B": "4"}, "Interest rates!A2"),
    "Price indices!B4": ({"A": "2025-01-01", "B": "dry goods", "C": "105"}, "Price indices!B3"),
    "Grape prices!A4": ({"A": "2024", "D": "6.1"}, "Grape prices!A3"),
    "Stocktakes!B3": ({"A": "2024-12-31", "B": "R1", "C": "9890"}, "Stocktakes!B2"),
    "Operation rates!B4": (
        {"A": "2020-01-01", "B": "pressing", "C": "kg", "D": "0.6", "E": "pressing"},
        "Operation rates!B3",
    ),
    "Dry goods!B3": (
        {"A": "2020-01-01", "B": "tirage", "C": "glass", "D": "bottle", "E": "1"},
        "Dry goods!B2",
    ),
    "Loss norms!A4": ({"A": "on lees", "B": "1", "C": "per year"}, "Loss norms!A3"),
    "Market values!C3": ({"A": "2024-01-01", "C": "reserve", "D": "9"}, "Market values!C2"),
    "Cuvées!A4": ({"A": "Brut"}, "Cuvées!A2"),
    "Targets!A3": ({"A": "Brut", "B": "Trade", "C": "return", "D": "12"}, "Targets!A2"),
    "Price list!B3": ({"A": "2025-01-01", "B": "Brut", "C": "Trade", "D": "25"}, "Price list!B2"),
    "Channels!A4": ({"A": "Tastings", "B": "samples"}, "Channels!A3"),
    "Price by age!A4": (
        {"A": "Brut", "B": "bottle", "C": "48", "D": "28", "E": "2025-03-01"},
        "Price by age!A3",
    ),
    "Recipes!A4": ({"A": "Zero 27", "B": "grape price per kg", "C": "7"}, "Recipes!A2"),
    "Uncertainty!A4": (
        {"A": "glass price", "B": "Dry goods", "C": "Unit price", "D": "normal", "E": "1", "F": "0.1"},
        "Uncertainty!A3",
    ),
}


@pytest.mark.parametrize("place", list(TWICE))
def test_what_stands_twice_is_named_with_the_first(place):
    row, first = TWICE[place]
    sheet, number = place.split("!")[0], place.rstrip("0123456789")
    finding = only({f"{sheet}!{letter}{place[len(number) :]}": value for letter, value in row.items()})
    assert finding.place == place
    assert finding.rule.startswith(f"stands twice: {first} has the same ")


def test_the_same_entry_from_another_day_is_another_entry():
    row = {"A": "2026-01-01", "B": "Brut", "C": "Trade", "D": "25"}
    assert findings_of({f"Price list!{letter}3": value for letter, value in row.items()}) == []


MONEY = [
    ("Terms!B3", "40", "Terms!B2", "the shares of 'quarterly' make 90 %, not 100 %.", ERROR),
    ("Terms!C2", "", "Terms!C2", "no day of payment stands here.", ERROR),
    ("Terms!D2", "2025-01-01", "Terms!D2", "stands beside days after delivery.", ERROR),
    ("Loss norms!C2", "per year", "Loss norms!C2", "does not fit 'disgorgement', an operation.", ERROR),
    ("Loss norms!C3", "per movement", "Loss norms!C3", "does not fit 'on lees', a stage.", ERROR),
    (
        "Operation rates!C2",
        "litre",
        "Operation rates!C2",
        "is never counted by 'storage': nothing could be charged.",
        ERROR,
    ),
    (
        "Operation rates!C3",
        "litre-year",
        "Operation rates!C3",
        "is never counted by 'pressing': nothing could be charged.",
        ERROR,
    ),
    (
        "Operation rates!B3",
        "racking",
        "Operation rates!C3",
        "is never counted by 'racking': nothing could be charged.",
        ERROR,
    ),
    ("Interest rates!B3", "", "Interest rates!3", "no rate stands in this row.", ERROR),
    ("Pools!B2", "2023-12-31", "Pools!B2", "is before the first day.", ERROR),
    ("Pools!A3", "2024-12-31", "Pools!A3", "falls into the period of Pools!A2: its days count twice.", ERROR),
    ("Channels!C2", "100", "Channels!C2", "leaves nothing of the price.", ERROR),
    ("Channels!D2", "100", "Channels!D2", "leaves nothing of the price.", ERROR),
    ("Channels!G2", "100", "Channels!G2", "is the whole price as a margin.", ERROR),
    ("Channels!F2", "136", "Channels!F2", "has no basis: nothing is charged.", CAUTION),
    ("Channels!I2", "", "Channels!H2", "has no currency rate.", ERROR),
    ("Dispatches!F2", "USD", "Dispatches!F2", "has no currency rate.", ERROR),
    ("Price list!E2", "USD", "Price list!E2", "has no currency rate.", ERROR),
    ("Targets!D2", "100", "Targets!D2", "cannot be a margin on price.", ERROR),
    (
        "Dispatches!E2",
        "",
        "Dispatches!E2",
        "no price stands here, though the bottles were sold before the valuation date.",
        CAUTION,
    ),
    ("Costs!E2", "labor", "Costs!E2", "is a cost element of its own, and close to a usual one.", CAUTION),
    ("Dry goods!B2", "dressing", None, "", ""),
    ("Trial blends!E2", "50", "Trial blends!D2", "litres and share both stand here.", ERROR),
    ("Trial blends!D2", "", "Trial blends!D2", "neither litres nor a share stand here.", ERROR),
    ("Trial blends!C2", "", "Trial blends!C2", "no lot is named.", ERROR),
    ("Trial blends!E3", "", "Trial blends!E3", "no bound stands here.", ERROR),
    ("Trial blends!F4", "", "Trial blends!F4", "no bottles stand here.", ERROR),
]


def test_operations_that_a_driver_goes_with_are_listed_while_they_are_few(monkeypatch: pytest.MonkeyPatch) -> None:
    cells = {"Operation rates!B3": "racking", "Operation rates!C3": "kg"}
    names = [name for name, entry in operations().items() if "kg" in entry.drivers]
    for most, listed in ((len(names), False), (len(names) + 1, True)):
        monkeypatch.setattr(price_checks, "_MANY", most)
        assert ("'kg' goes with" in only(cells).remedy) == listed


@pytest.mark.parametrize(("place", "value", "named", "rule", "severity"), MONEY)
def test_a_rule_on_money_names_its_cell(place, value, named, rule, severity):
    if named is None:
        assert findings_of({place: value}) == []
        return
    finding = only({place: value})
    assert (finding.place, finding.severity) == (named, severity)
    assert finding.rule.startswith(rule)


def test_at_least_is_not_more_than_at_most():
    assert only({"Channels!J2": "600", "Channels!K2": "500"}).place == "Channels!J2"


def test_pools_of_one_name_and_period_may_differ_in_element():
    row = {"A": "2024-01-01", "B": "2024-12-31", "C": "Press house", "D": "9000", "E": "kg", "F": "labour"}
    assert findings_of({f"Pools!{letter}4": value for letter, value in row.items()}) == []


def test_a_margin_of_the_whole_price_may_be_a_mark_up_on_cost():
    cells = {"Channels!G2": "150"}
    assert only(cells).remedy == "Enter less than 100 %, or set the margin basis to 'mark-up on cost'."
    assert (
        findings_of(cells | {"Channels!E1": "Margin basis", "Channels!E2": "mark-up on cost", "Channels!E3": ""}) == []
    )


def test_samples_need_no_price_and_plans_need_none_either():
    estate = estate_of()
    blank = estate["dispatches"]["net_price"].isna()
    assert list(estate["dispatches"].loc[blank, "channel"]) == ["Tastings", "Trade"]
    assert estate.cautions == ()


def test_ten_mistakes_give_ten_findings():
    mistakes = {
        "Settings!B3": "half",
        "Opening stock!D2": "1.000,50",
        "Deliveries!N2": "quaterly",
        "Terms!B3": "40",
        "Pressings!D2": "",
        "Movements!C3": "enrichement",
        "Movements!G6": "V9",
        "Tirage!I2": "94000",
        "Disgorgements!E2": "3100",
        "Costs!A2": "31/02/2024",
    }
    named = {place: place for place in mistakes} | {"Terms!B3": "Terms!B2"}
    found = findings_of(mistakes)
    assert sorted(finding.place for finding in found) == sorted(named.values())
    assert all(finding.severity == ERROR and finding.remedy for finding in found)


def test_of_many_misspelt_lots_twenty_of_a_column_are_shown() -> None:
    """A prefix before each of 4,000 dispatched lots: each has the nearest name beside it once."""
    known = [f"LOT-{number:05d}" for number in range(4_000)]
    tables = planted({})
    first = tables["Deliveries"].iloc[[0]]
    tables["Deliveries"] = pd.concat([tables["Deliveries"], *[first] * len(known)], ignore_index=True)
    tables["Deliveries"].loc[tables["Deliveries"].index[-len(known) :], "Lot"] = known
    sold = pd.concat([tables["Dispatches"].iloc[[0]]] * len(known), ignore_index=True)
    tables["Dispatches"] = sold.assign(**{"Release lot": [f"x{name}" for name in known]})
    with pytest.raises(InputError) as refused:
        load(read_frames(tables), settings_required=False)
    findings = [one for one in refused.value.findings if "is no known lot" in one.rule]
    assert len(findings) == 21
    assert findings[0].remedy == "Did you mean 'LOT-00000' (Deliveries!B5)?"
    assert "3,980 such names" in findings[-1].rule


def test_the_nearest_of_prepared_names_is_that_of_difflib() -> None:
    """Against `difflib.get_close_matches` of the standard library, over every name."""
    names = [f"{word} {year}" for word in ("Chêne", "Craie", "Brume", "Argile") for year in range(2000, 2026)]
    prepared = KnownNames(names)
    for word in ("Chene 2o12", "Crae 2019", "brume2004", "Argile 200", "nothing alike", ""):
        assert prepared.closest(word, 0.6) == closest(word, names, 0.6)


def test_a_row_with_an_error_hides_no_finding_of_other_rows():
    """Many rows with one fault became one finding at the first of them, and went with it where it was dropped."""
    tables = planted({})
    wrong = pd.concat([tables["Movements"].iloc[[0]].assign(**{"From lot": "R1x"})] * 8)
    wrong.iloc[0, wrong.columns.get_loc("Out (L)")] = "4O00"
    tables["Movements"] = pd.concat([tables["Movements"], wrong])
    first = len(frames()["Movements"]) + 2
    with pytest.raises(InputError) as refused:
        load(read_frames(tables), settings_required=False)
    found = [one for one in refused.value.findings if one.rule.startswith("is no known lot.")]
    assert [one.place for one in found] == [f"Movements!D{first + 1}"]
    assert f"6 more cells are like it: D{first + 2}, " in found[0].rule


def test_many_entries_that_stand_twice_are_one_finding():
    tables = planted({})
    rates = tables["Interest rates"]
    tables["Interest rates"] = pd.concat([rates, *[rates.iloc[[0]]] * 40])
    with pytest.raises(InputError) as refused:
        load(read_frames(tables), settings_required=False)
    (finding,) = [one for one in refused.value.findings if one.severity == ERROR]
    assert finding.rule.startswith("stands twice: Interest rates!A2 has the same 'from'.")
    assert f"39 more cells are like it: A{len(rates) + 3}, " in finding.rule


@pytest.mark.parametrize(("bound", "said_at"), [("2024", []), ("2023", ["Trial blends!C3"])])
def test_a_blend_may_be_bound_by_the_year_in_which_grapes_came(bound: str, said_at: list[str]) -> None:
    """Without a vintage the year of the delivery is that of the harvest."""
    cells = {f"Deliveries!G{row}": "" for row in (2, 3, 4)} | {"Trial blends!C3": bound}
    assert [one.place for one in findings_of(cells) if one.place.startswith("Trial blends!")] == said_at
