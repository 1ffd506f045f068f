"""An estate typed as people type is the same estate; a name typed otherwise is a finding with its cell.

Habits are tried on the small house with something for each decision, which has rows on nearly every sheet.
"""

from __future__ import annotations

import random

import numpy as np
import pandas as pd
import pytest

import costing
from costing.errors import InputError
from costing.house import open_house
from costing.inputs.owners import both_sides
from costing.inputs.schema import sheets
from costing.model import loaded
from costing.workbook.read import read_workbook
from tests.form import chosen
from tests.golden.every_decision import tables
from tests.inputs.habits import Typist

SEEDS = chosen(full=range(60), short=range(1))


@pytest.fixture(scope="module")
def house() -> costing.House:
    return open_house(tables())


def _sorted(table: pd.DataFrame) -> pd.DataFrame:
    """Rows in an order of their own: that on the sheet says nothing."""
    plain = table.astype({one: object for one in table.columns if table[one].dtype.name == "category"})
    texts = [(one.round(6) if one.dtype == np.float64 else one).map(str).astype(object) for _, one in plain.items()]
    order = np.lexsort([pd.factorize(one, sort=True)[0] for one in texts[::-1]])
    return plain.iloc[order].reset_index(drop=True)


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_the_estate_read_is_the_same(seed: int, house: costing.House) -> None:
    typist = Typist(seed)
    try:
        read = both_sides(loaded(read_workbook(typist.workbook(house.frames()))))
    except InputError as refused:
        pytest.fail(f"seed {seed}: " + "\n".join(map(str, refused.findings[:8])))
    assert len(typist.done) > 12
    meant = both_sides(house.estate)
    for name, table in meant.tables.items():
        if name in ("settings", "links") or sheets()[name].owner != "user":
            continue
        pd.testing.assert_frame_equal(_sorted(read[name]), _sorted(table), rtol=1e-9, obj=f"seed {seed}: {name}")
    assert {one.place for one in read.cautions} == set(), f"seed {seed}: {read.cautions[:3]}"


@pytest.fixture(scope="module")
def demo() -> costing.House:
    """Where a supplier's name stands more than once."""
    return costing.open("demo_estate")


NAMES = (
    ("movements", "from_lot"),
    ("tirage", "wine_lot"),
    ("disgorgements", "from_lot"),
    ("dispatches", "channel"),
    ("deliveries", "supplier"),
)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_name_typed_otherwise_is_a_finding_with_its_cell(seed: int, demo: costing.House) -> None:
    dice = random.Random(seed)
    table, column = NAMES[seed % len(NAMES)]
    frames = demo.frames()
    names = frames[table][column].dropna()
    row = dice.choice(names.index.tolist())
    typed = str(names[row])
    ways = [typed.lower(), typed.replace("-", " "), typed.replace(" ", ""), f"{typed[:-1]}{typed[-1]}x"]
    changed = dice.choice([way for way in ways if way != typed])
    frames[table].loc[row, column] = changed
    try:
        found = costing.read_estate(frames).cautions
    except InputError as refused:
        found = tuple(refused.findings)
    told = [
        one for one in found if one.place.startswith(f"{sheets()[table].title}!") and one.place.endswith(str(row + 2))
    ]
    said = f"seed {seed}: '{typed}' as '{changed}' in row {row + 2}: {[str(one) for one in found][:5]}"
    assert any(changed in one.value for one in told), said
