"""Every dated row of the estate as a flow between numbered lots.

A flow takes a quantity out of at most one lot and puts a quantity into at most one lot. Press loads,
bottlings, disgorgements and dispatches pass through a batch: a press load joins several rows, the others have
one batch per row. Nothing is sorted here and no cost is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Floats, Ints
from costing.graph.arrays import (
    BOTTLE,
    END_OF_DAY,
    IS_LOSS,
    KINDS,
    LITRE,
    OPERATIONS,
    STAGES,
    START_OF_DAY,
    TABLES,
    Flow,
    Lots,
    codes,
    days,
)
from costing.graph.losses import abnormal_share
from costing.inputs.estate import Estate
from costing.once import asked_once


@dataclass(frozen=True)
class Flows:
    """One entry per flow; parallel arrays.

    kind: `Flow`; row: row in its table; day, sequence; source, target: lots (−1: outside); out, into, added:
    quantities in the unit of their lot (added in L); batch: number of its batch (−1: none); operation: index
    in OPERATIONS; goods: kind where the row itself says it (−1: no); abnormal: share of the quantity drawn
    that was lost beyond the norm of the operation (stocktakes and losses: judged later, on the year's
    allowance); allowance: loss that opening stock may still have within its yearly norm.
    """

    kind: Ints
    row: Ints
    day: Ints
    sequence: Floats
    source: Ints
    target: Ints
    out: Floats
    into: Floats
    added: Floats
    batch: Ints
    operation: Ints
    goods: Ints
    abnormal: Floats
    allowance: Floats
    n_batches: int
    load_names: pd.Index

    def __len__(self) -> int:
        return len(self.kind)


@asked_once
def movement_norms(estate: Estate) -> Floats:
    """Norm per movement of each operation, as a fraction (0 where none is given)."""
    norms = np.zeros(len(OPERATIONS) + 1)
    table = estate["loss_norms"]
    per_movement = (table["time_base"] == "per movement").to_numpy()
    position = codes(table["applies_to"], OPERATIONS)
    norms[position[per_movement]] = table["percent"].to_numpy()[per_movement]
    norms[-1] = 0.0
    return norms


@asked_once
def yearly_norms(estate: Estate) -> Floats:
    """Norm per year of each stage, as a fraction (0 where none is given)."""
    norms, table = np.zeros(len(STAGES)), estate["loss_norms"]
    position = codes(table["applies_to"], STAGES)
    known = (table["time_base"] == "per year").to_numpy() & (position >= 0)
    norms[position[known]] = table["percent"].to_numpy()[known]
    return norms


def _op(name: str) -> int:
    return OPERATIONS.index(name)


def _zeros(n: int) -> Floats:
    return np.zeros(n)


def _none(n: int) -> Ints:
    return np.full(n, -1, dtype=np.int64)


def _sequence(table: pd.DataFrame) -> Floats:
    return np.asarray(np.nan_to_num(table["sequence"].to_numpy(dtype=float)))


@dataclass
class _Part:
    kind: Flow
    row: Ints
    day: Ints
    sequence: Floats
    source: Ints
    target: Ints
    out: Floats
    into: Floats
    added: Floats
    batch: Ints
    operation: Ints
    goods: Ints
    allowance: Floats


def _part(kind: Flow, day: Ints, **given: Ints | Floats) -> _Part:
    n = len(day)
    blank: dict[str, Ints | Floats] = {
        "row": np.arange(n),
        "sequence": _zeros(n),
        "source": _none(n),
        "target": _none(n),
        "out": _zeros(n),
        "into": _zeros(n),
        "added": _zeros(n),
        "batch": _none(n),
        "operation": _none(n),
        "goods": _none(n),
        "allowance": _zeros(n),
    }
    return _Part(kind=kind, day=day, **{**blank, **given})  # type: ignore[arg-type]


def _received(estate: Estate, lots: Lots) -> list[_Part]:
    parts = []
    for kind, table in ((Flow.OPENING, "opening_stock"), (Flow.DELIVERY, "deliveries")):
        frame = estate[table]
        n = len(frame)
        sequence = np.full(n, START_OF_DAY) if kind is Flow.OPENING else _sequence(frame)
        parts.append(
            _part(
                kind,
                days(frame["on_date"]),
                sequence=sequence,
                target=lots.of_rows[table, "lot"],
                into=frame["quantity"].to_numpy(),
                operation=np.full(n, _op("reception")),
                goods=codes(frame["kind" if kind is Flow.OPENING else "what"], KINDS),
                allowance=np.nan_to_num(frame["loss_allowance"].to_numpy()) if kind is Flow.OPENING else _zeros(n),
            )
        )
    return parts


def _pressed(estate: Estate, lots: Lots) -> tuple[list[_Part], pd.Index]:
    frame = estate["pressings"]
    loads = pd.Index(frame["load"].cat.categories, dtype=object)
    load, day, sequence = codes(frame["load"], loads), days(frame["on_date"]), _sequence(frame)
    weight, volume = frame["weight_kg"].to_numpy(), frame["volume_l"].to_numpy()
    pressing = np.full(len(frame), _op("pressing"))
    source, target = lots.of_rows["pressings", "from_lot"], lots.of_rows["pressings", "to_lot"]
    taken = np.flatnonzero((source >= 0) & (weight > 0))
    given = np.flatnonzero(frame["fraction"].notna().to_numpy())
    into = _part(
        Flow.PRESS_IN,
        day[taken],
        row=taken,
        sequence=sequence[taken],
        source=source[taken],
        out=weight[taken],
        batch=load[taken],
        operation=pressing[taken],
    )
    out = _part(
        Flow.PRESS_OUT,
        day[given],
        row=given,
        sequence=sequence[given],
        target=target[given],
        into=np.nan_to_num(volume[given]),
        batch=load[given],
        operation=pressing[given],
    )
    return [into, out], loads


def _moved(estate: Estate, lots: Lots, norms: Floats) -> _Part:
    frame = estate["movements"]
    operation = codes(frame["operation"], OPERATIONS)
    source, target = lots.of_rows["movements", "from_lot"], lots.of_rows["movements", "to_lot"]
    unit, per_unit = np.append(lots.unit, LITRE), np.append(lots.litres_per_unit, 1.0)
    out = np.where(unit[source] == BOTTLE, frame["out_bottles"].to_numpy(), frame["out_l"].to_numpy())
    out = np.where(source >= 0, np.nan_to_num(out, posinf=np.inf), 0.0)
    into = np.where(unit[target] == BOTTLE, frame["in_bottles"].to_numpy(), frame["in_l"].to_numpy())
    added = np.nan_to_num(frame["added_l"].to_numpy())
    expected = ((1.0 - norms[operation]) * out * per_unit[source] + added) / per_unit[target]
    into = np.where(target >= 0, np.where(np.isnan(into), expected, into), 0.0)
    return _part(
        Flow.MOVEMENT,
        days(frame["on_date"]),
        sequence=_sequence(frame),
        source=source,
        target=target,
        out=out,
        into=into,
        added=added,
        operation=operation,
    )


def _bottled(estate: Estate, lots: Lots, first_batch: int) -> list[_Part]:
    frame = estate["tirage"]
    n = len(frame)
    target = lots.of_rows["tirage", "to_lot"]
    bottles = frame["bottles"].to_numpy()
    liqueur = np.nan_to_num(frame["liqueur_l"].to_numpy())
    wine = frame["wine_l"].to_numpy()
    filled_l = bottles * lots.litres_per_unit[target]
    tirage = _part(
        Flow.TIRAGE,
        days(frame["on_date"]),
        sequence=_sequence(frame),
        source=lots.of_rows["tirage", "wine_lot"],
        target=target,
        out=np.where(np.isnan(wine), filled_l - liqueur, wine),
        into=bottles,
        added=liqueur,
        batch=first_batch + np.arange(n),
        operation=np.full(n, _op("bottling")),
    )
    return [tirage]


def _released(estate: Estate, lots: Lots, norms: Floats, first_batch: int) -> list[_Part]:
    frame = estate["disgorgements"]
    n = len(frame)
    taken, good = frame["bottles_in"].to_numpy(), frame["bottles_out"].to_numpy()
    day, sequence = days(frame["on_date"]), _sequence(frame)
    batch = first_batch + np.arange(n)
    operation = np.full(n, _op("disgorgement"))
    liqueur_lot, liqueur = lots.of_rows["disgorgements", "liqueur_lot"], np.nan_to_num(frame["liqueur_l"].to_numpy())
    drawn = np.flatnonzero((liqueur_lot >= 0) & (liqueur > 0))
    dosage = _part(
        Flow.LIQUEUR,
        day[drawn],
        row=drawn,
        sequence=sequence[drawn],
        source=liqueur_lot[drawn],
        out=liqueur[drawn],
        batch=batch[drawn],
        operation=operation[drawn],
    )
    disgorged = _part(
        Flow.DISGORGEMENT,
        day,
        sequence=sequence,
        source=lots.of_rows["disgorgements", "from_lot"],
        target=lots.of_rows["disgorgements", "release_lot"],
        out=taken,
        into=np.where(np.isnan(good), taken * (1.0 - norms[_op("disgorgement")]), good),
        batch=batch,
        operation=operation,
    )
    return [dosage, disgorged]


def _sent(estate: Estate, lots: Lots, first_batch: int) -> _Part:
    frame = estate["dispatches"]
    n = len(frame)
    return _part(
        Flow.DISPATCH,
        days(frame["on_date"]),
        sequence=_sequence(frame),
        source=lots.of_rows["dispatches", "release_lot"],
        out=frame["bottles"].to_numpy(),
        batch=first_batch + np.arange(n),
        operation=np.full(n, _op("dispatch")),
    )


def _measured(estate: Estate, lots: Lots) -> list[_Part]:
    counts = estate["stocktakes"]
    sequence = counts["sequence"].to_numpy(dtype=float)
    gauged = _part(
        Flow.STOCKTAKE,
        days(counts["on_date"]),
        sequence=np.where(np.isnan(sequence), END_OF_DAY, sequence),
        target=lots.of_rows["stocktakes", "lot"],
        into=counts["quantity"].to_numpy(),
    )
    frame = estate["costs"]
    lot, day = lots.of_rows["costs", "lot"], days(frame["on_date"])
    _, first = np.unique(lot * 10_000_000 + day, return_index=True)
    first = np.sort(first)
    cost = _part(Flow.COST, day[first], row=first, sequence=np.full(len(first), END_OF_DAY), target=lot[first])
    return [gauged, cost]


def _cuts(lots: Lots, valuation_day: int) -> _Part:
    n = len(lots.names)
    return _part(
        Flow.CUT,
        np.full(n, valuation_day, dtype=np.int64),
        sequence=np.full(n, END_OF_DAY),
        target=np.arange(n, dtype=np.int64),
    )


def last_day(estate: Estate) -> int:
    """Day number of the last dated row that moves a quantity or incurs a cost (0 when there is none)."""
    latest = [0]
    for table in dict.fromkeys(filter(None, TABLES)):
        dates = days(estate[table]["on_date"])
        if len(dates):
            latest.append(int(dates.max()))
    return max(latest)


def valuation_day(estate: Estate) -> int:
    """Day number of the valuation date: the setting, or else the last dated row."""
    chosen = estate.settings.valuation_date
    return last_day(estate) if chosen is None else int(np.datetime64(chosen, "D").astype(np.int64))


def flows_of(estate: Estate, lots: Lots) -> Flows:
    """All flows of the estate, with the abnormal share of each judged by the norm of its operation."""
    norms = movement_norms(estate)
    pressed, loads = _pressed(estate, lots)
    n_batches = len(loads)
    bottled = _bottled(estate, lots, n_batches)
    n_batches += len(estate["tirage"])
    released = _released(estate, lots, norms, n_batches)
    n_batches += len(estate["disgorgements"])
    sent = _sent(estate, lots, n_batches)
    n_batches += len(estate["dispatches"])
    moved = _moved(estate, lots, norms)
    left = (moved.target < 0) & (moved.source >= 0) & ~IS_LOSS[moved.operation]
    moved.batch = np.where(left, n_batches + np.cumsum(left) - 1, -1)  # each exit is a batch of its own
    n_batches += int(left.sum())
    parts: Sequence[_Part] = [
        *_received(estate, lots),
        *pressed,
        moved,
        *bottled,
        *released,
        sent,
        *_measured(estate, lots),
        _cuts(lots, valuation_day(estate)),
    ]

    def joined(name: str) -> NDArray[Any]:
        return np.concatenate([getattr(part, name) for part in parts])

    kind = np.concatenate([np.full(len(part.day), part.kind, dtype=np.int64) for part in parts])
    source, target = joined("source"), joined("target")
    out, into, added = joined("out"), joined("into"), joined("added")
    operation = joined("operation")
    per_unit = np.append(lots.litres_per_unit, 1.0)
    lossy = np.isin(kind, (Flow.MOVEMENT, Flow.TIRAGE, Flow.DISGORGEMENT)) & (source >= 0) & (target >= 0)
    lossy &= np.isfinite(out)  # all that is left is not yet a number (`graph.settle`)
    drawn_l = out * per_unit[source] + np.where(kind == Flow.TIRAGE, added, 0.0)
    good_l = into * per_unit[target] - np.where(kind == Flow.TIRAGE, 0.0, added)
    abnormal = np.zeros(len(kind))
    abnormal[lossy] = abnormal_share(
        drawn_l[lossy], good_l[lossy], norms[operation[lossy]], allow_gains=True
    )  # gains stay negative here; a basis that does not allow them reads them as 0
    return Flows(
        kind,
        joined("row").astype(np.int64),
        joined("day").astype(np.int64),
        joined("sequence").astype(np.float64),
        source.astype(np.int64),
        target.astype(np.int64),
        out.astype(np.float64),
        into.astype(np.float64),
        added.astype(np.float64),
        joined("batch").astype(np.int64),
        operation.astype(np.int64),
        joined("goods").astype(np.int64),
        abnormal,
        joined("allowance").astype(np.float64),
        n_batches,
        loads,
    )
