"""How sure a cost is: seeded draws of the uncertain figures, and what they do to every bottle and to stock.

    cost of a draw = response of the estate to the draw (`decisions.changes.response`)

A price drawn moves the postings; a yield or a loss drawn moves the wine: the later rows follow, so shares, bottles
and drivers change, and a draw that would overdraw a lot scales what is drawn from it and is counted
(`decisions.changes.replay`). The response is exact in money and built from a few exact reruns in everything else;
some draws are run again exactly, and the largest difference is reported. Everything that is compared sees the same
draws. Same seed, same figures.

What it does not do: doubt that the sheet does not state. Each figure moves all its cells together.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import count

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.decisions.changes.changes import apply_changes
from costing.decisions.changes.distributions import FAR, Uncertain, draw, uncertain_figures
from costing.decisions.changes.gradients import LINEAR_COLUMNS, Moved
from costing.decisions.changes.replay import Wanted, recorded, replay
from costing.decisions.changes.reruns import rerun
from costing.decisions.changes.response import Axis, Response, fit, runs_needed
from costing.decisions.changes.watched import Watched
from costing.errors import Finding, InputError, errors_in
from costing.graph.arrays import KINDS, number_lots
from costing.graph.flows import flows_of
from costing.graph.places import place_of
from costing.graph.sequence import order_flows
from costing.inputs.basis import ECONOMIC, Basis, book_basis
from costing.inputs.estate import Estate
from costing.model import Runs
from costing.results.costs import by_cuvee, releases
from costing.results.results import Results

DRAWS, SEED, CHECKED = 10_000, 1, 3
CELLS = 25_000_000
"""Draws run in blocks that hold no more than so many figures at once (200 MB)."""
Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class Forecast:
    """Draws and what they gave.

    figures; drawn [draws, figures]; releases: one row per watched release (of `releases`); cost: by basis name, per
    bottle [draws, releases]; stock: by basis name, value at the valuation date [draws, kinds of goods]; recorded,
    recorded_stock: the same without a draw [releases], [kinds]; response: of cost, by basis name; straight, curved:
    positions of the figures that are linear, and of the others; overdrawn: share of draws in which a later row wanted
    more than there was; rerun_difference: largest difference from exact reruns, of a release relative to its cost, of
    a kind of goods to all stock, on `reruns_checked` draws; runs: exact runs made.
    """

    figures: list[Uncertain]
    correlation: Floats
    drawn: Floats
    seed: int
    releases: pd.DataFrame
    cost: dict[str, Floats]
    stock: dict[str, Floats]
    recorded: dict[str, Floats]
    recorded_stock: dict[str, Floats]
    response: dict[str, Response]
    straight: list[int]
    curved: list[int]
    overdrawn: float
    rerun_difference: float
    reruns_checked: int
    runs: int


def forecast(
    runs: Runs,
    draws: int = DRAWS,
    seed: int = SEED,
    *,
    bases: Sequence[Basis] | None = None,
    watched: Sequence[str] | None = None,
    progress: Progress | None = None,
) -> Forecast:
    """Draw the uncertain figures and price every watched release in every draw, on these bases (None: both).

    watched: release lots; without them the latest made and every planned one of each cuvée and format. progress:
    called with steps done and all steps. InputError with every finding of the Uncertainty sheet.
    """
    bases = (ECONOMIC, book_basis(runs.estate.settings)) if bases is None else bases
    figures, correlation, findings = uncertain_figures(runs.estate)
    if errors_in(findings):
        raise InputError([*runs.estate.cautions, *findings])
    world = _World.of(runs, figures, bases, watched)
    axes = tuple(axis_of(figures[place]) for place in world.curved)
    steps, made = runs_needed(axes) + CHECKED + 1, count(1)

    def done() -> None:
        if progress is not None:
            progress(next(made), steps)

    of_cost, of_stock = world.responses(fit(axes, world.evaluate, done))
    drawn = draw(figures, correlation, draws, seed)
    cost, stock = (
        {name: _priced_in_blocks(response, world, drawn) for name, response in part.items()}
        for part in (of_cost, of_stock)
    )
    overdrawn = world.overdrawn(drawn)
    done()
    checked = range(0, draws, max(1, draws // CHECKED))[:CHECKED] if figures else range(0)
    worst = 0.0
    for position in checked:
        worst = max(worst, _apart(world.exact(drawn[position]), cost, stock, position))
        done()
    recorded_cost, recorded_stock = world.as_recorded(of_cost, of_stock)
    return Forecast(
        figures,
        correlation,
        drawn,
        seed,
        world.frame,
        cost,
        stock,
        recorded_cost,
        recorded_stock,
        of_cost,
        world.straight,
        world.curved,
        overdrawn,
        worst,
        len(checked),
        runs_needed(axes) + len(checked),
    )


def _apart(
    exact: tuple[dict[str, Floats], dict[str, Floats]], cost: dict[str, Floats], stock: dict[str, Floats], draw: int
) -> float:
    """Largest difference of one draw from its exact run: of a release relative to its cost, of stock to all of it."""
    worst = 0.0
    for name, releases_then in exact[0].items():
        kinds = exact[1][name]
        worst = max(worst, float(np.max(np.abs(cost[name][draw] / releases_then - 1.0), initial=0.0)))
        worst = max(worst, float(np.abs(stock[name][draw] - kinds).max() / max(kinds.sum(), 1.0)))
    return worst


def _priced_in_blocks(response: Response, world: _World, drawn: Floats) -> Floats:
    """What a response says of all draws [draws, columns], a block of draws at a time."""
    columns, size = len(response.base) // (1 + len(world.straight)), block_of(len(response.base))
    values = np.empty((len(drawn), columns))
    for first in range(0, len(drawn), size):
        block = slice(first, first + size)
        values[block] = priced(response, world.figures, world.straight, world.curved, drawn[block])
    return values


def block_of(width: int) -> int:
    """How many draws of so many figures run at once."""
    return max(1, CELLS // max(width, 1))


def priced(
    response: Response, figures: list[Uncertain], straight: list[int], curved: list[int], drawn: Floats
) -> Floats:
    """What a response says of draws [draws, columns]. drawn [draws, figures]: as the sheet states values."""
    answer = response.at(drawn[:, curved])
    width = answer.shape[1] // (1 + len(straight))
    total = answer[:, :width].copy()
    for place, figure in enumerate(straight, start=1):
        total += (drawn[:, [figure]] - figures[figure].still) * answer[:, place * width : (place + 1) * width]
    return total


def axis_of(figure: Uncertain) -> Axis:
    """Draws of a figure at which to run again."""
    low, high = figure.distribution.at(FAR).tolist()
    return Axis(figure.still, low, high, smooth=figure.target.table == "interest_rates")


@dataclass(frozen=True, eq=False)
class _World:
    """The runs as recorded, the figures by how they answer to them, and the releases that are watched."""

    recorded: Runs
    figures: list[Uncertain]
    bases: Sequence[Basis]
    straight: list[int]
    curved: list[int]
    frame: pd.DataFrame
    watched: list[str]

    @classmethod
    def of(cls, runs: Runs, figures: list[Uncertain], bases: Sequence[Basis], watched: Sequence[str] | None) -> _World:
        results = runs.on(bases[0])
        frame = releases(results)
        if watched is None:
            latest = set(by_cuvee(results)["release"].astype(str))
            frame = frame[frame["planned"] | frame["release"].astype(str).isin(latest)]
        else:
            frame = frame[frame["release"].astype(str).isin(set(watched))]
        frame = frame.reset_index(drop=True)
        straight = [index for index in range(len(figures)) if _is_straight(runs.estate, figures, index)]
        curved = [index for index in range(len(figures)) if index not in straight and _reaches_cost(figures[index])]
        names = [str(name) for name in frame["release"]]
        return cls(runs, figures, bases, straight, curved, frame, names)

    def evaluate(self, drawn: Floats) -> Floats:
        """Cost per bottle and its slope by every straight figure, then the same of stock, basis by basis. drawn: curved
        figures.
        """
        values = np.array([figure.still for figure in self.figures])
        values[self.curved] = drawn
        parts = []
        for results in self._runs(values):
            of = Watched(results, self.watched)
            cost_slopes, stock_slopes = of.slopes(
                [self._moved(results, self.figures[index]) for index in self.straight]
            )
            parts += [of.per_bottle(), cost_slopes.ravel(), of.stock(), stock_slopes.ravel()]
        return np.concatenate(parts)

    def responses(self, whole: Response) -> tuple[dict[str, Response], dict[str, Response]]:
        """The parts of a response that speak of cost and of stock, by basis name."""
        of_cost, of_stock, first = {}, {}, 0
        slopes = 1 + len(self.straight)
        for basis in self.bases:
            between, last = first + len(self.watched) * slopes, first + (len(self.watched) + len(KINDS)) * slopes
            of_cost[basis.name], of_stock[basis.name] = (
                whole.of_columns(slice(first, between)),
                whole.of_columns(slice(between, last)),
            )
            first = last
        return of_cost, of_stock

    def as_recorded(
        self, of_cost: dict[str, Response], of_stock: dict[str, Response]
    ) -> tuple[dict[str, Floats], dict[str, Floats]]:
        """Cost per bottle and stock without a draw."""
        if any(figure.how == "set" for figure in self.figures):
            return replace(self, figures=[], straight=[], curved=[]).exact(np.zeros(0))
        cost = {name: response.base[: len(self.watched)] for name, response in of_cost.items()}
        return cost, {name: response.base[: len(KINDS)] for name, response in of_stock.items()}

    @staticmethod
    def _moved(results: Results, figure: Uncertain) -> Moved:
        """What one of a straight figure's draw does to its cells."""
        target = figure.target
        present = results.estate[target.table][target.column].to_numpy(dtype=np.float64)[target.rows]
        step = present if figure.how == "multiply" else np.full(len(present), target.factor)
        return Moved(target.table, target.column, target.rows, step)

    def exact(self, drawn: Floats) -> tuple[dict[str, Floats], dict[str, Floats]]:
        """Cost per bottle and stock of one draw of all figures, run again."""
        cost, stock = {}, {}
        for basis, results in zip(self.bases, self._runs(drawn), strict=True):
            of = Watched(results, self.watched)
            cost[basis.name], stock[basis.name] = of.per_bottle(), of.stock()
        return cost, stock

    def _runs(self, values: Floats) -> list[Results]:
        moves = [
            figure.change(float(value))
            for figure, value in zip(self.figures, values, strict=True)
            if _moves(figure, value)
        ]
        try:
            changed, _ = rerun(self.recorded, apply_changes(self.recorded.estate, moves))
            return [changed.on(basis) for basis in self.bases]
        except InputError as wrong:
            moved = [position for position, value in enumerate(values) if _moves(self.figures[position], value)]
            if not moved:
                raise
            names = ", ".join(self.figures[position].name for position in moved)
            rule = f"can be drawn so far out that the records make no sense ({errors_in(wrong.findings)[0]})."
            place = self.recorded.estate.place("uncertainty", self.figures[moved[0]].row, "first_parameter")
            raise InputError([Finding(place, names, rule, "Narrow the distribution.")]) from wrong

    def overdrawn(self, drawn: Floats) -> float:
        """Share of draws in which a later row wants more than there is."""
        lots = number_lots(self.recorded.estate)
        flows = flows_of(self.recorded.estate, lots)
        slopes = []
        for position in self.curved:
            figure = self.figures[position]
            step = 1e-3 if figure.how == "multiply" else 1e-3 * max(abs(figure.still), 1.0)
            moved = flows_of(apply_changes(self.recorded.estate, [figure.change(figure.still + step)]), lots)
            if len(moved) != len(flows):
                continue
            by_out, by_in = (moved.out - flows.out) / step, (moved.into - flows.into) / step
            if by_out.any() or by_in.any():
                slopes.append((position, figure.still, by_out, by_in))
        if not slopes:
            return 0.0
        known, size = recorded(self.recorded.estate, self.recorded.chain), block_of(len(lots.names))
        order, _ = order_flows(flows, len(lots.names), place_of(self.recorded.estate, flows, lots))
        short = 0
        for first in range(0, len(drawn), size):
            block = drawn[first : first + size]
            offsets = [block[:, position] - still for position, still, _, _ in slopes]
            out = Wanted(flows.out, [(by, offset) for (_, _, by, _), offset in zip(slopes, offsets, strict=True)])
            into = Wanted(flows.into, [(by, offset) for (_, _, _, by), offset in zip(slopes, offsets, strict=True)])
            short += int((replay(known, flows, out, into, order, draws=len(block)).short > 0).sum())
        return short / len(drawn)


def _moves(figure: Uncertain, value: float) -> bool:
    return figure.how == "set" or value != figure.still


def stands_alone(figures: list[Uncertain], position: int) -> bool:
    """Whether no earlier figure touches the cells of the one at a position."""
    target = figures[position].target
    return not any(
        other.target.table == target.table and len(np.intersect1d(other.target.rows, target.rows))
        for other in figures[:position]
    )


def _is_straight(estate: Estate, figures: list[Uncertain], position: int) -> bool:
    """Whether costs are linear in a figure: money, no cell shared with an earlier figure, no blank or 0 added to."""
    figure = figures[position]
    target = figure.target
    if (target.table, target.column) not in LINEAR_COLUMNS:
        return False
    if not stands_alone(figures, position):
        return False
    values = estate[target.table][target.column].to_numpy(dtype=np.float64)[target.rows]
    return figure.how == "multiply" or bool((np.nan_to_num(values) != 0).all())


def _reaches_cost(figure: Uncertain) -> bool:
    """Whether the figure can reach the cost of a bottle at all; selling prices and channels can't."""
    return figure.target.table not in ("price_by_age", "channels", "price_list", "targets", "trial_blends")
