"""What the plan is given and can't be made from, and what it can't keep: a finding each, at its cell.

Conventions: a limit has one finding however many months or years it is broken in. The worst month is named for
places, the line and credit; every year for what is promised.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.decisions.budget.loans import AT_WILL
from costing.decisions.plan.facts import Dates
from costing.decisions.plan.from_estate import PlanInputs
from costing.decisions.plan.planning import Plan
from costing.decisions.prices.release_dates import age_in_months
from costing.errors import Finding, caution
from costing.graph.arrays import BLANK_DAY, days
from costing.inputs.estate import Estate
from costing.model import Runs

SOME = 0.5
"""Less than half a bottle is none."""
_NAMED = 4
_LOT_CELLS = (
    *(("tirage", "to_lot"), ("opening_stock", "lot"), ("deliveries", "lot")),
    *(("disgorgements", "release_lot"), ("movements", "to_lot")),
)


def month_of(dates: Dates, step: int) -> str:
    """Month of a step: 2026-05. The first date is the evening of a day."""
    return str((dates.day[step] + 1).astype("datetime64[D]"))[:7]


def evening_of(dates: Dates, step: int) -> str:
    """Month of a date: 2026-04 for its last evening."""
    return str(dates.day[step].astype("datetime64[D]"))[:7]


def without_price(estate: Estate, left_out: pd.DataFrame) -> Iterator[Finding]:
    """Cautions on lots whose cuvée and format have no price by age, or whose tirage is not known."""
    for (cuvee, size), lots in left_out.groupby(["cuvee", "format"], sort=False):
        first = str(lots["lot"].iloc[0])
        rule = f"has no price by age: {_listed(lots['lot'])} ({lots['bottles'].sum():,.0f} bottles) can't be planned."
        if (lots["tirage_day"] == BLANK_DAY).all():
            rule = f"has no known tirage, so no age: {_listed(lots['lot'])} can't be planned."
        remedy = "Enter its prices on Price by age, or its tirage."
        yield caution(_cell_of_lot(estate, first), f"{cuvee} {size}", rule, remedy)


def outside_prices(estate: Estate, dates: Dates, lots: pd.DataFrame) -> Iterator[Finding]:
    """Cautions on bottles older than the oldest age with a price, and on finished ones younger than the youngest: the
    plan never guesses a price.
    """
    table = estate["price_by_age"]
    tirage = lots["tirage_day"].to_numpy(dtype=np.int64)
    finished = (lots["kind"] == "finished").to_numpy()
    until = np.where(finished, lots["disgorged_day"].to_numpy(dtype=np.int64), dates.day[-2])
    until = np.where(until == BLANK_DAY, dates.day[0], until)
    for (cuvee, size), group in lots.groupby(["cuvee", "format"], sort=False):
        rows = np.flatnonzero(((table["cuvee"] == cuvee) & (table["format"] == size)).to_numpy())
        ages = table["months_on_lees"].to_numpy(dtype=float)[rows]
        members = group.index.to_numpy()
        last = np.array([float(age_in_months(int(tirage[lot]), int(until[lot]))) for lot in members])
        for wrong, row, which in (
            (last > ages.max() + SOME, rows[ages.argmax()], "oldest"),
            (finished[members] & (last < ages.min() - SOME), rows[ages.argmin()], "youngest"),
        ):
            if wrong.any():
                age = f"{table['months_on_lees'].iloc[row]:g}"
                rule = f"months is the {which} age of {cuvee} {size} with a price: {_listed(group['lot'][wrong])} "
                rule += "will be older within the plan." if which == "oldest" else "can't be sold."
                place = estate.place("price_by_age", int(row), "months_on_lees")
                yield caution(
                    place, age, rule, f"Enter prices of {'older' if which == 'oldest' else 'younger'} bottles."
                )


def what_it_breaks(runs: Runs, inputs: PlanInputs, plan: Plan) -> list[Finding]:
    """What the plan can't keep, where and by how much, and limits below what is there today."""
    return [finding for of in (_places, _line, _credit, _supplies) for finding in of(runs, inputs, plan)]


def _places(runs: Runs, inputs: PlanInputs, plan: Plan) -> Iterator[Finding]:
    estate, stacks, limits = runs.estate, inputs.facts.stacks, inputs.facts.limits
    cells = {estate.place("limits", row, "location") for row in range(len(estate["limits"]))}
    yield from (finding for finding in estate.cautions if finding.place in cells)
    for place, most in zip(inputs.places, inputs.places_of_others.max(axis=1, initial=0.0), strict=True):
        if most > 0:
            taken = f"bottles of other owners take up to {most:,.0f} of the places of {place}"
            rule = f"{taken}, which are not free for ours."
            yield caution("Limits", "", rule, "Enter on Movements when theirs go back.")
    there = stacks.bottles * stacks.takes_places * ((stacks.arrives == 0) & ~stacks.finished)
    for number, place in enumerate(inputs.places):
        today = float(there[stacks.place == number].sum())
        short = _worst(plan.over_places[number], partial(month_of, inputs.facts.dates))
        rule = f"places in {place} are too few{short}."
        if today > limits.places[number, 0] + SOME:
            at_once = short or ", and the plan makes room at once"
            rule = f"places in {place} are fewer than the {today:,.0f} that are taken today{at_once}."
        elif not short:
            continue
        remedy = "Correct it, find places, or disgorge more before."
        yield _at_limit(runs, inputs.limit_rows.places[number], plan.over_places[number], rule, remedy)


def _line(runs: Runs, inputs: PlanInputs, plan: Plan) -> Iterator[Finding]:
    if short := _worst(plan.over_line, partial(month_of, inputs.facts.dates)):
        rule = f"bottles a month can't be kept: the plan puts more to disgorging{short}."
        remedy = "Correct it, or give other limits more room."
        yield _at_limit(runs, inputs.limit_rows.line, plan.over_line, rule, remedy)


def _credit(runs: Runs, inputs: PlanInputs, plan: Plan) -> Iterator[Finding]:
    rows, owed, estate = inputs.limit_rows.credit, inputs.limit_rows.owed_today, runs.estate
    short = _worst(plan.over_credit, partial(evening_of, inputs.facts.dates))
    most = np.append(estate["limits"]["most"].to_numpy(dtype=float), np.nan)
    if owed > most[rows[0]] + SOME:
        rule = f"is below the {owed:,.0f} owed today{short}."
        remedy = "Correct it, or repay before."
        yield caution(estate.place("limits", int(rows[0]), "most"), f"{most[rows[0]]:,.0f}", rule, remedy)
    elif short:
        rule = f"of credit can't be kept: the plan owes more{short}."
        remedy = "Sell more before, spend later, or ask for a longer line."
        worst, loans = int(plan.over_credit.argmax()), estate["loans"]
        day = inputs.facts.dates.day[worst]
        runs_then = (loans["repayment"] == AT_WILL).to_numpy() & (days(loans["from_date"]) <= day)
        line = np.flatnonzero(runs_then & (days(loans["due_date"]) > day))
        if rows[worst] >= 0 or not len(line):
            yield _at_limit(runs, rows, plan.over_credit, rule, remedy)
        else:
            amount = loans["amount"].iloc[line[0]]
            yield caution(estate.place("loans", int(line[0]), "amount"), f"{amount:,.0f}", rule, remedy)


def _supplies(runs: Runs, inputs: PlanInputs, plan: Plan) -> Iterator[Finding]:
    facts, rows = inputs.facts, inputs.limit_rows
    limits, stacks = facts.limits, facts.stacks
    for row in dict.fromkeys(rows.supply.tolist()):
        short = np.flatnonzero((rows.supply == row) & (plan.short_supply > SOME))
        if not len(short):
            continue
        of = limits.supply_markets[short[0]]
        there = float((stacks.bottles * stacks.good)[of[stacks.market]].sum())
        years = ", ".join(
            f"{plan.short_supply[row_short]:,.0f} in {limits.supply_year[row_short]}" for row_short in short
        )
        most = float(limits.supply[short].max())
        why = f": there are {there:,.0f} of it in all" if most > there else ""
        why = why if of.any() else ": no lot of it has a price by age"
        name = rows.supply_names[short[0]]
        rule = f"bottles of {name} a year are promised and can't be kept{why}; the plan is short by {years}."
        place = runs.estate.place("limits", row, "least")
        yield caution(place, f"{most:,.0f}", rule, "Promise less, or fill more.")


def _worst(over: Floats, month: Callable[[int], str]) -> str:
    """By how much, and in which month it is most; nothing where it is kept."""
    step, many = int(over.argmax()), int((over > SOME).sum())
    if not many:
        return ""
    more = f", the worst of {many} dates" if many > 1 else ""
    return f", by {over[step]:,.0f} in {month(step)}{more}"


def _at_limit(runs: Runs, rows: Ints, over: Floats, rule: str, remedy: str) -> Finding:
    """A caution at `At most` of the row of Limits that holds where it is broken most."""
    row = int(rows[int(over.argmax())])
    value = runs.estate["limits"]["most"].iloc[row]
    return caution(runs.estate.place("limits", row, "most"), f"{value:,.0f}", rule, remedy)


def _cell_of_lot(estate: Estate, lot: str) -> str:
    """The cell that says what a lot is."""
    filled = ((table, column, estate[table][column].astype(object) == lot) for table, column in _LOT_CELLS)
    return next(estate.place(table, int(fits.argmax()), column) for table, column, fits in filled if fits.any())


def _listed(names: pd.Series[str]) -> str:
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return ", ".join(names.head(_NAMED)) + more
