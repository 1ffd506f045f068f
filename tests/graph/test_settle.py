"""What a row leaves to be said by the wine: all that is left of a lot, and the bottles of a tirage of several wines.

Expected figures are worked by hand beside each check: common practice, no source.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

import costing
from costing import BOOK, InputError, read_estate, run
from costing.graph.arrays import Flow

MOVES = ["on_date", "operation", "from_lot", "out_l", "to_lot", "in_l"]
TIRAGE = ["on_date", "cuvee", "to_lot", "wine_lot", "wine_l", "liqueur_l", "bottles"]


def _frames(moves: list[list[object]], **more: pd.DataFrame) -> dict[str, pd.DataFrame]:
    return {
        "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2024-12-31"]}),
        "opening_stock": pd.DataFrame(
            {"on_date": "2024-01-01", "lot": ["A", "B"], "kind": "wine", "quantity": [1000.0, 500.0], "unit": "L"}
        ),
        "opening_costs": pd.DataFrame({"lot": ["A", "B"], "element": "grapes", "amount": [5000.0, 4000.0]}),
        "loss_norms": pd.DataFrame({"applies_to": ["racking"], "percent": [2.0], "time_base": ["per movement"]}),
        "cuvees": pd.DataFrame({"cuvee": ["Brut"], "category": ["non-vintage"]}),
        **({"movements": pd.DataFrame(moves, columns=MOVES)} if moves else {}),
        **more,
    }


def _tirage(*rows: list[object]) -> pd.DataFrame:
    return pd.DataFrame(list(rows), columns=TIRAGE)


def _errors(frames: dict[str, pd.DataFrame]) -> list[str]:
    with pytest.raises(InputError) as wrong:
        read_estate(frames)
    return [f"{one.place}: {one.value} {one.rule}" for one in wrong.value.findings if one.severity == "error"]


@pytest.mark.parametrize("word", ["rest", "Rest", "all", "solde", "tout", "alles", "resto", "tutto"])
def test_all_that_is_left_is_the_balance_of_that_moment(word: str) -> None:
    # A: 1000 - 300 = 700 drawn, 2 % normal loss: 686 arrive in C; all of C (686) less 2 % is 672.28 in D
    estate = read_estate(
        _frames(
            [
                ["2024-02-01", "racking", "A", 300, "B", 300],
                ["2024-03-01", "racking", "A", word, "C", None],
                ["2024-04-01", "racking", "C", word, "D", None],
            ]
        )
    )
    assert estate["movements"]["out_l"].tolist() == pytest.approx([300, 700, 686])
    results = run(estate, BOOK)
    assert results.total[results.chain.states.last_of_lot[results.chain.lots.names.get_loc("D")]] == pytest.approx(3500)


def test_it_follows_the_order_of_the_day_and_a_gauging() -> None:
    counts = pd.DataFrame({"on_date": ["2024-03-01"], "lot": ["A"], "quantity": [640.0]})
    estate = read_estate(
        _frames(
            [["2024-03-02", "racking", "A", "rest", "C", None], ["2024-02-01", "racking", "A", 300, "B", 300]],
            stocktakes=counts,
        )
    )
    assert estate["movements"]["out_l"].tolist() == pytest.approx([640, 300])


@pytest.mark.parametrize("rest_first", [True, False])
def test_what_is_left_is_what_is_left_after_all_that_went_away_that_day(rest_first: bool) -> None:
    """300 L of A join 500 in B; then 100 are sold, and the rest of 700 goes back into A, the first lot of all."""
    rows = [["2024-03-01", "racking", "B", "rest", "A", None], ["2024-03-01", "bulk sale", "B", 100, None, None]]
    estate = read_estate(
        _frames([["2024-02-01", "racking", "A", 300, "B", 300], *(rows if rest_first else rows[::-1])])
    )
    assert sorted(estate["movements"]["out_l"]) == pytest.approx([100, 300, 700])


def test_nothing_left_is_a_finding_with_its_cell() -> None:
    found = _errors(
        _frames([["2024-03-01", "racking", "A", 1000, "C", 980], ["2024-03-02", "racking", "A", "rest", "D", None]])
    )
    assert found == ["Movements!D3: rest stands for all that is left of A, which holds nothing on 2024-03-02."]


def test_the_last_bottles_of_a_stack_and_of_a_release() -> None:
    estate = read_estate(
        _frames(
            [],
            tirage=_tirage(["2024-04-01", "Brut", "T", "A", None, 20, 1000]),
            disgorgements=pd.DataFrame(
                {
                    "on_date": ["2024-10-01", "2024-11-01"],
                    "release_lot": ["D1", "D2"],
                    "from_lot": "T",
                    "bottles_in": [400, "rest"],
                    "bottles_out": [396, None],
                }
            ),
            channels=pd.DataFrame({"channel": ["Trade"]}),
            dispatches=pd.DataFrame(
                {
                    "on_date": ["2024-11-05"],
                    "release_lot": ["D2"],
                    "channel": "Trade",
                    "bottles": "all",
                    "net_price": 9.0,
                }
            ),
        )
    )
    assert estate["disgorgements"]["bottles_in"].tolist() == [400, 600]
    assert estate["dispatches"]["bottles"].tolist() == [600]
    run(estate, BOOK).check_identity()


def test_more_arrives_than_was_left_is_told_once_it_is_a_number() -> None:
    estate = read_estate(_frames([["2024-03-01", "racking", "A", "rest", "C", 1010]]))
    assert [one.rule for one in estate.cautions] == ["is 10 litres more than left."]


def _value(frames: dict[str, Any], lot: str) -> float:
    results = run(read_estate(frames), BOOK)
    results.check_identity()
    return float(results.total[results.chain.states.last_of_lot[results.chain.lots.names.get_loc(lot)]])


def test_a_tirage_of_several_wines_is_costed_as_their_blend() -> None:
    """600 L of A at 5 and 300 L of B at 8 are 5,400 of wine; with 20 L of liqueur 1,200 bottles (900 L).

    A blending of the two without loss, bottled in one row, is the same wine: the reference beside it.
    """
    parts = _tirage(
        ["2024-04-01", "Brut", "T", "A", 600, 20, 1200],
        ["2024-04-01", "Brut", "T", "B", 300, None, None],
    )
    blended = _frames(
        [["2024-04-01", "blending", "A", 600, "X", 600], ["2024-04-01", "blending", "B", 300, "X", 300]],
        tirage=_tirage(["2024-04-01", "Brut", "T", "X", 900, 20, 1200]),
    )
    frames = _frames([], tirage=parts)
    assert read_estate(frames)["tirage"]["bottles"].sum() == 1200
    assert _value(frames, "T") == pytest.approx(_value(blended, "T"), rel=1e-12)
    other = parts.assign(bottles=[None, 1200])
    assert _value(_frames([], tirage=other), "T") == pytest.approx(_value(frames, "T"), rel=1e-12)


def test_of_several_wines_one_may_be_the_rest_and_one_blank() -> None:
    # B is emptied (500 L); blank: 1,200 × 0.75 − 20 − 500 = 380 L of A
    rows = _tirage(
        ["2024-04-01", "Brut", "T", "A", None, 20, 1200], ["2024-04-01", "Brut", "T", "B", "rest", None, None]
    )
    table = read_estate(_frames([], tirage=rows))["tirage"]
    assert table["wine_l"].tolist() == pytest.approx([380, 500])
    assert table["bottles"].tolist() == pytest.approx([1200 * 400 / 900, 1200 * 500 / 900])


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        ([["A", 600, 0, None]], "Tirage!G2:  no bottles stand here, and no row of that day and bottle lot"),
        (
            [["A", None, 0, 1200], ["B", None, 0, None]],
            "Tirage!E3:  no litres stand here, and another wine of the same bottling",
        ),
        ([["A", 300, 0, 400], ["B", 300, 0, 400], ["B", 100, 0, None]], "Tirage!G3: 400 bottles stand in 2 rows"),
        ([["A", 300, 0, 1200], ["B", 200, 0, None]], "Tirage!G2: 1200 hold 900.0 L, but wine and liqueur"),
    ],
)
def test_what_does_not_make_a_bottling_is_a_finding(rows: list[list[object]], said: str) -> None:
    frames = _frames([], tirage=_tirage(*(["2024-04-01", "Brut", "T", *row] for row in rows)))
    assert any(one.startswith(said) for one in _errors(frames)), _errors(frames)


def test_the_demo_estate_with_its_last_draws_left_unsaid_is_the_same_estate() -> None:
    """Each draw that empties its lot, typed as a word, comes back as the litres or bottles that stood there."""
    house = costing.open("demo_estate")
    frames, chain = house.frames(), house.runs.chain
    emptied = chain.source_state[chain.flows.source >= 0]
    flow = np.flatnonzero(chain.flows.source >= 0)[(emptied >= 0) & (chain.states.quantity[emptied] == 0)]
    said = 0
    for kind, table, column in (
        (Flow.MOVEMENT, "movements", "out_l"),
        (Flow.DISGORGEMENT, "disgorgements", "bottles_in"),
        (Flow.DISPATCH, "dispatches", "bottles"),
    ):
        rows = chain.flows.row[flow[chain.flows.kind[flow] == kind]]
        values = frames[table][column].astype(object)
        values.iloc[rows] = values.iloc[rows].where(values.iloc[rows].isna(), "rest")
        frames[table] = frames[table].assign(**{column: values})
        said += int((values == "rest").sum())
    assert said > 20
    again = read_estate(frames)
    for table in ("movements", "disgorgements", "dispatches"):
        pd.testing.assert_frame_equal(again[table], house.estate[table], check_categorical=False, rtol=1e-12)


@pytest.mark.parametrize("litres", [0.5, 1.0])
def test_the_last_litre_is_a_rest_like_any_other(litres: float) -> None:
    moves = [
        ["2024-02-01", "racking", "A", 1000 - litres, "C", None],
        ["2024-03-01", "racking", "A", "rest", "C", None],
    ]
    settings = pd.DataFrame({"setting": ["Valuation date", "Volume tolerance (L)"], "value": ["2024-12-31", 0]})
    estate = read_estate({**_frames(moves), "settings": settings})
    assert estate["movements"]["out_l"].tolist() == pytest.approx([1000 - litres, litres])


def test_what_is_added_to_all_that_is_left_arrives_with_it() -> None:
    """1,000 L less 2 % and 30 L of sugar arrive in C, and all of that in D."""
    moves = [["2024-03-01", "racking", "A", "rest", "C", None], ["2024-04-01", "racking", "C", "rest", "D", None]]
    frames = _frames(moves)
    frames["movements"]["added_l"] = [30.0, None]
    assert read_estate(frames)["movements"]["out_l"].tolist() == pytest.approx([1000, 1010])


@pytest.mark.parametrize(("left", "rest"), [(5.0, 300.0), (5.5, 305.5)])
def test_a_vat_in_which_no_more_than_the_tolerance_stays_is_empty(left: float, rest: float) -> None:
    """300 L of B come into A once all but 5 L, or half a litre more, have left it."""
    moves = [
        ["2024-02-01", "transfer", "A", 1000 - left, "C", 1000 - left],
        ["2024-03-01", "transfer", "B", 300, "A", 300],
        ["2024-04-01", "transfer", "A", "rest", "D", None],
    ]
    settings = pd.DataFrame({"setting": ["Valuation date", "Volume tolerance (L)"], "value": ["2024-12-31", 5]})
    estate = read_estate({**_frames(moves), "settings": settings})
    assert estate["movements"]["out_l"].tolist()[-1] == pytest.approx(rest)
    run(estate, BOOK).check_identity()


def test_one_bottle_of_two_wines_is_half_of_each() -> None:
    rows = _tirage(
        ["2024-04-01", "Brut", "T", "A", 0.375, None, 1], ["2024-04-01", "Brut", "T", "B", 0.375, None, None]
    )
    assert read_estate(_frames([], tirage=rows))["tirage"]["bottles"].tolist() == [0.5, 0.5]


def test_a_bottling_of_several_wines_of_which_nothing_came_is_nothing() -> None:
    """It ended in a traceback: the litres of a plan that was given up are typed as 0 in each of its rows."""
    rows = _tirage(["2024-04-01", "Brut", "T", "A", 0, None, 0], ["2024-04-01", "Brut", "T", "B", 0, None, None])
    estate = read_estate(_frames([], tirage=rows))
    assert estate["tirage"]["bottles"].tolist() == [0.0, 0.0]
    run(estate, BOOK).check_identity()


def test_bottles_filled_with_no_litres_of_several_wines_are_a_finding_at_their_cell() -> None:
    """It ended in a traceback."""
    rows = _tirage(["2024-04-01", "Brut", "T", "A", 0, None, 100], ["2024-04-01", "Brut", "T", "B", 0, None, None])
    (found,) = _errors(_frames([], tirage=rows))
    assert found.startswith("Tirage!G2: 100 hold 75.0 L, but wine and liqueur together are 0.0 L")
