"""Rules on arrivals, press loads, movements, tirage, disgorgement: each proves the cell that it names."""

from __future__ import annotations

import pandas as pd
import pytest

from costing.errors import CAUTION, ERROR
from costing.inputs.load import load, read_frames
from tests.inputs.planted import findings_of, only, planted

ARRIVALS = [
    ("Opening stock!E2", "kg", "Opening stock!E2", "is no unit for reserve.", ERROR),
    ("Opening stock!E3", "L", "Opening stock!E3", "is no unit for on lees.", ERROR),
    ("Deliveries!I2", "L", "Deliveries!I2", "is no unit for grapes.", ERROR),
    ("Deliveries!I4", "", "Deliveries!I4", "is no unit for wine.", ERROR),
    ("Opening stock!F3", "", "Opening stock!F3", "no format stands here, though these are bottles.", ERROR),
    (
        "Opening stock!K3",
        "2023-04-01",
        "Opening stock!K3",
        "is after the day from which the bottles are counted.",
        ERROR,
    ),
    ("Deliveries!M2", "2024-09-01", "Deliveries!M2", "is before the delivery.", ERROR),
    ("Deliveries!M2", "", "Deliveries!M2", "the premium has no date.", ERROR),
    ("Deliveries!G2", "2025", "Deliveries!G2", "is a harvest after the day of arrival.", CAUTION),
    ("Opening costs!A3", "V1", "Opening costs!A3", "is not in the opening stock.", ERROR),
]

LOADS = [
    ("Pressings!F2", "", "Pressings!F2", "the fraction has no litres.", ERROR),
    ("Pressings!G3", "", "Pressings!G3", "the fraction has no lot.", ERROR),
    ("Pressings!E3", "", "Pressings!E3", "no fraction stands here, though must was drawn.", ERROR),
    ("Pressings!C2", "", "Pressings!C2", "the kilograms have no lot.", ERROR),
    ("Pressings!F4", "30", "Pressings!G4", "litres of a by-product without a lot.", ERROR),
    ("Pressings!G4", "M2", "Pressings!F4", "the by-product has no litres.", ERROR),
    (
        "Pressings!L4",
        "",
        "Pressings!L4",
        "neither a credit nor litres stand here: the by-product changes nothing.",
        CAUTION,
    ),
    ("Pressings!D2", "", "Pressings!D2", "the whole of load 'P1' has no kilograms.", ERROR),
    ("Pressings!A3", "2024-09-11", "Pressings!A3", "differs from the first row of load 'P1'.", ERROR),
    ("Pressings!C3", "G2", "Pressings!D3", "lot 'G2' has no kilograms in load 'P1'.", ERROR),
    (
        "Pressings!D2",
        "400",
        "Pressings!D2",
        "makes 6.38 litres per kilogram in load 'P1'; 0.4 to 0.8 is usual.",
        CAUTION,
    ),
    (
        "Pressings!F2",
        "205",
        "Pressings!D2",
        "makes 0.18 litres per kilogram in load 'P1'; 0.4 to 0.8 is usual.",
        CAUTION,
    ),
    ("Pressings!H3", "fixed", "Pressings!H3", "is not the method of load 'P1', 'volume'.", ERROR),
    (
        "Pressings!I6",
        "",
        "Pressings!I6",
        "no value per litre stands here, though the load is shared by sales value.",
        ERROR,
    ),
    ("Pressings!H5", "nrv", None, "", ""),
]

MOVES = [
    ("Movements!C2", "loss", "Movements!G2", "is filled, but 'loss' takes wine out of the cellar.", ERROR),
    ("Movements!D2", "", "Movements!E2", "is drawn, but no lot stands under 'From lot'.", ERROR),
    ("Movements!E2", "", "Movements!E2", "nothing says how much was drawn.", ERROR),
    ("Movements!F2", "40", "Movements!F2", "stands beside litres: a lot is litres or bottles.", ERROR),
    ("Movements!J3", "4000", "Movements!J3", "is more than the litres that arrived.", ERROR),
    ("Movements!H2", "4310", "Movements!H2", "is 310 litres more than left.", CAUTION),
    ("Movements!J3", "", "Movements!H3", "is 10 litres more than left.", CAUTION),
    ("Movements!I7", "101", "Movements!I7", "is 1 bottle more than left.", CAUTION),
    (
        "Movements!C6",
        "racking",
        "Movements!G6",
        "is blank, but 'racking' leaves the wine in the cellar.",
        ERROR,
    ),
    ("Movements!M2", "50", "Movements!M2", "is brought by an operation that sells nothing.", CAUTION),
    ("Movements!L7", "", "Movements!L7", "no cuvée stands here, though bottles are downgraded.", ERROR),
    ("Movements!C7", "decanting", "Movements!K7", "no format stands here, though bottles are decanted.", ERROR),
    ("Movements!H6", "900", "Movements!H6", "arrives, but no lot stands under 'To lot'.", ERROR),
    ("Tirage!I2", "9600", "Tirage!I2", "hold 7,200.0 L, but wine and liqueur together are 7,130.0 L.", ERROR),
    (
        "Tirage!H2",
        "magnum",
        "Tirage!I2",
        "hold 14,100.0 L, but wine and liqueur together are 7,130.0 L.",
        ERROR,
    ),
    ("Tirage!I2", "8500", "Tirage!I2", "leave 10.6 % of the wine and liqueur unaccounted for.", CAUTION),
    ("Disgorgements!E2", "3001", "Disgorgements!E2", "is more than the bottles taken from the stack.", ERROR),
    ("Disgorgements!H2", "20", "Disgorgements!H2", "is drawn from no lot: it brings no cost.", CAUTION),
    ("Disgorgements!G2", "W1", "Disgorgements!G2", "is named, but no litres are drawn from it.", CAUTION),
    (
        "Costs!B2",
        "2034-12-01",
        "Costs!B2",
        "is more than 5 years from the day the cost was incurred.",
        CAUTION,
    ),
    ("Costs!A2", "2042-12-01", "Costs!A2", "is more than 15 years after the valuation date.", CAUTION),
    ("Movements!A5", "2022-12-31", "Movements!A5", "is before the opening stock of 'R1', 2023-01-01.", ERROR),
    (
        "Stocktakes!A2",
        "2022-12-31",
        "Stocktakes!A2",
        "is before the opening stock of 'R1', 2023-01-01.",
        ERROR,
    ),
    (
        "Disgorgements!A2",
        "2022-12-31",
        "Disgorgements!A2",
        "is before the opening stock of 'T20', 2023-01-01.",
        ERROR,
    ),
    ("Tirage!D2", "T20", "Tirage!D2", "is used in litres here, and in bottles at Opening stock!B3.", ERROR),
    (
        "Movements!D2",
        "G1",
        "Movements!D2",
        "is used in litres here, and in kilograms at Deliveries!B2.",
        ERROR,
    ),
    (
        "Dispatches!B4",
        "R1",
        "Dispatches!B4",
        "is used in bottles here, and in litres at Opening stock!B2.",
        ERROR,
    ),
]


@pytest.mark.parametrize(("place", "value", "named", "rule", "severity"), ARRIVALS + LOADS + MOVES)
def test_a_rule_of_press_house_and_cellar_names_its_cell(place, value, named, rule, severity):
    also = {"Costs!B2": "2042-12-01"} if value == "2042-12-01" else {}  # paid on that day too
    found = findings_of({place: value} | also)
    if named is None:
        assert found == []
        return
    assert [(finding.place, finding.rule, finding.severity) for finding in found] == [(named, rule, severity)]
    assert found[0].remedy


def test_a_movement_from_nowhere_to_nowhere():
    finding = only({"Movements!D6": "", "Movements!E6": "", "Movements!M6": ""})
    assert (finding.place, finding.rule) == ("Movements!D6", "names neither a lot drawn from nor a lot filled.")


def test_an_addition_needs_its_quantity():
    finding = only({"Movements!D3": "", "Movements!E3": "", "Movements!H3": "", "Movements!J3": ""})
    assert (finding.place, finding.rule) == ("Movements!H3", "nothing says how much arrived.")


def test_work_in_place_and_additions_are_right():
    assert findings_of({"Movements!D3": "", "Movements!E3": "", "Movements!H3": "20"}) == []


def test_bottles_filled_from_litres_belong_on_tirage():
    finding = only({"Movements!H2": "", "Movements!I2": "5000", "Movements!G2": "N1"} | _no_v1())
    assert (finding.place, finding.remedy) == ("Movements!I2", "Enter it on Tirage.")


def _no_v1() -> dict[str, str]:
    return {"Movements!D3": "M1", "Movements!D4": "M1", "Costs!C2": "M1", "Movements!G3": "M1"}


def test_decanting_may_give_more_bottles():
    cells = {"Movements!C7": "decanting", "Movements!K7": "half", "Movements!I7": "198", "Movements!L7": ""}
    assert findings_of(cells) == []


def test_kilograms_entered_on_two_rows_of_one_load():
    finding = only({"Pressings!C3": "G1", "Pressings!D3": "4000", "Pressings!F2": "4100"})
    assert finding.place == "Pressings!D3"
    assert finding.rule == "stands twice for lot 'G1' in load 'P1': first at Pressings!D2."


def test_two_grape_lots_in_one_load_are_right():
    cells = {"Pressings!C3": "G2", "Pressings!D3": "2000", "Pressings!F2": "3200"}
    assert findings_of(cells) == []


def test_a_load_without_fractions():
    cells = {f"Pressings!{letter}{row}": "" for letter in "EFG" for row in (5, 6)} | {"Pressings!B6": "P2"}
    found = findings_of(cells)
    assert [(finding.place, finding.rule) for finding in found] == [
        ("Pressings!E5", "the whole of load 'P2' has no fraction.")
    ]


def test_a_by_product_of_a_load_of_its_own_without_kilograms_or_litres():
    found = findings_of({"Pressings!B4": "P3"})
    assert [(finding.place, finding.rule) for finding in found] == [
        ("Pressings!D4", "the whole of load 'P3' has no kilograms."),
        ("Pressings!L4", "is a credit, but load 'P3' has no first or second pressing to take it."),
    ]


@pytest.mark.parametrize(("since", "counts"), [("2024-09-13", True), ("2024-09-14", False)])
def test_a_market_value_counts_from_its_own_day(since: str, counts: bool):
    value = {"Market values!A3": since, "Market values!C3": "second", "Market values!D3": "10"}
    found = findings_of({"Pressings!I6": ""} | value)
    assert [finding.place for finding in found] == ([] if counts else ["Pressings!I6"])
    of_the_lot = {"Market values!A3": since, "Market values!B3": "M4", "Market values!D3": "10"}
    found = findings_of({"Pressings!I6": "", "Pressings!G6": "M4"} | of_the_lot)
    assert [finding.place for finding in found if finding.place == "Pressings!I6"] == (
        [] if counts else ["Pressings!I6"]
    )


def test_a_load_that_gave_by_products_alone_is_asked_for_its_dates_and_not_for_its_yield():
    rows = {"Pressings!B4": "P3", "Pressings!C4": "G1", "Pressings!D4": "100", "Pressings!L4": ""}
    more = {"Pressings!A7": "2024-09-14", "Pressings!B7": "P3", "Pressings!E7": "by-product", "Pressings!L7": "0"}
    said = [finding.rule for finding in findings_of(rows | more) if "'P3'" in finding.rule]
    assert said == ["differs from the first row of load 'P3'."]


def test_a_credit_without_wine_to_bear_it():
    cells = {"Pressings!B4": "P3", "Pressings!C4": "G1", "Pressings!D4": "100"}
    assert [finding.rule for finding in findings_of(cells)] == [
        "is a credit, but load 'P3' has no first or second pressing to take it."
    ]


def test_fixed_shares_make_a_hundred():
    cells = {"Pressings!H2": "fixed", "Pressings!K2": "80", "Pressings!K3": "15"}
    finding = only(cells)
    assert (finding.place, finding.rule) == (
        "Pressings!K2",
        "the fixed shares of load 'P1' make 95 %, not 100 %.",
    )
    assert findings_of(cells | {"Pressings!K3": "20"}) == []


def test_sharing_by_weight_needs_the_weights():
    cells = {"Pressings!H2": "weight", "Pressings!J2": "2100"}
    assert only(cells).place == "Pressings!J3"
    assert findings_of(cells | {"Pressings!J3": "510"}) == []


def test_the_default_split_method_needs_its_figures_too():
    cells = {"Settings!A4": "Default split method", "Settings!B4": "sales value", "Pressings!H2": ""}
    assert [finding.place for finding in findings_of(cells)] == ["Pressings!I2", "Pressings!I3"]


def test_a_market_value_by_that_day_stands_in_for_the_value_of_a_fraction():
    cells = {"Pressings!I6": ""}
    row = {"Market values!A3": "2024-09-01", "Market values!C3": "second", "Market values!D3": "9"}
    assert findings_of(cells | row) == []
    assert only(cells | row | {"Market values!A3": "2024-09-14"}).place == "Pressings!I6"
    row = {"Market values!A3": "2024-09-01", "Market values!B3": "M2", "Market values!D3": "9"}
    assert findings_of(cells | row) == []


def test_a_lot_filled_with_two_formats():
    row = {
        "A": "2025-05-15",
        "B": "Brut",
        "C": "T25",
        "D": "B1",
        "E": "15",
        "F": "0",
        "H": "magnum",
        "I": "10",
    }
    finding = only({f"Tirage!{letter}3": value for letter, value in row.items()})
    assert (finding.place, finding.rule) == (
        "Tirage!C3",
        "is filled with format 'magnum' here, and with 'bottle' at Tirage!C2.",
    )


def test_a_release_from_stacks_of_two_formats():
    row = {"A": "2025-06-01", "B": "D25", "C": "T25", "D": "10", "E": "10"}
    cells = {f"Disgorgements!{letter}3": value for letter, value in row.items()}
    finding = only(cells | {"Tirage!H2": "magnum", "Tirage!I2": "4700"})
    assert (finding.place, finding.value) == ("Disgorgements!B3", "D25")
    assert findings_of(cells) == []


def test_what_was_disgorged_once_keeps_its_format_when_it_is_disgorged_again() -> None:
    again = {"A": "2025-06-01", "B": "D25-B", "C": "D25", "D": "10", "E": "10"}
    other = {"A": "2025-06-02", "B": "D25-B", "C": "T25", "D": "10", "E": "10"}
    rows = {
        f"Disgorgements!{letter}{row}": value
        for row, cells in ((3, again), (4, other))
        for letter, value in cells.items()
    }
    finding = only({**rows, "Tirage!H2": "magnum", "Tirage!I2": "4700"})
    assert finding.place == "Disgorgements!B4"
    assert finding.rule == "is filled with format 'magnum' here, and with 'bottle' at Disgorgements!B3."


def test_a_cost_before_the_opening_stock_of_its_lot_is_a_caution():
    finding = only({"Costs!C2": "R1", "Costs!A2": "2022-11-01", "Costs!B2": ""})
    assert (finding.place, finding.severity) == ("Costs!A2", CAUTION)


def test_without_a_valuation_date_no_row_is_far_ahead():
    assert findings_of({"Costs!A2": "2042-12-01", "Costs!B2": "", "Settings!B2": "", "Dispatches!E4": "9"}) == []


def test_a_row_with_a_faulty_cell_has_no_second_finding():
    assert only({"Movements!E2": "4O00", "Movements!H2": "9999"}).place == "Movements!E2"


def test_many_rows_that_break_one_rule_are_summed_up():
    tables = planted({})
    tables["Movements"] = pd.concat(
        [tables["Movements"], *[tables["Movements"].iloc[[0]].assign(**{"In (L)": "5000"})] * 80]
    )
    cautions = load(read_frames(tables), settings_required=False).cautions
    cautions = [one for one in cautions if "more than left" in one.rule]
    assert len(cautions) == 1
    assert "79 more cells are like it:" in cautions[0].rule


def test_bottles_moved_say_whether_bottles_or_litres_arrive() -> None:
    """They became litres of a new lot without a word."""
    finding = only({"Movements!C7": "transfer", "Movements!I7": "", "Movements!L7": ""})
    assert (finding.place, finding.severity) == ("Movements!I7", ERROR)
    assert findings_of({"Movements!C7": "transfer", "Movements!L7": ""}) == []
