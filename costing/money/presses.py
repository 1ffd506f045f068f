"""Press loads: how the cost of a load passes to its fractions, and what its by-product brings.

Shares come from `costing.engine.split`. The credit of a by-product is dated at the split and taken off the
joint cost (IAS 2, paragraph 14), or kept apart as income when it is sold, or left out, as the basis says. A
by-product takes no share of the joint cost.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.engine.split import SPLITS, Fractions, split_shares
from costing.errors import CAUTION, Finding, InputError
from costing.graph.arrays import Floats, Flow, Ints, codes, days
from costing.graph.states import Chain
from costing.inputs.basis import Basis
from costing.inputs.estate import Estate
from costing.inputs.in_force import row_in_force
from costing.money.postings import Postings, joined, posted

_ROUNDING = 1e-9  # a credit that equals the cost of its load may seem above it by as much


@dataclass(frozen=True)
class Presses:
    """Share of its load's cost of each row of Pressings, the postings that come with a split, and findings."""

    share: Floats
    postings: Postings
    findings: tuple[Finding, ...]


def split_presses(estate: Estate, chain: Chain, elements: pd.Index, basis: Basis) -> Presses:
    """Split every press load by its own method, the setting, or the basis where it names one.

    InputError naming press loads of which nothing can bear the cost.
    """
    frame = estate["pressings"]
    flows = chain.flows
    n_loads = len(flows.load_names)
    rows = flows.row[flows.kind == Flow.PRESS_OUT]
    names = tuple(SPLITS)
    load = codes(frame["load"], flows.load_names)
    usual = names.index(basis.split_method or estate.settings.default_split_method)
    method = np.full(n_loads, usual, dtype=np.int64)
    given = codes(frame["split_method"], pd.Index(names))
    if basis.split_method is None:
        method[load[given >= 0]] = given[given >= 0]
    fraction = frame["fraction"].astype(object).to_numpy()[rows]
    price = _prices(estate, rows)
    fractions = Fractions(
        load[rows],
        n_loads,
        volume_l=np.nan_to_num(frame["volume_l"].to_numpy()[rows]),
        weight_kg=np.nan_to_num(frame["fraction_weight_kg"].to_numpy()[rows]),
        price_per_l=price,
        separable_per_l=np.nan_to_num(frame["cost_to_complete_per_l"].to_numpy()[rows]),
        fixed_share=np.nan_to_num(frame["fixed_share"].to_numpy()[rows]),
        by_product=fraction == "by-product",
    )
    split = split_shares(fractions, method, names)
    share = np.zeros(len(frame))
    share[rows] = split.share
    dry = np.intersect1d(split.unsplit, flows.batch[flows.kind == Flow.PRESS_IN])
    if len(dry):
        raise InputError([_unsplit(estate, load, int(one), flows.load_names) for one in dry])
    findings = [_by_volume(estate, load, int(one), flows.load_names) for one in split.by_volume]
    state_of_row = np.full(len(frame), -1, dtype=np.int64)
    pressed = flows.kind == Flow.PRESS_OUT
    state_of_row[flows.row[pressed]] = chain.target_state[pressed]
    flow_of_row = np.full(len(frame), -1, dtype=np.int64)
    flow_of_row[flows.row[pressed]] = np.flatnonzero(pressed)
    moved = np.flatnonzero((split.posting != 0) & (state_of_row[rows] >= 0))
    day = days(frame["on_date"])
    pressing = int(elements.get_indexer(pd.Index(["pressing"]))[0])
    margin = posted(
        "pressings",
        rows[moved],
        state_of_row[rows[moved]],
        chain.states.stage[chain.states.batch_state[load[rows[moved]]]],
        pressing,
        split.posting[moved],
        day[rows[moved]],
        flow=flow_of_row[rows[moved]],
    )
    credit = np.nan_to_num(frame["credit"].to_numpy())
    brings = np.flatnonzero(credit != 0) if basis.by_product != "none" else np.zeros(0, dtype=np.int64)
    joint = chain.states.batch_state[load[brings]]
    at = joint if basis.by_product == "at split" else np.full(len(brings), -1)  # at sale: income, not less cost
    off = posted(
        "pressings",
        brings,
        at,
        chain.states.stage[joint],
        int(elements.get_indexer(pd.Index(["by-product credit"]))[0]),
        -credit[brings],
        day[brings],
        flow=flow_of_row[brings],
    )
    return Presses(share, joined([margin, off]), tuple(findings))


def _prices(estate: Estate, rows: Ints) -> Floats:
    """Value per litre of each fraction: its own, or the market value of the fraction at that date."""
    frame, market = estate["pressings"], estate["market_values"]
    price = frame["value_per_l"].to_numpy()[rows].copy()
    fraction = frame["fraction"].astype(object).to_numpy()[rows]
    day = days(frame["on_date"])[rows]
    what = market["what"].astype(object).to_numpy()
    since, value = days(market["from_date"]), market["value_per_unit"].to_numpy()
    for name in ("first", "second"):
        series = np.flatnonzero((what == name) & market["lot"].isna().to_numpy())
        blank = np.flatnonzero(np.isnan(price) & (fraction == name))
        row = row_in_force(series, since, day[blank])
        price[blank[row >= 0]] = value[row[row >= 0]]
    return np.asarray(np.nan_to_num(price))


def _unsplit(estate: Estate, load: Ints, one: int, names: pd.Index) -> Finding:
    row = int(np.flatnonzero(load == one)[0])
    return Finding(
        estate.place("pressings", row, "volume_l"),
        str(names[one]),
        "is a press load that yields no must: its cost has nowhere to go.",
        "Enter the litres of its first or second pressing.",
    )


def _by_volume(estate: Estate, load: Ints, one: int, names: pd.Index) -> Finding:
    row = int(np.flatnonzero(load == one)[0])
    return Finding(
        estate.place("pressings", row, "split_method"),
        str(names[one]),
        "is a press load whose fractions have no weight in its split; its cost was shared by volume.",
        "Enter values per litre, shares or weights, or choose volume.",
        CAUTION,
    )


def check_credits(estate: Estate, chain: Chain, joint_cost: Floats) -> list[Finding]:
    """Press loads whose by-product credit is above their joint cost. joint_cost: after the credit, per load."""
    load = codes(estate["pressings"]["load"], chain.flows.load_names)
    credit = np.nan_to_num(estate["pressings"]["credit"].to_numpy())
    of_load = np.bincount(load, credit, len(joint_cost))
    found = []
    for one in np.flatnonzero((of_load > 0) & (joint_cost < -_ROUNDING * of_load)):
        row = int(np.flatnonzero((load == one) & (credit > 0))[0])
        found.append(
            Finding(
                estate.place("pressings", row, "credit"),
                f"{credit[row]:g}",
                "is more than the whole press load cost.",
                "Check the credit and the prices of the grapes in this load.",
            )
        )
    return found
