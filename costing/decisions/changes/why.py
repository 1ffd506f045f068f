"""Why a figure moved between two estates, two runs or two years, in parts that add up.

    difference = Σ parts;   part of a family = figure with A's families before it and this one at B's − figure
                            before

Families in their order: price (what was paid for grapes, goods and single costs), yield (grapes and must), loss
(what was drawn and what arrived, bottles filled and disgorged, norms), rates (operation rates, pools, interest,
price indices), timing (dates and payment terms), plan (rows that only one of the two has, and everything else).
Rows are matched by their keys; columns of one family pass from A to B together. While they pass, later rows
follow the quantities (`decisions.changes.replay`). A step that leads to records that make no sense is taken
together with the next and named so. From the losses on the rows of B stand as they are wherever they
make sense. The order is a choice: another order gives other parts with the same sum.

What it does not do: compare estates in two currencies, or on two bases (that is the bridge).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.steps import steps
from costing.array_types import Floats
from costing.decisions.changes.families import FAMILIES, Pairs, columns_of_family, matched_rows, passed_on, row_keys
from costing.decisions.changes.figures import STOCK, cost_through_rows, costed_figure
from costing.decisions.changes.reruns import rerun
from costing.decisions.changes.years import TOTAL, between_releases, pairs_of_years
from costing.errors import CostingError, InputError
from costing.inputs.basis import ECONOMIC, Basis
from costing.inputs.estate import Estate
from costing.inputs.schema import sheets
from costing.model import Runs, run
from costing.once import asked_once

PARTS = ["what_moved", "change", "running", "behind_it"]
LARGEST, TRIED = 3, 8


@asked_once
def why_answer(runs: Runs, first: str | None = None, second: str | None = None, before: Estate | None = None) -> Answer:
    """Why a cost moved: from release `first` to release `second` of this estate, or, given another estate `before`,
    the figure `second` (default: stock) from that one to this; with the latest release of every cuvée against one of
    the year before. CostingError where no release of that name is there, or neither is asked for.
    """
    tables: dict[str, pd.DataFrame] = {}
    if before is not None:
        figure = second or STOCK
        tables["why_it_moved"] = why_it_moved(before, runs.estate, figure).assign(figure=figure)
    elif first and second:
        tables["why_between"] = between_releases(runs.economic, first, second).assign(
            from_release=first, to_release=second
        )
    years = [
        between_releases(runs.economic, earlier, later).assign(cuvee=cuvee, from_release=earlier, to_release=later)
        for cuvee, earlier, later in pairs_of_years(runs.economic)
    ]
    if years:
        all_years = pd.concat(years, ignore_index=True)
        parts = all_years[all_years["what_moved"] != TOTAL]
        wide = parts.pivot_table("change_per_bottle", "cuvee", "what_moved", sort=False).add_prefix("moved_by:")
        whole = all_years[all_years["what_moved"] == TOTAL].set_index("cuvee")
        wide["cost_now"] = whole["figure_after"].round(2)
        wide["cost_then"] = whole["figure_before"].round(2)
        tables |= {"why_steps": pd.concat([_steps(year) for year in years], ignore_index=True)}
        tables |= {"why_by_year": all_years, "why_by_family": wide.rename_axis(None, axis=1).reset_index()}
    if not tables:
        tables["why_by_year"] = pd.DataFrame(columns=["cuvee"])
    says = (
        *_said(tables, runs.currency),
        "One family is replaced at a time, in this order; another order gives other parts with the same sum.",
    )
    facts = {"currency": runs.currency, "first": first or "", "second": second or ""}
    return Answer(tables, says=says, facts=facts, empty="Nothing moved.")


def _said(tables: Mapping[str, pd.DataFrame], currency: str) -> Iterator[str]:
    """What moved most, between two releases or from year to year, and by what."""
    for name, named in (("why_between", "to_release"), ("why_by_year", "cuvee")):
        frame = tables.get(name, pd.DataFrame())
        whole = frame[frame["what_moved"] == TOTAL] if len(frame) else frame
        if not len(whole):
            continue
        moved = whole.iloc[int(whole["change_per_bottle"].abs().to_numpy().argmax())]
        parts = frame[(frame["to_release"] == moved["to_release"]) & (frame["what_moved"] != TOTAL)]
        most = parts.iloc[int(parts["change_per_bottle"].abs().to_numpy().argmax())]
        yield (
            f"{moved[named]}{' moved most' * (len(whole) > 1)}: {moved['figure_before']:,.2f} to "
            f"{moved['figure_after']:,.2f} {currency} a bottle ({moved['change_per_bottle']:+,.2f}), "
            f"most by {most['what_moved']} ({most['change_per_bottle']:+,.2f})."
        )
        return


def _steps(lines: pd.DataFrame) -> pd.DataFrame:
    """From the cost of one release to that of the next, as steps."""
    total = lines.iloc[-1]
    labels = [str(total["from_release"]), *lines["what_moved"].iloc[:-1], str(total["to_release"])]
    amounts = [total["figure_before"], *lines["change_per_bottle"].iloc[:-1], total["figure_after"]]
    ends = [position in (0, len(labels) - 1) for position in range(len(labels))]
    return steps(labels, amounts, ends).assign(cuvee=total["cuvee"])


def why_it_moved(first: Estate, second: Estate, what: str, basis: Basis = ECONOMIC) -> pd.DataFrame:
    """Parts of the difference of a figure between two estates: family, amount, running figure, largest rows.

    what: a release lot, a cuvée or `stock`. The first line is the figure of the first estate, the last that of
    the second; the amounts between add up to the difference exactly. Families that change nothing are left
    out.
    """
    before = Runs(first)
    pairs = {name: matched_rows(first[name], second[name], keys) for name, keys in row_keys().items()}
    recorded = before.on(basis)
    begin, end = costed_figure(recorded, what), costed_figure(run(second, basis), what)
    passes = cost_through_rows(recorded, what)
    lines: list[tuple[str, float, float, str]] = [("before", begin, begin, "")]
    reached, running, waiting = first, begin, list[str]()

    def followed(estate: Estate) -> float:
        return costed_figure(rerun(before, estate)[0].on(basis), what)

    def as_it_stands(estate: Estate) -> float:
        try:
            return costed_figure(run(estate, basis), what)
        except InputError:
            return followed(estate)

    for family in FAMILIES[:-1]:
        columns = columns_of_family(family)
        following = passed_on(reached, second, pairs, columns)
        if following is reached:
            continue
        try:
            value = followed(following) if family in ("price", "yield") else as_it_stands(following)
        except (InputError, CostingError):
            waiting.append(family)
            reached = following
            continue
        rows = "" if waiting else _largest(reached, second, pairs, columns, followed, passes, what)
        lines.append((" and ".join([*waiting, family]), value - running, value, rows))
        reached, running, waiting = following, value, []
    only = _only_in_one(first, second, pairs)
    if waiting or only or end != running:
        lines.append((" and ".join([*waiting, "plan"]), end - running, end, only))
    lines.append(("after", end, end, ""))
    return pd.DataFrame(lines, columns=PARTS)


def _largest(
    reached: Estate,
    second: Estate,
    pairs: Pairs,
    columns: Mapping[str, Sequence[str]],
    measured: Callable[[Estate], float],
    passes: Mapping[str, Floats],
    what: str,
) -> str:
    """Rows of a family that move the figure most when each is changed alone; tried are those whose change
    times the cost that passes through them is largest.
    """
    candidates: list[tuple[float, str, int]] = []
    for name, wanted in columns.items():
        here, there = pairs[name]
        change = np.zeros(len(here))
        for column in wanted:
            old, new = reached[name][column].iloc[here], second[name][column].iloc[there]
            if old.dtype == np.float64:
                before, after = np.nan_to_num(old.to_numpy()), np.nan_to_num(new.to_numpy())
                size = np.maximum(np.abs(before), np.abs(after))
                change = np.maximum(change, np.abs(after - before) / np.where(size > 0, size, 1.0))
            else:
                known = (old.astype(object).to_numpy() != new.astype(object).to_numpy()) & ~(
                    old.isna().to_numpy() & new.isna().to_numpy()
                )
                change = np.maximum(change, known.astype(np.float64))
        weight = (
            passes[name][here] if passes[name].any() else np.ones(len(here))
        )  # a norm, an index: no cost of its own
        candidates += [(float(change[row] * weight[row]), name, int(row)) for row in np.flatnonzero(change * weight)]
    effects = []
    running = measured(reached)
    for _, name, row in sorted(candidates, key=lambda pair: -pair[0])[:TRIED]:
        try:
            moved = measured(passed_on(reached, second, pairs, columns, (name, row))) - running
        except (InputError, CostingError):
            continue
        effects.append((moved, second.place(name, int(pairs[name][1][row]))))
    decimals = 2 if what == STOCK else 4
    effects = sorted(
        (pair for pair in effects if abs(pair[0]) >= 0.5 * 10.0**-decimals), key=lambda pair: -abs(pair[0])
    )
    return "; ".join(f"{place} {moved:+,.{decimals}f}" for moved, place in effects[:LARGEST])


def _only_in_one(first: Estate, second: Estate, pairs: Pairs) -> str:
    """Sheets with rows that only one of the estates has, and how many."""
    sentences = []
    for name, (here, there) in pairs.items():
        gone, new = len(first[name]) - len(here), len(second[name]) - len(there)
        if gone or new:
            sentences.append(
                f"{sheets()[name].title}: {new} new, {gone} gone" if gone else f"{sheets()[name].title}: {new} new"
            )
    return "; ".join(sentences)
