"""Cost pools: rates by driver, what they leave unabsorbed, pools that are still open, service departments.

Rule:   rate = amount / max(normal capacity, driver); absorbed = rate·driver; unabsorbed = amount − absorbed.
        A pool for what happens (kg, loads, bottles through a line) belongs to its season: while it is open its rate
        is amount / max(normal capacity, driver so far), and what is idle is known at its end alone. A pool for time
        (litre-years, bottle-years), and one for what happens without a normal capacity, is cut at the valuation
        date pro rata of days. Plans, in the period and after the last one, bear amount / normal capacity. Service
        departments hand their cost to production directly, in steps, or by solving x = own + Aᵀ·x.

Conventions A driver is a quantity (kg, L, bottles, loads, litre-days), never a value. No normal capacity is
    given as 0. 0/0 is a rate of 0 with nothing absorbed. A period runs from its first to its last day, both
    included, and the valuation day is past: it belongs to the actual part. No planned figure enters an actual rate.
    Fixed overhead on normal capacity, the rest expensed: IAS 2 Inventories, paragraph 13. Where the driver is above
    normal capacity the rate falls, so that no more than the amount is absorbed.

What it does not do: decide where unabsorbed cost goes (expense or shown apart is the choice of a basis), or
fixed against variable overhead: a pool without normal capacity is charged in full.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from costing.array_types import Flags, Floats, check_quantities, first_true


class PoolRate(NamedTuple):
    """Rate per unit of driver, the part of the amount that it absorbs, and the part that it leaves."""

    rate: Floats
    absorbed: Floats
    unabsorbed: Floats


class Period(NamedTuple):
    """Pools of one period each: amount and normal capacity of the whole of it, first and last day (day numbers, both
    included); seasonal: whether the driver is something that happens, not time. Arrays broadcast.
    """

    amount: npt.ArrayLike
    from_day: npt.ArrayLike
    to_day: npt.ArrayLike
    normal_capacity: npt.ArrayLike
    seasonal: bool = False


class OpenPeriod(NamedTuple):
    """The two parts of a pool that the valuation date cuts (a part without days has amount and rate 0), and the
    rate of plans dated after the period.
    """

    actual: PoolRate
    planned: PoolRate
    carried_on: Floats


def pool_rate(amount: npt.ArrayLike, driver: npt.ArrayLike, normal_capacity: npt.ArrayLike) -> PoolRate:
    """Rate of each pool: amount / max(normal capacity, driver), 0 where both are 0.

    amount: money; driver, normal_capacity: in the unit of the driver, 0 or more. Arrays broadcast.
    ValueError names the first pool with a driver or a capacity below 0 or missing.
    """
    cost, used, capacity = _columns(amount, driver, normal_capacity)
    check_quantities(used, "driver")
    check_quantities(capacity, "normal capacity")
    rate = _ratio_or_zero(cost, np.maximum(capacity, used))
    # a driver at or above capacity absorbs the amount itself, not amount / driver × driver
    absorbed = np.where((used >= capacity) & (used > 0), cost, rate * used)
    return PoolRate(rate, absorbed, cost - absorbed)


def open_period(
    period: Period, valuation_day: npt.ArrayLike, driver_actual: npt.ArrayLike, driver_planned: npt.ArrayLike
) -> OpenPeriod:
    """Rates of pools that may still be open on the valuation day, actual part and planned part.

    driver_actual, driver_planned: quantity up to and after the valuation day, that day included.

    The planned rate is amount / normal capacity, whatever is planned, so the planned part may absorb more or less
    than its amount. Without a normal capacity the actual rate continues; where nothing has been done yet either (a
    period wholly ahead), the plan itself is the measure: amount / planned driver. What an open season has not used
    stands in the planned part. ValueError names the first period that ends before it starts.
    """
    cost, first, last, today, done, planned, capacity = _columns(
        period.amount,
        period.from_day,
        period.to_day,
        valuation_day,
        driver_actual,
        driver_planned,
        period.normal_capacity,
    )
    check_quantities(planned, "planned driver")
    if (last < first).any():
        message = f"pool {first_true(last < first)}: its period ends before it starts"
        raise ValueError(message)
    days = last - first + 1
    past = np.clip(today - first + 1, 0, days) / days
    whole = (capacity > 0) & (past > 0) if period.seasonal else np.zeros(past.shape, dtype=bool)
    counted = np.where(whole, 1.0, past)
    actual = pool_rate(cost * counted, done, capacity * counted)
    not_yet = np.where(whole & (past < 1), actual.unabsorbed, 0.0)
    actual = PoolRate(actual.rate, actual.absorbed, actual.unabsorbed - not_yet)
    ahead = cost - cost * counted
    on_plan = _ratio_or_zero(cost - cost * past, planned)
    carried_on = np.where(capacity > 0, _ratio_or_zero(cost, capacity), np.where(done > 0, actual.rate, on_plan))
    rate = np.where(past < 1, carried_on, 0.0)
    absorbed = rate * planned
    return OpenPeriod(actual, PoolRate(rate, absorbed, ahead + not_yet - absorbed), carried_on)


def direct(own_cost: npt.ArrayLike, to_services: npt.ArrayLike, to_production: npt.ArrayLike) -> Floats:
    """Each service department straight to production; what it does for other services is left out.

    Parameters as for `SERVICE_METHODS`.
    """
    own, _, production = _departments(own_cost, to_services, to_production)
    _refuse_stuck((production.sum(axis=1) == 0) & (own != 0))
    return np.asarray(own @ _as_shares(production))


def step_down(own_cost: npt.ArrayLike, to_services: npt.ArrayLike, to_production: npt.ArrayLike) -> Floats:
    """One department after the other as they are given, each to those that follow it and to production.

    Parameters as for `SERVICE_METHODS`.
    """
    own, services, production = _departments(own_cost, to_services, to_production)
    cost, charged = own.copy(), np.zeros(production.shape[1])
    for department in range(len(own)):
        following = slice(department + 1, None)
        receives = np.concatenate([services[department, following], production[department]])
        if cost[department] != 0 and receives.sum() == 0:
            _refuse_stuck(np.arange(len(own)) == department)
        passed_on = cost[department] * _as_shares(receives[np.newaxis])[0]
        left = len(own) - department - 1
        cost[following] += passed_on[:left]
        charged += passed_on[left:]
    return charged


def reciprocal(own_cost: npt.ArrayLike, to_services: npt.ArrayLike, to_production: npt.ArrayLike) -> Floats:
    """All departments at once: total cost x = own + Aᵀ·x, production gets its shares of x.

    Parameters as for `SERVICE_METHODS`. ValueError too where departments serve each other alone.
    """
    own, services, production = _departments(own_cost, to_services, to_production)
    shares = _as_shares(np.hstack([services, production]))
    among, outward = shares[:, : len(own)], shares[:, len(own) :]
    serves = outward.sum(axis=1) > 0  # departments from which cost reaches production, found outward in
    for _ in range(len(own)):
        serves = serves | (among[:, serves].sum(axis=1) > 0)
    total = np.linalg.solve((np.eye(len(own)) - among.T)[np.ix_(serves, serves)], own[serves])
    _refuse_stuck(~serves & (own + total @ among[serves] != 0))
    return np.asarray(total @ outward[serves])


SERVICE_METHODS = {"direct": direct, "step-down": step_down, "reciprocal": reciprocal}
"""Method -> function (own_cost [s], to_services [s, s], to_production [s, p]) -> amounts [p].

own_cost: each service department's own cost; to_services[i, j], to_production[i, k]: what department i does
for service j and for production k, as shares or in any unit (hours, kWh); rows are scaled to their sum.
ValueError names a department with cost that reaches no production department.
"""


def _departments(
    own_cost: npt.ArrayLike, to_services: npt.ArrayLike, to_production: npt.ArrayLike
) -> tuple[Floats, Floats, Floats]:
    own = np.atleast_1d(np.asarray(own_cost, dtype=np.float64))
    services = np.asarray(to_services, dtype=np.float64)
    production = np.asarray(to_production, dtype=np.float64)
    if services.shape != (len(own), len(own)) or production.ndim != 2 or len(production) != len(own):
        message = f"{len(own)} service departments need a square table among them and a row each to production"
        raise ValueError(message)
    check_quantities(services, "service to services")
    check_quantities(production, "service to production")
    return own, services, production


def _as_shares(received: Floats) -> Floats:
    """Rows scaled to sum to 1; a row of nothing stays."""
    return _ratio_or_zero(received, np.broadcast_to(received.sum(axis=1, keepdims=True), received.shape))


def _refuse_stuck(stuck: Flags) -> None:
    if stuck.any():
        message = f"service department {first_true(stuck)}: it has cost that reaches no production department"
        raise ValueError(message)


def _columns(*columns: npt.ArrayLike) -> list[Floats]:
    return list(np.broadcast_arrays(*(np.asarray(column, dtype=np.float64) for column in columns)))


def _ratio_or_zero(top: Floats, bottom: Floats) -> Floats:
    return np.divide(top, bottom, out=np.zeros(top.shape), where=bottom != 0)
