"""Whatever stands in a cell, the answer is an estate or findings; and a large ledger is read like a small one."""

from __future__ import annotations

import random
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing.inputs.cells import any_totals, fold, says_total, take_apart, tidy
from costing.inputs.load import read_inputs
from costing.inputs.schema import operations, sheets
from tests.form import chosen
from tests.inputs.planted import findings_in_all, findings_of, frames, only

pytestmark = pytest.mark.slow

STRANGE: list[Any] = [
    "#N/A", "abc", "-5", "1e400", "12 %", "45000", "31/02/2024", "a\x00b", "\x1b[0m", "x" * 3000, "=1+1", "１２", "½",
    "1.000,5", "nan", "None", "TRUE", "-", ".", ",", "'", "9999-12-31", "0001-01-01", "2024-01-01T25:61", "\ud800",
    True, np.bool_(False), float("inf"), 45000.0, -1e308, 1e308, 1e-320, 10**400, Decimal("NaN"), Decimal("1e999"),
    np.int8(3), np.float32(2.5), complex(1, 2), b"bytes", (1, 2), [1], {"a": 1}, object(), time(3, 4), timedelta(3),
    datetime(1850, 1, 1), datetime(9999, 12, 31), date(1, 1, 1), np.datetime64("NaT"), pd.NaT, pd.NA, None,
    pd.Timestamp("2024-01-01", tz="UTC"),
]  # fmt: skip


def _cells() -> list[str]:
    return [
        f"{title}!{chr(ord('A') + column)}{row}"
        for title, frame in frames().items()
        for column in range(frame.shape[1])
        for row in range(2, len(frame) + 2)
    ]


@pytest.mark.parametrize("seed", range(chosen(full=400, short=6)))
def test_strange_cells_are_findings_and_never_a_traceback(seed):
    pick = random.Random(seed)
    found = findings_in_all({place: pick.choice(STRANGE) for place in pick.sample(_cells(), 5)})
    assert all(finding.place and finding.rule and finding.remedy for finding in found)
    assert all(str(finding).isprintable() for finding in found)


@pytest.mark.parametrize(
    "value", [value for value in STRANGE if not isinstance(value, (str, datetime, date, type(None)))]
)
def test_what_is_no_date_is_named_in_a_date_column(value):
    if value is pd.NA or value is pd.NaT or (isinstance(value, np.datetime64) and np.isnat(value)) or value != value:
        assert only({"Costs!A2": value}).rule == "is blank: 'Date incurred' is required."
    else:
        assert only({"Costs!A2": value}).place == "Costs!A2"


def test_a_ledger_of_many_rows_is_read_whole():
    rows = 20_000
    turn = np.arange(rows)
    opening = pd.DataFrame(
        {
            "on_date": pd.Timestamp("2020-01-01"),
            "lot": [f"V{n}" for n in range(200)],
            "kind": "wine",
            "quantity": 1e6,
            "unit": "L",
        }
    )
    movements = pd.DataFrame(
        {
            "on_date": pd.Timestamp("2020-01-02") + pd.to_timedelta(turn % 1500, "D"),
            "operation": "racking",
            "from_lot": [f"V{n % 200}" for n in turn],
            "out_l": 100.0,
            "to_lot": [f"V{n % 199}" for n in turn],
            "in_l": 99.0,
        }
    )
    estate = read_inputs({"opening_stock": opening, "movements": movements})
    for name in ("from_lot", "to_lot", "operation"):
        assert list(estate["movements"][name]) == list(movements[name])
    assert estate["movements"]["in_l"].sum() == 99.0 * rows
    assert (estate["movements"]["on_date"].to_numpy() == movements["on_date"].to_numpy()).all()
    assert estate.place("movements", rows - 1, "in_l") == f"Movements!F{rows + 1}"


def test_accents_composed_and_decomposed_and_invisible_marks_are_one_name() -> None:
    """Unicode Standard Annex 15: canonically equivalent texts have one NFC form."""
    composed, decomposed = "Cuv\u00e9e", "Cuve\u0301e"
    marked = "\u200eCuv\u00ade\u0301\u2060e\u200d"
    assert {tidy(text) for text in (composed, decomposed, marked)} == {composed}
    cells = take_apart(pd.Series([composed, decomposed, marked, None], dtype=object))
    assert cells.texts == (composed,)
    assert fold(marked) == "cuvee"


@pytest.mark.parametrize("odd", [" V1", "V1 ", "V1\t", "V  1", "V\u00a01", "V\n1", "\x1fV1", "V1", ""])
@pytest.mark.parametrize("where", [0, 1, 2])
def test_texts_are_tidied_alike_one_by_one_and_together(odd: str, where: int) -> None:
    texts = ["B25", "T25"]
    texts.insert(where, odd)
    cells = take_apart(pd.Series(texts, dtype=object))
    assert cells.codes is not None
    assert [cells.texts[code] if code >= 0 else "" for code in cells.codes.tolist()] == [tidy(text) for text in texts]


@pytest.mark.parametrize("label", ["Total", "sous-total 2025", "Sum", "GRAND TOTAL", "Gesamt", "Ｔｏｔａｌ", "somme"])
def test_a_totals_row_is_found_among_many_names(label: str) -> None:
    assert any_totals(["B25", label, "T25"]) or not says_total(label)
    assert not any_totals(["B25", "V25-01", "T25"])


def test_days_are_read_as_one_by_one() -> None:
    days = [date(2024, 9, 12), None, date(1899, 12, 31), date(2024, 9, 12), float("nan"), pd.NaT]
    together, mixed = (take_apart(pd.Series(values, dtype=object)) for values in (days, [*days, "V1"]))
    assert together.dates is not None
    assert mixed.dates is not None
    assert np.array_equal(together.dates, mixed.dates[:-1], equal_nan=True)
    assert np.isnat(together.dates).tolist() == [False, True, False, False, True, True]


@pytest.mark.parametrize(
    ("day", "is_read"),
    [("1899-12-31", False), ("1900-01-01", True), ("2200-12-31", True), ("2201-01-01", False)],
)
def test_days_are_read_from_the_first_year_to_the_last(day: str, is_read: bool) -> None:
    said = [one.rule for one in findings_of({"Price list!A2": day}) if one.place == "Price list!A2"]
    assert [rule for rule in said if "outside the years" in rule] == ([] if is_read else said)
    assert is_read or said


def test_an_operation_is_chosen_from_those_of_its_sheet() -> None:
    every = tuple(operations())
    moves = tuple(name for name, entry in operations().items() if entry.sheet == "movements")
    for sheet, names in (("movements", moves), ("operation_rates", every), ("service_rates", every)):
        assert sheets()[sheet].column("operation").choices == names


def test_texts_of_a_column_are_kept_once_and_blanks_are_none_of_them() -> None:
    for texts in (["b", "a", "", "b"], ["b", "a", ""], ["b", "a"]):
        cells = take_apart(pd.Series(texts, dtype=object))
        assert cells.codes is not None
        assert cells.codes.tolist() == [0, 1, -1, 0][: len(texts)]
        assert cells.texts == ("b", "a")
    spread = take_apart(pd.Series(pd.Categorical(["b", None, "", "b", "a"], categories=["a", "", "b"])))
    assert spread.codes is not None
    assert [spread.texts[code] if code >= 0 else None for code in spread.codes] == ["b", None, None, "b", "a"]
    assert spread.codes.tolist().count(-1) == 2
