"""The benchmarks at small size, so that they do not rot; `python -m tests.benchmarks` prints them all."""

from __future__ import annotations

import runpy
import sys
from pathlib import Path

import pytest

from tests.benchmarks import decisions, shapes
from tests.benchmarks.cases import CASES, lines
from tests.benchmarks.measure import HERE, measure_apart
from tests.form import chosen, in_full

pytestmark = pytest.mark.slow
Figures = dict[str, float]
OFFICE = {"open window", "spreadsheet that looks up", "spreadsheet of direct references"}
SIZES = {"movements of a ledger": 1_000, "movements with 200 elements": 2_000, "one release": 1_000}
SIZES |= {"120 month-ends": 1_000, "workbook": 1_000, "draws": 100, "lots of a plan": 20, "elements": 50}
SIZES |= dict.fromkeys(("decisions, demo side by side", "1,000 draws, demo side by side", "demo side by side"), 1)
SIZES |= dict.fromkeys(("rows of costs", "dispatches", "equal sales"), 2_000)
MEASURED = ("lots of a plan", "one release", "scenarios")
"""Of each kind one; ledgers and tables with mistakes are measured by the tests before."""


@pytest.fixture(scope="module")
def small_and_larger() -> tuple[Figures, Figures]:
    return shapes.movements(500), shapes.movements(4_000)


def test_run_grows_no_faster_than_the_ledger(small_and_larger: tuple[Figures, Figures]) -> None:
    """Far looser than the goal at full size: a loop over pairs would be eight times the rows' own growth."""
    small, larger = small_and_larger
    for what in ("read (s)", "book (s)", "economic (s)"):
        assert larger[what] < 15 * small[what]


def test_small_ledger_is_quick_on_any_machine(small_and_larger: tuple[Figures, Figures]) -> None:
    """Ten times what was measured on two cores."""
    assert small_and_larger[1]["book (s)"] < 1.5
    assert small_and_larger[1]["economic (s)"] < 1.5


def test_a_solve_is_a_few_passes_over_its_memory(small_and_larger: tuple[Figures, Figures]) -> None:
    """A factor took 25; twice the goal, since a small pass is all in the cache."""
    assert small_and_larger[1]["solve (s)"] < 10 * small_and_larger[1]["pass (s)"] + 0.001


def test_a_mistake_in_many_rows_takes_as_long_as_the_rows_and_is_few_findings() -> None:
    """A million equal sales were 122,640 cautions, misspelt lots took the square of their number."""
    alike = decisions.sales_alike(chosen(full=20_000, short=5_000))
    assert alike["findings"] == 1
    assert alike["check (s)"] < 5, "ten times what was measured on two cores"
    few, many = decisions.lots_misspelt(1), decisions.lots_misspelt(4)
    assert few["findings"] == many["findings"] < 100
    assert many["check (s)"] < 8 * few["check (s)"]


@pytest.mark.parametrize("case", chosen(full=sorted(set(CASES) - OFFICE), short=MEASURED))
def test_every_case_is_measured(case: str) -> None:
    found = CASES[case][0](SIZES.get(case, 2))
    assert found["rows"] >= 2
    assert all(value >= 0 for value in found.values())
    assert any("(s)" in name for name in found)


def test_a_process_of_its_own_reports_its_memory() -> None:
    assert 0.05 < measure_apart("movements of a ledger", 200)["peak (GB)"] < 1.0


@in_full
def test_another_checkout_stands_beside(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setitem(CASES, "movements of a ledger", (shapes.movements, (200, 400)))
    first, second, exponents = lines("movements of a ledger", [HERE, HERE])
    assert first.startswith("movements of a ledger × 200 | ")
    assert "states " in second
    assert exponents.count(" / ") == 3 + 2
    (tmp_path / "costing").mkdir()
    (tmp_path / "costing" / "__init__.py").write_text("raise ImportError('another library')")
    (refused,) = lines("movements of a ledger", [tmp_path])
    assert refused.endswith("ImportError: another library")


def test_help_measures_nothing(monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    monkeypatch.setattr(sys, "argv", ["benchmarks", "--help"])
    with pytest.raises(SystemExit) as stopped:
        runpy.run_module("tests.benchmarks", run_name="__main__")
    printed = capsys.readouterr().out
    assert stopped.value.code == 0
    assert "--beside CHECKOUT" in printed
    assert " | " not in printed
