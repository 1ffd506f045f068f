"""Three worked cases, worked by hand for this project and checked by independent routes.

Each is a folder of CSV files that goes the ordinary way: read, run, results. Every figure is rounded on its
own, units to four decimals. The independent routes were dated cash flows, a simulation in steps of less than
a day, and rates of return.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from costing.inputs.basis import BOOK, ECONOMIC, Basis
from costing.inputs.load import read_inputs
from costing.model import run
from tests.golden.figures import Tables, press_case, reserve_case, tirage_case, valued_on

HERE = Path(__file__).parent
AT_12 = ECONOMIC.replace(name="at 12 %", rate=0.12)
Case = Callable[[Tables, Basis], dict[str, float]]

PRESS = {"volume": (25_034.12, 6_105.88), "sales value": (26_519.82, 4_620.18), "nrv": (26_784.76, 4_355.24)}
PRESS_BOOK = {
    "joint": 31_140.00,
    "capital": 0,
    "first after premium": 27_030.80,
    "second after premium": 4_709.20,
}
PRESS_ECONOMIC = {
    "joint": 29_926.80,
    "grapes": 25_986.80,
    "capital": -1_213.20,
    "first": 25_486.62,
    "second": 4_440.18,
    "first on 30 June": 27_604.35,
    "first unit on 30 June": 13.4655,
}
RESERVE_BOOK = {
    "4,000 L out": 25_920.00,
    "expensed": 600.00,
    "unit after gauging": 6.6667,
    "3,000 L out": 20_360.99,
    "7,800 L left": 52_938.56,
    "capital": 0,
}
RESERVE_ECONOMIC = {
    "4,000 L out": 27_212.64,
    "expensed": 0,
    "unit after gauging": 7.6105,
    "3,000 L out": 25_038.58,
    "7,800 L left": 65_100.30,
    "capital": 17_531.96,
}
TIRAGE_BOOK = {
    "expensed": 2_525.03,
    "A on-lees unit": 7.8691,
    "A total": 38_269.90,
    "A per bottle": 9.5675,
    "B total": 55_667.56,
    "B per bottle": 10.2519,
    "cash cost": 96_462.49,
}
TIRAGE_ECONOMIC = {
    "expensed": 0,
    "A on-lees unit": 10.1646,
    "A total": 47_566.58,
    "A per bottle": 11.8916,
    "B total": 77_974.63,
    "B per bottle": 14.3600,
    "cash cost": 96_462.49,
}
TIRAGE_AT_12 = {
    "expensed": 0,
    "A on-lees unit": 11.2989,
    "A total": 52_160.74,
    "A per bottle": 13.0402,
    "B total": 90_928.10,
    "B per bottle": 16.7455,
    "cash cost": 96_462.49,
}
CASES: list[tuple[str, Case, Basis, dict[str, float]]] = [
    ("S1", press_case, BOOK, PRESS_BOOK),
    ("S1", press_case, ECONOMIC, PRESS_ECONOMIC),
    ("S2", reserve_case, BOOK, RESERVE_BOOK),
    ("S2", reserve_case, ECONOMIC, RESERVE_ECONOMIC),
    ("S3", tirage_case, BOOK, TIRAGE_BOOK),
    ("S3", tirage_case, ECONOMIC, TIRAGE_ECONOMIC),
    ("S3", tirage_case, AT_12, TIRAGE_AT_12),
]


def tables_of(case: str) -> Tables:
    """The folder of a case as data frames with the headers of its files."""
    return {path.stem: pd.read_csv(path) for path in sorted((HERE / case).glob("*.csv"))}


def misses(found: dict[str, float], expected: dict[str, float]) -> dict[str, tuple[float, float]]:
    """Figures that do not round to what the case says."""
    return {
        name: (found[name], figure)
        for name, figure in expected.items()
        if round(found[name], 4 if "unit" in name or "per bottle" in name else 2) != figure
    }


@pytest.mark.parametrize(("case", "figures", "basis", "expected"), CASES)
def test_every_figure_of_a_worked_case(case: str, figures: Case, basis: Basis, expected: dict[str, float]) -> None:
    assert misses(figures(tables_of(case), basis), expected) == {}


@pytest.mark.parametrize("method", list(PRESS))
def test_press_load_split_three_ways(method: str) -> None:
    found = press_case(tables_of("S1"), BOOK.replace(split_method=method))
    assert (round(found["first"], 2), round(found["second"], 2)) == PRESS[method]


@pytest.mark.parametrize("basis", [BOOK, ECONOMIC, AT_12], ids=lambda basis: basis.name)
def test_cutting_the_stack_at_a_year_end_changes_nothing(basis: Basis) -> None:
    tables = tables_of("S3")
    cut = tirage_case(valued_on(tables, date(2024, 12, 31)), basis)
    assert cut == pytest.approx(tirage_case(tables, basis), rel=1e-12, abs=1e-9)


@pytest.mark.parametrize("case", ["S1", "S2", "S3"])
def test_folder_and_data_frames_give_the_same(case: str) -> None:
    folder, frames = run(read_inputs(HERE / case), ECONOMIC), run(read_inputs(tables_of(case)), ECONOMIC)
    assert folder.total == pytest.approx(frames.total, rel=1e-12)
