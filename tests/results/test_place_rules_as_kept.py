"""The demo under the rule sets of other places, with cuvées, dosages, terms and sugar drawn anew: which of its rows are
named, and in which words, is kept (`python -m tests.results.test_place_rules_as_kept` keeps it anew; read what changes
before).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache, partial
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, Estate, run
from costing.inputs.appellations import rule_set_names
from costing.inputs.load import read_inputs
from costing.results.place_rules import place_cautions
from tests import kept_lines

KEPT = Path(__file__).with_name("place_rules_as_kept")
DRAWS = 4
_DRAWN = {
    ("cuvees", "rule_set"): (*rule_set_names(), None, None),
    ("cuvees", "category"): ("vintage", "rosé", "reserva", "gran reserva", "riserva", "blanc de blancs", None),
    ("cuvees", "vintage"): ("2018", "2018-2019", "2020", None, None, None),
    ("tirage", "sugar_g_per_l"): (12.0, 14.0, 24.0, 25.2, 25.3, 27.0, np.nan),
    ("disgorgements", "dosage_g_per_l"): (0.0, 3.0, 6.0, 11.0, 12.0, 17.0, 32.0, 50.0, np.nan),
    ("disgorgements", "sweetness_term"): ("brut nature", "extra brut", "brut", "sec", "Demi-Sec", "doux", "soft", None),
}


def drawn(demo: Estate, seed: int) -> Estate:
    """The demo with columns drawn from a few values."""
    source = np.random.default_rng(seed)
    tables = dict(demo.tables)
    for (table, column), values in _DRAWN.items():
        frame = tables[table]
        new = pd.Series(source.choice(np.array(values, dtype=object), len(frame)), frame.index)
        is_number = pd.api.types.is_numeric_dtype(frame[column])
        tables[table] = frame.assign(**{column: new.astype(float if is_number else "category")})
    settings = {"rule_set": ("Champagne", None, "Cava", None)[seed], "bottle_rating_bar": (None, 8.0, 9.0, 8.4)[seed]}
    return replace(demo, tables=tables, settings=demo.settings.model_copy(update=settings))


@cache
def _demo() -> Estate:
    return read_inputs(Path(__file__).parents[2] / "demo_estate")


def cautions(seed: int) -> Iterator[str]:
    for found in place_cautions(run(drawn(_demo(), seed), BOOK)):
        yield f"{found.place} {found.value}: {found.rule.partition(' (rules of')[0]}"


SECTIONS = {str(seed): partial(cautions, seed) for seed in range(DRAWS)}


@pytest.mark.parametrize("draw", SECTIONS)
def test_what_rules_of_place_say_of_drawn_cuvees_is_as_kept(draw: str) -> None:
    assert kept_lines.found(SECTIONS, draw) == kept_lines.kept(KEPT, draw)


if __name__ == "__main__":
    kept_lines.keep(KEPT, SECTIONS)
