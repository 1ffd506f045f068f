"""One basis to another, line by line: one choice of the basis is replaced at a time and the run repeated.

    value on the first basis + lines = value on the second

The order of the choices is fixed and stands in `_STEPS`: what is expensed, storage window, abnormal losses and
gains, own grapes, by-product, split, price level, opening costs, capital. Another order would give other
lines with the same sum, because choices act on each other: a grape price that rises also earns capital.
Opening costs that were entered for one basis alone change with the kind of basis, not with a rate; they have
a line of their own, found at a rate of 0.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date

import numpy as np
import pandas as pd

from costing.errors import CostingError, nearest
from costing.graph.arrays import Flow
from costing.inputs.basis import Basis
from costing.results.lots import lot_labels
from costing.results.origins import release_states
from costing.results.results import Results
from costing.results.stock import stock_values

_STEPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Elements expensed", ("expensed_elements",)),
    ("Storage counted as production", ("storage_stages",)),
    ("Abnormal losses and gains", ("abnormal_loss", "abnormal_gains")),
    ("Own grapes", ("own_grapes",)),
    ("By-product", ("by_product",)),
    ("Split of press loads", ("split_method",)),
    ("Price level", ("replacement",)),
    ("Capital", ("capital", "rate", "capital_stages")),
)
"""Lines of a bridge and the choices that each of them replaces."""
_OPENING = "Opening costs of the other basis"


def bridge(
    runs: Callable[[Basis], Results],
    start: Basis,
    end: Basis,
    lots: str | Sequence[str] | None = None,
    *,
    cuvee: str | None = None,
    on: date | str | None = None,
) -> pd.DataFrame:
    """Cost from one basis to another: line, amount (money), per bottle, litre or kg (NaN for mixed formats).

    runs: function from a basis to the results of the same estate and chain, `lambda basis: run(estate, basis,
    chain)`; lots: releases, or lots on hand on the valuation date; cuvee: its releases made by then; on: what
    is in stock on a date instead (of these lots or this cuvée, or all of it). CostingError with the nearest
    name for a lot or cuvée that there is not, or if there is nothing to value.
    """
    names = [lots] if isinstance(lots, str) else lots
    results = runs(start)
    first, quantity = _measured(results, names, cuvee, on)
    lines, value = [(f"{start.name.capitalize()} cost", first)], first
    for name, basis in bridge_steps(start, end, results):
        after, _ = _measured(runs(basis), names, cuvee, on)
        lines.append((name, after - value))
        value = after
    lines.append((f"{end.name.capitalize()} cost", value))
    frame = pd.DataFrame(lines, columns=["line", "amount"])
    frame["per_unit"] = frame["amount"] / quantity
    return frame


def bridge_steps(start: Basis, end: Basis, results: Results) -> Iterator[tuple[str, Basis]]:
    """Lines from one basis to another, each with the basis that stands after it. results: of the estate."""
    basis = start
    stated_apart = results.estate["opening_costs"]["basis"].notna().any()
    turns = stated_apart and start.opening_costs != end.opening_costs
    for name, choices in _STEPS:
        changed = {choice: getattr(end, choice) for choice in choices}
        if all(getattr(basis, choice) == wanted for choice, wanted in changed.items()):
            continue
        if name == "Capital" and turns:
            if start.opening_costs == "book":
                if start.capital != "none":
                    basis = basis.replace(rate=0.0)
                    yield "Borrowing cost", basis
                basis = basis.replace(capital=end.capital, rate=0.0)
                yield _OPENING, basis
            else:
                basis = basis.replace(rate=0.0)
                yield name, basis
                name = _OPENING
        basis = basis.replace(**changed)
        yield name, basis


def _measured(
    results: Results, lots: Sequence[str] | None, cuvee: str | None, on: date | str | None
) -> tuple[float, float]:
    """Cost of what was asked for, and its quantity (NaN: not one format)."""
    if on is None and cuvee is not None and lots is None:
        lots = _made_of(results, cuvee)
    if on is None and lots is not None:
        return _of_lots(results, lots)
    stock = stock_values(results, on)
    if lots is not None:
        stock = stock[stock["lot"].isin(lots)]
    if cuvee is not None:
        stock = stock[stock["cuvee"] == cuvee]
    if not len(stock):
        what = f"of {', '.join(lots)} " if lots is not None else f"of cuvée '{cuvee}' " if cuvee is not None else ""
        message = f"nothing {what}is in stock on {on or np.datetime64(results.chain.valuation_day, 'D')}"
        raise CostingError(message)
    alike = len(stock[["unit", "format"]].drop_duplicates()) == 1
    return float(stock["value"].sum()), float(stock["quantity"].sum()) if alike else float("nan")


def _of_lots(results: Results, lots: Sequence[str]) -> tuple[float, float]:
    """Cost of releases when they were disgorged; of other lots what they are worth on the valuation date."""
    chain, units = results.chain, set()
    flows, value, quantity = chain.flows, 0.0, 0.0
    for lot in lots:
        state = release_states(results, lot)
        number = chain.lots.names.get_loc(lot)
        units.add((int(chain.lots.unit[number]), int(chain.lots.format[number])))
        if ((flows.kind == Flow.DISGORGEMENT) & (flows.target == number)).any():
            value += float(results.total[state].sum())
            quantity += float(chain.states.quantity[state].sum())
        else:
            values = stock_values(results)
            values = values[values["lot"] == lot]
            value, quantity = value + float(values["value"].sum()), quantity + float(values["quantity"].sum())
    return value, quantity if len(units) == 1 else float("nan")


def _made_of(results: Results, cuvee: str) -> list[str]:
    """Releases of a cuvée made by the valuation date."""
    flows, labels = results.chain.flows, lot_labels(results.estate, results.chain)
    made = np.flatnonzero((flows.kind == Flow.DISGORGEMENT) & (flows.day <= results.chain.valuation_day))
    releases = np.unique(flows.target[made])
    known = sorted({str(name) for name in labels.cuvee[releases]})
    if cuvee not in known:
        message = f"no release of a cuvée '{cuvee}' has been made. {nearest(cuvee, known)}".strip()
        raise CostingError(message)
    return [str(name) for name in labels.name[releases[labels.cuvee[releases] == cuvee]]]
