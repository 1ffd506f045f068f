"""The balance of every lot from touch to touch, and what it shows to be wrong.

A touch is one flow meeting one lot: wine drawn, wine arriving, work in place, a loss, a gauging or count, a
cut. Touches stand lot by lot in time order. After a withdrawal that leaves no more than the tolerance, the
lot counts as empty and the withdrawal as the whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date

import numpy as np

from costing.array_types import Flags, Floats, Ints
from costing.calendar import DAYS_A_YEAR, MONTHS_A_YEAR
from costing.errors import Finding, caution
from costing.graph.arrays import IS_LOSS, Flow, Lots
from costing.graph.flows import Flows
from costing.graph.losses import abnormal_share_beyond, allowed_losses
from costing.graph.places import Places
from costing.inputs.estate import Estate
from costing.inputs.spellings import keys_of, near_keys

OUT, IN, IN_PLACE, LOSS, COUNT, CUT = range(6)
ROWS_SHOWN = 3
"""Rows behind a lot's balance that a finding shows."""
USUAL_GAIN = 1.05
"""A gauging above this multiple of the balance is a caution: common practice, no source."""


@dataclass(frozen=True)
class Touches:
    """Flow, lot and role of every touch, and whether it is the first of its lot."""

    flow: Ints
    lot: Ints
    role: Ints
    first_of_lot: Flags

    @property
    def is_out(self) -> Flags:
        """Touches that draw from their lot for somewhere else."""
        return np.asarray(self.role == OUT)


@dataclass(frozen=True)
class Balance:
    """Quantity in the lot before and after each touch, and what the touch drew, in the unit of the lot."""

    before: Floats
    after: Floats
    drawn: Floats


def empty_below(estate: Estate) -> Floats:
    """Kilograms, litres and bottles up to which a lot counts as empty, by unit."""
    settings = estate.settings
    return np.array([settings.weight_tolerance_kg, settings.volume_tolerance_l, settings.bottle_tolerance])


def touches_of(flows: Flows, order: Ints) -> Touches:
    """All touches, sorted by lot and then by time."""
    kind, source, target = flows.kind[order], flows.source[order], flows.target[order]
    same = (source == target) & (source >= 0)
    lost = (kind == Flow.MOVEMENT) & (source >= 0) & (target < 0) & np.append(IS_LOSS, False)[flows.operation[order]]
    draws = (source >= 0) & ~same & ~lost
    fills = (target >= 0) & ~same
    role_of_fill = np.select([kind == Flow.STOCKTAKE, kind >= Flow.COST], [COUNT, CUT], IN)
    lot = np.concatenate([source[draws], source[same], source[lost], target[fills]])
    flow = np.concatenate([order[draws], order[same], order[lost], order[fills]])
    role = np.concatenate(
        [
            np.full(int(draws.sum()), OUT),
            np.full(int(same.sum()), IN_PLACE),
            np.full(int(lost.sum()), LOSS),
            role_of_fill[fills],
        ]
    )
    time = np.empty(len(order), dtype=np.int64)
    time[order] = np.arange(len(order))
    sort = np.argsort(lot * (len(order) + 1) + time[flow], kind="stable")
    lot = lot[sort]
    first = np.r_[True, lot[1:] != lot[:-1]] if len(lot) else np.zeros(0, dtype=bool)
    return Touches(flow[sort], lot, role[sort], first)


def _latest(marks: Flags) -> Ints:
    """Position of the last mark at or before each row (0 where there is none)."""
    return np.maximum.accumulate(np.where(marks, np.arange(len(marks)), 0))


def balances(
    touches: Touches, flows: Flows, lots: Lots, tolerance: Floats, place: Places
) -> tuple[Balance, list[Finding]]:
    """Balance of every touch, and findings where a lot gives more than it holds or is measured while empty."""
    flow, role = touches.flow, touches.role
    out = np.where((role == OUT) | (role == IN_PLACE) | (role == LOSS), flows.out[flow], 0.0)
    into = np.where((role == IN) | (role == IN_PLACE), flows.into[flow], 0.0)
    measured = np.where(role == COUNT, flows.into[flow], 0.0)
    running = np.cumsum((into - out).astype(np.longdouble))
    slack = tolerance[lots.unit[touches.lot]] if len(lots.unit) else np.zeros(0)
    closes = np.zeros(len(flow), dtype=bool)
    withdraws = (role == OUT) | (role == LOSS)
    for _ in range(50):
        reset = touches.first_of_lot | (role == COUNT) | closes
        level = np.where(role == COUNT, measured, np.where(closes, 0.0, into - out))
        reset_at = _latest(reset)
        after = (level[reset_at] + (running - running[reset_at])).astype(np.float64)
        before = np.where(touches.first_of_lot, 0.0, np.roll(after, 1))
        near = np.maximum(slack, 1e-9 * before)
        left = before - out
        now = withdraws & (np.abs(left) <= near) & (before > 0)
        if (now == closes).all():
            break
        closes = now
    drawn = np.where(closes, before, np.minimum(out, np.maximum(before, 0.0)))
    findings = list(_overdrawn(touches, flows, before, out, near, place))
    findings += _back_from_nowhere(touches, flows, after, place)
    findings += _counts_of_nothing(touches, before, measured, place)
    findings += _large_gains(touches, flows, before, measured, place)
    return Balance(np.maximum(before, 0.0), np.maximum(after, 0.0), drawn), findings


def _overdrawn(
    touches: Touches, flows: Flows, before: Floats, out: Floats, near: Floats, place: Places
) -> Iterator[Finding]:
    """The first touch of each lot that draws more than is there, with the rows that led to it."""
    short = np.flatnonzero((out > 0) & (before - out < -near))
    _, first = np.unique(touches.lot[short], return_index=True)
    arrived = np.flatnonzero(((touches.role == IN) | (touches.role == COUNT)) & (flows.into[touches.flow] > 0))
    lots_filled, arrivals_first = np.unique(touches.lot[arrived], return_index=True)
    first_arrival = dict(zip(lots_filled.tolist(), arrived[arrivals_first].tolist(), strict=True))
    for touch in short[first].tolist():
        flow = int(touches.flow[touch])
        drawn, lot = place.quantity(flow, "out", float(out[touch])), place.lot(int(touches.lot[touch]))
        filled = first_arrival.get(int(touches.lot[touch]))
        if filled is None:
            rule = f"drawn from {lot}, which no row fills."
            remedy = "Check the lot, or enter what filled it (a delivery, a movement or opening stock)."
        elif filled > touch:
            filling = int(touches.flow[filled])
            day, then = int(flows.day[flow]), int(flows.day[filling])
            rule = (
                f"drawn from {lot} on {_shown(day)}, before anything was in it: it is first filled by"
                f" {place(filling, None)} on {_shown(then)}."
            )
            remedy = f"Check the lot and the two dates.{_exchanged(day, then)}"
        else:
            held_before = place.quantity(flow, "out", max(0.0, float(before[touch])))
            rule = f"drawn from {lot}, which holds {held_before} {_led_to(touches, flows, touch, flow, place)}"
            remedy = "Check the quantity, the date and the lot; enter what is missing before it, or a gauging."
        remedy += _filled_under_a_near_name(touches, int(touches.lot[touch]), place, flow)
        yield Finding(place(flow, "out"), drawn, rule, remedy)


def _back_from_nowhere(touches: Touches, flows: Flows, after: Floats, place: Places) -> Iterator[Finding]:
    """Bottles that come back to a lot that has held nothing: no cost is known at which they could."""
    index = np.arange(len(touches.lot))
    last_held = np.maximum.accumulate(np.where((after > 0) & (flows.out[touches.flow] >= 0), index, -1))
    begins = np.maximum.accumulate(np.where(touches.first_of_lot, index, 0))
    for touch in np.flatnonzero((flows.out[touches.flow] < 0) & touches.is_out & (last_held < begins)).tolist():
        flow = int(touches.flow[touch])
        yield Finding(
            place(flow, "out"),
            place.quantity(flow, "out", float(flows.out[flow])),
            f"come back to {place.lot(int(touches.lot[touch]))}, which never held anything: their cost is not known.",
            "Check the lot and the date, or enter the bottles on Deliveries as finished bottles, at their book cost.",
        )


def _led_to(touches: Touches, flows: Flows, touch: int, flow: int, place: Places, what: str = "out") -> str:
    """The rows before a flow that made its lot hold what it holds: the last ones, in the unit of the flow.

    what: whether the flow draws from the lot ("out") or measures it ("into").
    """
    begin = int(np.flatnonzero(touches.first_of_lot[: touch + 1])[-1])
    told = np.isin(touches.role[begin:touch], (OUT, IN, LOSS, COUNT))
    rows = (begin + np.flatnonzero(told)).tolist()
    if not rows:
        return "at that moment."
    words = {OUT: "out", IN: "in", LOSS: "lost", COUNT: "gauged"}
    lines = []
    for row in rows[-ROWS_SHOWN:]:
        moved, role = int(touches.flow[row]), int(touches.role[row])
        amount = flows.into[moved] if role in (IN, COUNT) else flows.out[moved]
        lines.append(f"{place.quantity(flow, what, float(amount))} {words[role]} ({place(moved, None)})")
    further = len(rows) - ROWS_SHOWN
    more = f", after {further:,} row{'s' * (further > 1)} more" if further > 0 else ""
    return f"since {place(int(touches.flow[rows[-1]]), None)}: {', '.join(lines)}{more}."


def _shown(day: int) -> str:
    return str(np.datetime64(day, "D"))


def _exchanged(drawn: int, filled: int) -> str:
    """Sentence for a draw before its lot is filled, where a day taken for a month explains it."""
    sentences = []
    for day, least, most in ((drawn, filled, None), (filled, None, drawn)):
        read = date.fromisoformat(_shown(day))
        if read.day <= MONTHS_A_YEAR and read.day != read.month:
            other = read.replace(month=read.day, day=read.month)
            then = int(np.datetime64(other, "D").astype(np.int64))
            if (least is None or then >= least) and (most is None or then <= most):
                sentences.append(f"{read} may be {other}")
    return f" {' or '.join(sentences)}, with day and month exchanged; then the dates would fit." if sentences else ""


def _counts_of_nothing(touches: Touches, before: Floats, measured: Floats, place: Places) -> Iterator[Finding]:
    for touch in np.flatnonzero((measured > 0) & (before <= 0)).tolist():
        flow = int(touches.flow[touch])
        yield Finding(
            place(flow, "into"),
            place.quantity(flow, "into", float(measured[touch])),
            f"was measured in {place.lot(int(touches.lot[touch]))}, which by the records is empty then.",
            "Check the lot and the date, or enter what filled it."
            + _filled_under_a_near_name(touches, int(touches.lot[touch]), place, flow),
        )


def _filled_under_a_near_name(touches: Touches, lot: int, place: Places, row: int) -> str:
    """Sentence for a lot that lacks something at a flow (`row`), where another one fills a lot of nearly its name from
    which nothing is drawn.
    """
    kept = np.flatnonzero(touches.role != CUT)
    once = np.bincount(touches.lot[kept], minlength=len(place.lots.names)) == 1
    filled = kept[once[touches.lot[kept]] & (touches.role[kept] == IN) & (touches.flow[kept] != row)]
    names = [place.lot(number) for number in (lot, *touches.lot[filled].tolist())]
    key, *others = keys_of(names)
    for touch, name, other in zip(filled.tolist(), names[1:], others, strict=True):
        if near_keys(key, other):
            return (
                f" {place(int(touches.flow[touch]), None)} fills '{name}', from which nothing is drawn: the same lot?"
            )
    return ""


def _large_gains(touches: Touches, flows: Flows, before: Floats, measured: Floats, place: Places) -> Iterator[Finding]:
    for touch in np.flatnonzero((touches.role == COUNT) & (before > 0) & (measured > USUAL_GAIN * before)).tolist():
        flow = int(touches.flow[touch])
        lot, held_before = place.lot(int(touches.lot[touch])), place.quantity(flow, "into", float(before[touch]))
        led_to = _led_to(touches, flows, touch, flow, place, "into")
        yield caution(
            place(flow, "into"),
            place.quantity(flow, "into", float(measured[touch])),
            f"is well above what {lot} holds by the records, {held_before} {led_to}",
            "Check the quantity, the date and the Sequence: was it measured before something was drawn that day?",
        )


def work_begins(touches: Touches, balance: Balance, flows: Flows) -> Ints:
    """Touch with which the work in place of each touch begins; its own where it stands alone.

    Rows of one lot, moment and operation are one work in parts, and all take their part of what the lot held before
    the first; together they take no more than that (else they follow one another) [touches].
    """
    flow, own = touches.flow, np.arange(len(touches.flow))
    follows = (touches.role == IN_PLACE) & ~touches.first_of_lot
    for same in (touches.role, flows.day[flow], flows.sequence[flow], flows.operation[flow]):
        follows &= same == np.roll(same, 1)
    first = np.asarray(_latest(~follows))
    whole = np.bincount(first, np.where(touches.role == IN_PLACE, balance.drawn, 0.0), len(own))
    return np.where((whole <= balance.before * (1.0 + 1e-9))[first], first, own)


def ambiguous_refills(
    touches: Touches, balance: Balance, flows: Flows, tolerance: Floats, lots: Lots, place: Places
) -> Iterator[Finding]:
    """Lots that give their whole opening balance and are filled again at one moment: which came first?"""
    if not len(touches.lot):
        return
    day, sequence = flows.day[touches.flow], flows.sequence[touches.flow]
    fresh = touches.first_of_lot | (day != np.roll(day, 1)) | (sequence != np.roll(sequence, 1))
    begin = np.flatnonzero(fresh)
    flow, role = touches.flow, touches.role
    arrived = np.add.reduceat(np.where(role == IN, flows.into[flow], 0.0), begin)
    drawn = np.add.reduceat(np.where(role == OUT, balance.drawn, 0.0), begin)
    opening = balance.before[begin]
    slack = np.maximum(tolerance[lots.unit[touches.lot[begin]]], 1e-9 * opening)
    for group in np.flatnonzero((arrived > 0) & (opening > slack) & (np.abs(drawn - opening) <= slack)):
        rows = range(begin[group], len(flow))  # both stand among the first of them
        draw = next(int(flow[row]) for row in rows if role[row] == OUT)
        fill = next(int(flow[row]) for row in rows if role[row] == IN)
        yield Finding(
            place(draw, "sequence"),
            "",
            f"{place.lot(int(touches.lot[begin[group]]))} gives all it held"
            f" ({place.quantity(draw, 'out', float(opening[group]))}) on the day on which {place(fill, None)} fills it"
            " again; nothing says which came first.",
            "Number both rows in the Sequence column, 1 for the first.",
        )


@dataclass(frozen=True)
class Allowances:
    """What a year's norm allows of each loss found. judged: touches (losses, gaugings and counts, cuts); segment:
    touch with which each one's allowance began to grow; accrued, lost, left: allowance since then, quantity lost, and
    what was still allowed just before [judged]; held_years: length of the interval before each touch [touches].
    """

    judged: Ints
    segment: Ints
    accrued: Floats
    lost: Floats
    left: Floats
    held_years: Floats


def allowances(
    touches: Touches, balance: Balance, flows: Flows, stage_before: Ints, norm_per_year: Floats
) -> Allowances:
    """Allowance: norm · ∫ quantity dt since the last gauging or count (or since the lot was empty), less losses
    already allowed; opening stock brings what was left of its own.

    stage_before: stage of the lot before each touch; norm_per_year: per stage, fraction.
    """
    cut = flows.kind[touches.flow] == Flow.CUT
    judged = np.flatnonzero((touches.role == COUNT) | (touches.role == LOSS) | cut)
    day = flows.day[touches.flow]
    held_years = np.where(touches.first_of_lot, 0, day - np.roll(day, 1)) / DAYS_A_YEAR
    grown = np.cumsum((balance.before * held_years * norm_per_year[stage_before]).astype(np.longdouble))
    restarts = touches.first_of_lot | np.roll(touches.role == COUNT, 1) | (balance.before <= 0)
    segment = _latest(restarts)
    base = np.where(segment > 0, grown[segment - 1], 0.0)
    accrued = np.maximum((grown - base).astype(np.float64), 0.0) + flows.allowance[touches.flow[segment]]
    lost = np.maximum(balance.before[judged] - balance.after[judged], 0.0)
    _, left = allowed_losses(segment[judged], accrued[judged], lost)
    return Allowances(judged, segment[judged], accrued[judged], lost, np.maximum(left, 0.0), held_years)


def judge_counts(
    touches: Touches, balance: Balance, flows: Flows, stage_before: Ints, norm_per_year: Floats
) -> tuple[Floats, Floats]:
    """Abnormal share of each gauging, count and loss, judged on the year's allowance; 0 for other touches.

    Returned beside it: what is still allowed at each of these touches and at the valuation cut.
    """
    abnormal, left = np.zeros(len(touches.lot)), np.zeros(len(touches.lot))
    if not len(touches.lot):
        return abnormal, left
    allowance = allowances(touches, balance, flows, stage_before, norm_per_year)
    left[allowance.judged] = allowance.left
    judged = allowance.judged[flows.kind[touches.flow[allowance.judged]] != Flow.CUT]
    abnormal[judged] = abnormal_share_beyond(
        balance.before[judged], balance.after[judged], left[judged], allow_gains=True
    )
    return abnormal, left
