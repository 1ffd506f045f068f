"""Hold or release for every stack on lees, by date: the estate's own prices, rates, norms and rules in,
verdicts out.

Each lot on lees at the valuation date is a stack. Price: the Price by age sheet, in the money of its date;
it is the net ex-cellar price of the bottle, so no channel's deductions are taken off again. Finishing, with
work at dispatch of the good bottles: `decisions.prices.selling`. Storage: `decisions.keeping_costs`.
Hurdle: the Interest rates sheet. Releases of one cuvée and format share one market (the smallest limit that
its prices by age give), oldest first. The rule set bars dates before its minimum months. Arithmetic:
`decisions.plan.ageing`.

Bottles are those on lees; of what is put to disgorging the norm is lost, so a price counts for
`(1 − norm)` of them. Prices shown, break-even prices among them, are per bottle sold; finishing is per bottle
put to disgorging. Not here: what scarce places and a market that binds do (`decisions.scarcity_tables`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.calendar import months_between
from costing.decisions.keeping_costs import (
    good_share,
    last_riddling,
    pools_per_unit_year,
    riddling_by_cuvee,
    storage_per_bottle_year,
    yearly_loss,
)
from costing.decisions.plan.ageing import HoldOrRelease, hold_or_release, verdict
from costing.decisions.prices.release_dates import REASONS, StacksOnLees, age_in_months, candidate_days, in_money_of_day
from costing.decisions.prices.scarcity import queue_for_market
from costing.decisions.prices.selling import finished_and_sent
from costing.engine.carrying import RateCurve
from costing.errors import Finding, caution
from costing.graph.arrays import BLANK_DAY, days
from costing.inputs.basis import ECONOMIC
from costing.inputs.estate import Estate
from costing.money.capital import capital_curve
from costing.once import asked_once
from costing.results.lots import as_dates, lot_labels
from costing.results.place_rules import first_sale
from costing.results.results import Results
from costing.results.stock import stock_values

STACK_COLUMNS = (
    *("lot", "cuvee", "format", "bottles", "months_on_lees", "economic_on_lees", "best_release_date", "gain"),
    *("gain_per_bottle_year", "hurdle_break_even", "storage_break_even", "price_break_even", "peak_capital"),
    *("average_capital", "verdict", "reason"),
)
DATE_COLUMNS = (
    *("lot", "cuvee", "format", "releases_on", "months_on_lees", "bottles", "price", "finishing_per_bottle"),
    *("months_to_sell", "net_worth", "npv", "gain", "gain_per_bottle_year", "year_return", "hurdle"),
    *("break_even_price", "price_growth_needed", "peak_capital", "average_capital", "barred"),
)
AGES_SHEET = "Price by age"


@dataclass(frozen=True, eq=False)
class Holding:
    """What the decision is made from: stock [s], its arrays by candidate date, the dates [t], the hurdle, the
    number of each stack's market [s], and the share of bottles that disgorging leaves good.
    """

    stock: pd.DataFrame
    stacks: StacksOnLees
    day: Ints
    curve: RateCurve
    market: Ints
    good: float


@asked_once
def stacks_on_lees(results: Results) -> pd.DataFrame:
    """Lots on lees at the valuation date with a known tirage: by cuvée and format, oldest first.

    Columns: those of `stock_values`; the value is the cost of the basis.
    """
    stock = stock_values(results)
    stock = stock[(stock["kind"] == "on lees") & stock["tirage"].notna()]
    return stock.sort_values(["cuvee", "format", "tirage", "lot"], ignore_index=True)


@asked_once
def _prices_by_age(estate: Estate) -> dict[tuple[str, str], pd.DataFrame]:
    """Rows of Price by age of each cuvée and format, youngest first."""
    table = estate["price_by_age"].sort_values("months_on_lees", kind="stable")
    return {(str(key[0]), str(key[1])): rows for key, rows in table.groupby(["cuvee", "format"], observed=True)}


def ex_cellar_price(estate: Estate, cuvee: str, bottle_format: str, age_months: Floats, day: Ints) -> Floats:
    """Price by age at each day, in the money of that day [t]; NaN outside the given ages: never extrapolated.

    Each given price is brought to the money of the day first, then a straight line joins the two ages.
    """
    prices = _prices_by_age(estate).get((cuvee, bottle_format))
    if prices is None:
        return np.full(len(day), np.nan)
    given, money = prices["months_on_lees"].to_numpy(), days(prices["money_date"])
    known = money != BLANK_DAY
    then = in_money_of_day(
        prices["ex_cellar_price"].to_numpy()[:, np.newaxis],
        np.where(known, money, day[0])[:, np.newaxis],
        day,
        np.nan_to_num(prices["escalation"].to_numpy())[:, np.newaxis],
    )
    after = np.clip(np.searchsorted(given, age_months), min(1, len(given) - 1), len(given) - 1)
    before = np.maximum(after - 1, 0)
    span = given[after] - given[before]
    weight = (age_months - given[before]) / np.where(span > 0, span, 1.0)
    date = np.arange(len(day))
    price = then[before, date] * (1.0 - weight) + then[after, date] * weight
    inside = (age_months >= given[0]) & (age_months <= given[-1])
    return np.where(inside, price, np.nan)


@asked_once
def holding(results: Results, changed: Estate | None = None) -> Holding:
    """Collect the stacks on lees and what holds for them at every candidate date of the settings.

    changed: the estate with other prices and rates, to sell and to keep the same stacks at (None: its own).
    """
    estate, chain = results.estate if changed is None else changed, results.chain
    today, settings = chain.valuation_day, estate.settings
    day = candidate_days(today, settings.ageing_step_months, settings.ageing_horizon_months)
    stock = stacks_on_lees(results)
    shape = (len(stock), len(day))
    price, finishing, storage, finished = (np.full(shape, np.nan) for _ in range(4))
    takes = np.full(len(stock), np.inf)
    good, table, riddling = (
        good_share(estate),
        estate["price_by_age"],
        riddling_by_cuvee(estate, lot_labels(estate, chain)),
    )
    tirage = days(stock["tirage"])
    ages = age_in_months(tirage[:, np.newaxis], day) if len(stock) else np.zeros(shape)
    kept: dict[str, tuple[Floats, Floats]] = {}
    finish: dict[tuple[str, str | None], Floats] = {}
    for row, (cuvee, size) in enumerate(zip(stock["cuvee"].astype(str), stock["format"].astype(str), strict=True)):
        price[row] = ex_cellar_price(estate, cuvee, size, ages[row], day)
        limits = table.loc[(table["cuvee"] == cuvee) & (table["format"] == size), "bottles_a_month"].to_numpy()
        takes[row] = np.inf if np.isnan(limits).all() else np.nanmin(limits)
        how = last_riddling(riddling, cuvee, size)
        if (size, how) not in finish:
            finish[size, how] = finished_and_sent(estate, size, how, day, today)
        finishing[row] = finish[size, how]
        if size not in kept:
            on_lees = storage_per_bottle_year(estate, "on lees", size, day, today)
            kept[size] = on_lees, storage_per_bottle_year(estate, "finished stock", size, day, today)
        storage[row], finished[row] = kept[size]
    lots = chain.lots.numbers(stock["lot"])
    stacks = StacksOnLees(
        bottles=stock["quantity"].to_numpy(),
        price=price * good,  # per bottle put to disgorging
        finishing=finishing,
        age_months=ages,
        storage_per_bottle_year=storage + pools_per_unit_year(results, lots, day),
        survival_per_year=np.array([1.0 - yearly_loss(estate, "on lees")]),
        minimum_months=minimum_months(estate, stock["cuvee"].to_numpy(dtype=object), tirage, today),
        market_per_month=takes / good,
        finished_storage_per_bottle_year=finished[:, 0] * good,  # only good bottles are finished stock
    )
    market = pd.factorize(stock["cuvee"].astype(str) + "|" + stock["format"].astype(str))[0].astype(np.int64)
    return Holding(stock, stacks, day, hurdle_curve(results), market, good)


def hurdle_curve(results: Results) -> RateCurve:
    """Rate that capital must earn: that of the run, or the hurdle rate of the estate where it charges none."""
    curve = results.charges.curve or capital_curve(results.estate, ECONOMIC)
    assert curve is not None  # capital_curve says so itself where the sheet is empty
    return curve


def minimum_months(estate: Estate, cuvee: np.ndarray, tirage: Ints, today: int) -> Floats:
    """Months from tirage to sale that the rule set of each cuvée asks for; 0 without one."""
    return np.nan_to_num(months_between(as_dates(tirage), first_sale(estate, cuvee, tirage, today)))


@asked_once
def best_dates(results: Results) -> tuple[Floats, HoldOrRelease]:
    """Years that each stack waits for its market after each date [s, t], and the best of the dates: of `holding`."""
    present = holding(results)
    wait = queue_for_market(present.stacks, present.day, present.curve, present.market).wait_years
    return wait, hold_or_release(present.stacks, present.day, present.curve, wait)


@asked_once
def hold_or_release_tables(results: Results) -> tuple[pd.DataFrame, pd.DataFrame, HoldOrRelease | None]:
    """Verdict of every stack, every candidate date of every stack, and the arrays behind them.

    results: on the economic basis. Tables are empty where nothing is on lees.
    """
    present = holding(results)
    if not len(present.stock):
        return pd.DataFrame(columns=list(STACK_COLUMNS)), pd.DataFrame(columns=list(DATE_COLUMNS)), None
    _, answer = best_dates(results)
    return _by_stack(present, answer), _by_date(present, answer), answer


def _by_stack(present: Holding, answer: HoldOrRelease) -> pd.DataFrame:
    """Verdict of every stack, with the figures of its best date."""
    stock, rows = present.stock, np.arange(len(present.stock))
    none, best, later = answer.best < 0, np.maximum(answer.best, 0), np.maximum(answer.best_later, 0)

    def at_best(values: Floats) -> Floats:
        return np.where(none, np.nan, values[rows, best])

    verdicts = [verdict(answer, int(row)) for row in rows]
    return pd.DataFrame(
        {
            "lot": stock["lot"],
            "cuvee": stock["cuvee"],
            "format": stock["format"],
            "bottles": stock["quantity"],
            "months_on_lees": stock["months_on_lees"],
            "economic_on_lees": stock["value_per_unit"],
            "best_release_date": as_dates(np.where(none, BLANK_DAY, present.day[best])),
            "gain": at_best(answer.gain),
            "gain_per_bottle_year": at_best(answer.gain_per_bottle_year),
            "hurdle_break_even": answer.flip_hurdle.ravel(),
            "storage_break_even": answer.flip_storage.ravel(),
            "price_break_even": np.where(answer.best_later < 0, np.nan, answer.flip_price[rows, later] / present.good),
            "peak_capital": at_best(answer.peak_capital),
            "average_capital": at_best(answer.average_capital),
            **dict(zip(("verdict", "reason"), zip(*verdicts, strict=True), strict=True)),
        }
    )


def _by_date(present: Holding, answer: HoldOrRelease) -> pd.DataFrame:
    """Every candidate date of every stack."""
    stock, stacks, day, good = present.stock, present.stacks, present.day, present.good
    line, column = np.divmod(np.arange(stacks.price.size), len(day))
    labels = {name: stock[name].to_numpy(dtype=object)[line] for name in ("lot", "cuvee", "format")}
    return pd.DataFrame(
        {
            **labels,
            "releases_on": as_dates(day[column]),
            "months_on_lees": np.floor(stacks.age_months.ravel() + 1e-9),
            "bottles": answer.worth.bottles.ravel(),
            "price": (stacks.price / good).ravel(),
            "finishing_per_bottle": stacks.finishing.ravel(),
            "months_to_sell": 12.0 * np.broadcast_to(answer.worth.sale_years, stacks.price.shape).ravel(),
            "net_worth": answer.worth.net.ravel(),
            "npv": answer.worth.npv.ravel(),
            "gain": answer.gain.ravel(),
            "gain_per_bottle_year": answer.gain_per_bottle_year.ravel(),
            "year_return": answer.year_return.ravel(),
            "hurdle": np.broadcast_to(answer.hurdle, stacks.price.shape).ravel(),
            "break_even_price": (answer.break_even_price / good).ravel(),
            "price_growth_needed": answer.price_growth_needed.ravel(),
            "peak_capital": answer.peak_capital.ravel(),
            "average_capital": answer.average_capital.ravel(),
            "barred": np.array(REASONS, dtype=object)[answer.reason.ravel()],
        }
    )


def ageing_findings(results: Results) -> Iterator[Finding]:
    """Yield cautions on stacks that no verdict can speak of: bottles of unknown tirage, cuvées and ages
    without a price, markets that take nothing. A date before the minimum months is barred, and no finding.
    """
    present = holding(results)
    estate, stock = results.estate, stock_values(results)
    unknown = stock[(stock["kind"] == "on lees") & stock["tirage"].isna()]
    for lot in unknown["lot"].astype(str):
        rows = np.flatnonzero((estate["opening_stock"]["lot"] == lot).to_numpy())
        place = estate.place("opening_stock", int(rows[0]), "tirage_date") if len(rows) else "Opening stock"
        rule = f"no tirage date: the age of lot '{lot}' is not known, and nothing is said of holding it."
        yield caution(place, "", rule, "Enter the day of tirage.")
    table = estate["price_by_age"]
    for (cuvee, size), group in present.stock.groupby(["cuvee", "format"], sort=False):
        rows = np.flatnonzero(((table["cuvee"] == cuvee) & (table["format"] == size)).to_numpy())
        lots = ", ".join(group["lot"].astype(str))
        if not len(rows):
            rule = f"has no price for bottles on lees ({lots}): no verdict on them."
            yield caution(AGES_SHEET, f"{cuvee}, {size}", rule, "Enter a price at two ages or more.")
            continue
        given = table["months_on_lees"].to_numpy()[rows]
        asked = present.stacks.age_months[group.index]
        for edge, beyond, word in (
            (int(rows[given.argmax()]), asked > given.max(), "highest"),
            (int(rows[given.argmin()]), asked < given.min(), "lowest"),
        ):
            missing = beyond & (present.stacks.age_months >= present.stacks.minimum_months)[group.index]
            if missing.any():
                low, high = np.floor(asked[missing].min()), np.floor(asked[missing].max())
                ages = f"{low:g}" if low == high else f"{low:g} to {high:g}"
                rule = f"is the {word} age with a price for {cuvee}, {size}; {lots} would also be {ages} months old."
                remedy = "Prices are never extrapolated: enter a price for those ages to have the dates compared."
                place = estate.place("price_by_age", edge, "months_on_lees")
                yield caution(place, f"{table['months_on_lees'].iloc[edge]:g}", rule, remedy)
        limit = table["bottles_a_month"].to_numpy()
        for row in rows[limit[rows] <= 0].tolist():
            place, rule = estate.place("price_by_age", row, "bottles_a_month"), "means that the market takes nothing"
            rule = f"{rule}: no release of {cuvee}, {size} has a price to sell at."
            yield caution(place, "0", rule, "Enter the bottles a month, or leave it blank for no limit.")
