"""Every dated row of the estate as a flow between numbered lots.

A flow takes a quantity out of at most one lot and puts a quantity into at most one lot. Press loads,
bottlings, disgorgements and dispatches pass through a batch: a press load joins several rows, the others have
one batch per row. Nothing is sorted here and no cost is known.
"""

from __future__ import annotations

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


def _operation(name: str) -> int:
    return OPERATIONS.index(name)


_Part = dict[str, Any]
"""Some of the flows: arrays by field of `Flows`, or one value for all of them."""
_BLANK = {"sequence": 0.0, "source": -1, "target": -1, "out": 0.0, "into": 0.0, "added": 0.0, "batch": -1}
_BLANK |= {"operation": -1, "goods": -1, "allowance": 0.0}


def _part(kind: Flow, day: Ints, rows: Ints | None = None, **given: Ints | Floats | float) -> _Part:
    """Flows of some rows of a table (None: of all, as many as there are days); what is not given is blank."""
    return {**_BLANK, "kind": kind, "day": day, "row": np.arange(len(day)) if rows is None else rows, **given}


def _dated(frame: pd.DataFrame) -> tuple[Ints, Floats]:
    """Day and place within the day of each row."""
    return days(frame["on_date"]), np.nan_to_num(frame["sequence"].to_numpy(dtype=float))


def _received(estate: Estate, lots: Lots) -> list[_Part]:
    opening, deliveries = estate["opening_stock"], estate["deliveries"]
    stood = _part(
        Flow.OPENING,
        days(opening["on_date"]),
        sequence=START_OF_DAY,
        target=lots.of_rows["opening_stock", "lot"],
        into=opening["quantity"].to_numpy(),
        operation=_operation("reception"),
        goods=codes(opening["kind"], KINDS),
        allowance=np.nan_to_num(opening["loss_allowance"].to_numpy()),
    )
    day, sequence = _dated(deliveries)
    delivered = _part(
        Flow.DELIVERY,
        day,
        sequence=sequence,
        target=lots.of_rows["deliveries", "lot"],
        into=deliveries["quantity"].to_numpy(),
        operation=_operation("reception"),
        goods=codes(deliveries["what"], KINDS),
    )
    return [stood, delivered]


def _pressed(estate: Estate, lots: Lots) -> tuple[list[_Part], pd.Index]:
    frame = estate["pressings"]
    loads = pd.Index(frame["load"].cat.categories, dtype=object)
    load, (day, sequence) = codes(frame["load"], loads), _dated(frame)
    weight, volume = frame["weight_kg"].to_numpy(), np.nan_to_num(frame["volume_l"].to_numpy())
    source, target = lots.of_rows["pressings", "from_lot"], lots.of_rows["pressings", "to_lot"]

    def through(kind: Flow, rows: Ints, **given: Ints | Floats) -> _Part:
        operation = _operation("pressing")
        return _part(kind, day[rows], rows, sequence=sequence[rows], batch=load[rows], operation=operation, **given)

    taken = np.flatnonzero((source >= 0) & (weight > 0))
    yielded = np.flatnonzero(frame["fraction"].notna().to_numpy())
    into = through(Flow.PRESS_IN, taken, source=source[taken], out=weight[taken])
    out = through(Flow.PRESS_OUT, yielded, target=target[yielded], into=volume[yielded])
    return [into, out], loads


def _moved(estate: Estate, lots: Lots, norms: Floats, first_batch: int) -> tuple[_Part, int]:
    """Movements, and how many batches they are: each that leaves the estate is one of its own."""
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
    leaves = (target < 0) & (source >= 0) & ~IS_LOSS[operation]
    day, sequence = _dated(frame)
    moved = _part(
        Flow.MOVEMENT,
        day,
        sequence=sequence,
        source=source,
        target=target,
        out=out,
        into=into,
        added=added,
        operation=operation,
        batch=np.where(leaves, first_batch + np.cumsum(leaves) - 1, -1),
    )
    return moved, int(leaves.sum())


def _bottled(estate: Estate, lots: Lots, first_batch: int) -> _Part:
    frame = estate["tirage"]
    target = lots.of_rows["tirage", "to_lot"]
    bottles, wine = frame["bottles"].to_numpy(), frame["wine_l"].to_numpy()
    liqueur = np.nan_to_num(frame["liqueur_l"].to_numpy())
    day, sequence = _dated(frame)
    return _part(
        Flow.TIRAGE,
        day,
        sequence=sequence,
        source=lots.of_rows["tirage", "wine_lot"],
        target=target,
        out=np.where(np.isnan(wine), bottles * lots.litres_per_unit[target] - liqueur, wine),
        into=bottles,
        added=liqueur,
        batch=first_batch + np.arange(len(frame)),
        operation=_operation("bottling"),
    )


def _released(estate: Estate, lots: Lots, norms: Floats, first_batch: int) -> list[_Part]:
    frame = estate["disgorgements"]
    taken, good = frame["bottles_in"].to_numpy(), frame["bottles_out"].to_numpy()
    (day, sequence), operation = _dated(frame), _operation("disgorgement")
    batch = first_batch + np.arange(len(frame))
    liqueur_lot, liqueur = lots.of_rows["disgorgements", "liqueur_lot"], np.nan_to_num(frame["liqueur_l"].to_numpy())
    drawn = np.flatnonzero((liqueur_lot >= 0) & (liqueur > 0))
    dosage = _part(
        Flow.LIQUEUR,
        day[drawn],
        drawn,
        sequence=sequence[drawn],
        source=liqueur_lot[drawn],
        out=liqueur[drawn],
        batch=batch[drawn],
        operation=operation,
    )
    disgorged = _part(
        Flow.DISGORGEMENT,
        day,
        sequence=sequence,
        source=lots.of_rows["disgorgements", "from_lot"],
        target=lots.of_rows["disgorgements", "release_lot"],
        out=taken,
        into=np.where(np.isnan(good), taken * (1.0 - norms[operation]), good),
        batch=batch,
        operation=operation,
    )
    return [dosage, disgorged]


def _sent(estate: Estate, lots: Lots, first_batch: int) -> _Part:
    frame = estate["dispatches"]
    day, sequence = _dated(frame)
    return _part(
        Flow.DISPATCH,
        day,
        sequence=sequence,
        source=lots.of_rows["dispatches", "release_lot"],
        out=frame["bottles"].to_numpy(),
        batch=first_batch + np.arange(len(frame)),
        operation=_operation("dispatch"),
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
    lot, day = lots.of_rows["costs", "lot"], days(estate["costs"]["on_date"])
    first = np.sort(np.unique(lot * 10_000_000 + day, return_index=True)[1])
    return [gauged, _part(Flow.COST, day[first], first, sequence=END_OF_DAY, target=lot[first])]


def _cuts(lots: Lots, valuation_day: int) -> _Part:
    n = len(lots.names)
    return _part(Flow.CUT, np.full(n, valuation_day), sequence=END_OF_DAY, target=np.arange(n))


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
    first = np.cumsum([len(loads), *(len(estate[name]) for name in ("tirage", "disgorgements", "dispatches"))]).tolist()
    moved, exits = _moved(estate, lots, norms, first[3])
    parts = [
        *_received(estate, lots),
        *pressed,
        moved,
        _bottled(estate, lots, first[0]),
        *_released(estate, lots, norms, first[1]),
        _sent(estate, lots, first[2]),
        *_measured(estate, lots),
        _cuts(lots, valuation_day(estate)),
    ]
    length = [len(part["day"]) for part in parts]

    def joined(name: str, kind: type[np.generic] = np.int64) -> NDArray[Any]:
        given = [(part[name], n) for part, n in zip(parts, length, strict=True)]
        columns = [value if isinstance(value, np.ndarray) else np.full(n, value) for value, n in given]
        return np.concatenate(columns).astype(kind)

    floats = {name: joined(name, np.float64) for name in ("sequence", "out", "into", "added", "allowance")}
    ints = {name: joined(name) for name in ("kind", "row", "day", "source", "target", "batch", "operation", "goods")}
    abnormal = _abnormal(lots, norms, {**floats, **ints})
    return Flows(**floats, **ints, abnormal=abnormal, n_batches=first[3] + exits, load_names=loads)


def _abnormal(lots: Lots, norms: Floats, flows: dict[str, NDArray[Any]]) -> Floats:
    """Abnormal share of each flow that has a norm. A gain stays negative here; a basis that does not allow it reads
    it as 0.
    """
    source, target, kind, out, added = (flows[name] for name in ("source", "target", "kind", "out", "added"))
    per_unit, bottled = np.append(lots.litres_per_unit, 1.0), kind == Flow.TIRAGE
    lossy = np.isin(kind, (Flow.MOVEMENT, Flow.TIRAGE, Flow.DISGORGEMENT)) & (source >= 0) & (target >= 0)
    lossy &= np.isfinite(out)  # all that is left is not yet a number (`graph.settle`)
    drawn_l = (out * per_unit[source] + np.where(bottled, added, 0.0))[lossy]
    good_l = (flows["into"] * per_unit[target] - np.where(bottled, 0.0, added))[lossy]
    abnormal = np.zeros(len(kind))
    abnormal[lossy] = abnormal_share(drawn_l, good_l, norms[flows["operation"][lossy]], allow_gains=True)
    return abnormal
