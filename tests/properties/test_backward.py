"""Origins add up and equal the tracer's; derivatives equal central differences.

COSTING_FULL=1 traces 200 seeds, otherwise a few.
"""

from __future__ import annotations

from collections import defaultdict
from itertools import product

import numpy as np
import pytest

from costing.graph.arrays import Flow
from costing.inputs.basis import BOOK, ECONOMIC, Basis
from costing.model import run
from costing.money.postings import TABLE_NAMES
from costing.results.results import Results
from tests.form import chosen
from tests.properties.estates import estate_drawn, random_estate, random_rows, tables_of, valuation_date
from tests.properties.reading import amounts_at, batch_state, origins_of, run_one
from tests.properties.tracer import Tracer
from tests.properties.walk import Rows

SEEDS = range(chosen(full=200, short=4))
SIZE = 40
BOTH = pytest.mark.parametrize("basis", [BOOK, ECONOMIC], ids=lambda basis: basis.name)
Origin = tuple[str, int, str, str]


def first_rows(results: Results) -> dict[tuple[str, int], int]:
    """The row that stands for each dated series of a time charge."""
    return {
        (TABLE_NAMES[part.charge.table], int(row)): int(part.charge.rows.min())
        for part in results.charges.accrued
        for row in part.charge.rows
    }


def releases_of(rows: Rows) -> range:
    return range(len(rows.get("disgorgements", [])))


@BOTH
@pytest.mark.parametrize("seed", SEEDS)
def test_every_origin_of_every_release_equals_the_tracers(seed: int, basis: Basis) -> None:
    rows = random_rows(seed, SIZE)
    tracer = Tracer(rows, basis, valuation_date(rows))
    results = run_one(tables_of(rows), basis)
    series = first_rows(results)
    wrong = []
    for row in releases_of(rows):
        exact: dict[Origin, list[float]] = defaultdict(lambda: [0.0, 0.0])
        for (table, at, stage, element), (own, grown) in tracer.origins(tracer.batches["disgorgements", row]).items():
            key = (table, series.get((table, at), at), stage, element)
            exact[key][0] += float(own)
            exact[key][1] += grown
        found = origins_of(results, batch_state(results, Flow.DISGORGEMENT, row))
        scale = max([1.0, *(abs(own) for own, _ in exact.values())])
        for origin in exact.keys() | found.keys():
            one, other = found.get(origin, (0.0, 0.0)), exact.get(origin, [0.0, 0.0])
            if abs(one[0] - other[0]) > 1e-9 * scale or abs(one[1] - other[1]) > 1e-7 * scale:
                wrong.append((row, origin, one, other))
    assert wrong == []


@BOTH
@pytest.mark.parametrize("seed", SEEDS)
def test_origins_of_every_release_add_up_to_its_cost(seed: int, basis: Basis) -> None:
    results = run(estate_drawn(seed, SIZE), basis)
    for flow in np.flatnonzero(results.chain.flows.kind == Flow.DISGORGEMENT):
        state = int(results.chain.states.batch_state[results.chain.flows.batch[flow]])
        found = origins_of(results, state).values()
        plain = sum(own for own, _ in found)
        assert sum(grown for _, grown in found) == pytest.approx(results.total[state], rel=1e-9, abs=1e-7)
        capital = results.columns.get_level_values("element") == "capital"
        charged = results.columns.get_level_values("stage").isin(["vinification"]) & capital  # opening capital
        if basis is BOOK:
            assert plain == pytest.approx(results.total[state], rel=1e-9, abs=1e-7)
        elif not charged.any():
            assert plain == pytest.approx(results.cost[state][~capital].sum(), rel=1e-9, abs=1e-7)


CELLS = [
    ("deliveries", "Price per unit"),
    ("costs", "Amount"),
    ("operation_rates", "Amount"),
    ("dry_goods", "Unit price"),
    ("pools", "Amount"),
    ("opening_costs", "Amount"),
    ("grape_prices", "Price per kg"),
]


MOST_OF_A_SHEET = chosen(full=25, short=2)
WEIGHED = chosen(full=list(product((3, 7), (BOOK, ECONOMIC))), short=[(7, ECONOMIC)])


@pytest.mark.slow
@pytest.mark.parametrize(("seed", "basis"), WEIGHED)
def test_weights_are_the_derivatives_of_a_release_by_each_amount(seed: int, basis: Basis) -> None:
    tables = random_estate(seed, SIZE)
    results = run_one(tables, basis)
    released = int(np.flatnonzero(results.chain.flows.kind == Flow.DISGORGEMENT)[-1])
    row = int(results.chain.flows.row[released])
    state = batch_state(results, Flow.DISGORGEMENT, row)
    end = np.zeros(len(results.total))
    end[state] = 1.0
    checked = 0
    by_place: dict[tuple[str, int], float] = defaultdict(float)
    origins = origins_of(results, state)
    assert len(amounts_at(results)) >= len(origins)
    for (table, at, *_), (_, grown) in origins.items():
        by_place[table, at] += grown
    series = first_rows(results)
    for sheet, header in CELLS:
        done = 0
        for at in range(len(tables.get(sheet, []))):
            table = tables[sheet]
            if header not in table or not table.loc[at, header] > 0 or (sheet, at) in series or done == MOST_OF_A_SHEET:
                continue
            if sheet in ("deliveries", "grape_prices") and (
                "Final premium per unit" in table or "Premium per kg" in table
            ):
                continue  # two amounts from one row: the price alone is not the origin's amount
            step = 0.01 * float(table.loc[at, header])
            moved = table.copy()
            moved.loc[at, header] += step  # a cost is linear in each amount: one step says as much as two
            again = run_one({**tables, sheet: moved}, basis)
            slope = float(again.total[batch_state(again, Flow.DISGORGEMENT, row)] - results.total[state]) / step
            expected = by_place[sheet, at] / float(table.loc[at, header])
            assert slope == pytest.approx(expected, rel=1e-6, abs=1e-6 * results.total[state] / step), (
                sheet,
                at,
            )
            done += 1
        checked += done
    assert checked > 8
