"""The engine against the exact-fraction tracer on random estates.

COSTING_FULL=1 runs 200 seeds, otherwise a few.
"""

from __future__ import annotations

from fractions import Fraction
from functools import cache

import pytest

from costing.graph.arrays import Flow
from costing.inputs.basis import BOOK, ECONOMIC, Basis
from costing.results.results import Results
from tests.form import chosen
from tests.properties.estates import ALL_FEATURES, random_rows, tables_of, valuation_date
from tests.properties.reading import batch_state, run_one, state_cost
from tests.properties.tracer import Tracer
from tests.properties.walk import Rows, State

SEEDS = range(chosen(full=200, short=4))
SIZE = 40
BOTH = pytest.mark.parametrize("basis", [BOOK, ECONOMIC], ids=lambda basis: basis.name)
TIGHT, DAILY = 1e-9, 1e-7  # exact amounts; storage paid day by day at mid-day


@cache
def both(seed: int, basis: Basis) -> tuple[Rows, Tracer, Results]:
    rows = random_rows(seed, SIZE)
    return rows, Tracer(rows, basis, valuation_date(rows)), run_one(tables_of(rows), basis)


def engine_states(tracer: Tracer, results: Results) -> list[tuple[str, State, int]]:
    """States that both have: lots at the end, disgorgements, dispatches, exits in bulk, press loads."""
    chain = results.chain
    names = list(chain.lots.names)
    found = [(lot, state, int(chain.states.last_of_lot[names.index(lot)])) for lot, state in tracer.now.items()]
    kinds = {
        "disgorgements": Flow.DISGORGEMENT,
        "dispatches": Flow.DISPATCH,
        "movements": Flow.MOVEMENT,
        "tirage": Flow.TIRAGE,
    }
    for (table, row), state in tracer.batches.items():
        if table in kinds:
            found.append((f"{table} {row}", state, batch_state(results, kinds[table], row)))
    for load, state in tracer.loads.items():
        found.append((load, state, int(chain.states.batch_state[chain.flows.load_names.get_loc(load)])))
    return found


@BOTH
@pytest.mark.parametrize("seed", SEEDS)
def test_cost_of_every_state_by_stage_and_element(seed: int, basis: Basis) -> None:
    _, tracer, results = both(seed, basis)
    exact = tracer.costs()
    wrong = []
    for name, state, at in engine_states(tracer, results):
        found, expected = state_cost(results, at), {key: float(value) for key, value in exact[state].items()}
        scale = max(1.0, *(abs(amount) for amount in expected.values()), 0.0)
        for column in found.keys() | expected.keys():
            given = column[1] != "capital" or basis.capital == "none"
            if given and abs(found.get(column, 0.0) - expected.get(column, 0.0)) > TIGHT * scale:
                wrong.append((name, column, found.get(column, 0.0), expected.get(column, 0.0)))
    assert wrong == []


@pytest.mark.parametrize("seed", SEEDS)
def test_value_with_capital_of_every_state(seed: int) -> None:
    _, tracer, results = both(seed, ECONOMIC)
    values = tracer.values()
    wrong = [
        (name, float(results.total[at]), values[state])
        for name, state, at in engine_states(tracer, results)
        if results.total[at] != pytest.approx(values[state], rel=DAILY, abs=1e-6)
    ]
    assert wrong == []


@BOTH
@pytest.mark.parametrize("seed", SEEDS)
def test_cost_in_is_everything_the_tables_say(seed: int, basis: Basis) -> None:
    _, tracer, results = both(seed, basis)
    cost_in = results.reconciliation().set_index("line").loc["Cost in", "amount"]
    assert cost_in == pytest.approx(float(tracer.posted()), rel=1e-12, abs=1e-6)


@pytest.mark.parametrize("seed", SEEDS)
def test_expenses_of_abnormal_losses(seed: int) -> None:
    _, tracer, results = both(seed, BOOK)
    lost = results.reconciliation().set_index("line").loc["Abnormal losses expensed", "amount"]
    assert lost == pytest.approx(float(tracer.lost_cost()), rel=TIGHT, abs=1e-6)


@pytest.mark.parametrize("seed", SEEDS)
def test_tracer_loses_nothing_and_its_origins_add_up(seed: int) -> None:
    rows = random_rows(seed, SIZE)
    tracer = Tracer(rows, BOOK, valuation_date(rows))
    costs = tracer.costs()
    ends = [*tracer.now.values()]
    ends += [state for (table, _), state in tracer.batches.items() if table in ("dispatches", "movements")]
    held = sum((sum(costs[state].values(), Fraction(0)) for state in ends), Fraction(0))
    expensed = sum((posting.amount for posting in tracer.expensed), Fraction(0))
    assert tracer.posted() == held + expensed + tracer.lost_cost()
    for (table, _), state in tracer.batches.items():
        if table == "disgorgements":
            own = sum((amount for amount, _ in tracer.origins(state).values()), Fraction(0))
            assert own == sum(costs[state].values(), Fraction(0))


def test_estates_have_what_is_to_be_attacked() -> None:
    rows = [random_rows(seed, SIZE, ALL_FEATURES) for seed in range(30)]

    def some(sheet: str, test: object) -> bool:
        return any(test(row) for estate in rows for row in estate.get(sheet, []))  # type: ignore[operator]

    assert some("movements", lambda row: row.get("from_lot") == row.get("to_lot"))
    assert some("movements", lambda row: row["operation"] == "loss" and row.get("out_bottles"))
    assert some("movements", lambda row: row["operation"] == "decanting")
    assert some("movements", lambda row: row["operation"] == "re-bulking")
    assert some("movements", lambda row: row.get("to_lot") and row.get("in_l") is None and row.get("out_l"))
    assert some("movements", lambda row: row.get("added_l"))
    assert some("stocktakes", lambda row: row["sequence"] is not None)
    assert some("deliveries", lambda row: row.get("premium_per_unit"))
    assert some("deliveries", lambda row: row.get("terms") == "deposit")
    assert some("deliveries", lambda row: row.get("growing_cost_per_unit"))
    assert {row["split_method"] for estate in rows for row in estate["pressings"]} == {
        "volume",
        "weight",
        "sales value",
        "nrv",
        "constant margin",
        "fixed",
    }
    assert {row["format"] for estate in rows for row in estate.get("tirage", [])} >= {
        "half",
        "bottle",
        "magnum",
    }
    assert some("dispatches", lambda row: row["channel"] == "Samples")
    assert some("operation_rates", lambda row: row["operation"] == "dispatch")
