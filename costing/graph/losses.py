"""Losses: what the norm expects, what is beyond it, and the allowance of a year used up loss by loss.

Rule:   with input q and good output g, expected output is E = (1 − n)·q for a norm n per movement and E = q
        − allowance for a norm per year; the abnormal share of the cost is x = max(0, E − g)/E and the good
        output carries 1 − x: a normal loss makes what survives dearer, an abnormal one does not. A norm per
        year n builds an allowance A = n·∫Q dt from the last stocktake on; losses use it up in their order:
        used_k = min(used_{k−1} + loss_k, A_k).

Conventions A whole lot lost is abnormal in full (x = 1) whatever the norm: nobody is left to bear it. A
    gain above E is not abnormal unless the caller allows it; then x is negative and what survives is
    credited back to standard. A segment is one lot between two stocktakes; its rows stand together in time
    order. The stocktake's own row (the loss it finds) is the last of its segment; the next starts with no
    allowance and nothing used.

What it does not do: derive the losses from movements and counts, or read norms and dates.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from costing.array_types import Flags, Floats, Ints, first_true


def abnormal_share(
    quantity_in: npt.ArrayLike,
    quantity_good: npt.ArrayLike,
    norm: npt.ArrayLike,
    *,
    allow_gains: bool = False,
) -> Floats:
    """Part of the cost that an abnormal loss carries, by a norm per movement.

    quantity_in, quantity_good: same unit; norm: normal loss as a fraction of the input, 0 to 1;
    allow_gains: an output above the expected one gives a negative share. Arrays broadcast. ValueError names
    the first row with a quantity below 0 or a norm outside 0 to 1.
    """
    norms = np.asarray(norm, dtype=np.float64)
    bad = ~((norms >= 0) & (norms <= 1))
    if bad.any():
        message = f"row {first_true(bad)}: a loss norm of {norms.flat[first_true(bad)]:g} is not a fraction from 0 to 1"
        raise ValueError(message)
    entered = np.asarray(quantity_in, dtype=np.float64)
    return _beyond(entered, np.asarray(quantity_good, dtype=np.float64), (1 - norms) * entered, allow_gains)


def abnormal_share_beyond(
    quantity_in: npt.ArrayLike,
    quantity_good: npt.ArrayLike,
    allowance: npt.ArrayLike,
    *,
    allow_gains: bool = False,
) -> Floats:
    """Part of the cost that an abnormal loss carries, by an allowance in the unit of the quantities.

    allowance: loss still allowed, 0 or more (`allowed_losses` gives it as what was left before each loss);
    the rest as `abnormal_share`.
    """
    allowed = np.asarray(allowance, dtype=np.float64)
    if not (allowed >= 0).all():
        message = f"row {first_true(~(allowed >= 0))}: the allowance is below 0 or missing"
        raise ValueError(message)
    entered = np.asarray(quantity_in, dtype=np.float64)
    expected = np.maximum(0.0, entered - allowed)
    return _beyond(entered, np.asarray(quantity_good, dtype=np.float64), expected, allow_gains)


def allowed_losses(
    segment: npt.ArrayLike, accrued_allowance: npt.ArrayLike, loss: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Part of each loss that the annual norm allows, and the allowance that stood before it.

    segment: lot-and-stocktake number of each row, rows of a segment together in time order [rows];
    accrued_allowance: A_k since the segment's start, never falling inside it [rows]; loss: quantity lost, 0 or
    more; a gain is no loss and enters as 0 [rows].

    Returns allowed_k = used_k − used_{k−1} and A_k − used_{k−1}, both [rows]. ValueError names the first
    row with a loss below 0 or an allowance that falls.
    """
    segments = _segments(segment)
    accrued = np.array(np.broadcast_to(np.asarray(accrued_allowance, dtype=np.float64), segments.shape))
    lost = np.array(np.broadcast_to(np.asarray(loss, dtype=np.float64), segments.shape))
    same = np.append(False, segments[1:] == segments[:-1])[: len(segments)]
    floor = np.where(same, np.roll(accrued, 1), 0.0) * (1 - 1e-12)  # a sum may fall by its rounding
    for bad, what in ((~(lost >= 0), "loss is below 0 or missing"), (~(accrued >= floor), "allowance falls")):
        if bad.any():
            message = f"row {first_true(bad)}: the {what}"
            raise ValueError(message)
    # A row maps what is used to min(used + loss, A). Rows one after the other compose to a map of that form,
    # (loss₁ + loss₂, min(A₁ + loss₂, A₂)), so doubling the number of rows joined each time gives every prefix
    # without leaving the segment: used_k = min(L_k, min_{j≤k}(A_j + L_k − L_j)).
    total, ceiling = lost.copy(), accrued.copy()
    for back, joined in _doubling(segments):
        ceiling[back:] = np.where(joined, np.minimum(ceiling[:-back] + total[back:], ceiling[back:]), ceiling[back:])
        total[back:] = total[back:] + np.where(joined, total[:-back], 0.0)
    used = np.minimum(total, ceiling)
    used_before = np.where(same, np.roll(used, 1), 0.0)
    allowance_before = np.maximum(0.0, accrued - used_before)
    return np.minimum(lost, allowance_before), allowance_before


def _beyond(entered: Floats, good: Floats, expected: Floats, allow_gains: bool) -> Floats:
    entered, good, expected = np.broadcast_arrays(entered, good, expected)
    for quantity, what in ((entered, "input"), (good, "good output")):
        bad = ~(quantity >= 0) | np.isinf(quantity)
        if bad.any():
            message = f"row {first_true(bad)}: the {what} is {quantity.flat[first_true(bad)]:g}; it must be 0 or more"
            raise ValueError(message)
    shortfall = expected - good
    if not allow_gains:
        shortfall = np.maximum(0.0, shortfall)
    share = np.divide(shortfall, expected, out=np.zeros(expected.shape), where=expected > 0)
    return np.where((good == 0) & (entered > 0), 1.0, share)


def _segments(segment: npt.ArrayLike) -> Ints:
    """Segment numbers, checked: one number is one run of rows."""
    segments = np.asarray(segment, dtype=np.int64)
    starts = segments[np.concatenate([[True], segments[1:] != segments[:-1]])] if len(segments) else segments
    if len(starts) and np.bincount(starts - starts.min()).max() > 1:
        message = "the rows of a segment must stand together"
        raise ValueError(message)
    return segments


def _doubling(segments: Ints) -> list[tuple[int, Flags]]:
    """For 1, 2, 4, … rows back: whether row k and the row that far back share a segment; until none does."""
    steps: list[tuple[int, Flags]] = []
    back = 1
    while back < len(segments):
        joined = segments[back:] == segments[:-back]
        if not joined.any():
            break
        steps.append((back, joined))
        back *= 2
    return steps
