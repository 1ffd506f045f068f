"""How sure a hold-or-release verdict is: the draws of the uncertain figures, carried into every stack on lees, and
the chance that holding wins.

    gain of a draw = net present value of the best later date − that of the first possible date
                   = g + (W − 1) · k
    chance = mean over the draws of P(g + (W − 1) · k > 0)

g is the gain with the figures of the draw; k is what the later price is worth in it, since worth is linear in that
price. W is the step of price from age to age: lognormal with mean 1, its logarithm with a standard deviation of
σ · √(years from the first possible date to the later one). σ comes from the rows of Uncertainty that touch the prices
by age of the cuvée and format: what such a row says of all prices at once cancels between two dates, so the same
doubt lies in the step too. Stacks of one cuvée and format share one score of W a draw.

Both dates are those of the verdict as it stands today; every stack sees the same draws. Worth is linear in prices by
age, finishing, storage and pools; the hurdle, the yearly loss and the rest of what `decisions.plan.ageing_tables`
reads are run again at a few values (`decisions.changes.response`). The queue for one market stays as it is.

What it does not do: let a yield of the past change the bottles on hand, which are counted; decide again later, once
a price is known.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.calendar import DAYS_A_YEAR
from costing.decisions.changes.changes import apply_changes
from costing.decisions.changes.distributions import Uncertain, draw, uncertain_figures
from costing.decisions.changes.response import fit
from costing.decisions.changes.uncertainty import DRAWS, SEED, axis_of, priced, stands_alone
from costing.decisions.plan.ageing import HoldOrRelease, probability_holding_wins, verdict
from costing.decisions.plan.ageing_tables import Holding, best_dates, holding
from costing.decisions.prices.release_dates import grid_on_curve, worth_by_date
from costing.errors import errors_in
from costing.inputs.basis import ECONOMIC
from costing.model import Runs
from costing.money.capital import capital_curve
from costing.once import asked_once
from costing.results.lots import as_dates
from costing.results.results import Results

READ = ("price_by_age", "operation_rates", "dry_goods", "pools", "interest_rates", "loss_norms")
"""Tables that a verdict reads."""

_COLUMNS = (
    *("lot", "verdict", "probability_holding", "gain_of_holding", "gain_p5", "gain_p50", "gain_p95", "bottles"),
    *("cuvee", "format", "first_possible_date", "best_later_date", "gain_mean"),
)
_STRAIGHT = (
    ("price_by_age", "ex_cellar_price"),
    ("operation_rates", "amount"),
    ("dry_goods", "unit_price"),
    ("dry_goods", "quantity_per_bottle"),
    ("pools", "amount"),
)
_BLOCK, _STEP = 1_000, 0.05


@dataclass(frozen=True, eq=False)
class _Choice:
    """The verdict as it stands: what it was made from, and of the stacks that have two possible dates their rows and
    both dates, as positions.
    """

    holding: Holding
    wait: Floats
    answer: HoldOrRelease
    rows: Ints
    first: Ints
    later: Ints


def verdicts_drawn(
    results: Results, figures: list[Uncertain], correlation: Floats, drawn: Floats, seed: int = SEED
) -> pd.DataFrame:
    """Gain of holding each stack over the draws, and the chance that holding wins; most money first.

    results: on the economic basis; correlation: of the normal scores [figures, figures]; drawn [draws, figures]: as
    the sheet states values; seed: of the steps of price. Stacks with fewer than two possible dates are left out; the
    chance is blank where no row doubts the price.
    """
    choice = _choice(results) if figures else None
    if choice is None or not len(choice.rows):
        return pd.DataFrame(columns=list(_COLUMNS))
    holding_now, rows, later = choice.holding, choice.rows, choice.later
    gains, slopes = _gains(results, choice, figures, drawn)
    years = (holding_now.day[later] - holding_now.day[choice.first]) / DAYS_A_YEAR
    stock = holding_now.stock.iloc[rows].reset_index(drop=True)
    market, places = (
        holding_now.market[rows],
        [f"{cuvee}|{size}" for cuvee, size in zip(stock["cuvee"], stock["format"], strict=True)],
    )
    spread = price_spread(results, figures, correlation)
    sigma = np.array([spread.get(place, 0.0) for place in places])
    chance = chance_that_holding_wins(gains, slopes, sigma, years)
    scores = np.random.default_rng([seed, 1]).standard_normal((len(drawn), int(market.max()) + 1))[:, market]
    width = sigma * np.sqrt(years)
    gains += (np.exp(width * scores - width**2 / 2.0) - 1.0) * slopes
    low, middle, high = np.percentile(gains, (5, 50, 95), axis=0)
    now = choice.answer.gain[rows, later]
    table = pd.DataFrame(
        {
            "lot": stock["lot"],
            "verdict": [verdict(choice.answer, int(row))[0] for row in rows],
            "probability_holding": np.where(sigma > 0, chance, np.nan),
            "gain_of_holding": now,
            "gain_p5": low,
            "gain_p50": middle,
            "gain_p95": high,
            "bottles": stock["quantity"],
            "cuvee": stock["cuvee"],
            "format": stock["format"],
            "first_possible_date": as_dates(holding_now.day[choice.first]),
            "best_later_date": as_dates(holding_now.day[later]),
            "gain_mean": gains.mean(axis=0),
        }
    )
    return table.iloc[np.argsort(-np.abs(now), kind="stable")].reset_index(drop=True)


@asked_once
def verdicts(runs: Runs, draws: int = DRAWS, seed: int = SEED) -> pd.DataFrame:
    """The same over the draws that a forecast of an estate makes; its sheet Uncertainty has no error."""
    figures, correlation, _ = uncertain_figures(runs.estate)
    return verdicts_drawn(runs.economic, figures, correlation, draw(figures, correlation, draws, seed), seed)


@asked_once
def holding_chances(runs: Runs) -> pd.Series:
    """Chance that holding wins by lot, over the draws that a forecast makes unless told otherwise; empty where the
    sheet Uncertainty is empty or wrong.
    """
    figures, _, findings = uncertain_figures(runs.estate)
    if errors_in(findings) or not any(figure.target.table == "price_by_age" for figure in figures):
        return pd.Series(dtype=np.float64)
    return verdicts(runs).set_index("lot")["probability_holding"].astype(np.float64)


def chance_that_holding_wins(gains: Floats, slopes: Floats, sigma: Floats, years: Floats) -> Floats:
    """Mean over the draws of the probability that a later date brings more [stacks].

    gains, slopes: of each draw, and what the later price is worth in it [draws, stacks]; sigma: yearly standard
    deviation of the logarithm of the step of price [stacks]; years: between the two dates [stacks].
    """
    total = np.zeros(gains.shape[1])
    for begin in range(0, len(gains), _BLOCK):
        gain, slope = gains[begin : begin + _BLOCK], slopes[begin : begin + _BLOCK]
        total += probability_holding_wins(1.0, 1.0 - gain / slope, sigma, years).sum(axis=0)
    return np.asarray(total / len(gains))


def price_spread(results: Results, figures: list[Uncertain], correlation: Floats) -> dict[str, float]:
    """Yearly standard deviation of the logarithm of price by "cuvée|format", where a figure touches its prices by age.

    Figures on one cell add up by their variances and correlations; of the ages, the one most in doubt counts.
    """
    table = results.estate["price_by_age"]
    value = table["ex_cellar_price"].to_numpy(dtype=np.float64)
    deviations = np.zeros((len(figures), len(table)))
    for position, figure in enumerate(figures):
        if (figure.target.table, figure.target.column) != ("price_by_age", "ex_cellar_price"):
            continue
        mean, deviation = figure.distribution.moments()
        cells = figure.target.rows
        centre = {"multiply": np.full(len(cells), mean), "set": np.full(len(cells), mean), "add": value[cells] + mean}
        deviations[position, cells] = np.sqrt(np.log1p((deviation / centre[figure.how]) ** 2))
    variance = np.einsum("ir,ij,jr->r", deviations, correlation, deviations)
    places = table["cuvee"].astype(str) + "|" + table["format"].astype(str)
    widest = pd.Series(np.sqrt(np.maximum(variance, 0.0))).groupby(places.to_numpy()).max()
    return {str(place): float(sigma) for place, sigma in widest[widest > 0].items()}


def _choice(results: Results) -> _Choice | None:
    holding_now = holding(results)
    if not len(holding_now.stock):
        return None
    wait, answer = best_dates(results)
    rows = np.flatnonzero(answer.best_later >= 0)
    return _Choice(holding_now, wait, answer, rows, answer.first[rows], answer.best_later[rows])


def _gains(results: Results, choice: _Choice, figures: list[Uncertain], drawn: Floats) -> tuple[Floats, Floats]:
    """Gain of the later date over the first, and its slope in a factor on the later price, each [draws, rows]."""
    base, rows, first, later = choice.holding, choice.rows, choice.first, choice.later
    reads = [index for index, figure in enumerate(figures) if figure.target.table in READ]
    straight = [index for index in reads if (figures[index].target.table, figures[index].target.column) in _STRAIGHT]
    straight = [index for index in straight if stands_alone(figures, index) and figures[index].how != "set"]
    curved = [index for index in reads if index not in straight]
    axes = tuple(axis_of(figures[index]) for index in curved)
    known: dict[tuple[float, ...], Holding] = {}
    hurdles = [index for index in reads if figures[index].target.table == "interest_rates"]
    stacks_read = [index for index in reads if index not in hurdles]

    def holding_of(values: Floats) -> Holding:
        """Holding under draws; the hurdle alone changes no stack, so those are kept."""
        key = tuple(float(values[index]) for index in stacks_read)
        if key not in known:
            moved = [
                index for index in stacks_read if figures[index].how == "set" or values[index] != figures[index].still
            ]
            changed = apply_changes(results.estate, [figures[index].change(float(values[index])) for index in moved])
            known[key] = holding(results, changed) if moved else base
        return known[key]

    def gain(values: Floats) -> Floats:
        moves = [figures[index].change(float(values[index])) for index in hurdles]
        stacks, day = holding_of(values).stacks, holding_of(values).day
        curve = capital_curve(apply_changes(results.estate, moves), ECONOMIC)
        assert curve is not None  # the economic basis charges capital
        grid = grid_on_curve(day, curve)
        npv = worth_by_date(stacks, grid, choice.wait).npv
        doubled = stacks.price.copy()
        doubled[rows, later] *= 2.0
        dearer = worth_by_date(replace(stacks, price=doubled), grid, choice.wait).npv
        return np.concatenate([npv[rows, later] - npv[rows, first], (dearer - npv)[rows, later]])

    def evaluate(values: Floats) -> Floats:
        here = np.array([figure.still for figure in figures])
        here[curved] = values
        parts = [gain(here)]
        for index in straight:
            moved = here.copy()
            moved[index] += _STEP
            parts.append((gain(moved) - parts[0]) / _STEP)
        return np.concatenate(parts)

    response = fit(axes, evaluate, lambda: None)
    both = np.empty((len(drawn), 2 * len(rows)))
    for begin in range(0, len(drawn), _BLOCK):
        block = slice(begin, begin + _BLOCK)
        both[block] = priced(response, figures, straight, curved, drawn[block])
    return both[:, : len(rows)], both[:, len(rows) :]
