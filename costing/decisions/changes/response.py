"""How costs answer to uncertain figures, from a few exact reruns: straight in money, curved in what moves wine.

    y(t) = a(s) + Σ_p t_p · b_p(s)                 p: figures of money;  s: the others (yields, losses, interest)
    z(s) = z₀ + Σ_q c_q(s_q) + Σ_{q<r} d_qr · s_q · s_r        for z = (a, b)

Costs are linear in prices, amounts and rates, exactly: b comes from the backward solve of each rerun. A yield, a
loss or an interest rate changes the shares and the growth: each such figure is run again at four values besides
its own, two below and two above (c: a parabola on either side, for a loss that passes its norm makes a kink;
interest has none and takes two), each pair once at a corner (d). What is left out is how three of them act
together and where a kink lies elsewhere; the caller measures it by exact reruns of some draws.

What it does not do: draw (`decisions.changes.distributions`), or know what a column of z means.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from costing.array_types import Floats, Ints

POINTS, SMOOTH_POINTS = 4, 2
_NEAR = 0.05


@dataclass(frozen=True, eq=False)
class Axis:
    """One curved figure: draw that changes nothing, the lowest and highest draw looked at; smooth: without a kink
    (interest), so that one parabola does.
    """

    still: float
    low: float
    high: float
    smooth: bool = False

    @property
    def count(self) -> int:
        """How many runs it takes."""
        return SMOOTH_POINTS if self.smooth else POINTS

    @property
    def width(self) -> float:
        """Largest distance from the still draw."""
        return max(self.high - self.still, self.still - self.low)

    def points(self) -> Floats:
        """Draws at which to run again: middle and end of each side, or four on the one side that there is."""
        sides = [end - self.still for end in (self.low, self.high) if abs(end - self.still) > _NEAR * self.width]
        each = np.arange(1, self.count // len(sides) + 1) / (self.count // len(sides))
        return np.concatenate([self.still + side * each for side in sides])

    def terms(self, drawn: Floats) -> Floats:
        """Terms of c at draws [draws, count]: two powers on either side; powers alone where there is one side or no
        kink.
        """
        scaled = (np.asarray(drawn) - self.still) / self.width
        if self.smooth or min(self.still - self.low, self.high - self.still) <= _NEAR * self.width:
            return np.vander(scaled, self.count + 1, increasing=True)[:, 1:]
        below, above = np.minimum(scaled, 0.0), np.maximum(scaled, 0.0)
        return np.column_stack([below, below**2, above, above**2])

    @property
    def corner(self) -> float:
        """Draw at which pairs are run: half of the way to the farther end."""
        farther = self.high if self.high - self.still >= self.still - self.low else self.low
        return self.still + (farther - self.still) / 2.0


@dataclass(frozen=True, eq=False)
class Response:
    """z as a function of the curved figures: z at the still draws [columns], the factors of the terms of each axis
    [terms, columns], and products of pairs.
    """

    axes: tuple[Axis, ...]
    base: Floats
    factors: tuple[Floats, ...]
    pairs: tuple[tuple[int, int, Floats], ...]

    def at(self, drawn: Floats) -> Floats:
        """Value of z at draws [draws, axes] -> [draws, columns]."""
        scaled = [(drawn[:, position] - axis.still) / axis.width for position, axis in enumerate(self.axes)]
        terms = [axis.terms(drawn[:, position]) for position, axis in enumerate(self.axes)]
        terms += [(scaled[first] * scaled[second])[:, np.newaxis] for first, second, _ in self.pairs]
        factors = [*self.factors, *(product[np.newaxis] for _, _, product in self.pairs)]
        values = np.hstack([np.ones((len(drawn), 1)), *terms]) @ np.vstack([self.base[np.newaxis], *factors])
        return np.asarray(values)

    def of_columns(self, columns: slice | Ints) -> Response:
        """The response of some of the columns."""
        pairs = tuple((axis, other, product[columns]) for axis, other, product in self.pairs)
        return Response(self.axes, self.base[columns], tuple(terms[:, columns] for terms in self.factors), pairs)


def fit(axes: tuple[Axis, ...], evaluate: Callable[[Floats], Floats], done: Callable[[], None]) -> Response:
    """Response through exact evaluations. evaluate: draws of the curved figures [axes] -> z [columns]; done: called
    after each.
    """
    still = np.array([axis.still for axis in axes])

    def value(changed: dict[int, float]) -> Floats:
        drawn = still.copy()
        for position, changed_value in changed.items():
            drawn[position] = changed_value
        answer = evaluate(drawn)
        done()
        return answer

    base = value({})
    factors: list[Floats] = []
    for position, axis in enumerate(axes):
        points = axis.points()
        moved = np.vstack([value({position: float(point)}) - base for point in points])
        factors.append(np.asarray(np.linalg.solve(axis.terms(points), moved), dtype=np.float64))
    single = Response(axes, base, tuple(factors), ())
    pairs = []
    for first in range(len(axes)):
        for second in range(first + 1, len(axes)):
            corners = {position: axes[position].corner for position in (first, second)}
            drawn = still.copy()
            drawn[[first, second]] = list(corners.values())
            left = value(corners) - single.at(drawn[np.newaxis])[0]
            scaled = [(axis.corner - axis.still) / axis.width for axis in (axes[first], axes[second])]
            pairs.append((first, second, left / (scaled[0] * scaled[1])))
    return Response(axes, base, tuple(factors), tuple(pairs))


def runs_needed(axes: tuple[Axis, ...]) -> int:
    """How many evaluations `fit` makes."""
    return 1 + sum(axis.count for axis in axes) + len(axes) * (len(axes) - 1) // 2
