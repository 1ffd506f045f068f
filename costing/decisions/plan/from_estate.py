"""Facts of the plan from an estate and its runs: lots on lees, finished lots, tirages to come, markets and limits.

    price        Price by age, in the money of each date, never extrapolated
    finishing    disgorging, dressing and work at dispatch, per bottle put to disgorging
    storage      operation rates alone: pools are spent anyway, and a full place costs its shadow price
    worth left   price at the last date, or at the highest age with one, net of finishing, less the safety of Settings

Conventions: dates are monthly for a year, quarterly for five, yearly after. Bottles of one cuvée and format share one
market. Places count bottles of 75 cl. Sales channels without a bound of their own are one. Lots whose age has no
price on any date can't be planned and are named.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from costing.accounts.services import places_of_others
from costing.array_types import Floats
from costing.calendar import DAYS_A_MONTH, add_months, year_of
from costing.decisions.keeping_costs import (
    good_share,
    last_riddling,
    riddling_by_cuvee,
    storage_per_bottle_year,
    yearly_loss,
)
from costing.decisions.plan.ageing_tables import ex_cellar_price, hurdle_curve, minimum_months
from costing.decisions.plan.channels import EVERY, OTHERS, bounded_channels, channel_values
from costing.decisions.plan.facts import Dates, Facts, Markets, Stacks, mean_price
from costing.decisions.plan.limits import LimitRows, limits_of
from costing.decisions.prices.release_dates import age_in_months
from costing.decisions.prices.selling import finished_and_sent
from costing.decisions.prices.terms_in_force import market_of
from costing.engine.carrying import day_numbers
from costing.graph.arrays import BLANK_DAY, days
from costing.inputs.estate import Estate
from costing.model import Runs
from costing.money.rates import location_of, locations
from costing.once import asked_once
from costing.results.stock import stock_values
from costing.units import FORMATS_L, STANDARD_BOTTLE_L

MONTHLY, QUARTERLY = 12, 60
LONGEST_WAIT = 12
"""Steps that a disgorged bottle may wait."""
ABOVE_ANY_WORTH = 10.0
"""Times the highest price that a bottle promised and not sold costs in the search."""


@dataclass(frozen=True, eq=False)
class PlanInputs:
    """Facts, and what they are called: lots (name, cuvée, format, kind, bottles), markets (cuvée, format), places,
    channels, and the rows of Limits behind its limits; places that bottles of other owners take
    [P, T]; lots that can't be planned.
    """

    facts: Facts
    lots: pd.DataFrame
    markets: pd.DataFrame
    places: tuple[str, ...]
    channels: tuple[str, ...]
    limit_rows: LimitRows
    places_of_others: Floats
    left_out: pd.DataFrame


def plan_dates(runs: Runs, horizon: int | None = None) -> Dates:
    """Dates of the plan and what money on each is worth today. horizon: months (None: that of Settings)."""
    horizon = horizon or runs.estate.settings.plan_horizon_months
    months = [*range(0, min(MONTHLY, horizon) + 1), *range(MONTHLY + 3, min(QUARTERLY, horizon) + 1, 3)]
    months += list(range(QUARTERLY + 12, horizon + 1, 12))
    if months[-1] < horizon:
        months.append(horizon)
    day = day_numbers(add_months(runs.date, np.array(months, dtype=float)))
    curve = hurdle_curve(runs.economic)
    growth = np.asarray(curve.growth(np.full(len(day), runs.today), day), dtype=float)
    force = np.diff(np.log(growth))
    evenly = np.divide(-np.expm1(-force), force, out=np.ones_like(force), where=np.abs(force) > 1e-12)
    return Dates(day, 1.0 / growth, evenly / growth[:-1], year_of(day[:-1] + 1))


@asked_once
def plan_inputs(
    runs: Runs, without: Collection[str] = (), horizon: int | None = None, tirages: pd.DataFrame | None = None
) -> PlanInputs:
    """Facts of the plan. without: kinds of limit that are left out ("places", "disgorging", "supply", "credit");
    horizon: months; tirages: rows of tirages to come, as on the sheet (None: what Settings and the sheet say).
    """
    estate, dates = runs.estate, plan_dates(runs, horizon)
    lots, left_out = _lots(runs, dates, estate["tirage"] if tirages is None else tirages)
    stacks = stacks_of(runs, dates, lots)
    keys = lots["cuvee"].astype(str) + "|" + lots["format"].astype(str)
    number, names = pd.factorize(keys)
    markets = pd.DataFrame([str(each).split("|") for each in names], columns=["cuvee", "format"])
    place_names = tuple(str(each) for each in locations(estate))
    limits, rows = limits_of(runs, dates, markets, place_names, without)
    of_others = places_of_others(runs, dates.day[:-1], place_names)
    limits = replace(limits, places=limits.places - of_others)
    named = bounded_channels(estate, without)
    stacks = Stacks(**{**vars(stacks), "market": number.astype(np.int64)})
    sold = _markets(estate, dates, markets, stacks, named)
    penalty = ABOVE_ANY_WORTH * float(np.nan_to_num(stacks.price).max(initial=1.0))
    facts = Facts(dates, stacks, sold, limits, LONGEST_WAIT, penalty)
    return PlanInputs(
        facts, lots, markets, place_names, (*named, OTHERS) if named else (EVERY,), rows, of_others, left_out
    )


def _lots(runs: Runs, dates: Dates, tirage: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Lots that can be planned, and those that can't: name, cuvée, format, kind, bottles, days of tirage and
    disgorging, step, place.
    """
    estate, chain, labels = runs.estate, runs.chain, runs.labels
    stock = stock_values(runs.economic)
    stock = stock[stock["kind"].isin(["on lees", "finished"])]
    index = chain.lots.numbers(stock["lot"])
    place = location_of(estate, chain)
    state = chain.state_on(index.astype(np.int64), np.full(len(index), runs.today))
    frame = pd.DataFrame(
        {
            "lot": stock["lot"].astype(str),
            "cuvee": stock["cuvee"].astype(str),
            "format": stock["format"].astype(str),
            "kind": stock["kind"].astype(str),
            "bottles": stock["quantity"],
            "tirage_day": labels.tirage_day[index],
            "disgorged_day": labels.disgorged_day[index],
            "arrives": 0,
            "place": place[state],
        }
    )
    ahead = tirage[(days(tirage["on_date"]) > runs.today) & (days(tirage["on_date"]) < dates.day[-1])]
    if len(ahead):
        day = days(ahead["on_date"])
        names = pd.Index(locations(estate))
        coming = pd.DataFrame(
            {
                "lot": ahead["to_lot"].astype(str),
                "cuvee": ahead["cuvee"].astype(str),
                "format": ahead["format"].astype(str),
                "kind": "to be filled",
                "bottles": ahead["bottles"],
                "tirage_day": day,
                "disgorged_day": BLANK_DAY,
                "arrives": np.searchsorted(dates.day[:-1], day).clip(max=dates.steps - 1),
                "place": names.get_indexer(pd.Index(ahead["location"].astype(object))),
            }
        )
        frame = pd.concat([frame, coming], ignore_index=True)
    frame = frame[frame["bottles"] > 0]
    priced = set(zip(estate["price_by_age"]["cuvee"], estate["price_by_age"]["format"], strict=True))
    known = np.array([key in priced for key in zip(frame["cuvee"], frame["format"], strict=True)], dtype=bool)
    known &= (frame["tirage_day"] != BLANK_DAY).to_numpy()
    return frame[known].reset_index(drop=True), frame[~known]


def stacks_of(runs: Runs, dates: Dates, lots: pd.DataFrame) -> Stacks:
    """Arrays of the lots; their market is set later."""
    estate, today, dates_at = runs.estate, runs.today, dates.day
    steps, count = dates.steps, len(lots)
    finished, disgorged = (lots["kind"] == "finished").to_numpy(), lots["disgorged_day"].to_numpy()
    disgorged = np.where(disgorged == BLANK_DAY, today, disgorged)  # before the records: it ages no further
    good, how = good_share(estate), riddling_by_cuvee(estate, runs.labels)
    safety = 1.0 - estate.settings.plan_safety_percent / 100.0
    table = estate["price_by_age"]
    price, finishing, storage, waiting = (np.full((count, steps), np.nan) for _ in range(4))
    growth, left, left_finished = np.zeros(count), np.zeros(count), np.zeros(count)
    evenly = dates.sale_discount / dates.discount[:-1] * dates.years
    known: dict[tuple[str, str], tuple[Floats, Floats, Floats]] = {}
    for row, (cuvee, size) in enumerate(zip(lots["cuvee"], lots["format"], strict=True)):
        if (cuvee, size) not in known:
            finish = finished_and_sent(estate, size, last_riddling(how, cuvee, size), dates_at, today)
            kept = storage_per_bottle_year(estate, "on lees", size, dates_at[:-1], today) * evenly
            known[cuvee, size] = (
                finish,
                kept,
                storage_per_bottle_year(estate, "finished stock", size, dates_at[:-1], today) * evenly,
            )
        finish, storage[row], waiting[row] = known[cuvee, size]
        until = disgorged[row] if finished[row] else dates_at
        ages = np.broadcast_to(age_in_months(int(lots["tirage_day"].iloc[row]), until), len(dates_at))
        ages = np.where(dates_at >= lots["tirage_day"].iloc[row], ages, -1.0)
        priced = ex_cellar_price(estate, cuvee, size, np.asarray(ages, dtype=float), dates_at)
        price[row], finishing[row] = priced[:-1], finish[:-1]
        of_market = table[(table["cuvee"] == cuvee) & (table["format"] == size)]
        growth[row] = float(np.nan_to_num(of_market["escalation"].to_numpy()).mean())
        last = priced[np.isfinite(priced)][-1] if np.isfinite(priced).any() else 0.0
        left[row] = max(last * good - finish[-1], 0.0) * safety
        left_finished[row] = last * safety
    minimum = minimum_months(estate, lots["cuvee"].to_numpy(dtype=object), lots["tirage_day"].to_numpy(), today)
    ages = np.array([age_in_months(int(day), dates_at[:-1]) for day in lots["tirage_day"]]).reshape(count, steps)
    may = np.isfinite(price) & (ages >= minimum[:, np.newaxis] - 1e-9)
    return Stacks(
        bottles=lots["bottles"].to_numpy(dtype=float),
        most=lots["bottles"].to_numpy(dtype=float),
        fill_cost=np.zeros(count),
        arrives=lots["arrives"].to_numpy(dtype=np.int64),
        finished=finished,
        survival=(1.0 - yearly_loss(estate, "on lees")) ** np.broadcast_to(dates.years, (count, steps)),
        good=np.where(finished, 1.0, good),
        may=may,
        price=price,
        price_growth=growth,
        finishing=finishing,
        storage=storage,
        finished_storage=waiting,
        worth_left=np.where(finished, 0.0, left),
        worth_finished=left_finished,
        market=np.zeros(count, dtype=np.int64),
        place=np.where(finished, -1, lots["place"].to_numpy(dtype=np.int64)),
        takes_places=lots["format"].map(FORMATS_L).to_numpy(dtype=np.float64) / np.float64(STANDARD_BOTTLE_L),
    )


def _markets(estate: Estate, dates: Dates, markets: pd.DataFrame, stacks: Stacks, named: Sequence[str]) -> Markets:
    """What each market takes, and how it answers to price; named: channels with bounds of their own."""
    months = np.diff(dates.day) / DAYS_A_MONTH
    takes, elasticity = np.full((len(markets), dates.steps), np.inf), np.full(len(markets), np.nan)
    for row, (cuvee, size) in enumerate(zip(markets["cuvee"], markets["format"], strict=True)):
        a_month, elasticity[row] = market_of(estate, cuvee, size)
        takes[row] = a_month * months if np.isfinite(a_month) else np.inf
    value, share = channel_values(estate, int(dates.day[0]), markets, named)
    return Markets(takes, mean_price(stacks, len(markets)), elasticity, value, share)
