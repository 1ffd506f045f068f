"""Where a flow stands in the workbook: `Sheet!cell` of what it drew, of what it filled, or of its row."""

from __future__ import annotations

from dataclasses import dataclass

from costing.graph.arrays import BOTTLE, TABLES, UNITS, Flow, Lots
from costing.graph.flows import Flows
from costing.inputs.cells import number_text
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


@dataclass(frozen=True)
class Places:
    """Where flows stand, and what was typed there."""

    estate: Estate
    flows: Flows
    lots: Lots

    def __call__(self, flow: int, what: str | None) -> str:
        """`Sheet!cell` of a flow: of what is meant ("out", "into", a column), or of its row (None)."""
        kind = int(self.flows.kind[flow])
        if not TABLES[kind]:
            return "Settings"
        return self.estate.place(TABLES[kind], int(self.flows.row[flow]), self._column(flow, what))

    def _column(self, flow: int, what: str | None) -> str | None:
        kind = int(self.flows.kind[flow])
        lot = int(self.flows.source[flow] if what == "out" else self.flows.target[flow])
        if kind == Flow.MOVEMENT and what in _CELLS and lot >= 0 and self.lots.unit[lot] == BOTTLE:
            return "out_bottles" if what == "out" else "in_bottles"
        return _CELLS[what][kind] if what in _CELLS else what

    def quantity(self, flow: int, what: str, amount: float) -> str:
        """An amount of the flow's lot in the unit in which the flow's own cell was typed: `70 hl`."""
        kind, column = int(self.flows.kind[flow]), self._column(flow, what)
        lot = int(self.flows.source[flow] if what == "out" else self.flows.target[flow])
        unit, factor = UNITS[self.lots.unit[lot]], 1.0
        if column:
            typed, factor = self.estate.unit_typed(TABLES[kind], int(self.flows.row[flow]), column)
            unit = typed or unit
        return f"{number_text(round(amount / factor, 3))} {unit}"

    def lot(self, number: int) -> str:
        """Name of a lot."""
        return str(self.lots.names[number])


def place_of(estate: Estate, flows: Flows, lots: Lots) -> Places:
    """Say where a flow stands."""
    return Places(estate, flows, lots)
