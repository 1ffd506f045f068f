"""Press loads: how the cost of a load passes to its fractions, and what its by-product brings.

Shares come from `costing.engine.split`. The credit of a by-product is dated at the split and taken off the
joint cost (IAS 2, paragraph 14), or kept apart as income when it is sold, or left out, as the basis says. A
by-product takes no share of the joint cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.engine.split import SPLITS, Fractions, split_shares
from costing.errors import CAUTION, ERROR, Finding, InputError
from costing.graph.arrays import Flow, codes, days
from costing.graph.states import Chain
from costing.inputs.estate import Estate
from costing.inputs.in_force import row_in_force
from costing.money.postings import Bearers, Postings, posted

_ROUNDING = 1e-9  # a credit that equals the cost of its load may seem above it by as much


_DRY = (
    "is a press load that yields no must: nothing can bear its cost.",
    "Enter the litres of its first or second pressing.",
)
_BY_VOLUME = (
    "is a press load with nothing to split its cost by: no values, shares or weights. It was shared by litres.",
    "Enter values per litre, shares or weights, or choose the split by volume.",
    CAUTION,
)


@dataclass(frozen=True)
class Presses:
    """Share of its load's cost of each row of Pressings, the postings that come with a split, and findings."""

    share: Floats
    postings: Postings
    findings: tuple[Finding, ...]


def split_presses(
    estate: Estate, chain: Chain, elements: pd.Index, split_method: str | None, by_product: str
) -> Presses:
    """Split every press load by its own method, the setting, or the one method that a basis names; by_product: what
    the basis does with its credit.

    InputError naming press loads of which nothing can bear the cost.
    """
    flows = chain.flows
    out = np.flatnonzero(flows.kind == Flow.PRESS_OUT)
    row, load = flows.row[out], flows.batch[out]
    split = split_shares(_fractions(estate, chain, row, load), _methods(estate, chain, split_method), tuple(SPLITS))
    dry = np.intersect1d(split.unsplit, flows.batch[flows.kind == Flow.PRESS_IN])
    if len(dry):
        raise InputError([_of_load(estate, chain, number, "volume_l", *_DRY) for number in dry.tolist()])
    findings = [_of_load(estate, chain, number, "split_method", *_BY_VOLUME) for number in split.by_volume.tolist()]
    share = np.zeros(len(estate["pressings"]))
    share[row] = split.share
    moved = np.flatnonzero((split.posting != 0) & (chain.target_state[out] >= 0))
    load_state = chain.states.batch_state
    bearers = Bearers(
        chain.target_state[out[moved]],
        chain.states.stage[load_state[load[moved]]],
        flows.day[out[moved]],
        out[moved],
    )
    pressing = elements.get_indexer(pd.Index(["pressing"], dtype=object))
    margins = posted(("pressings", "cost_to_complete_per_l"), row[moved], bearers, pressing, split.posting[moved])
    return Presses(share, Postings.joined([margins, _credits(estate, chain, elements, by_product)]), tuple(findings))


def _methods(estate: Estate, chain: Chain, split_method: str | None) -> Ints:
    """Method of each press load, as a position among `SPLITS`."""
    names, frame = list(SPLITS), estate["pressings"]
    usual = names.index(split_method or estate.settings.default_split_method)
    method = np.full(len(chain.flows.load_names), usual, dtype=np.int64)
    given = codes(frame["split_method"], tuple(names))
    if split_method is None:
        method[codes(frame["load"], chain.flows.load_names)[given >= 0]] = given[given >= 0]
    return method


def _fractions(estate: Estate, chain: Chain, row: Ints, load: Ints) -> Fractions:
    """What rows of Pressings say of their fractions."""
    frame = estate["pressings"]

    def numbers(name: str) -> Floats:
        return np.asarray(np.nan_to_num(frame[name].to_numpy()[row]))

    return Fractions(
        load,
        len(chain.flows.load_names),
        volume_l=numbers("volume_l"),
        weight_kg=numbers("fraction_weight_kg"),
        price_per_l=_prices(estate, row),
        separable_per_l=numbers("cost_to_complete_per_l"),
        fixed_share=numbers("fixed_share"),
        by_product=(frame["fraction"] == "by-product").to_numpy()[row],
    )


def _credits(estate: Estate, chain: Chain, elements: pd.Index, by_product: str) -> Postings:
    """What by-products bring: off the joint cost, or apart."""
    frame, flows = estate["pressings"], chain.flows
    credit = np.nan_to_num(frame["credit"].to_numpy())
    row = np.flatnonzero(credit != 0) if by_product != "none" else np.zeros(0, dtype=np.int64)
    joint = chain.states.batch_state[codes(frame["load"], flows.load_names)[row]]
    state = joint if by_product == "at split" else np.full(len(row), -1)  # at sale: income, not less cost
    out = np.flatnonzero(flows.kind == Flow.PRESS_OUT)
    flow_of_row = np.full(len(frame), -1, dtype=np.int64)
    flow_of_row[flows.row[out]] = out
    credited = elements.get_indexer(pd.Index(["by-product credit"], dtype=object))
    bearers = Bearers(state, chain.states.stage[joint], days(frame["on_date"])[row], flow_of_row[row])
    return posted(("pressings", "credit"), row, bearers, credited, -credit[row])


def _prices(estate: Estate, rows: Ints) -> Floats:
    """Value per litre of each fraction: its own, or the market value of the fraction at that date."""
    frame, market = estate["pressings"], estate["market_values"]
    price = frame["value_per_l"].to_numpy()[rows].copy()
    fractions = ("first", "second")
    fraction, what = codes(frame["fraction"], fractions)[rows], codes(market["what"], fractions)
    day, since, value = days(frame["on_date"])[rows], days(market["from_date"]), market["value_per_unit"].to_numpy()
    of_all = market["lot"].isna().to_numpy()
    for number in range(len(fractions)):
        series = np.flatnonzero((what == number) & of_all)
        blank = np.flatnonzero(np.isnan(price) & (fraction == number))
        row = row_in_force(series, since, day[blank])
        price[blank[row >= 0]] = value[row[row >= 0]]
    return np.asarray(np.nan_to_num(price))


def _of_load(
    estate: Estate, chain: Chain, load: int, column: str, rule: str, remedy: str, severity: str = ERROR
) -> Finding:
    """Finding on a press load, at a cell of its first row."""
    name = str(chain.flows.load_names[load])
    row = int(np.flatnonzero(estate["pressings"]["load"] == name)[0])
    return Finding(estate.place("pressings", row, column), name, rule, remedy, severity)


def check_credits(estate: Estate, chain: Chain, joint_cost: Floats) -> list[Finding]:
    """Press loads whose by-product credit is above their joint cost. joint_cost: after the credit, per load."""
    load = codes(estate["pressings"]["load"], chain.flows.load_names)
    credit = np.nan_to_num(estate["pressings"]["credit"].to_numpy())
    of_load = np.bincount(load, credit, len(joint_cost))
    findings = []
    for number in np.flatnonzero((of_load > 0) & (joint_cost < -_ROUNDING * of_load)):
        row = int(np.flatnonzero((load == number) & (credit > 0))[0])
        findings.append(
            Finding(
                estate.place("pressings", row, "credit"),
                f"{credit[row]:g}",
                "is more than the whole press load cost.",
                "Check the credit and the prices of the grapes in this load.",
            )
        )
    return findings
