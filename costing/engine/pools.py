"""Cost pools: rates by driver, what they leave unabsorbed, pools that are still open.

Rule:   rate = amount / max(normal capacity, driver); absorbed = rate·driver; unabsorbed = amount −
        absorbed. An open pool is cut at the valuation date pro rata of days; the actual part is charged on
        the actual driver with its share of the normal capacity, the planned part on its share of the normal
        capacity alone, so that adding a plan never reprices the past.

Conventions A driver is a quantity (kg, L, bottles, loads, litre-days), never a value. No normal capacity is
    given as 0. 0/0 is a rate of 0 with nothing absorbed. A period runs from its first to its last day, both
    included, and the valuation day is past: it belongs to the actual part. Fixed overhead on normal
    capacity, the rest expensed: IAS 2 Inventories, paragraph 13. Where the driver is above normal capacity
    the rate falls, so that no more than the amount is absorbed.

What it does not do: decide where unabsorbed cost goes (expense or shown apart is the choice of a basis), or
fixed against variable overhead: a pool without normal capacity is charged in full. Service departments that
serve each other are spread by the user before they come here.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


class PoolRate(NamedTuple):
    """Rate per unit of driver, the part of the amount that it absorbs, and the part that it leaves."""

    rate: FloatArray
    absorbed: FloatArray
    unabsorbed: FloatArray


class OpenPeriod(NamedTuple):
    """The two parts of a pool that the valuation date cuts; a part without days has amount and rate 0."""

    actual: PoolRate
    planned: PoolRate


def pool_rate(amount: npt.ArrayLike, driver: npt.ArrayLike, normal_capacity: npt.ArrayLike) -> PoolRate:
    """Rate of each pool: amount / max(normal capacity, driver), 0 where both are 0.

    amount: money; driver, normal_capacity: in the unit of the driver, 0 or more. Arrays broadcast.
    ValueError names the first pool with a driver or a capacity below 0 or missing.
    """
    cost, used, capacity = _columns(amount, driver, normal_capacity)
    _check_quantities(used, "driver")
    _check_quantities(capacity, "normal capacity")
    rate = _ratio_or_zero(cost, np.maximum(capacity, used))
    # a driver at or above capacity absorbs the amount itself, not amount / driver × driver
    absorbed = np.where((used >= capacity) & (used > 0), cost, rate * used)
    return PoolRate(rate, absorbed, cost - absorbed)


def open_period(
    amount: npt.ArrayLike,
    from_day: npt.ArrayLike,
    to_day: npt.ArrayLike,
    valuation_day: npt.ArrayLike,
    driver_actual: npt.ArrayLike,
    driver_planned: npt.ArrayLike,
    normal_capacity: npt.ArrayLike,
) -> OpenPeriod:
    """Rates of pools that may still be open on the valuation day, actual part and planned part.

    amount, normal_capacity: of the whole period; from_day, to_day, valuation_day: day numbers, all included;
    driver_actual, driver_planned: quantity up to and after the valuation day. Arrays broadcast.

    The planned rate is amount / normal capacity of the planned part, whatever is planned, so the planned
    part may absorb more or less than its amount. Without a normal capacity the actual rate continues; where
    nothing has been done yet either (a period wholly ahead), the plan itself is the measure: amount /
    planned driver. No planned figure enters the actual rate. ValueError names the first period that ends
    before it starts.
    """
    cost, first, last, today, done, planned, capacity = _columns(
        amount, from_day, to_day, valuation_day, driver_actual, driver_planned, normal_capacity
    )
    _check_quantities(planned, "planned driver")
    if (last < first).any():
        message = f"pool {_first(last < first)}: its period ends before it starts"
        raise ValueError(message)
    days = last - first + 1
    past = np.clip(today - first + 1, 0, days) / days
    actual = pool_rate(cost * past, done, capacity * past)
    ahead_cost, ahead_capacity = cost - cost * past, capacity * (1 - past)
    on_capacity = _ratio_or_zero(ahead_cost, ahead_capacity)
    on_plan = _ratio_or_zero(ahead_cost, planned)
    rate = np.where(ahead_capacity > 0, on_capacity, np.where(done > 0, actual.rate, on_plan))
    rate = np.where(past < 1, rate, 0.0)
    absorbed = rate * planned
    return OpenPeriod(actual, PoolRate(rate, absorbed, ahead_cost - absorbed))


def _columns(*columns: npt.ArrayLike) -> list[FloatArray]:
    return list(np.broadcast_arrays(*(np.asarray(column, dtype=np.float64) for column in columns)))


def _ratio_or_zero(top: FloatArray, bottom: FloatArray) -> FloatArray:
    return np.divide(top, bottom, out=np.zeros(top.shape), where=bottom != 0)


def _check_quantities(quantity: FloatArray, what: str) -> None:
    bad = ~(quantity >= 0) | np.isinf(quantity)
    if bad.any():
        row = _first(bad)
        message = f"row {row}: the {what} is {quantity.flat[row]:g}; it must be a number of 0 or more"
        raise ValueError(message)


def _first(bad: npt.NDArray[np.bool_]) -> int:
    return int(np.flatnonzero(bad)[0])
