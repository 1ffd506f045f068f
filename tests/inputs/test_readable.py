"""Beside cells with an error, balances are told of the lots whose rows can be read, and of no other."""

from __future__ import annotations

import pytest

from costing.inputs.schema import sheets
from tests.form import every
from tests.inputs.planted import findings_in_all, frames

MOVING = [sheet.title for sheet in sheets().values() if any(column.refers == "lot" for column in sheet.columns)]
DRAWN = {"Movements!A8": "2025-03-03", "Movements!C8": "racking", "Movements!D8": "V1", "Movements!E8": "90000"}
DRAWN |= {"Movements!G8": "V9", "Movements!H8": "90000"}


def overdrawn(cells: dict[str, str]) -> list[str]:
    return [one.place for one in findings_in_all(cells) if "which holds" in one.rule]


@pytest.mark.parametrize("value", ["-7.5", "x", "", "2031-03-01"])
def test_no_wrong_cell_beside_the_movements_hides_what_is_overdrawn(value: str) -> None:
    """In every column of every sheet that names no lot, at once."""
    beside = {title: frame.shape[1] for title, frame in frames().items() if title not in MOVING}
    wrong = {f"{title}!{chr(ord('A') + column)}2": value for title, width in beside.items() for column in range(width)}
    assert overdrawn(wrong | DRAWN) == ["Movements!E8"]


NUMBERS = [
    (sheet.title, position)
    for sheet in sheets().values()
    if sheet.title in MOVING and sheet.title in frames()
    for position, header in enumerate(frames()[sheet.title])
    for column in sheet.columns
    if column.title == header and column.lower is not None and column.lower >= 0
]


@pytest.mark.slow
@pytest.mark.parametrize(("title", "position"), every(2, NUMBERS))
def test_a_number_below_its_least_is_named_wherever_wine_is_followed(title: str, position: int) -> None:
    cell = f"{title}!{chr(ord('A') + position)}2"
    assert cell in [one.place for one in findings_in_all({cell: "-7.5"})]


@pytest.mark.parametrize("cell", ["Loss norms!A2", "Loss norms!B2", "Loss norms!C2"])
def test_what_a_norm_with_an_error_may_have_left_is_not_judged(cell: str) -> None:
    drawn = {"Disgorgements!E2": "", "Dispatches!D2": "9000"}  # D25 received less the norm, and gives too much
    assert overdrawn(drawn) == ["Dispatches!D2"]
    assert overdrawn(drawn | {cell: "x"}) == []
    assert overdrawn(drawn | {cell: "x", "Disgorgements!E2": "2960"}) == ["Dispatches!D2"]
