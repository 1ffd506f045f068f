"""What each bottle of traditional-method sparkling wine really cost, from the estate's own workbook.

    import costing

    house = costing.open("estate.xlsx")
    house.vats()

What a name needs is loaded when it is first used, so that the command line starts at once.

Decision support, not accounting, tax or legal advice.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from costing.errors import CostingError, Finding, InputError
    from costing.house import House
    from costing.house import open_house as open  # noqa: A004
    from costing.inputs.basis import BOOK, ECONOMIC, REPLACEMENT, Basis
    from costing.inputs.estate import Estate
    from costing.model import Runs, run, trace
    from costing.results.costs import build_up, cost_per_bottle
    from costing.results.results import Results
    from costing.workbook.source import read_estate

__version__ = "0.1.0"
__all__ = [
    "BOOK",
    "ECONOMIC",
    "REPLACEMENT",
    "Basis",
    "CostingError",
    "Estate",
    "Finding",
    "House",
    "InputError",
    "Results",
    "Runs",
    "build_up",
    "cost_per_bottle",
    "open",
    "read_estate",
    "run",
    "trace",
]
_HOMES = {
    "costing.errors": ("CostingError", "Finding", "InputError"),
    "costing.house": ("House",),
    "costing.inputs.basis": ("BOOK", "ECONOMIC", "REPLACEMENT", "Basis"),
    "costing.inputs.estate": ("Estate",),
    "costing.model": ("Runs", "run", "trace"),
    "costing.results.costs": ("build_up", "cost_per_bottle"),
    "costing.results.results": ("Results",),
    "costing.workbook.source": ("read_estate",),
}


def __getattr__(name: str) -> Any:
    """A public name from its home."""
    if name == "open":
        return import_module("costing.house").open_house
    for home, names in _HOMES.items():
        if name in names:
            return getattr(import_module(home), name)
    msg = f"module 'costing' has no attribute '{name}'"
    raise AttributeError(msg)


def __dir__() -> list[str]:
    """Public names."""
    return sorted(__all__)
