"""Rules on money: payment terms, norms, rates, channels and prices."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from costing.errors import CAUTION
from costing.inputs.rows import Breach, Rows, rule_of
from costing.inputs.schema import lists, operations

_MANY = 8
"""Names from which on a remedy does not list them."""


@rule_of("terms")
def payment_terms(terms: Rows) -> Iterator[Breach]:
    """Yield terms whose shares do not make 100 % and instalments without one day of payment."""
    firsts = terms.first_rows("terms")
    for name, total in terms.frame.groupby("terms", observed=True)["share"].sum().items():
        if abs(total - 1.0) > 1e-6:
            rule = f"the shares of '{name}' make {total * 100:.6g} %, not 100 %."
            yield [firsts[str(name)]], "share", rule, "Correct the shares, or add the instalment."
    days, fixed = terms.given("days_after"), terms.given("fixed_date")
    yield ~days & ~fixed, "days_after", "no day of payment stands here.", "Enter the days after delivery or a date."
    yield days & fixed, "fixed_date", "stands beside days after delivery.", "Enter one of the two."


@rule_of("loss_norms")
def norms(norms: Rows) -> Iterator[Breach]:
    """Yield norms for no known operation or stage, and norms with the wrong time base."""
    names = list(dict.fromkeys([*operations(), *lists()["stage"]]))
    yield from norms.unknown("applies_to", names, "is no operation or stage.", f"Choose one of: {', '.join(names)}.")
    for row in range(len(norms)):
        name, base = norms.shown(row, "applies_to"), norms.shown(row, "time_base")
        is_operation, is_stage = name in operations(), name in lists()["stage"]
        bases = ["per movement"] * is_operation + ["per year"] * is_stage
        if base and bases and base not in bases:
            rule = f"does not fit '{name}', {'an operation' if is_operation else 'a stage'}."
            within = [operation for operation, entry in operations().items() if entry.stage == name]
            other = f"name an operation, such as '{within[0]}'" if within else "name a stage"
            yield [row], "time_base", rule, f"Choose '{bases[0]}', or {other}."


@rule_of("operation_rates", "service_rates")
def rates(rates: Rows) -> Iterator[Breach]:
    """Yield rates that nothing could ever be charged by."""
    for row in range(len(rates)):
        operation, driver = rates.shown(row, "operation"), rates.shown(row, "driver")
        if operation not in operations() or not driver or driver in operations()[operation].drivers:
            continue
        others = [name for name, entry in operations().items() if driver in entry.drivers]
        rule = f"is never counted by '{operation}': nothing could be charged."
        also = f" '{driver}' goes with {_either(others)}." if len(others) < _MANY else ""
        remedy = f"'{operation}' is paid per {_either(operations()[operation].drivers)}.{also}"
        yield [row], "driver", rule, remedy


@rule_of("interest_rates")
def interest_has_a_rate(rates: Rows) -> Iterator[Breach]:
    """Yield interest rows without a rate."""
    none = ~rates.given("borrowing_rate") & ~rates.given("hurdle_rate")
    yield none, None, "no rate stands in this row.", "Enter one, or delete the row."


def _either(names: Sequence[str]) -> str:
    """Names in words: 'kg', 'litre' or 'load'."""
    quoted = [f"'{name}'" for name in names]
    return " or ".join(filter(None, [", ".join(quoted[:-1]), quoted[-1]]))


@rule_of("channels")
def terms_leave_something(channels: Rows) -> Iterator[Breach]:
    """Yield channels whose deductions leave nothing, and excise without a basis."""
    for column in ("discount", "commission"):
        yield channels[column] >= 1.0, column, "leaves nothing of the price.", "Enter less than 100 %."
    remedy = "Enter less than 100 %, or set the margin basis to 'mark-up on cost'."
    for column in ("importer_margin", "distributor_margin", "retailer_margin"):
        whole = (channels[column] >= 1.0) & channels.are("margin_basis", "margin on price")
        yield whole, column, "is the whole price as a margin.", remedy
    crossed = channels["floor_bottles"] > channels["cap_bottles"]
    yield crossed, "floor_bottles", "is more than 'At most'.", "Correct one of the two."
    idle = (channels["excise_amount"] > 0) & channels.are("excise_basis", "none")
    yield idle, "excise_amount", "has no basis: nothing is charged.", "Choose the excise basis.", CAUTION


@rule_of("channels", "dispatches", "price_list")
def currencies(rows: Rows) -> Iterator[Breach]:
    """Yield foreign currencies without a rate."""
    channels = rows.of("channels")
    rated = channels.first_rows("currency", channels.given("currency_rate"))
    for name in rows.first_rows("currency"):
        if name not in (rows.estate.settings.currency, *rated):
            remedy = f"Enter the currency rate of {name} on Channels, or correct the currency."
            yield rows["currency"] == name, "currency", "has no currency rate.", remedy


@rule_of("targets")
def targets_within_reach(targets: Rows) -> Iterator[Breach]:
    """Yield margins that would be the whole price."""
    whole = (targets["value"] >= 1.0) & targets.are("target", "margin")
    yield whole, "value", "cannot be a margin on price.", "Enter less than 100 %."


@rule_of("dispatches")
def prices_of_sales(dispatches: Rows) -> Iterator[Breach]:
    """Caution where bottles were sold without a price before the valuation date."""
    channels = dispatches.of("channels")
    other_ways_out = channels.first_rows("channel", (channels["way_out"] != "sale").to_numpy())
    missing = ~dispatches.are("channel", *other_ways_out) & ~dispatches.given("net_price")
    if dispatches.estate.settings.valuation_date is not None:
        missing &= (dispatches["on_date"] <= pd.Timestamp(dispatches.estate.settings.valuation_date)).to_numpy()
    rule = "no price stands here, though the bottles were sold before the valuation date."
    yield missing, "net_price", rule, "Enter the net price per bottle.", CAUTION


@rule_of("market_values")
def pressings_of_values(values: Rows) -> Iterator[Breach]:
    """Yield market values of a pressing that speak of something other than must or wine: they never count."""
    wet = ~values.given("what") | values.are("what", "must", "wine", "reserve", "blend")
    rule = "is a pressing of must or wine, and the row speaks of something else: it values nothing."
    remedy = "Leave it blank, or choose must, wine, reserve or blend."
    yield ~wet & values.given("fraction"), "fraction", rule, remedy
