"""How sure a hold-or-release verdict is: the draws of the uncertain figures, carried into every stack on lees.

    gain of a draw = net present value of the best later date − that of the first possible date

Both dates are those of the verdict as it stands today; every stack sees the same draws. Worth is linear in prices by
age, finishing, storage and pools; the hurdle, the yearly loss and the rest of what `costing.decisions.ageing_tables`
reads are run again at a few values (`costing.decisions.response`). The queue for one market stays as it is.

What it does not do: let a yield of the past change the bottles on hand, which are counted; decide again later, once
a price is known.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from costing.decisions.ageing import hold_or_release
from costing.decisions.ageing_tables import Holding, holding
from costing.decisions.changes import apply_changes
from costing.decisions.distributions import Uncertain
from costing.decisions.release_dates import grid_on_curve, worth_by_date
from costing.decisions.response import fit
from costing.decisions.scarcity import queue_for_market
from costing.decisions.uncertainty import axis_of
from costing.graph.arrays import BLANK_DAY, Floats, Ints
from costing.inputs.basis import ECONOMIC
from costing.money.charges import capital_curve
from costing.results.lots import as_dates
from costing.results.results import Results

VERDICTS_DRAWN = {
    "lot": "Lot",
    "cuvee": "Cuvée",
    "format": "Format",
    "bottles": "Bottles",
    "first": "First possible date",
    "later": "Best later date",
    "gain": "Gain of holding as planned",
    "mean": "Mean gain",
    "p5": "5 % below",
    "p50": "Half below",
    "p95": "95 % below",
    "holding_wins": "Draws in which holding wins",
    "verdict": "Verdict",
    "verdict_holds": "Draws in which the verdict holds",
}
READ = ("price_by_age", "operation_rates", "dry_goods", "pools", "interest_rates", "loss_norms")
"""Tables that a verdict reads."""

_STRAIGHT = (
    ("price_by_age", "ex_cellar_price"),
    ("operation_rates", "amount"),
    ("dry_goods", "unit_price"),
    ("dry_goods", "quantity_per_bottle"),
    ("pools", "amount"),
)
_BLOCK = 1_000


def verdicts_drawn(results: Results, figures: list[Uncertain], drawn: Floats) -> pd.DataFrame:
    """Gain of holding each stack over the draws, and in how many of them the verdict holds (columns of
    `VERDICTS_DRAWN`).

    results: on the economic basis; drawn [draws, figures]: as the sheet states values. Stacks with fewer than two
    possible dates are left out.
    """
    base = holding(results)
    if not len(base.stock) or not figures:
        return pd.DataFrame(columns=list(VERDICTS_DRAWN))
    wait = queue_for_market(base.stacks, base.at, base.curve, base.market).wait_years
    found = hold_or_release(base.stacks, base.at, base.curve, wait)
    rows = np.flatnonzero((found.first >= 0) & (found.best_later >= 0))
    gains = _gains(results, base, figures, drawn, wait, rows, found.first[rows], found.best_later[rows])
    now = found.gain[rows, found.best_later[rows]]
    wins = (gains > 0).mean(axis=0)
    low, middle, high = np.percentile(gains, (5, 50, 95), axis=0)
    stock = base.stock.iloc[rows].reset_index(drop=True)
    return pd.DataFrame(
        {
            "lot": stock["lot"],
            "cuvee": stock["cuvee"],
            "format": stock["format"],
            "bottles": stock["quantity"],
            "first": as_dates(np.where(found.first[rows] < 0, BLANK_DAY, base.at[found.first[rows]])),
            "later": as_dates(base.at[found.best_later[rows]]),
            "gain": now,
            "mean": gains.mean(axis=0),
            "p5": low,
            "p50": middle,
            "p95": high,
            "holding_wins": wins,
            "verdict": np.where(now > 0, "hold", "release"),
            "verdict_holds": np.where(now > 0, wins, 1.0 - wins),
        }
    )


def _gains(
    results: Results,
    base: Holding,
    figures: list[Uncertain],
    drawn: Floats,
    wait: Floats,
    rows: Ints,
    first: Ints,
    later: Ints,
) -> Floats:
    """Gain of the later date over the first [draws, rows]."""
    reads = [at for at, figure in enumerate(figures) if figure.target.table in READ]
    straight = [at for at in reads if (figures[at].target.table, figures[at].target.column) in _STRAIGHT]
    straight = [at for at in straight if _alone(figures, at, reads) and figures[at].how != "set"]
    curved = [at for at in reads if at not in straight]
    axes = tuple(axis_of(figures[at]) for at in curved)
    known: dict[tuple[float, ...], Holding] = {}
    stacks_read = [at for at in reads if figures[at].target.table != "interest_rates"]

    def held(values: Floats) -> Holding:
        """Holding under draws; the hurdle alone changes no stack, so those are kept."""
        key = tuple(float(values[at]) for at in stacks_read)
        if key not in known:
            moved = [at for at in stacks_read if figures[at].how == "set" or values[at] != figures[at].still]
            changed = apply_changes(results.estate, [figures[at].change(float(values[at])) for at in moved])
            known[key] = holding(replace(results, estate=changed)) if moved else base
        return known[key]

    def gain(values: Floats) -> Floats:
        moves = [figures[at].change(float(values[at])) for at in reads if figures[at].target.table == "interest_rates"]
        stacks, at = held(values).stacks, held(values).at
        curve = capital_curve(apply_changes(results.estate, moves), ECONOMIC)
        assert curve is not None  # the economic basis charges capital
        npv = worth_by_date(stacks, grid_on_curve(at, curve), wait).npv
        return np.asarray(npv[rows, later] - npv[rows, first])

    def evaluate(values: Floats) -> Floats:
        here = np.array([figure.still for figure in figures])
        here[curved] = values
        found = [gain(here)]
        for at in straight:
            moved = here.copy()
            step = 0.05 if figures[at].how == "multiply" else 0.05 * max(1.0, abs(figures[at].still))
            moved[at] += step
            found.append((gain(moved) - found[0]) / step)
        return np.concatenate(found)

    response = fit(axes, evaluate, lambda: None)
    gains, width = np.empty((len(drawn), len(rows))), len(rows)
    for begin in range(0, len(drawn), _BLOCK):
        block = drawn[begin : begin + _BLOCK]
        z = response.at(block[:, curved])
        total = z[:, :width].copy()
        for place, at in enumerate(straight, start=1):
            total += (block[:, [at]] - figures[at].still) * z[:, place * width : (place + 1) * width]
        gains[begin : begin + _BLOCK] = total
    return gains


def _alone(figures: list[Uncertain], at: int, reads: list[int]) -> bool:
    """Whether no earlier figure touches the cells of this one."""
    target = figures[at].target
    return not any(
        figures[other].target.table == target.table and len(np.intersect1d(figures[other].target.rows, target.rows))
        for other in reads
        if other < at
    )
