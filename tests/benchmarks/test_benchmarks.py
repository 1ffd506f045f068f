"""The benchmarks at small size, so that they do not rot; `python -m tests.benchmarks` prints them all."""

from __future__ import annotations

import pytest

from tests.benchmarks import mistakes, shapes
from tests.benchmarks.__main__ import COLUMNS, growth_exponent
from tests.benchmarks.measure import measure, measure_apart

pytestmark = pytest.mark.slow
SMALL, LARGER = 1_000, 8_000


@pytest.fixture(scope="module")
def small_and_larger() -> tuple[dict[str, float], dict[str, float]]:
    return measure(SMALL), measure(LARGER)


def test_every_column_of_the_table_is_measured(small_and_larger: tuple[dict[str, float], ...]) -> None:
    for found in small_and_larger:
        assert {name for name, _, _ in COLUMNS} <= found.keys()
        assert all(value > 0 for value in found.values())


def test_run_grows_no_faster_than_the_ledger(small_and_larger: tuple[dict[str, float], ...]) -> None:
    """Far looser than the goal at full size: a loop over pairs would be near 2."""
    for what in ("read_s", "book_s", "economic_s"):
        assert growth_exponent(*small_and_larger, what) < 1.3


def test_small_ledger_is_quick_on_any_machine(small_and_larger: tuple[dict[str, float], ...]) -> None:
    """Ten times what was measured on two cores."""
    larger = small_and_larger[1]
    assert larger["book_s"] < 1.5
    assert larger["economic_s"] < 1.5
    assert larger["backward_s"] < 0.5


def test_a_process_of_its_own_reports_its_memory() -> None:
    assert 0.05 < measure_apart(SMALL)["peak_gb"] < 1.0


def test_a_mistake_in_many_rows_takes_as_long_as_the_rows_and_is_few_findings() -> None:
    """A million equal sales were 122,640 cautions, misspelt lots took the square of their number."""
    alike = mistakes.measure("equal sales", 20_000)
    assert alike["findings"] == 1
    assert alike["check_s"] < 5, "ten times what was measured on two cores"
    few, many = mistakes.measure("misspelt lots", 2), mistakes.measure("misspelt lots", 8)
    assert few["findings"] == many["findings"] < 100
    assert many["check_s"] < 8 * few["check_s"]


@pytest.mark.parametrize(("case", "size"), [("demo side by side", 2), ("cost elements", 2_000), ("forecast", 1)])
def test_every_shape_is_measured(case: str, size: int) -> None:
    found = shapes.measure(case, size)
    assert found["rows"] >= 800
    assert all(value > 0 for value in found.values())
