"""Uncertain figures: their distributions, the correlations between them, and seeded draws.

    z ~ N(0, R) by the Cholesky factor of R;  u = Φ(z);  draw = F⁻¹(u)

normal (mean, standard deviation), uniform (low, high), triangular (low, most likely, high), lognormal (median,
standard deviation of the logarithm). R holds the correlations that the Uncertainty sheet names, 0 elsewhere
(Gaussian copula: the correlation of z, which for normal figures is that of the draws). The same seed gives the same
draws, figure by figure in the order of the sheet.

What it does not do: fit a distribution to records, or find correlations.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt
import pandas as pd

from costing.array_types import Floats
from costing.decisions.changes.changes import Change, ChangedCells, beyond_bounds, changed_values, read_target
from costing.engine.numerics import normal_share
from costing.errors import Finding, errors_in, nearest
from costing.inputs.estate import Estate
from costing.inputs.schema import sheets

_SMALL = 1e-9
_FAR_OUT = NormalDist().inv_cdf(0.999)
FAR = np.array([-_FAR_OUT, _FAR_OUT])
"""Scores as far out as one draw in a thousand, at either end."""


@dataclass(frozen=True)
class Distribution:
    """A distribution of the sheet. parameters: first, second, third; NaN where blank."""

    kind: str
    parameters: tuple[float, float, float]

    def at(self, score: npt.ArrayLike) -> Floats:
        """Value that the figure stays below as often as a standard normal one stays below the score."""
        return _VALUES[self.kind](np.asarray(score, dtype=np.float64), *self.parameters)

    @property
    def median(self) -> float:
        """Value in the middle."""
        return float(self.at(0.0))

    def moments(self) -> tuple[float, float]:
        """Mean and standard deviation, in closed form."""
        first, second, third = self.parameters
        if self.kind == "uniform":
            return (first + second) / 2.0, (second - first) / 12.0**0.5
        if self.kind == "triangular":
            spread = first**2 + second**2 + third**2 - first * second - first * third - second * third
            return (first + second + third) / 3.0, (spread / 18.0) ** 0.5
        if self.kind == "lognormal":
            mean = first * float(np.exp(second**2 / 2.0))
            return mean, mean * float(np.expm1(second**2)) ** 0.5
        return first, second


def _normal(score: Floats, mean: float, deviation: float, _: float) -> Floats:
    return np.asarray(mean + deviation * score)


def _uniform(score: Floats, low: float, high: float, _: float) -> Floats:
    return np.asarray(low + (high - low) * normal_share(score))


def _triangular(score: Floats, low: float, likely: float, high: float) -> Floats:
    share = normal_share(score)
    turn = (likely - low) / (high - low)
    left = low + np.sqrt(share * (high - low) * (likely - low))
    right = high - np.sqrt((1.0 - share) * (high - low) * (high - likely))
    return np.where(share < turn, left, right)


def _lognormal(score: Floats, median: float, deviation: float, _: float) -> Floats:
    return np.asarray(median * np.exp(deviation * score))


_VALUES: Mapping[str, Callable[[Floats, float, float, float], Floats]] = {
    "normal": _normal,
    "uniform": _uniform,
    "triangular": _triangular,
    "lognormal": _lognormal,
}


@dataclass(frozen=True, eq=False)
class Uncertain:
    """One uncertain figure: name, cells, what a draw does to them, and its distribution."""

    name: str
    target: ChangedCells
    how: str
    distribution: Distribution
    row: int

    @property
    def still(self) -> float:
        """Draw that changes nothing; of a figure that is set, its median."""
        return {"multiply": 1.0, "add": 0.0}.get(self.how, self.distribution.median)

    def change(self, drawn: float) -> Change:
        """What one draw does."""
        return Change(self.target, self.how, drawn if self.how == "multiply" else drawn * self.target.factor)


def uncertain_figures(estate: Estate) -> tuple[list[Uncertain], Floats, list[Finding]]:
    """Figures of the Uncertainty sheet, the correlations of their normal scores, and everything that is wrong."""
    frame = estate["uncertainty"]
    findings: list[Finding] = []
    figures: list[Uncertain] = []
    names = [str(text) for text in frame["name"]]
    for row, name in enumerate(names):
        target, wrong = read_target(estate, "uncertainty", row)
        line = frame.iloc[row]
        given = tuple(float(line[f"{which}_parameter"]) for which in ("first", "second", "third"))
        distribution = Distribution(str(line["distribution"]), (given[0], given[1], given[2]))
        wrong += _impossible(estate, row, distribution)
        if names.index(name) != row:
            rule = f"is the name of row {estate.sources['uncertainty'].row[names.index(name)]} too."
            wrong.append(
                Finding(estate.place("uncertainty", row, "name"), name, rule, "Give each figure its own name.")
            )
        how = "multiply" if pd.isna(line["how"]) else str(line["how"])
        if target is not None and not wrong:
            figure = Uncertain(name, target, how, distribution, row)
            wrong += _beyond_bounds(estate, figure)
            figures.append(figure)
        findings += wrong
    matrix, wrong = _correlations(estate, names)
    findings += wrong
    if errors_in(findings):
        return [], np.eye(0), findings
    kept = [figure.row for figure in figures]
    return figures, matrix[np.ix_(kept, kept)], findings


MOST_DEVIATION = 10.0
"""Above it a figure of one draw in twenty is some millions of times its median: no uncertainty, a slip of units."""


def _impossible(estate: Estate, row: int, distribution: Distribution) -> list[Finding]:
    first, second, third = distribution.parameters
    column, rule, remedy = "second_parameter", "", ""
    value = second
    if distribution.kind in ("normal", "lognormal") and not second > 0:
        rule, remedy = "is no standard deviation.", "Enter one above 0; a figure that is certain needs no row."
    if distribution.kind == "lognormal" and second > MOST_DEVIATION:
        rule = f"is more than {MOST_DEVIATION:g}, the most that a deviation of a logarithm may be."
        remedy = "Enter the deviation of the logarithm: 0.1 for about 10 %."
    if distribution.kind == "lognormal" and not first > 0:
        column, value = "first_parameter", first
        rule, remedy = "can't be the median of a lognormal figure.", "Enter a median above 0."
    if distribution.kind == "uniform" and not first < second:
        rule, remedy = f"is the high end, and not above the low one ({first:g}).", "Enter low, then high."
    if distribution.kind == "triangular":
        if np.isnan(third):
            column, value = "third_parameter", third
            rule, remedy = "is blank; a triangular figure has three.", "Enter low, most likely and high."
        elif not (first <= second <= third and first < third):
            rule = f"does not lie between the low ({first:g}) and the high value ({third:g})."
            remedy = "Enter low, most likely and high."
    if not rule:
        return []
    shown = "" if np.isnan(value) else f"{value:g}"
    return [Finding(estate.place("uncertainty", row, column), shown, rule, remedy)]


def _beyond_bounds(estate: Estate, figure: Uncertain) -> list[Finding]:
    """Finding where draws as far out as one in a thousand leave the bounds of the column."""
    target = figure.target
    described = sheets()[target.table].column(target.column)
    present = estate[target.table][target.column].to_numpy(dtype=np.float64)[target.rows]
    for drawn in figure.distribution.at(FAR).tolist():
        beyond = beyond_bounds(described, changed_values(present, figure.how, figure.change(drawn).value))
        if beyond is not None:
            place = estate.place("uncertainty", figure.row, "first_parameter")
            rule = f"lets one draw in a thousand bring '{described.title}' to {beyond[0]:g}, which it can't be."
            return [Finding(place, f"{figure.distribution.parameters[0]:g}", rule, "Narrow the distribution.")]
    return []


def _correlations(estate: Estate, names: list[str]) -> tuple[Floats, list[Finding]]:
    frame = estate["uncertainty"]
    matrix, findings = np.eye(len(names)), list[Finding]()
    for row, (other, value) in enumerate(zip(frame["correlated_with"], frame["correlation"], strict=True)):
        if pd.isna(other):
            continue
        place = estate.place("uncertainty", row, "correlated_with")
        if str(other) not in names or str(other) == names[row]:
            hint = nearest(str(other), [name for name in names if name != names[row]]) or "Name another row's figure."
            findings.append(Finding(place, str(other), "is no other figure of this sheet.", hint))
        elif np.isnan(value):
            place = estate.place("uncertainty", row, "correlation")
            findings.append(Finding(place, "", "is missing beside 'Correlated with'.", "Enter it, from -1 to 1."))
        else:
            position = names.index(str(other))
            matrix[row, position] = matrix[position, row] = value
    if not findings and len(names) and np.linalg.eigvalsh(matrix)[0] < _SMALL:
        tied = np.flatnonzero((np.abs(matrix) > 0).sum(axis=1) > 1)
        row = int(next(member for member in tied if not pd.isna(frame["correlated_with"].iloc[member])))
        rule = f"belongs to correlations that can't hold together (of {', '.join(names[member] for member in tied)})."
        remedy = "Figures tied closely to one other are tied to each other: enter that one too, or weaken one of them."
        place = estate.place("uncertainty", row, "correlation")
        findings.append(Finding(place, f"{frame['correlation'].iloc[row]:g}", rule, remedy))
    return matrix, findings


def draw(figures: list[Uncertain], correlation: Floats, draws: int, seed: int) -> Floats:
    """Seeded draws [draws, figures], as the sheet states values."""
    score = np.random.default_rng(seed).standard_normal((draws, len(figures)))
    if len(figures):
        score = score @ np.linalg.cholesky(correlation).T
    columns = [figure.distribution.at(score[:, position]) for position, figure in enumerate(figures)]
    return np.column_stack(columns) if columns else np.zeros((draws, 0))
