"""Hold or release for every stack on lees, by date: the estate's own prices, rates, norms and rules in,
verdicts out.

Each lot on lees at the valuation date is a stack. Price: the Price by age sheet, in the money of its date.
Finishing: the rates and dry goods of riddling, disgorgement and dressing that hold for its format, with their
yearly change in plans, and the norm of disgorgement. Storage: what the cellar charges per bottle-year.
Hurdle: the Interest rates sheet. Prices in the tables are per bottle put to disgorging: less the norm of what
is lost there. Releases of one cuvée and format share one market, oldest first. The rule set bars dates before
its minimum months. Arithmetic: `costing.decisions.ageing`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.calendar import months_between
from costing.decisions.ageing import HoldOrRelease, hold_or_release, probability_holding_wins, verdict
from costing.decisions.release_dates import (
    REASONS,
    Stacks,
    age_in_months,
    candidate_days,
    escalated,
    price_by_age,
)
from costing.decisions.scarcity import queue_for_market
from costing.engine.carrying import RateCurve
from costing.graph.arrays import BLANK_DAY, OPERATIONS, Floats, Ints, days
from costing.graph.flows import movement_norms
from costing.inputs.appellations import rule_set
from costing.inputs.basis import ECONOMIC
from costing.inputs.estate import Estate
from costing.money.charges import capital_curve
from costing.money.rates import escalated as planned
from costing.results.appellation import earliest_release
from costing.results.lots import as_dates, lot_labels
from costing.results.results import Results
from costing.results.stock import stock_values

VERDICTS = {
    "lot": "Lot",
    "cuvee": "Cuvée",
    "format": "Format",
    "bottles": "Bottles",
    "months_on_lees": "Months on lees",
    "cost_per_bottle": "Economic cost per bottle on lees",
    "release": "Best release",
    "gain": "Gain over releasing first",
    "gain_per_bottle_year": "Gain per bottle-year",
    "flip_hurdle": "Hurdle that flips it",
    "flip_storage": "Storage that flips it",
    "peak_capital": "Peak capital",
    "probability": "Chance that holding wins",
    "verdict": "Verdict",
}
BY_DATE = {
    "lot": "Lot",
    "cuvee": "Cuvée",
    "date": "Release",
    "months": "Months on lees",
    "bottles": "Bottles",
    "price": "Price",
    "finishing": "Finishing",
    "net": "Net worth then",
    "npv": "Net present value",
    "gain": "Gain over releasing first",
    "year_return": "The year's return",
    "hurdle": "Hurdle",
    "break_even_price": "Break-even price",
    "price_growth_needed": "Price growth needed",
    "peak_capital": "Peak capital",
    "barred": "Barred",
}


def stacks_on_lees(results: Results) -> pd.DataFrame:
    """Lots on lees with bottles at the valuation date, oldest first, with tirage day and economic cost per
    bottle.
    """
    stock = stock_values(results)
    stock = stock[(stock["kind"] == "on lees") & stock["tirage"].notna()]
    return stock.sort_values(["cuvee", "format", "tirage", "lot"], ignore_index=True)


def dated_rate(estate: Estate, table: str, rows: pd.DataFrame, amount: Floats, at: Ints, today: int) -> Floats:
    """Sum over series of dated rates of what holds at each day, with its yearly change in plans [t]."""
    total = np.zeros(len(at))
    if not len(rows):
        return total
    keys = [name for name in ("operation", "driver", "stage", "item", "format", "element") if name in rows.columns]
    group = rows[keys].astype(object).fillna("").agg("|".join, axis=1).to_numpy()
    since, yearly = days(rows["from_date"]), np.nan_to_num(rows["escalation"].to_numpy())
    for one in dict.fromkeys(group):
        series = np.flatnonzero(group == one)
        series = series[np.argsort(since[series], kind="stable")]
        which = np.searchsorted(since[series], at, side="right") - 1
        row = series[np.maximum(which, 0)]
        total += np.where(which >= 0, planned(amount[row], yearly[row], since[row], at, today), 0.0)
    return total


def finishing_per_bottle(estate: Estate, bottle_format: str, riddling: str, at: Ints, today: int) -> Floats:
    """Cost of riddling, disgorging and dressing one bottle of a format at each day [t]."""
    rates = estate["operation_rates"]
    done = rates["operation"].isin([riddling, "disgorgement", "dressing"])
    fits = rates["format"].isna() | (rates["format"] == bottle_format)
    rates = rates[done & fits & rates["driver"].isin(["bottle in", "bottle out"])]
    goods = estate["dry_goods"]
    fits = goods["format"].isna() | (goods["format"] == bottle_format)
    goods = goods[goods["stage"].isin(["finishing", "dressing"]) & goods["presentation"].isna() & fits]
    price = goods["unit_price"].to_numpy() * goods["quantity_per_bottle"].fillna(1.0).to_numpy()
    work = dated_rate(estate, "operation_rates", rates, rates["amount"].to_numpy(), at, today)
    return work + dated_rate(estate, "dry_goods", goods, price, at, today)


def storage_per_bottle_year(estate: Estate, stage: str, bottle_format: str, at: Ints, today: int) -> Floats:
    """What a bottle-year costs in a stage at each day: operation rates of storage for its format [t]."""
    rates = estate["operation_rates"]
    fits = rates["format"].isna() | (rates["format"] == bottle_format)
    held = rates["stage"].isna() | (rates["stage"] == stage)
    rates = rates[(rates["driver"] == "bottle-year") & fits & held]
    return dated_rate(estate, "operation_rates", rates, rates["amount"].to_numpy(), at, today)


def stack_inputs(results: Results) -> tuple[pd.DataFrame, Stacks, Ints, RateCurve, Ints]:
    """Stacks, their arrays by candidate date, the dates, the hurdle and the number of each stack's market."""
    estate, chain = results.estate, results.chain
    today = chain.valuation_day
    settings = estate.settings
    at = candidate_days(today, settings.ageing_step_months, settings.ageing_horizon_months)
    stock = stacks_on_lees(results)
    shape = (len(stock), len(at))
    price, finishing, storage, finished = (np.full(shape, np.nan) for _ in range(4))
    takes = np.full(len(stock), np.inf)
    norms = movement_norms(estate)
    good = 1.0 - norms[OPERATIONS.index("disgorgement")]
    table = estate["price_by_age"]
    tirage = days(stock["tirage"])
    kept: dict[str, tuple[Floats, ...]] = {}
    finish: dict[tuple[str, str], Floats] = {}
    for row, (cuvee, size) in enumerate(zip(stock["cuvee"], stock["format"], strict=True)):
        mine = table[(table["cuvee"] == cuvee) & (table["format"] == size)]
        age = age_in_months(tirage[row], at)
        if len(mine):
            money, yearly = days(mine["money_date"]), np.nan_to_num(mine["escalation"].to_numpy())
            ages, stated = mine["months_on_lees"].to_numpy(), mine["ex_cellar_price"].to_numpy()
            then = escalated(stated[:, np.newaxis], money[:, np.newaxis], at, yearly[:, np.newaxis])
            sold = [float(price_by_age(age[date], ages, then[:, date])) for date in range(len(at))]
            price[row] = np.array(sold) * good  # per bottle put to disgorging
            limits = mine["bottles_a_month"].to_numpy()
            takes[row] = np.inf if np.isnan(limits).all() else np.nanmin(limits)
        riddling = _riddling(estate, str(cuvee), results)
        if (size, riddling) not in finish:
            finish[size, riddling] = finishing_per_bottle(estate, str(size), riddling, at, today)
        finishing[row] = finish[size, riddling]
        if size not in kept:
            stages = ("on lees", "finished stock")
            kept[size] = tuple(storage_per_bottle_year(estate, stage, str(size), at, today) for stage in stages)
        storage[row], finished[row] = kept[size]
    yearly_loss = float(
        estate["loss_norms"]
        .loc[lambda t: (t["applies_to"] == "on lees") & (t["time_base"] == "per year"), "percent"]
        .sum()
    )
    stacks = Stacks(
        bottles=stock["quantity"].to_numpy(),
        price=price,
        finishing=finishing,
        age_months=np.array([age_in_months(one, at) for one in tirage]).reshape(shape),
        storage_per_bottle_year=storage,
        survival_per_year=np.array([1.0 - yearly_loss]),
        minimum_months=_minimum_months(results, stock, tirage),
        market_per_month=takes,
        finished_storage_per_bottle_year=finished[:, 0],
    )
    curve = capital_curve(estate, ECONOMIC)
    assert curve is not None
    market = pd.factorize(stock["cuvee"].astype(str) + "|" + stock["format"].astype(str))[0].astype(np.int64)
    return stock, stacks, at, curve, market


def _riddling(estate: Estate, cuvee: str, results: Results) -> str:
    """How this cuvée was riddled last; by machine where nothing says."""
    labels = lot_labels(estate, results.chain)
    of_lot = dict(zip(labels.name, labels.cuvee, strict=True))
    done = estate["disgorgements"][estate["disgorgements"]["riddling"].notna()]
    mine = done[[of_lot.get(lot) == cuvee for lot in done["from_lot"]]]
    return str(mine["riddling"].iloc[-1]) if len(mine) else "machine riddling"


def _minimum_months(results: Results, stock: pd.DataFrame, tirage: Ints) -> Floats:
    """Months from tirage to sale that the cuvée's rule set asks for; 0 without one."""
    estate = results.estate
    least = np.zeros(len(stock))
    table = estate["cuvees"].drop_duplicates("cuvee").set_index("cuvee")
    for row, cuvee in enumerate(stock["cuvee"]):
        if cuvee not in table.index:
            continue
        named, category = table.loc[cuvee, "rule_set"], table.loc[cuvee, "category"]
        name = estate.settings.rule_set if pd.isna(named) else str(named)
        if not name:
            continue
        bottled = as_dates(tirage[[row]])
        on = pd.Timestamp(bottled[0]).date()
        _, sale = earliest_release(rule_set(name), bottled, on, "" if pd.isna(category) else str(category))
        months = months_between(bottled, sale)
        least[row] = 0.0 if np.isnan(months[0]) else months[0]
    return least


def hold_or_release_tables(results: Results) -> tuple[pd.DataFrame, pd.DataFrame, HoldOrRelease | None]:
    """Verdict of every stack, every candidate date of every stack, and the arrays behind them.

    results: on the economic basis. Tables are empty where nothing is on lees.
    """
    stock, stacks, at, curve, market = stack_inputs(results)
    if not len(stock):
        return pd.DataFrame(columns=list(VERDICTS)), pd.DataFrame(columns=list(BY_DATE)), None
    queue = queue_for_market(stacks, at, curve, market)
    found = hold_or_release(stacks, at, curve, queue.wait_years)
    rows = np.arange(len(stock))
    best = found.best
    shown = np.maximum(best, 0)
    volatility = price_volatility(results.estate)
    years = (at - at[0]) / 365.0
    later = np.maximum(found.best_later, 0)
    chance = probability_holding_wins(
        stacks.price[rows, later], found.flip_price[rows, later], volatility, years[later]
    )
    none = best < 0
    verdicts = pd.DataFrame(
        {
            "lot": stock["lot"],
            "cuvee": stock["cuvee"],
            "format": stock["format"],
            "bottles": stock["quantity"],
            "months_on_lees": stock["months_on_lees"],
            "cost_per_bottle": stock["value_per_unit"],
            "release": as_dates(np.where(none, BLANK_DAY, at[shown])),
            "gain": np.where(none, np.nan, found.gain[rows, shown]),
            "gain_per_bottle_year": np.where(none, np.nan, found.gain_per_bottle_year[rows, shown]),
            "flip_hurdle": found.flip_hurdle.ravel(),
            "flip_storage": found.flip_storage.ravel(),
            "peak_capital": np.where(none, np.nan, found.peak_capital[rows, shown]),
            "probability": np.where((found.best_later < 0) | (volatility <= 0), np.nan, chance),
            "verdict": [verdict(found, int(row)) for row in rows],
        }
    )
    line, column = np.divmod(np.arange(stacks.price.size), len(at))
    by_date = pd.DataFrame(
        {
            "lot": stock["lot"].to_numpy()[line],
            "cuvee": stock["cuvee"].to_numpy()[line],
            "date": as_dates(at[column]),
            "months": np.floor(stacks.age_months.ravel() + 1e-9),
            "bottles": found.worth.bottles.ravel(),
            "price": stacks.price.ravel(),
            "finishing": stacks.finishing.ravel(),
            "net": found.worth.net.ravel(),
            "npv": found.worth.npv.ravel(),
            "gain": found.gain.ravel(),
            "year_return": found.year_return.ravel(),
            "hurdle": np.broadcast_to(found.hurdle, stacks.price.shape).ravel(),
            "break_even_price": found.break_even_price.ravel(),
            "price_growth_needed": found.price_growth_needed.ravel(),
            "peak_capital": found.peak_capital.ravel(),
            "barred": np.array(REASONS, dtype=object)[found.reason.ravel()],
        }
    )
    return verdicts, by_date, found


def price_volatility(estate: Estate) -> float:
    """Yearly spread of the logarithm of prices by age, from the Uncertainty sheet; 0 where it says nothing of
    them.
    """
    table = estate["uncertainty"]
    rows = table[(table["sheet"] == "Price by age") & table["distribution"].isin(["normal", "lognormal"])]
    return float(rows["second_parameter"].iloc[0]) if len(rows) else 0.0
