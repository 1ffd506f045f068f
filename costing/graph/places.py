"""Where a flow stands in the workbook: `Sheet!cell` of what it drew, of what it filled, or of its row."""

from __future__ import annotations

from collections.abc import Callable

from costing.graph.arrays import BOTTLE, TABLES, Flow, Lots
from costing.graph.flows import Flows
from costing.inputs.estate import Estate

_CELLS: dict[str, tuple[str | None, ...]] = {
    "out": (
        None,
        None,
        "weight_kg",
        None,
        "out_l",
        "wine_l",
        "bottles_in",
        "liqueur_l",
        "bottles",
        None,
        None,
        None,
    ),
    "into": (
        "quantity",
        "quantity",
        None,
        "volume_l",
        "in_l",
        "bottles",
        "bottles_out",
        None,
        None,
        "on_date",
        "quantity",
        None,
    ),
}


def place_of(estate: Estate, flows: Flows, lots: Lots) -> Callable[[int, str | None], str]:
    """Say where a flow stands.

    The function takes a flow and what is meant ("out", "into", a column, or None for the row) and returns
    `Sheet!cell`.
    """

    def place(flow: int, what: str | None) -> str:
        kind = int(flows.kind[flow])
        column = _CELLS[what][kind] if what in _CELLS else what
        lot = int(flows.source[flow] if what == "out" else flows.target[flow])
        if kind == Flow.MOVEMENT and what in _CELLS and lot >= 0 and lots.unit[lot] == BOTTLE:
            column = "out_bottles" if what == "out" else "in_bottles"
        if not TABLES[kind]:
            return "Settings"
        return estate.place(TABLES[kind], int(flows.row[flow]), column)

    return place
