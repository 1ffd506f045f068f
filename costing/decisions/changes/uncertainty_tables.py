"""The forecast as an answer: percentiles of cost per bottle, of stock, of target prices and of gains, which
figure the doubt comes from, how the draws were made.

    first-order share of a figure = variance of the cost when that figure alone is drawn / variance when all are

Shares are taken with the figures drawn independently, as for the first-order index of Sobol (I. M. Sobol, Global
sensitivity indices for nonlinear mathematical models, 2001; title from memory). They add up to a little less than one
where figures act together.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.array_types import Ints
from costing.decisions.changes.distributions import draw, uncertain_figures
from costing.decisions.changes.response import Response
from costing.decisions.changes.uncertain_ageing import verdicts
from costing.decisions.changes.uncertain_prices import prices_drawn
from costing.decisions.changes.uncertainty import DRAWS, SEED, Forecast, Progress, forecast, priced
from costing.decisions.prices.prices import priced_releases
from costing.errors import errors_in
from costing.graph.arrays import KINDS
from costing.inputs.schema import sheets
from costing.model import Runs
from costing.once import asked_once
from costing.results.costs import PER_BOTTLE_DECIMALS

_NOTHING = 1e-12
_SHARE_DRAWS = 5_000
_SWINGS = 8
PERCENTILES = (5, 25, 50, 75, 95)
ALL_GOODS = "all goods"
_LIKELY = 0.9
"""A verdict is open where neither side wins in so many draws."""


@asked_once
def forecast_answer(runs: Runs, draws: int = DRAWS, seed: int = SEED, progress: Progress | None = None) -> Answer:
    """The uncertain figures drawn many times: how sure costs, target prices and verdicts are.

    draws, seed: same seed, same figures; progress: called with exact runs done and all of them. InputError with every
    finding of the sheet Uncertainty.
    """
    facts = {"currency": runs.currency}
    figures, _, findings = uncertain_figures(runs.estate)
    if not figures and not errors_in(findings):
        return Answer(
            {"costs_drawn": pd.DataFrame(columns=["release"])}, (), (), facts, "The sheet Uncertainty is empty."
        )
    drawn = forecast(runs, draws, seed, progress=progress)
    shares = shares_by_cuvee(drawn, "economic").dropna(how="all")  # a figure that moves no cost has no column
    prices = priced_releases(runs)
    tables = {
        "costs_drawn": costs_drawn(drawn),
        "stock_drawn": stock_drawn(drawn),
        "doubt_by_cuvee": shares.T.add_prefix("share_by:").rename_axis("cuvee").reset_index(),
        "verdicts_drawn": verdicts(runs, draws, seed),
        "prices_drawn": prices_drawn(drawn, runs.economic, prices),
        "doubt_by_figure": shares.add_prefix("share_of_doubt:").rename_axis("figure").reset_index(),
        "figure_swings": figure_swings(drawn, "economic"),
        "figures_drawn": figures_drawn(drawn),
        "draws_notes": notes_of(drawn),
    }
    tables = {name: table.rename_axis(None, axis=1) for name, table in tables.items()}
    says = (
        *_cost_said(drawn, shares, runs.currency),
        *_stock_said(tables["stock_drawn"], runs.currency),
        *_verdicts_said(tables["verdicts_drawn"]),
    )
    empty = "No release is made or planned: nothing to draw."
    return Answer(tables, tuple(findings), says, facts, empty)


def _cost_said(drawn: Forecast, shares: pd.DataFrame, currency: str) -> Iterator[str]:
    """Where the doubt is widest, and what it comes from most."""
    latest = _latest(drawn)
    cost = drawn.cost["economic"][:, latest.index]
    if not cost.size:
        return
    low, high = np.percentile(cost, (5, 95), axis=0)
    widest = int(np.argmax((high - low) / cost.mean(axis=0)))
    cuvee = str(latest["cuvee"].iloc[widest])
    between = f"{low[widest]:.2f} to {high[widest]:.2f} {currency}"
    sentence = f"{cuvee} is the least sure: in nine draws of ten a bottle costs {between}"
    part = shares[cuvee].dropna() if cuvee in shares else pd.Series(dtype=float)
    yield f"{sentence}, most of the doubt from {part.idxmax()} ({part.max():.0%})." if len(part) else f"{sentence}."


def _stock_said(stock: pd.DataFrame, currency: str) -> Iterator[str]:
    """Between what stock lies."""
    whole = stock[stock["kind"] == ALL_GOODS]
    between = [
        f"{about(low)} to {about(high)} {currency} on the {basis} basis"
        for basis, low, high in zip(whole["basis"], whole["total_p5"], whole["total_p95"], strict=True)
    ]
    if between:
        yield f"In nine draws of ten stock is worth {' and '.join(between)}."


def _verdicts_said(verdicts: pd.DataFrame) -> Iterator[str]:
    """Which verdicts could turn."""
    chance = verdicts["probability_holding"].astype(float)
    known = verdicts[chance.notna()]
    if not len(known):
        return
    chances = known["probability_holding"].astype(float)
    turning = known[np.maximum(chances, 1.0 - chances) < _LIKELY]
    rest = f"{len(known) - len(turning)} of {len(known)} verdicts are at least {_LIKELY:.0%} sure"
    named = ", ".join(
        f"{lot} ({share:.0%})" for lot, share in turning[["lot", "probability_holding"]].head(3).itertuples(index=False)
    )
    yield f"{rest}; open, most money first, with the chance that holding wins: {named}." if named else f"{rest}."


def costs_drawn(forecast: Forecast) -> pd.DataFrame:
    """Cost per bottle of every watched release over the draws, one row per basis (table `costs_drawn`)."""
    parts = []
    for basis, cost in forecast.cost.items():
        frame = forecast.releases[["release", "cuvee", "format", "disgorged", "planned"]].copy()
        frame["basis"] = basis
        frame["recorded_per_bottle"] = np.round(forecast.recorded[basis], PER_BOTTLE_DECIMALS)
        frame["mean"], frame["standard_deviation"] = cost.mean(axis=0), cost.std(axis=0, ddof=1)
        for share, values in zip(PERCENTILES, np.percentile(cost, PERCENTILES, axis=0), strict=True):
            frame[f"p{share}"] = values
        parts.append(frame)
    return pd.concat(parts, ignore_index=True)


def stock_drawn(forecast: Forecast) -> pd.DataFrame:
    """Value of stock at the valuation date over the draws, all goods and kind by kind, one row per basis (table
    `stock_drawn`). Percentiles of the kinds do not add up to those of all goods.
    """
    parts = []
    for basis, stock in forecast.stock.items():
        held = np.flatnonzero((stock != 0.0).any(axis=0) | (forecast.recorded_stock[basis] != 0.0))
        drawn = np.column_stack([stock.sum(axis=1), stock[:, held]])
        recorded = forecast.recorded_stock[basis]
        frame = pd.DataFrame({"kind": [ALL_GOODS, *(KINDS[kind] for kind in held)], "basis": basis})
        frame["recorded_total"] = [recorded.sum(), *recorded[held]]
        for share, values in zip(PERCENTILES, np.percentile(drawn, PERCENTILES, axis=0), strict=True):
            frame[f"total_p{share}"] = values
        parts.append(frame)
    table = pd.concat(parts, ignore_index=True)
    return table if (table["recorded_total"] != 0.0).any() else table[:0]


def variance_shares(forecast: Forecast, basis: str, of: Ints | None = None) -> pd.DataFrame:
    """First-order share of every figure in the variance of every watched release [figures, releases]; NaN where the
    figure, or every figure, moves the cost by nothing. of: positions of some of the releases (None: all).
    """
    of = np.arange(len(forecast.releases)) if of is None else of
    figures, response = forecast.figures, _response_of(forecast, basis, of)
    independent = draw(figures, np.eye(len(figures)), _SHARE_DRAWS, forecast.seed)
    with_all = priced(response, figures, forecast.straight, forecast.curved, independent)
    whole = with_all.var(axis=0)
    varies = whole > (_NOTHING * with_all.mean(axis=0)) ** 2  # else what varies is rounding
    still = np.array([figure.still for figure in figures])
    lines = []
    for position in range(len(figures)):
        alone = np.tile(still, (_SHARE_DRAWS, 1))
        alone[:, position] = independent[:, position]
        part = priced(response, figures, forecast.straight, forecast.curved, alone).var(axis=0)
        lines.append(np.divide(part, whole, out=np.full(len(whole), np.nan), where=(part > _NOTHING * whole) & varies))
    names = [figure.name for figure in figures]
    releases = list(forecast.releases["release"].astype(str).iloc[of])
    return pd.DataFrame(lines, index=pd.Index(names, name="figure"), columns=releases)


def _response_of(forecast: Forecast, basis: str, releases: Ints) -> Response:
    """Response of the cost of some of the watched releases and of its slopes, which stand release by release."""
    first = len(forecast.releases) * np.arange(1 + len(forecast.straight))
    return forecast.response[basis].of_columns(np.add.outer(first, releases).ravel())


def _latest(forecast: Forecast) -> pd.DataFrame:
    """Latest release of every cuvée in bottles of 75 cl: made, or planned where none is made; by its position."""
    frame = forecast.releases.reset_index(drop=True)
    frame = frame[frame["format"].astype(str) == "bottle"]
    made = frame[~frame["planned"].astype(bool)]
    return (made if len(made) else frame).drop_duplicates("cuvee", keep="last")


def shares_by_cuvee(forecast: Forecast, basis: str) -> pd.DataFrame:
    """First-order shares of the latest release of every cuvée in bottles of 75 cl [figures, cuvées]."""
    latest = _latest(forecast)
    shares = variance_shares(forecast, basis, latest.index.to_numpy())
    return shares.set_axis(list(latest["cuvee"].astype(str)), axis=1)


def figure_swings(forecast: Forecast, basis: str) -> pd.DataFrame:
    """Of the latest release of every cuvée: cost per bottle with one figure at its 5th or 95th percentile and all
    others as recorded, less the cost as recorded; the widest swing first.
    """
    still = np.array([figure.still for figure in forecast.figures])
    low, high = np.percentile(forecast.drawn, (5, 95), axis=0)
    drawn = np.tile(still, (2 * len(still) + 1, 1))
    for position in range(len(still)):
        drawn[1 + 2 * position, position], drawn[2 + 2 * position, position] = low[position], high[position]
    latest = _latest(forecast)
    response = _response_of(forecast, basis, latest.index.to_numpy())
    cost = priced(response, forecast.figures, forecast.straight, forecast.curved, drawn)
    swing = cost[1:] - cost[0]
    parts = []
    for position, cuvee in enumerate(latest["cuvee"].astype(str)):
        part = pd.DataFrame(
            {
                "cuvee": cuvee,
                "figure": [figure.name for figure in forecast.figures],
                "swing_low": swing[0::2, position],
                "swing_high": swing[1::2, position],
            }
        )
        span = (part["swing_high"] - part["swing_low"]).abs()
        part = part[span > _NOTHING].iloc[np.argsort(-span[span > _NOTHING].to_numpy(), kind="stable")]
        parts.append(part.head(_SWINGS))
    columns = ["cuvee", "figure", "swing_low", "swing_high"]
    return pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=columns)


def figures_drawn(forecast: Forecast) -> pd.DataFrame:
    """Figures of the sheet and how they were drawn (table `figures_drawn`)."""
    rows = []
    for position, figure in enumerate(forecast.figures):
        target, drawn = figure.target, forecast.drawn[:, position]
        title = sheets()[target.table]
        rows.append(
            (
                figure.name,
                f"{title.title}: {title.column(target.column).title}",
                len(target.rows),
                f"{figure.how} {figure.distribution.kind}",
                float(drawn.mean()),
                *map(float, np.percentile(drawn, (5, 95))),
            )
        )
    return pd.DataFrame(
        rows, columns=["figure", "touches", "cells", "distribution", "draw_mean", "draw_p5", "draw_p95"]
    )


def notes_of(forecast: Forecast) -> pd.DataFrame:
    """How the draws were made, and how far they can be trusted."""
    rows = [
        ("Draws", f"{len(forecast.drawn):,}"),
        ("Seed", str(forecast.seed)),
        ("Exact runs behind them", str(forecast.runs)),
        ("Draws in which some row asked for more than there was, and took what there was", f"{forecast.overdrawn:.1%}"),
        (
            f"Largest difference from an exact run, on {forecast.reruns_checked} draws, every release and stock",
            f"{forecast.rerun_difference:.4%}",
        ),
    ]
    return pd.DataFrame(rows, columns=["what", "how_made"])
