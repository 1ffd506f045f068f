"""The estate as the plan of all lots would have it: its disgorgements and sales in place of those typed.

    typed price of a channel = (net + selling cost) · (1 + hurdle)^(customer's days / 365) / (1 − commission)

Net is what the plan counts on for a bottle: price by age of its lot, the worth of its channel over it, less what the
market is given to take more. Channels that the plan holds as one share its sales by their shares. Sales of a step
are spread over it month by month.

What it does not do: it changes no tirage, and no lot that the plan leaves out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from costing.answers import catalogue
from costing.array_types import Floats
from costing.calendar import DAYS_A_YEAR
from costing.decisions.keeping_costs import last_riddling, riddling_by_cuvee
from costing.decisions.plan.facts import channel_steps
from costing.decisions.plan.from_estate import PlanInputs
from costing.decisions.plan.house_plan import house_plan
from costing.decisions.plan.planning import Plan
from costing.decisions.prices.terms_in_force import channel_terms
from costing.graph.arrays import days
from costing.inputs.estate import Estate, Sources, as_table
from costing.model import Runs
from costing.money.capital import interest_rate_on
from costing.results.lots import as_dates

_SHEET = catalogue.table("release_plan").sheet
_LEAST = 1e-6
"""Bottles below this are what is left of solving."""
MONTH_DAYS = 30.5


@dataclass(frozen=True)
class _Ways:
    """Channels as Dispatches names them, and for each channel of the plan the part of its sales that goes through
    them [C, channels]; of each: commission, selling cost, worth of a unit today of money that the customer pays later.
    """

    names: np.ndarray
    part: Floats
    commission: Floats
    selling: Floats
    waits: Floats


def as_planned(runs: Runs) -> Runs:
    """Runs of the estate with the best joint plan in place of the rows typed for the lots in it; the same runs where
    nothing can be planned.
    """
    house = house_plan(runs)
    if not len(house.inputs.lots):
        return runs
    plan, _ = house.best
    return Runs(_with_plan(runs, house.inputs, plan))


def _with_plan(runs: Runs, inputs: PlanInputs, plan: Plan) -> Estate:
    estate = runs.estate
    kept = _without_typed(estate, set(inputs.lots["lot"].astype(str)), runs.today)
    rows = {"disgorgements": _disgorgements(runs, inputs, plan), "dispatches": _dispatches(estate, inputs, plan)}
    tables, sources = dict(estate.tables), dict(estate.sources)
    for name, mask in kept.items():
        source, new = sources[name], rows.get(name, pd.DataFrame())
        whole = pd.concat([tables[name][mask].astype(object), new.astype(object)], ignore_index=True)
        tables[name] = as_table(name, whole)
        here = {f"{_SHEET}!{column}": "A" for column in tables[name].columns}
        sources[name] = Sources(
            np.append(source.sheet[mask], np.full(len(new), _SHEET, dtype=object)),
            np.append(source.row[mask], np.ones(len(new), dtype=np.int64)),
            {**source.letters, **here},
            source.units,
        )
    return replace(estate, tables=tables, sources=sources)


def _without_typed(estate: Estate, planned: set[str], today: int) -> dict[str, np.ndarray]:
    """Which rows stay of the sheets that bottles leave by: all but those typed for the time to come of planned lots,
    and of releases that are then never filled.
    """

    def ahead(table: str) -> np.ndarray:
        return np.asarray(days(estate[table]["on_date"]) > today)

    def names(table: str, column: str, lots: set[str]) -> np.ndarray:
        return estate[table][column].astype(object).isin(lots).to_numpy()

    disgorged = ahead("disgorgements") & names("disgorgements", "from_lot", planned)
    releases = estate["disgorgements"]["release_lot"].astype(object)
    gone = set(releases[disgorged]) - set(releases[~disgorged]) - planned
    lots = gone | planned
    drop = {"disgorgements": disgorged, "dispatches": ahead("dispatches") & names("dispatches", "release_lot", lots)}
    drop["movements"] = ahead("movements") & names("movements", "from_lot", lots)
    for table in ("costs", "stocktakes"):
        drop[table] = ahead(table) & names(table, "lot", gone)
    return {table: ~rows for table, rows in drop.items()}


def _disgorgements(runs: Runs, inputs: PlanInputs, plan: Plan) -> pd.DataFrame:
    """Rows of Disgorgements: each lot on each date on which bottles of it are put to it."""
    stacks, dates = inputs.facts.stacks, inputs.facts.dates
    how = riddling_by_cuvee(runs.estate, runs.labels)
    lot, step = np.nonzero((plan.disgorged > _LEAST) & ~stacks.finished[:, np.newaxis])
    bottles = plan.disgorged[lot, step]
    sold = plan.sold[lot, step].sum(axis=1)
    named = inputs.lots.iloc[lot]
    riddling = [
        last_riddling(how, str(cuvee), str(two)) for cuvee, two in zip(named["cuvee"], named["format"], strict=True)
    ]
    return pd.DataFrame(
        {
            "on_date": as_dates(dates.day[step] + 1),
            "release_lot": _release_names(inputs, lot, step),
            "from_lot": named["lot"].to_numpy(dtype=object),
            "bottles_in": bottles,
            "bottles_out": np.maximum(stacks.good[lot] * bottles, sold),
            "riddling": riddling,
        }
    )


def _release_names(inputs: PlanInputs, lot: np.ndarray, step: np.ndarray) -> np.ndarray:
    """Lot that the bottles of a lot and date are sold from."""
    names = inputs.lots["lot"].astype(str).to_numpy(dtype=object)[lot]
    day = (inputs.facts.dates.day[step] + 1).astype("datetime64[D]").astype(str)
    planned = np.array(
        [f"{name}, disgorged {disgorged}" for name, disgorged in zip(names, day, strict=True)], dtype=object
    )
    return np.where(inputs.facts.stacks.finished[lot], names, planned)


def _dispatches(estate: Estate, inputs: PlanInputs, plan: Plan) -> pd.DataFrame:
    """Rows of Dispatches: what is sold of each lot and date, by channel, month by month."""
    facts, ways = inputs.facts, _ways(estate, inputs)
    stacks, dates = facts.stacks, facts.dates
    lot, begin, wait = np.nonzero(plan.sold > _LEAST)
    step = begin + wait
    bottles = plan.sold[lot, begin, wait] * (1.0 - 1e-12)
    passed = (dates.day[step] - dates.day[begin]) / DAYS_A_YEAR
    price = stacks.price[lot, begin] * (1.0 + stacks.price_growth[lot]) ** passed
    market = stacks.market[lot]
    taken = plan.by_channel[market, :, step]
    part = taken / taken.sum(axis=1, keepdims=True)
    over = (facts.markets.channel_value - 1.0)[:, :, np.newaxis] * facts.markets.reference_price[:, np.newaxis]
    net = price[:, np.newaxis] + (over - _given_up(inputs, plan))[market, :, step]
    months = np.maximum(np.rint(np.diff(dates.day)[step] / MONTH_DAYS).astype(np.int64), 1)
    sale = np.repeat(np.arange(len(lot)), months)
    month = np.arange(len(sale)) - np.repeat(np.cumsum(months) - months, months)
    length = np.diff(dates.day)[step][sale]
    day = dates.day[step][sale] + np.maximum((length * (month + 0.5) / months[sale]).astype(np.int64), 1)
    release = _release_names(inputs, lot, begin)
    rows = []
    for channel in range(part.shape[1]):
        for way in np.flatnonzero(ways.part[channel] > 0):
            received = (net[:, channel] + ways.selling[way]) / ways.waits[way]
            count = (bottles * part[:, channel] * ways.part[channel, way] / months)[sale]
            frame = {"on_date": as_dates(day), "release_lot": release[sale]}
            frame |= {"channel": ways.names[way], "bottles": count}
            rows.append(pd.DataFrame({**frame, "net_price": (received / (1.0 - ways.commission[way]))[sale]}))
    whole = pd.concat(rows, ignore_index=True)
    return whole[whole["bottles"] > 0].reset_index(drop=True)


def _given_up(inputs: PlanInputs, plan: Plan) -> Floats:
    """Price given up on a bottle of each market and channel in each step, so that it takes more [M, C, T]."""
    markets = inputs.facts.markets
    width, slope = channel_steps(markets)
    before = np.concatenate([np.zeros_like(width[..., :1]), np.cumsum(width, axis=-1)[..., :-1]], axis=-1)
    on_step = np.clip(plan.by_channel[..., np.newaxis] - before, 0.0, width)
    whole = (on_step * slope).sum(axis=-1) * markets.reference_price[:, np.newaxis]
    some = plan.by_channel > 0
    return np.asarray(np.divide(whole, plan.by_channel, out=np.zeros_like(whole), where=some))


def _ways(estate: Estate, inputs: PlanInputs) -> _Ways:
    """How the channels of the plan go through those of the sheet."""
    today = int(inputs.facts.dates.day[0])
    terms = channel_terms(estate, today)
    names = np.array([str(name) for name in terms.index], dtype=object)
    share = np.nan_to_num(terms["share"].to_numpy(dtype=float))
    share = share if share.sum() > 0 else np.ones(len(terms))
    part = np.zeros((len(inputs.channels), len(names)))
    for row, name in enumerate(inputs.channels):
        named = names == name
        rest = share * ~np.isin(names, inputs.channels)
        part[row] = named if named.any() else rest / rest.sum()
    hurdle = interest_rate_on(estate, "hurdle_rate", today)
    fee, cost, later = (
        np.nan_to_num(terms[name].to_numpy(dtype=float))
        for name in ("commission", "selling_cost_per_bottle", "customer_days")
    )
    return _Ways(names, part, fee, cost, (1.0 + hurdle) ** (-later / DAYS_A_YEAR))
