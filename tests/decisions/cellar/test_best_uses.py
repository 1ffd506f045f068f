"""Where vats bring most together: a transport problem small enough to solve by hand, and against another solver."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from costing.decisions.cellar.best_uses import NO_VALUE, Blends, best_uses, in_words
from tests.form import every

UNKNOWN = np.full(2, np.nan)


def blends(holds: list[float], gain: np.ndarray, **changes: object) -> Blends:
    nothing = np.zeros_like(gain)
    facts = {"typed": nothing, "reserve": nothing, "second": nothing, "red": nothing, "takes_reserve": 0.0}
    return Blends(np.array(holds), gain, **{**facts, **changes})  # type: ignore[arg-type]


def test_the_cheaper_blend_takes_what_the_dear_one_leaves() -> None:
    found = best_uses(
        np.array([60.0, 60.0]),
        blends([80.0, 30.0], np.array([[5.0, 2.0], [4.0, 3.0]])),
        UNKNOWN,
        np.zeros(2),
        np.zeros(2),
    )
    assert found.used == pytest.approx(np.array([[60.0, 0.0], [20.0, 30.0]]))
    assert found.sold == pytest.approx([0.0, 10.0])


@pytest.mark.parametrize("seed", every(2, range(5)))
def test_no_split_by_tens_brings_more(seed: int) -> None:
    """Every split of 30 L of two vats over two blends and sale, in steps of 10 L."""
    rng = np.random.default_rng(seed)
    gain, sold = rng.uniform(-2, 5, (2, 2)), rng.uniform(-1, 4, 2)
    holds, litres = np.array([20.0, 30.0]), np.array([30.0, 30.0])
    found = best_uses(litres, blends([20.0, 30.0], gain), UNKNOWN, sold, np.zeros(2))
    mine = (found.used * gain).sum() + found.sold @ sold
    best = -np.inf
    for parts in itertools.product(range(4), repeat=4):
        used = 10.0 * np.array(parts, dtype=float).reshape(2, 2)
        if (used.sum(axis=1) <= litres).all() and (used.sum(axis=0) <= holds).all():
            best = max(best, (used * gain).sum() + (litres - used.sum(axis=1)) @ sold)
    assert mine == pytest.approx(best, abs=1e-9)


def test_a_white_blend_gets_no_red_and_a_rose_as_much_as_planned() -> None:
    red = np.array([[1.0, 0.9], [0.0, -0.1]])  # vats: red, white; blends: white, rosé with a tenth of red
    gain = np.array([[np.nan, 9.0], [1.0, 2.0]])
    found = best_uses(np.array([50.0, 500.0]), blends([100.0, 200.0], gain, red=red), UNKNOWN, np.zeros(2), np.zeros(2))
    assert found.used[0] == pytest.approx([0.0, 20.0])
    assert found.used[1] == pytest.approx([100.0, 180.0])


def test_as_much_reserve_stays_as_the_blends_take() -> None:
    share, kept = np.array([1.0, 0.0]), np.array([-1.0, -1.0])
    facts = blends([40.0], np.full((2, 1), 2.0), reserve=np.array([[0.5], [-0.5]]), takes_reserve=20.0)
    found = best_uses(np.array([60.0, 60.0]), facts, kept, np.zeros(2), share)
    assert found.kept == pytest.approx([20.0, 0.0])
    assert found.used.sum() == pytest.approx(40.0)
    assert found.used[0, 0] >= 20.0 - 1e-9


def test_what_is_typed_goes_first_where_it_brings_as_much() -> None:
    typed = np.array([[0.0], [30.0]])
    found = best_uses(np.full(2, 60.0), blends([30.0], np.ones((2, 1)), typed=typed), UNKNOWN, np.zeros(2), np.zeros(2))
    assert found.used == pytest.approx(typed)
    dearer = best_uses(
        np.full(2, 60.0), blends([30.0], np.array([[1.1], [1.0]]), typed=typed), UNKNOWN, np.zeros(2), np.zeros(2)
    )
    assert dearer.used == pytest.approx(typed[::-1])


def test_in_words() -> None:
    assert in_words(100.0, {"Brut": 99.5, "Rosé": 0.5}, 0.0, 0.0) == "use in Brut"
    assert in_words(100.0, {"Brut": 30.0, "Rosé": 50.0}, 0.0, 20.0) == "use 50 in Rosé, 30 in Brut, sell 20"
    assert in_words(100.0, {}, 100.0, 0.0) == "keep a year"
    assert in_words(100.0, {"Brut": 0.0}, 0.0, 0.0) == NO_VALUE


@pytest.mark.parametrize(
    ("parts", "words"),
    [
        ((1_473.0, 1_128.0, 129.0, 0.0), "use 1,473 in Brut, 1,128 in Rosé, keep 129"),
        ((97.0, 3.0, 0.0, 0.0), "use 97 in Brut, 3 in Rosé"),
        ((60.0, 39.3, 0.7, 0.0), "use 61 in Brut, 39 in Rosé"),
        ((99.0, 1.0, 0.0, 0.0), "use in Brut"),
        ((98.0, 0.0, 0.0, 2.0), "use 98 in Brut, sell 2"),
        ((33.4, 33.4, 0.0, 33.2), "use 34 in Brut, 33 in Rosé, sell 33"),
    ],
)
def test_the_figures_in_words_add_up_to_the_vat(parts: tuple[float, ...], words: str) -> None:
    brut, rose, kept, sold = parts
    assert in_words(sum(parts), {"Brut": brut, "Rosé": rose}, kept, sold) == words
