"""Tables of a forecast: percentiles of cost per bottle, which figure the doubt comes from, how the draws were made.

    first-order share of a figure = variance of the cost when that figure alone is drawn / variance when all are

Shares are taken with the figures drawn independently, as for the first-order index of Sobol (I. M. Sobol, Global
sensitivity indices for nonlinear mathematical models, 2001; title from memory). They add up to a little less than one
where figures act together.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.decisions.distributions import draw
from costing.decisions.uncertain_ageing import VERDICTS_DRAWN, verdicts_drawn
from costing.decisions.uncertain_prices import PRICES_DRAWN, prices_drawn
from costing.decisions.uncertainty import Forecast, priced
from costing.inputs.schema import sheets
from costing.results.results import Results

_NOTHING = 1e-12
_SHARE_DRAWS = 5_000
PERCENTILES = (5, 25, 50, 75, 95)
COSTS_DRAWN = {
    "release": "Release",
    "cuvee": "Cuvée",
    "format": "Format",
    "disgorged": "Disgorged",
    "planned": "Planned",
    "basis": "Basis",
    "recorded": "As recorded",
    "mean": "Mean",
    "deviation": "Standard deviation",
    **{f"p{share}": f"{share} % below" for share in PERCENTILES},
}
FIGURES_DRAWN = {
    "name": "Figure",
    "touches": "Touches",
    "cells": "Cells",
    "distribution": "Distribution",
    "mean": "Mean draw",
    "p5": "5 % below",
    "p95": "95 % below",
}
NOTES = {"what": "What", "value": "Value"}


def costs_drawn(found: Forecast) -> pd.DataFrame:
    """Cost per bottle of every watched release over the draws, one row per basis (columns of `COSTS_DRAWN`)."""
    parts = []
    for basis, cost in found.cost.items():
        frame = found.releases[["release", "cuvee", "format", "disgorged", "planned"]].copy()
        frame["basis"] = basis
        frame["recorded"] = found.recorded[basis]
        frame["mean"], frame["deviation"] = cost.mean(axis=0), cost.std(axis=0, ddof=1)
        for share, values in zip(PERCENTILES, np.percentile(cost, PERCENTILES, axis=0), strict=True):
            frame[f"p{share}"] = values
        parts.append(frame)
    return pd.concat(parts, ignore_index=True)


def variance_shares(found: Forecast, basis: str) -> pd.DataFrame:
    """First-order share of every figure in the variance of every watched release [figures, releases]; NaN where the
    figure, or every figure, moves the cost by nothing.
    """
    figures, response = found.figures, found.response[basis]
    independent = draw(figures, np.eye(len(figures)), _SHARE_DRAWS, found.seed)
    every = priced(response, figures, found.straight, found.curved, independent)
    whole = every.var(axis=0)
    varies = whole > (_NOTHING * every.mean(axis=0)) ** 2  # else what varies is rounding
    still = np.array([figure.still for figure in figures])
    lines = []
    for at in range(len(figures)):
        alone = np.tile(still, (_SHARE_DRAWS, 1))
        alone[:, at] = independent[:, at]
        part = priced(response, figures, found.straight, found.curved, alone).var(axis=0)
        lines.append(np.divide(part, whole, out=np.full(len(whole), np.nan), where=(part > _NOTHING * whole) & varies))
    names = [figure.name for figure in figures]
    return pd.DataFrame(
        lines, index=pd.Index(names, name="figure"), columns=list(found.releases["release"].astype(str))
    )


def shares_by_cuvee(found: Forecast, basis: str) -> pd.DataFrame:
    """First-order shares of the latest release of every cuvée in bottles of 75 cl: figure, one column per cuvée."""
    shares = variance_shares(found, basis)
    frame = found.releases.assign(release=found.releases["release"].astype(str))
    frame = frame[frame["format"].astype(str) == "bottle"]
    made = frame[~frame["planned"].astype(bool)]
    chosen = (made if len(made) else frame).drop_duplicates("cuvee", keep="last")
    table = shares[list(chosen["release"])].set_axis(list(chosen["cuvee"].astype(str)), axis=1)
    return table.reset_index()


def figures_drawn(found: Forecast) -> pd.DataFrame:
    """Figures of the sheet and how they were drawn (columns of `FIGURES_DRAWN`)."""
    rows = []
    for at, figure in enumerate(found.figures):
        target, drawn = figure.target, found.drawn[:, at]
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
    return pd.DataFrame(rows, columns=list(FIGURES_DRAWN))


def notes_of(found: Forecast) -> pd.DataFrame:
    """How the draws were made, and how far they can be trusted."""
    rows = [
        ("Draws", f"{len(found.drawn):,}"),
        ("Seed", str(found.seed)),
        ("Exact runs behind them", str(found.runs)),
        ("Draws in which a row wanted more than there was, and was scaled", f"{found.overdrawn:.1%}"),
        (
            f"Largest difference from an exact run, on {found.reruns_checked} draws and every release",
            f"{found.rerun_difference:.4%}",
        ),
    ]
    return pd.DataFrame(rows, columns=list(NOTES))


def uncertainty_tables(
    found: Forecast, economic: Results, prices: pd.DataFrame | None = None
) -> dict[str, pd.DataFrame]:
    """Tables `costs`, `shares`, `verdicts`, `prices`, `figures` and `notes` of a forecast, headers as people read them.

    economic: results of the same estate on the economic basis; prices: its `release_prices` (without them `prices`
    is empty).
    """
    priced_draws = pd.DataFrame(columns=list(PRICES_DRAWN)) if prices is None else prices_drawn(found, economic, prices)
    basis = next(iter(found.cost))
    drawn = verdicts_drawn(economic, found.figures, found.drawn)
    return {
        "costs": costs_drawn(found).rename(columns=COSTS_DRAWN),
        "shares": shares_by_cuvee(found, basis).rename(columns={"figure": "Figure"}),
        "verdicts": drawn.rename(columns=VERDICTS_DRAWN),
        "prices": priced_draws.rename(columns=PRICES_DRAWN),
        "figures": figures_drawn(found).rename(columns=FIGURES_DRAWN),
        "notes": notes_of(found).rename(columns=NOTES),
    }
