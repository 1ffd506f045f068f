"""Derivatives of the cost of sets of states by money and by what a press load is split by, from the backward solve.

    dC/dθ = wᵀ(∂D̃/∂θ + ∂G/∂θ·V)

w: weight of each state's posting in the set, capital included. D̃ is linear in prices, amounts and rates, so the
derivative by one of them is what its row brought over its value. The shares of a press load depend on the values,
costs to complete, weights and fixed shares of its own fractions alone, so ∂G of all loads is taken side by side,
one fraction of each at a time, by a central difference of the split itself. A cell whose value is 0 has no
derivative here.

Interest changes the growth of every state and the worth of every posting, each a function of dates alone.

What it does not do: quantities and norms (`decisions.changes.quantity_gradients`), or dates.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.graph.arrays import codes
from costing.inputs.estate import Estate
from costing.money.capital import Capital, worth_at_end
from costing.money.charges import Accrued
from costing.money.postings import MONEY_COLUMNS
from costing.money.presses import split_presses
from costing.results.origins import weights, worth_of
from costing.results.results import Results

Gradients = dict[tuple[str, str], Floats]
LINEAR_COLUMNS: tuple[tuple[str, str], ...] = (
    *(cell for cell in MONEY_COLUMNS if cell != ("pressings", "cost_to_complete_per_l")),
    ("dry_goods", "quantity_per_bottle"),
)
"""Columns in which every cost is linear."""

SPLIT_COLUMNS = ("value_per_l", "cost_to_complete_per_l", "fraction_weight_kg", "fixed_share")
_STEP = 1e-6


@dataclass(frozen=True, eq=False)
class Reached:
    """Sets of states and the weight of each state's posting, capital included, in each of them [sets, states]."""

    results: Results
    sets: tuple[Ints, ...]
    grown: Floats

    @classmethod
    def by(cls, results: Results, sets: list[Ints]) -> Reached:
        """Weights of sets of states, one backward solve each."""
        return cls(results, tuple(sets), np.vstack([weights(results, chosen)[1] for chosen in sets]))


def gradients(reached: Reached) -> Gradients:
    """Derivatives by every linear cell, every split cell and interest: (table, column) -> [sets, rows]; 0 where the
    value is blank or 0.
    """
    return {**linear_gradients(reached), **split_gradients(reached), **interest_gradients(reached)}


def linear_gradients(reached: Reached) -> Gradients:
    """Derivatives by prices, amounts and rates."""
    results = reached.results
    postings = results.charges.postings
    brought = reached.grown[:, postings.state] * results.charges.worth
    by_column: Gradients = {}
    for table, column in LINEAR_COLUMNS:
        size = len(results.estate[table])
        slope = np.zeros((len(brought), size))
        for posted, value in _in_proportion(results.estate, table, column):
            total = _by_row(brought[:, postings.column == posted], postings.row[postings.column == posted], size)
            for part in _timed(results, posted):
                total += _time_by_row(results, part, reached.grown, size)
            slope += _over(total, value)
        by_column[table, column] = slope
    return by_column


@dataclass(frozen=True, eq=False)
class Moved:
    """Cells of one column that a figure moves together: their rows, and how far each goes for one of the figure."""

    table: str
    column: str
    rows: Ints
    step: Floats


def worth_by_moves(results: Results, moves: Sequence[Moved], without: Ints | None = None) -> Floats:
    """Derivative of the worth of every state by money that moves together [states, moves]: one forward solve,
    whatever the number of states that are looked at. without: postings that are left out.
    """
    postings, n = results.charges.postings, len(results.chain.states)
    worth = results.charges.worth.copy()
    worth[slice(0) if without is None else without] = 0.0
    posted = np.zeros((n, len(moves)))
    for number, moved in enumerate(moves):
        step = np.zeros(len(results.estate[moved.table]))
        step[moved.rows] = moved.step
        for column, value in _in_proportion(results.estate, moved.table, moved.column):
            factor = _over(step, value)
            touched = np.flatnonzero(postings.column == column)
            touched = touched[factor[postings.row[touched]] != 0]
            posted[:, number] += np.bincount(postings.state[touched], worth[touched] * factor[postings.row[touched]], n)
            for part in _timed(results, column):
                for row, since, stop in _spans(part):
                    if factor[row]:
                        states, charged = charged_between(results, part, since, stop)
                        posted[states, number] += charged * factor[row]
    return worth_of(results, posted)


def _in_proportion(estate: Estate, table: str, column: str) -> list[tuple[int, Floats]]:
    """Columns whose postings follow a column, as positions in `MONEY_COLUMNS`, and the value that each is in proportion
    to by row: the final premium of a delivery is posted less the expected one.
    """
    frame = estate[table]
    values = frame[column].to_numpy(dtype=np.float64)
    posted = MONEY_COLUMNS.index((table, "unit_price" if column == "quantity_per_bottle" else column))
    if table == "grape_prices":
        listed = (frame["price_per_kg"] + frame["premium_per_kg"].fillna(0.0)).to_numpy()
        return [(MONEY_COLUMNS.index((table, "price_per_kg")), listed)]
    if "premium_per_unit" not in column:
        return [(posted, values)]
    final = MONEY_COLUMNS.index((table, "premium_per_unit"))
    differs = frame["premium_per_unit"].to_numpy() - np.nan_to_num(frame["expected_premium_per_unit"].to_numpy())
    given = np.where(np.nan_to_num(values) != 0, -differs, np.nan)
    return [(final, differs)] if posted == final else [(posted, values), (final, given)]


def _timed(results: Results, column: int) -> list[Accrued]:
    """Charges for time of a column that the wine bears."""
    return [part for part in results.charges.accrued if part.charge.column == column and not part.expensed]


def interest_gradients(reached: Reached) -> Gradients:
    """Derivatives by the interest rates that the basis charges; none where it charges none or one of its own."""
    results = reached.results
    estate, basis, table = results.estate, results.basis, results.estate["interest_rates"]
    if basis.capital == "none" or basis.rate is not None:
        return {}
    column = "hurdle_rate" if basis.capital == "hurdle" else "borrowing_rate"
    by_row = np.zeros((len(reached.grown), len(table)))
    for row in np.flatnonzero(np.nan_to_num(table[column].to_numpy(dtype=np.float64)) != 0):
        up, down, step, _ = _both(estate, "interest_rates", column, np.array([row]))
        ends = [_charged_at(reached, Capital.of(moved, basis)) for moved in (up, down)]
        by_row[:, row] = (ends[0] - ends[1]) / (2.0 * step)
    return {("interest_rates", column): by_row}


def _charged_at(reached: Reached, capital: Capital) -> Floats:
    """Worth of the sets, one step of interest deep: growth of each state and worth of each posting at a rate, what
    arrived in each state as it is [sets].
    """
    results, grown = reached.results, reached.grown
    states, charges = results.chain.states, results.charges
    total = grown @ (capital.growth(states.stage, states.start, states.end) * results.solution.arrived)
    total += grown[:, charges.postings.state] @ worth_at_end(charges.postings, results.chain, capital)
    for part in charges.accrued:
        if not part.expensed:
            state = part.states
            worth = capital.accrued(part.charge.curve, states.stage[state], states.start[state], states.end[state])
            total += grown[:, state] @ (worth * states.quantity[state])
    return np.asarray(total)


def _by_row(brought: Floats, row: Ints, rows: int) -> Floats:
    table = np.zeros((len(brought), rows))
    for line, amounts in enumerate(brought):
        table[line] = np.bincount(row, amounts, rows) if rows else 0.0
    return table


def _time_by_row(results: Results, part: Accrued, grown: Floats, rows: int) -> Floats:
    """What one charge for time brought, by the row of its sheet that held at the time [sets, rows]."""
    by_row = np.zeros((len(grown), rows))
    for row, since, stop in _spans(part):
        states, worth = charged_between(results, part, since, stop)
        by_row[:, row] += grown[:, states] @ worth
    return by_row


def _spans(part: Accrued) -> Iterator[tuple[int, int, int]]:
    """Each row of a charge for time, and the days from which and until which it holds."""
    since = part.charge.since
    until = np.r_[since[1:], np.iinfo(np.int64).max]
    yield from zip(part.charge.rows.tolist(), since.tolist(), until.tolist(), strict=True)


def charged_between(results: Results, part: Accrued, since: int, stop: int) -> tuple[Ints, Floats]:
    """States that bear a charge for time between two days, and its worth at the end of each interval."""
    states, capital, charge = results.chain.states, results.charges.capital, part.charge
    low, high = np.maximum(states.start[part.states], since), np.minimum(states.end[part.states], stop)
    charged = np.flatnonzero(low < high)
    state, low, high = part.states[charged], low[charged], high[charged]
    stage = states.stage[state]
    worth = capital.accrued(charge.curve, stage, low, high) * capital.growth(stage, high, states.end[state])
    return state, worth * states.quantity[state]


def _over(total: Floats, value: Floats) -> Floats:
    known = np.isfinite(value) & (value != 0)
    return np.divide(total, np.broadcast_to(value, total.shape), out=np.zeros(total.shape), where=known)


def split_gradients(reached: Reached) -> Gradients:
    """Derivatives by what press loads are split by: columns of Pressings, market values for a blank value per litre."""
    market = reached.results.estate["market_values"]
    by_column: Gradients = {("pressings", column): split_by(reached, column) for column in SPLIT_COLUMNS}
    by_column["market_values", "value_per_unit"] = np.zeros((len(reached.grown), len(market)))
    effect = _split_effect(reached)
    fits = market["what"].isin(["first", "second"]) & market["lot"].isna() & (market["value_per_unit"] != 0)
    for valued in np.flatnonzero(fits.to_numpy()):
        by_load = effect(*_both(reached.results.estate, "market_values", "value_per_unit", np.array([valued])))
        by_column["market_values", "value_per_unit"][:, valued] = by_load.sum(axis=1)
    return by_column


def split_by(reached: Reached, column: str) -> Floats:
    """Derivatives by a column of Pressings through the shares of its loads alone [sets, rows]."""
    results = reached.results
    frame = results.estate["pressings"]
    by_row = np.zeros((len(reached.grown), len(frame)))
    load = codes(frame["load"], results.chain.flows.load_names)
    fraction = np.flatnonzero(frame["fraction"].notna().to_numpy())
    turn = np.zeros(len(frame), dtype=np.int64)  # first, second, … fraction of its load
    turn[fraction] = pd.Series(load[fraction]).groupby(load[fraction]).cumcount().to_numpy()
    effect = _split_effect(reached)
    values = np.nan_to_num(frame[column].to_numpy(dtype=np.float64))
    for number in range(int(turn.max(initial=-1)) + 1):
        rows = fraction[(turn[fraction] == number) & (values[fraction] != 0)]
        if len(rows):
            by_row[:, rows] = effect(*_both(results.estate, "pressings", column, rows))[:, load[rows]]
    return by_row


def _both(estate: Estate, table: str, column: str, rows: Ints) -> tuple[Estate, Estate, Floats, Ints]:
    """The estate with cells a step up and a step down, the steps and the rows."""
    values = estate[table][column].to_numpy(dtype=np.float64)
    step = _STEP * np.abs(values[rows])
    ends = []
    for sign in (1.0, -1.0):
        moved = values.copy()
        moved[rows] += sign * step
        ends.append(replace(estate, tables={**estate.tables, table: estate[table].assign(**{column: moved})}))
    return ends[0], ends[1], step, rows


def _split_effect(reached: Reached) -> Callable[[Estate, Estate, Floats, Ints], Floats]:
    """Function from two estates that differ in what loads are split by to the derivative, by load [sets, loads]."""
    results, grown = reached.results, reached.grown
    chain, charges = results.chain, results.charges
    edges, solution = chain.edges, results.solution
    frame = results.estate["pressings"]
    load = codes(frame["load"], chain.flows.load_names)
    n_loads = len(chain.flows.load_names)
    pressed = np.flatnonzero(edges.press_row >= 0)
    source, target, row = edges.source[pressed], edges.target[pressed], edges.press_row[pressed]
    carried = grown[:, target] * (solution.growth[target] * solution.worth[source])

    def effect(up: Estate, down: Estate, step: Floats, rows: Ints) -> Floats:
        how = results.basis.split_method, results.basis.by_product
        ends = [split_presses(split, chain, charges.elements, *how) for split in (up, down)]
        moved = carried * (ends[0].share - ends[1].share)[row]
        total = _by_row(moved, load[row], n_loads)
        for sign, split in zip((1.0, -1.0), ends, strict=True):
            margins = split.postings.take(split.postings.state >= 0)
            worth = worth_at_end(margins, chain, charges.capital)
            total += sign * _by_row(grown[:, margins.state] * worth, load[margins.row], n_loads)
        width = np.full(n_loads, 2.0 * step[0])
        if len(rows) > 1:
            width[load[rows]] = 2.0 * step
        return np.asarray(total / width)

    return effect
