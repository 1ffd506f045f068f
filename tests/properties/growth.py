"""Interest for the tracer: an index day by day, written from its definition.

Rule: B(t) = Π (1 + r_k)^(days/365); a charge that accrues evenly over a day is paid at mid-day.
Conventions: a rate holds from its date until the next; the first one also before its date. Act/365.
What it does not do: other day counts. It shares no code with `costing.engine.carrying`.
"""

from __future__ import annotations

from datetime import date, timedelta
from math import log1p

import numpy as np


class Curve:
    """Index of a list of (first day, yearly rate) from `start` on, for `days` days."""

    def __init__(self, rates: list[tuple[date, float]], start: date, days: int) -> None:
        self.start = start
        listed = sorted(rates)
        daily = np.empty(days)
        for n in range(days):
            today = start + timedelta(days=n)
            known = [rate for since, rate in listed if since <= today] or [listed[0][1]]
            daily[n] = log1p(known[-1]) / 365
        self.log = np.concatenate([[0.0], np.cumsum(daily)])
        self.middle = (self.log[1:] + self.log[:-1]) / 2

    def at(self, day: date) -> int:
        return (day - self.start).days

    def growth(self, start: date, end: date) -> float:
        """B(end)/B(start)."""
        return float(np.exp(self.log[self.at(end)] - self.log[self.at(start)]))

    def worth(self, charges: list[tuple[date, date, float]], end: date) -> float:
        """Worth at `end` of charges (first day, day after the last, money a day) paid at mid-day."""
        log_end = self.log[self.at(end)]
        total = 0.0
        for since, until, money in charges:
            total += money * float(np.exp(log_end - self.middle[self.at(since) : self.at(until)]).sum())
        return total
