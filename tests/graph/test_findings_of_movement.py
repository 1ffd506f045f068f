"""What the cellar cannot have done: each is a finding that names the cell, and nothing is computed."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, InputError, read_estate, run, trace
from costing.graph.balance import _exchanged
from costing.results.stock import stock_values

MOVES = ["on_date", "sequence", "operation", "from_lot", "out_l", "to_lot", "in_l"]


def _day(text: str) -> pd.Timestamp:
    return pd.Timestamp(text)


def _estate(moves: list[list[object]], **more: pd.DataFrame):
    tables = {
        "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2024-12-31"]}),
        "opening_stock": pd.DataFrame(
            {
                "on_date": _day("2024-01-01"),
                "lot": ["A", "B"],
                "kind": "wine",
                "quantity": [1000.0, 500.0],
                "unit": "L",
            }
        ),
        "opening_costs": pd.DataFrame({"lot": ["A", "B"], "element": "grapes", "amount": [5000.0, 4000.0]}),
        "movements": pd.DataFrame(moves, columns=MOVES),
    }
    return read_estate({**tables, **more})


def _findings(moves: list[list[object]], **more: pd.DataFrame) -> list[str]:
    with pytest.raises(InputError) as wrong:
        run(_estate(moves, **more), BOOK)
    return [f"{finding.place}: {finding.rule}" for finding in wrong.value.findings]


def test_more_drawn_than_held_names_the_litres() -> None:
    found = _findings([[_day("2024-02-01"), None, "racking", "A", 1200.0, "C", 1200.0]])
    assert any(text.startswith("movements!E2") or text.startswith("Movements!E2") for text in found), found
    assert found[0].endswith("drawn from A, which holds 1000 L since Opening stock!2: 1000 L in (Opening stock!2).")


@pytest.mark.parametrize(("drawn", "more"), [(1, ""), (2, ""), (3, ", after 1 row more"), (4, ", after 2 rows more")])
def test_the_three_rows_before_are_named_and_the_others_counted(drawn: int, more: str) -> None:
    rows = [[_day(f"2024-02-0{day}"), None, "racking", "A", 100.0, "B", 100.0] for day in range(1, 1 + drawn)]
    (found,) = _findings([*rows, [_day("2024-03-01"), None, "racking", "A", 1200.0, "C", 1200.0]])
    told = [f"100 L out (Movements!{2 + number})" for number in range(drawn)]
    named = ["1000 L in (Opening stock!2)", *told][-3:]
    assert found.endswith(f"{1000 - 100 * drawn} L since Movements!{1 + drawn}: {', '.join(named)}{more}.")


@pytest.mark.parametrize("lots", [["T"], ["A", "T"], ["T", "U"]])
def test_more_bottles_moved_than_held_names_the_cell_of_the_bottles(lots: list[str]) -> None:
    """Whichever lot is the first of the estate."""
    opening = {"on_date": _day("2024-01-01"), "lot": lots, "kind": "on lees", "quantity": 100.0, "unit": "bottles"}
    moved = {"on_date": [_day("2024-02-01")], "operation": "transfer", "from_lot": "T", "to_lot": "V"}
    tables = {
        "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2024-12-31"]}),
        "opening_stock": pd.DataFrame({**opening, "format": "bottle"}),
        "movements": pd.DataFrame({**moved, "out_bottles": [101.0], "in_bottles": [101.0]}),
    }
    with pytest.raises(InputError) as wrong:
        run(read_estate(tables), BOOK)
    row = 2 + lots.index("T")
    assert [(one.place, one.value) for one in wrong.value.findings] == [("Movements!E2", "101 bottles")]
    held = f"drawn from T, which holds 100 bottles since Opening stock!{row}: 100 bottles in (Opening stock!{row})."
    assert wrong.value.findings[0].rule == held


@pytest.mark.parametrize("litres", [100.0, 1.0])
def test_drawn_before_filled_names_what_fills_it(litres: float) -> None:
    found = _findings(
        [
            [_day("2024-02-01"), None, "racking", "C", litres, "D", litres],
            [_day("2024-03-01"), None, "racking", "A", litres, "C", litres],
        ]
    )
    assert "before anything was in it" in found[0]
    assert "ovements!3" in found[0]


def test_a_lot_of_nearly_that_name_is_offered_where_another_row_fills_it() -> None:
    """Not the one that the drawing row itself fills, nor one from which something is drawn."""
    draw = [_day("2024-03-01"), None, "racking", "S22-A", 100.0, "E", 100.0]
    late = [_day("2024-04-02"), None, "racking", "A", 50.0, "S22-A", 50.0]
    fill = [_day("2024-02-01"), None, "racking", "A", 100.0, "S22-AA", 100.0]
    used = [_day("2024-03-02"), None, "racking", "S22-AA", 50.0, "F", 50.0]
    cases = (
        ([fill, draw, late], True),
        ([fill, draw, late, used], False),
        ([[*draw[:5], "S22-AA", 100.0], late], False),
    )
    for rows, is_offered in cases:
        with pytest.raises(InputError) as wrong:
            run(_estate(rows), BOOK)
        (finding,) = wrong.value.findings
        offer = " Movements!2 fills 'S22-AA', from which nothing is drawn: the same lot?"
        assert finding.remedy.endswith(offer) == is_offered
        assert ("same lot" in finding.remedy) == is_offered


def test_a_circle_on_one_day_names_its_rows() -> None:
    found = _findings(
        [
            [_day("2024-02-01"), None, "racking", "A", 100.0, "B", 100.0],
            [_day("2024-02-01"), None, "racking", "B", 100.0, "A", 100.0],
        ]
    )
    assert len(found) == 1
    assert "circle" in found[0]
    assert "ovements!2" in found[0]
    assert "ovements!3" in found[0]


def test_two_circles_are_two_findings_and_each_names_its_own_rows_alone() -> None:
    first, second = _day("2024-02-01"), _day("2024-03-01")
    found = _findings(
        [
            [first, None, "racking", "A", 100.0, "B", 100.0],
            [second, None, "racking", "A", 50.0, "B", 50.0],
            [first, None, "racking", "B", 100.0, "A", 100.0],
            [second, None, "racking", "B", 50.0, "A", 50.0],
            [second, None, "racking", "A", 5.0, "C", 5.0],
            [second, None, "racking", "C", 4.0, "D", 4.0],
        ]
    )
    assert [sorted(set(re.findall(r"ovements!(\d)", text.split("came first")[1]))) for text in found] == [
        ["2", "4"],
        ["3", "5"],
    ]
    assert [text.partition(":")[0] for text in found] == ["Movements!B2", "Movements!B3"]


def test_bottles_decanted_into_the_liqueur_that_doses_them_are_a_circle() -> None:
    day = _day("2024-02-01")
    stack = {"on_date": _day("2024-01-01"), "lot": "T", "kind": "on lees", "quantity": 100.0, "unit": "bottles"}
    vat = {"on_date": _day("2024-01-01"), "lot": "L", "kind": "reserve", "quantity": 50.0, "unit": "L"}
    disgorged = {"on_date": day, "release_lot": "D", "from_lot": "T", "bottles_in": 100, "bottles_out": 99}
    decanted = {"on_date": day, "operation": "decanting", "from_lot": "D", "out_bottles": 10, "to_lot": "L", "in_l": 7}
    found = _findings(
        [],
        opening_stock=pd.DataFrame([{**stack, "format": "bottle"}, vat]),
        opening_costs=pd.DataFrame({"lot": ["T", "L"], "element": "grapes", "amount": [500.0, 100.0]}),
        disgorgements=pd.DataFrame([{**disgorged, "liqueur_lot": "L", "liqueur_l": 1.0}]),
        movements=pd.DataFrame([{**decanted, "format": "bottle"}]),
    )
    (circle,) = [text for text in found if "circle" in text]
    assert {"Disgorgements!2", "Movements!2"} <= set(re.findall(r"\w+!\d+", circle))


def test_a_circle_with_a_sequence_is_a_day_s_work() -> None:
    estate = _estate(
        [
            [_day("2024-02-01"), 1, "racking", "A", 100.0, "B", 100.0],
            [_day("2024-02-01"), 2, "racking", "B", 100.0, "A", 100.0],
        ]
    )
    values = stock_values(run(estate, BOOK)).set_index("lot")["value"]
    in_b = (4000 + 500) / 600  # per litre once A's hundred litres are in
    assert values["A"] == pytest.approx(4500 + 100 * in_b)


def test_emptied_and_refilled_on_one_day_asks_which_came_first() -> None:
    found = _findings(
        [
            [_day("2024-02-01"), None, "racking", "B", 500.0, "C", 500.0],
            [_day("2024-02-01"), None, "racking", "A", 300.0, "B", 300.0],
        ]
    )
    assert "which came first" in found[0]


def test_two_refilled_lots_are_two_findings_with_what_each_gave() -> None:
    """Another lot that gives a part and is filled, and one filled on another day, ask nothing."""
    stock = pd.DataFrame(
        {"on_date": _day("2024-01-01"), "lot": ["A", "B", "E", "F"], "kind": "wine",
         "quantity": [1000.0, 500.0, 400.0, 90.0], "unit": "L"}
    )  # fmt: skip
    on = _day("2024-02-01")
    found = _findings(
        [
            [on, None, "racking", "B", 500.0, "C", 500.0],
            [on, None, "racking", "A", 300.0, "B", 300.0],
            [on, None, "racking", "F", 40.0, "C", 40.0],
            [on, None, "racking", "A", 10.0, "F", 10.0],
            [on, None, "racking", "E", 400.0, "C", 400.0],
            [on, None, "racking", "A", 60.0, "E", 60.0],
            [_day("2024-02-02"), None, "racking", "E", 60.0, "G", 60.0],
            [_day("2024-02-03"), None, "racking", "A", 5.0, "E", 5.0],
        ],
        opening_stock=stock,
    )
    assert len(found) == 2
    for text, lot, litres, row in zip(found, ("B", "E"), (500, 400), (3, 7), strict=True):
        assert f" {lot} gives all it held ({litres} L)" in text
        assert re.search(rf"ovements!{row} fills it again; nothing says which came first", text)


def test_chain_racking_with_a_sequence_keeps_the_wines_apart() -> None:
    estate = _estate(
        [
            [_day("2024-02-01"), 1, "racking", "B", 500.0, "C", 500.0],
            [_day("2024-02-01"), 2, "racking", "A", 300.0, "B", 300.0],
        ]
    )
    values = stock_values(run(estate, BOOK)).set_index("lot")["value"]
    assert values["C"] == pytest.approx(4000.0)
    assert values["B"] == pytest.approx(300 * 5.0)


def test_wine_arrives_before_it_leaves_on_the_same_day() -> None:
    estate = _estate(
        [
            [_day("2024-02-01"), None, "racking", "C", 200.0, "D", 200.0],
            [_day("2024-02-01"), None, "racking", "A", 200.0, "C", 200.0],
        ]
    )
    values = stock_values(run(estate, BOOK)).set_index("lot")["value"]
    assert values["D"] == pytest.approx(1000.0)


def test_a_gauging_of_an_empty_lot_is_a_finding() -> None:
    counts = pd.DataFrame({"on_date": [_day("2024-06-01")], "lot": ["B"], "quantity": [20.0]})
    found = _findings([[_day("2024-02-01"), None, "racking", "B", 500.0, "C", 500.0]], stocktakes=counts)
    assert [text.split(": ")[0] for text in found] == ["Stocktakes!C2"]
    assert "by the records is empty" in found[0]


def test_a_gauging_far_above_the_records_is_a_caution() -> None:
    counts = pd.DataFrame({"on_date": [_day("2024-06-01")], "lot": ["A"], "quantity": [1100.0]})
    results = run(_estate([[_day("2024-02-01"), None, "racking", "B", 100.0, "C", 100.0]], stocktakes=counts), BOOK)
    assert [finding.severity for finding in results.cautions] == ["caution"]
    assert results.cautions[0].place.startswith("Stocktakes!")
    assert "what A holds by the records, 1000 L since Opening stock!2: 1000 L in (Opening stock!2)." in str(
        results.cautions[0]
    )


def test_a_cost_before_the_wine_is_a_finding() -> None:
    costs = pd.DataFrame({"on_date": [_day("2023-06-01")], "lot": ["C"], "element": ["labour"], "amount": [10.0]})
    found = _findings([[_day("2024-02-01"), None, "racking", "A", 500.0, "C", 500.0]], costs=costs)
    assert any("before anything was in lot 'C'" in text for text in found), found


def test_dust_within_tolerance_closes_into_the_last_withdrawal() -> None:
    estate = _estate([[_day("2024-02-01"), None, "racking", "B", 499.7, "C", 499.7]])
    values = stock_values(run(estate, BOOK)).set_index("lot")["value"]
    assert "B" not in values.index
    assert values["C"] == pytest.approx(4000.0)


def test_a_lot_at_zero_starts_a_new_identity() -> None:
    estate = _estate(
        [
            [_day("2024-02-01"), None, "racking", "B", 500.0, "C", 500.0],
            [_day("2024-03-01"), None, "racking", "A", 400.0, "B", 400.0],
        ]
    )
    values = stock_values(run(estate, BOOK)).set_index("lot")["value"]
    assert values["B"] == pytest.approx(2000.0)


def test_a_chain_is_the_same_for_every_basis() -> None:
    estate = _estate([[_day("2024-02-01"), None, "racking", "B", 500.0, "C", 500.0]])
    chain = trace(estate)
    assert (run(estate, BOOK, chain).total == run(estate, BOOK).total).all()


def test_liqueur_made_on_the_morning_of_the_disgorgement() -> None:
    bottles = pd.DataFrame(
        {
            "on_date": _day("2024-01-01"),
            "lot": ["A", "T"],
            "kind": ["wine", "on lees"],
            "quantity": [1000.0, 100.0],
            "unit": ["L", "bottles"],
            "format": [None, "bottle"],
            "cuvee": [None, "C"],
            "tirage_date": [pd.NaT, _day("2020-03-01")],
        }
    )
    work = pd.DataFrame(
        {
            "on_date": [_day("2024-05-02")],
            "release_lot": ["D"],
            "from_lot": ["T"],
            "bottles_in": [100.0],
            "bottles_out": [98.0],
            "liqueur_lot": ["LIQ"],
            "liqueur_l": [2.0],
        }
    )
    costs = pd.DataFrame({"lot": ["A", "T"], "element": "grapes", "amount": [5000.0, 800.0]})
    for same_day in (True, False):
        made = _day("2024-05-02" if same_day else "2024-05-01")
        estate = _estate(
            [[made, None, "transfer", "A", 10.0, "LIQ", 10.0]],
            opening_stock=bottles,
            opening_costs=costs,
            disgorgements=work,
            cuvees=pd.DataFrame({"cuvee": ["C"]}),
        )
        stock = stock_values(run(estate, BOOK)).set_index("lot")
        assert stock.loc["D", "value"] == pytest.approx(
            800.0 * 0.98 + 2 * 5.0
        )  # two bottles lost without a norm are expensed
        assert stock.loc["D", "quantity"] == 98.0
        assert stock.loc["LIQ", "value"] == pytest.approx(8 * 5.0)


def _refused(tables: dict[str, pd.DataFrame]) -> list[str]:
    with pytest.raises(InputError) as wrong:
        run(read_estate(tables), BOOK)
    return [str(finding) for finding in wrong.value.findings]


def test_an_overdraft_is_said_in_the_unit_typed_with_the_rows_that_led_to_it() -> None:
    """A converted figure (7000 for 70 hl) or 1e+06 is nothing that a cellar hand finds in the sheet."""
    opening = pd.DataFrame({"Date": ["2024-01-01"], "Lot": ["V25-03"], "Kind": ["wine"], "Quantity": [75]})
    moves = pd.DataFrame(
        {
            "Date": ["2024-02-01", "2024-03-01"],
            "Operation": ["racking", "racking"],
            "From lot": ["V25-03", "V25-03"],
            "Out (hl)": [7.6, 70],
            "To lot": ["B", "C"],
            "In (hl)": [7.6, 70],
        }
    )
    found = _refused({"settings": pd.DataFrame(), "opening_stock": opening.assign(Unit="hl"), "movements": moves})
    assert found == [
        "Movements!D3: '70 hl' drawn from V25-03, which holds 67.4 hl since Movements!2: 75 hl in (Opening stock!2),"
        " 7.6 hl out (Movements!2). Check the quantity, the date and the lot; enter what is missing before it, or a"
        " gauging."
    ]


def test_a_million_litres_are_written_as_a_million() -> None:
    found = _findings([[_day("2024-02-01"), None, "racking", "A", 1_000_000.0, "C", 1_000_000.0]])
    assert "e+06" not in " ".join(found)


def test_a_day_taken_for_a_month_names_both_readings() -> None:
    """Typed 04/03 for 4 March, read as 3 April: the lot is filled after it is drawn from."""
    found = _refused(
        {
            "opening_stock": pd.DataFrame(
                {"on_date": [_day("2024-01-01")], "lot": ["A"], "kind": "wine", "quantity": [1000.0], "unit": "L"}
            ),
            "movements": pd.DataFrame(
                [
                    [_day("2024-04-03"), None, "racking", "A", 100.0, "C", 100.0],
                    [_day("2024-03-10"), None, "racking", "C", 100.0, "D", 100.0],
                ],
                columns=MOVES,
            ),
        }
    )
    assert "before anything was in it: it is first filled by Movements!2 on 2024-04-03." in found[0]
    assert found[0].endswith(
        "2024-03-10 may be 2024-10-03 or 2024-04-03 may be 2024-03-04,"
        " with day and month exchanged; then the dates would fit."
    )


@pytest.mark.parametrize(
    ("drawn", "filled", "readings"),
    [
        ("2024-03-12", "2024-04-03", ["2024-03-12 may be 2024-12-03", "2024-04-03 may be 2024-03-04"]),
        ("2024-03-13", "2024-04-03", ["2024-04-03 may be 2024-03-04"]),
        ("2024-03-03", "2024-04-05", []),
        ("2024-03-12", "2024-12-03", ["2024-03-12 may be 2024-12-03", "2024-12-03 may be 2024-03-12"]),
        ("2024-02-01", "2024-02-20", []),
    ],
)
def test_a_day_may_be_a_month_up_to_the_twelfth_where_the_dates_would_fit(
    drawn: str, filled: str, readings: list[str]
) -> None:
    said = _exchanged(*(int(np.datetime64(day).astype(int)) for day in (drawn, filled)))
    tail = ", with day and month exchanged; then the dates would fit."
    assert said == (f" {' or '.join(readings)}{tail}" if readings else "")


def _three_lots(**more: object) -> dict[str, pd.DataFrame]:
    opening = {"on_date": [_day("2024-01-01")] * 3, "lot": ["A", "B", "E"], "kind": "wine", "unit": "L"}
    moves = [
        [_day("2024-02-01"), None, "racking", "A", 1200.0, "C", 1200.0],
        [_day("2024-02-01"), None, "rackin", "B", 100.0, "D", 100.0],
        [_day("2024-02-03"), None, "racking", "D", 150.0, "F", 150.0],
    ]
    return {
        "opening_stock": pd.DataFrame({**opening, "quantity": [1000.0, 500.0, 10.0]}),
        "movements": pd.DataFrame(moves, columns=MOVES),
        **more,
    }


def test_balances_are_told_in_the_round_of_other_errors() -> None:
    """A misspelt operation hid every overdrawn vat until it was put right: five rounds became two."""
    found = _refused(_three_lots())
    assert len(found) == 2, found
    assert found[0].startswith("Movements!C3: 'rackin' is not in the list")
    assert "drawn from A, which holds 1000 L" in found[1]


def test_a_lot_that_a_wrong_row_fills_is_not_said_to_be_empty() -> None:
    """D is filled by the row with the error: whether it holds 150 L nobody knows."""
    assert not [text for text in _refused(_three_lots()) if "drawn from D" in text]


def test_nothing_is_told_of_balances_where_movements_could_not_be_read() -> None:
    tables = _three_lots()
    tables["movements"] = tables["movements"].rename(columns={"to_lot": "To lott"})
    assert not [text for text in _refused(tables) if "drawn from" in text]


def test_an_error_in_money_leaves_the_balance_of_its_lot() -> None:
    wrong = pd.DataFrame({"on_date": [_day("2024-01-05")], "lot": ["A"], "element": "labour", "amount": ["much"]})
    tables = _three_lots(costs=wrong)
    tables["movements"] = tables["movements"][:1]
    found = _refused(tables)
    assert "'much' is not a number" in found[0]
    assert "drawn from A" in found[1]


def test_an_empty_lot_that_was_gauged_at_nothing_is_in_order() -> None:
    """Of all of A, once it has been racked away; and of C, into which nothing has come yet."""
    counts = pd.DataFrame({"on_date": [_day("2024-03-01")] * 2, "lot": ["A", "C"], "quantity": [0.0, 0.0]})
    moves = [
        [_day("2024-02-01"), None, "racking", "A", 1000.0, "B", 1000.0],
        [_day("2024-04-01"), None, "racking", "B", 500.0, "C", 500.0],
    ]
    stock = stock_values(run(_estate(moves, stocktakes=counts), BOOK)).set_index("lot")["quantity"]
    assert stock.to_dict() == {"B": 1000.0, "C": 500.0}


@pytest.mark.parametrize(("racked", "is_refused"), [(1000.0, True), (999.5, False)])
def test_half_a_litre_is_not_measured_where_nothing_lies_and_may_be_where_half_a_litre_does(
    racked: float, is_refused: bool
) -> None:
    settings = pd.DataFrame({"setting": ["Valuation date", "Volume tolerance (L)"], "value": ["2024-12-31", 0]})
    counts = pd.DataFrame({"on_date": [_day("2024-03-01")], "lot": ["A"], "quantity": [0.5]})
    moves = [[_day("2024-02-01"), None, "racking", "A", racked, "B", racked]]
    if is_refused:
        (found,) = _findings(moves, stocktakes=counts, settings=settings)
        assert "was measured in A, which by the records is empty then." in found
    else:
        stock = stock_values(run(_estate(moves, stocktakes=counts, settings=settings), BOOK)).set_index("lot")
        assert stock.loc["A", "quantity"] == 0.5
