"""What each bottle of traditional-method sparkling wine really cost, from the estate's own workbook.

    from costing import BOOK, cost_per_bottle, read_estate, run

    estate = read_estate("estate.xlsx")
    print(cost_per_bottle(run(estate, BOOK)))

Decision support, not accounting, tax or legal advice.
"""

from __future__ import annotations

from costing.errors import CostingError, Finding, InputError
from costing.inputs.basis import BOOK, ECONOMIC, REPLACEMENT, Basis
from costing.inputs.estate import Estate
from costing.model import run, trace
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
    "InputError",
    "Results",
    "build_up",
    "cost_per_bottle",
    "read_estate",
    "run",
    "trace",
]
