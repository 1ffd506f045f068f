"""What a bottle cost: each release, by stage and by element, and what a litre or a bottle not yet released
costs today.

    cost per bottle = cost of the release when it was disgorged / good bottles

A release is everything disgorged into one lot. Amounts per bottle have four decimals, rounded once per line
so that lines add up to the total printed. Selling cost, finished storage after the release and dressing of a
presentation come later and are not in it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from costing.array_types import Ints
from costing.calendar import months_between
from costing.graph.arrays import BLANK_DAY, STAGES, Flow
from costing.once import asked_once
from costing.results.lots import as_dates, lot_labels
from costing.results.results import TOLERANCE, Results
from costing.results.rounding import rounded_rows
from costing.units import STANDARD_BOTTLE_L

PER_BOTTLE_DECIMALS = 4


@asked_once
def releases(results: Results) -> pd.DataFrame:
    """One row per release with a good bottle: lot, cuvée, format, date, planned, months on lees, bottles in and out,
    total cost; sorted by date.

    The last columns are the amounts of the release by stage (money).
    """
    chain = results.chain
    flows = chain.flows
    rows = np.flatnonzero(flows.kind == Flow.DISGORGEMENT)
    state = chain.states.batch_state[flows.batch[rows]]
    lot, which = np.unique(flows.target[rows], return_inverse=True)
    labels = lot_labels(results.estate, chain)

    def summed(values: np.ndarray) -> np.ndarray:
        return np.bincount(which, values, len(lot))

    bottles = summed(flows.into[rows])
    frame = pd.DataFrame(
        {
            "release": labels.name[lot],
            "cuvee": labels.cuvee[lot],
            "format": labels.format[lot],
            "disgorged": as_dates(labels.disgorged_day[lot]),
            "planned": labels.disgorged_day[lot] > chain.valuation_day,
            "months_on_lees": whole_months_on_lees(labels.tirage_day[lot], labels.disgorged_day[lot]),
            "bottles_in": summed(flows.out[rows]),
            "bottles": bottles,
            "bottle_l": chain.lots.litres_per_unit[lot],
            "total": summed(results.total[state]),
        }
    )
    by_stage = stage_amounts(results, state)
    for stage in by_stage.columns:
        frame[stage] = summed(by_stage[stage].to_numpy())
    order = np.lexsort((labels.name[lot].astype(str), labels.disgorged_day[lot]))
    return frame.iloc[order[bottles[order] > 0]].reset_index(drop=True)


def whole_months_on_lees(tirage: Ints, until: Ints) -> np.ndarray:
    """Completed calendar months from tirage (day numbers); NaN where the tirage is not known."""
    known = tirage != BLANK_DAY
    return np.where(known, months_between(np.where(known, tirage, 0), np.where(known, until, 0)), np.nan)


def stage_amounts(results: Results, states: Ints) -> pd.DataFrame:
    """Cost of states by stage [states, stages in use], in the order of the stages."""
    return _grouped(results, states, "stage", STAGES)


def element_amounts(results: Results, states: Ints) -> pd.DataFrame:
    """Cost of states by cost element."""
    return _grouped(results, states, "element", tuple(results.charges.elements))


def _grouped(results: Results, states: Ints, level: str, order: Sequence[str]) -> pd.DataFrame:
    names = results.columns.get_level_values(level).to_numpy(dtype=object)
    cost = results.cost[states]
    summed = {name: cost[:, names == name].sum(axis=1) for name in order if (names == name).any()}
    scale = TOLERANCE * max(1.0, float(np.abs(cost).sum()))
    return pd.DataFrame({name: amounts for name, amounts in summed.items() if np.abs(amounts).sum() > scale})


@asked_once
def cost_per_bottle(results: Results) -> pd.DataFrame:
    """Each release per bottle: total, per 75 cl, and one column per stage; the stage columns add up to
    per_bottle.

    Rounded to four decimals, largest remainder per row.
    """
    frame = releases(results)
    stages = [column for column in frame.columns if column in STAGES]
    per_bottle = frame[stages].to_numpy() / frame["bottles"].to_numpy()[:, np.newaxis]
    rounded, total = rounded_rows(per_bottle, PER_BOTTLE_DECIMALS)
    shown = frame[["release", "cuvee", "format", "disgorged", "planned", "months_on_lees", "bottles"]].copy()
    shown["per_bottle"] = total
    shown["per_75cl"] = np.round(total * STANDARD_BOTTLE_L / frame["bottle_l"].to_numpy(), PER_BOTTLE_DECIMALS)
    shown[stages] = rounded
    return shown


def build_up(results: Results) -> pd.DataFrame:
    """Every release by stage and element: release, cuvée, format, stage, element, amount (money), per bottle.

    Rounded to cents and to four decimals, largest remainder within a release.
    """
    chain = results.chain
    flows = chain.flows
    rows = np.flatnonzero(flows.kind == Flow.DISGORGEMENT)
    state = chain.states.batch_state[flows.batch[rows]]
    lot, which = np.unique(flows.target[rows], return_inverse=True)
    bottles = np.bincount(which, flows.into[rows], len(lot))
    cost = np.zeros((len(lot), len(results.columns)))
    np.add.at(cost, which, results.cost[state])
    amounts, _ = rounded_rows(cost, 2)
    per_bottle, _ = rounded_rows(cost / np.where(bottles > 0, bottles, 1.0)[:, np.newaxis], PER_BOTTLE_DECIMALS)
    labels = lot_labels(results.estate, chain)
    says = (amounts != 0) | (per_bottle != 0)  # a line of 0.00 adds nothing to what is printed
    line, column = np.nonzero(says & (bottles > 0)[:, np.newaxis])
    stage = results.columns.get_level_values("stage").to_numpy(dtype=object)[column]
    frame = pd.DataFrame(
        {
            "release": labels.name[lot[line]],
            "cuvee": labels.cuvee[lot[line]],
            "format": labels.format[lot[line]],
            "stage": stage,
            "element": results.columns.get_level_values("element").to_numpy(dtype=object)[column],
            "amount": amounts[line, column],
            "per_bottle": per_bottle[line, column],
        }
    )
    order = pd.Index(STAGES).get_indexer(pd.Index(stage))
    return (
        frame.assign(_order=order)
        .sort_values(["release", "_order", "element"], ignore_index=True)
        .drop(columns="_order")
    )


@asked_once
def by_cuvee(results: Results) -> pd.DataFrame:
    """Latest release made of every cuvée and format: what `cost_per_bottle` says of it."""
    frame = cost_per_bottle(results)
    frame = frame[~frame["planned"]]
    keys = ["cuvee", "format"]
    latest: pd.DataFrame = frame.drop_duplicates(keys, keep="last").sort_values(keys, ignore_index=True)
    return latest
