"""Rules on money: payment terms, norms, rates, pools, channels and prices."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from costing.errors import CAUTION, Finding
from costing.inputs.currencies import rates_missing
from costing.inputs.estate import Estate
from costing.inputs.grape_prices import premiums_that_fit_nothing
from costing.inputs.headers import closest
from costing.inputs.pool_checks import POOL_CHECKS
from costing.inputs.row_findings import by_name, each, filled, first_rows, shown, totals
from costing.inputs.schema import lists, operations

MANY = 8
"""Names from which on a remedy does not list them."""


def payment_terms(estate: Estate) -> Iterator[Finding]:
    """Yield terms whose shares do not make 100 % and instalments without one day of payment."""
    if not len(estate["terms"]):
        return
    firsts = first_rows(estate, "terms", "terms")
    for name, total in totals(estate, "terms", "terms", "share").items():
        if abs(total - 1.0) > 1e-6:
            rule = f"the shares of '{name}' make {total * 100:.6g} %, not 100 %."
            yield from each(
                estate, "terms", [firsts[name]], "share", rule, "Correct the shares, or add the instalment."
            )
    days, fixed = filled(estate, "terms", "days_after"), filled(estate, "terms", "fixed_date")
    yield from each(
        estate,
        "terms",
        ~days & ~fixed,
        "days_after",
        "no day of payment.",
        "Enter the days after delivery or a fixed date.",
    )
    yield from each(
        estate,
        "terms",
        days & fixed,
        "fixed_date",
        "stands beside days after delivery.",
        "Enter one of the two.",
    )


def norms(estate: Estate) -> Iterator[Finding]:
    """Yield norms for no known operation or stage, and norms with the wrong time base."""
    names = list(dict.fromkeys([*operations(), *lists()["stage"]]))
    for row in range(len(estate["loss_norms"])):
        name = shown(estate, "loss_norms", row, "applies_to")
        base = shown(estate, "loss_norms", row, "time_base")
        is_operation, is_stage = name in operations(), name in lists()["stage"]
        bases = ["per movement"] * is_operation + ["per year"] * is_stage
        if name and not bases:
            near = closest(name, names, 0.6)
            remedy = f"Did you mean '{near}'?" if near else f"Choose one of: {', '.join(names)}."
            yield from each(estate, "loss_norms", [row], "applies_to", "is no operation or stage.", remedy)
        elif name and base and base not in bases:
            rule = f"does not fit '{name}', {'an operation' if is_operation else 'a stage'}."
            within = [operation for operation, entry in operations().items() if entry.stage == name]
            other = f"name an operation, such as '{within[0]}'" if is_stage and within else "name a stage"
            remedy = f"Choose '{bases[0]}', or {other}."
            yield from each(estate, "loss_norms", [row], "time_base", rule, remedy)


def rates(estate: Estate) -> Iterator[Finding]:
    """Yield rates that nothing could ever be charged by, and interest rows without a rate."""
    every = [(table, row) for table in ("operation_rates", "service_rates") for row in range(len(estate[table]))]
    for table, row in every:
        operation, driver = (shown(estate, table, row, column) for column in ("operation", "driver"))
        if operation not in operations() or not driver or driver in operations()[operation].drivers:
            continue
        works = _either(operations()[operation].drivers)
        others = [name for name, entry in operations().items() if driver in entry.drivers]
        rule = f"is never counted by '{operation}': nothing could be charged."
        also = f" '{driver}' goes with {_either(others)}." if len(others) < MANY else ""
        remedy = f"'{operation}' is paid per {works}.{also}"
        yield from each(estate, table, [row], "driver", rule, remedy)
    none = ~filled(estate, "interest_rates", "borrowing_rate") & ~filled(estate, "interest_rates", "hurdle_rate")
    yield from each(
        estate, "interest_rates", none, None, "no rate stands in this row.", "Enter one, or delete the row."
    )


def _either(names: Sequence[str]) -> str:
    """Names in words: 'kg', 'litre' or 'load'."""
    quoted = [f"'{name}'" for name in names]
    return " or ".join(filter(None, [", ".join(quoted[:-1]), quoted[-1]]))


def channel_terms(estate: Estate) -> Iterator[Finding]:
    """Yield channels whose deductions leave nothing, and foreign currencies without a rate."""
    table = estate["channels"]
    for column in ("discount", "commission"):
        whole = table[column].to_numpy() >= 1.0
        yield from each(estate, "channels", whole, column, "leaves nothing of the price.", "Enter less than 100 %.")
    for column in ("importer_margin", "distributor_margin", "retailer_margin"):
        whole = (table[column].to_numpy() >= 1.0) & (table["margin_basis"] == "margin on price").to_numpy()
        remedy = "Enter less than 100 %, or set the margin basis to 'mark-up on cost'."
        yield from each(estate, "channels", whole, column, "is the whole price as a margin.", remedy)
    least, most = table["floor_bottles"].to_numpy(), table["cap_bottles"].to_numpy()
    yield from each(
        estate,
        "channels",
        least > most,
        "floor_bottles",
        "is more than 'At most'.",
        "Correct one of the two.",
    )
    idle = (table["excise_amount"].to_numpy() > 0) & (table["excise_basis"] == "none").to_numpy()
    yield from each(
        estate,
        "channels",
        idle,
        "excise_amount",
        "has no basis: nothing is charged.",
        "Choose the excise basis.",
        CAUTION,
    )
    with_rate = first_rows(estate, "channels", "currency", filled(estate, "channels", "currency_rate"))
    rated = {estate.settings.currency, *with_rate}
    for sheet in ("channels", "dispatches", "price_list"):
        for name in first_rows(estate, sheet, "currency"):
            if name not in rated:
                rows = (estate[sheet]["currency"] == name).to_numpy()
                remedy = f"Enter the currency rate of {name} on Channels, or correct the currency."
                yield from each(estate, sheet, rows, "currency", "has no currency rate.", remedy)
    reach = estate["targets"]["value"].to_numpy() >= 1.0
    margins = reach & (estate["targets"]["target"] == "margin").to_numpy()
    yield from each(estate, "targets", margins, "value", "cannot be a margin on price.", "Enter less than 100 %.")


def prices_of_sales(estate: Estate) -> Iterator[Finding]:
    """Caution where bottles were sold without a price before the valuation date."""
    table = estate["dispatches"]
    if not len(table):
        return
    other_exit = (estate["channels"]["way_out"] != "sale").to_numpy()
    exits = first_rows(estate, "channels", "channel", other_exit)
    sold = ~by_name(estate, "dispatches", "channel", dict.fromkeys(exits, True), False).astype(bool)
    past = np.ones(len(table), dtype=bool)
    if estate.settings.valuation_date is not None:
        past = table["on_date"].to_numpy() <= np.datetime64(estate.settings.valuation_date, "s")
    missing = past & sold & ~filled(estate, "dispatches", "net_price")
    rule = "no price, though the bottles were sold before the valuation date."
    yield from each(estate, "dispatches", missing, "net_price", rule, "Enter the net price per bottle.", CAUTION)


def pressings_of_values(estate: Estate) -> Iterator[Finding]:
    """Yield market values of a pressing that speak of something other than must or wine: they never count."""
    what = estate["market_values"]["what"].astype(object)
    wet = (what.isna() | what.isin(["must", "wine", "reserve", "blend"])).to_numpy()
    rule = "is a pressing of must or wine, and the row speaks of something else: it values nothing."
    remedy = "Leave it blank, or choose must, wine, reserve or blend."
    yield from each(
        estate, "market_values", ~wet & filled(estate, "market_values", "fraction"), "fraction", rule, remedy
    )


PRICE_CHECKS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (
    payment_terms,
    norms,
    rates,
    *POOL_CHECKS,
    channel_terms,
    prices_of_sales,
    pressings_of_values,
    premiums_that_fit_nothing,
    rates_missing,
)
