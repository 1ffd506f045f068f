"""Everything doubtful about an estate, each finding once."""

from __future__ import annotations

from dataclasses import replace

from costing.decisions.changes.distributions import uncertain_figures
from costing.decisions.changes.scenarios import scenario_changes
from costing.decisions.closing.closed_years import closed_year_cautions
from costing.decisions.prices.price_findings import price_cautions, price_findings
from costing.errors import CAUTION, Finding, InputError, errors_in
from costing.model import Runs
from costing.results.amounts_charged import silent_rows
from costing.results.place_rules import place_cautions


def cautions_of(runs: Runs) -> list[Finding]:
    """Everything doubtful about an estate. InputError with what is wrong in its channels.

    A scenario or an uncertain figure that names nothing stops its own command only, and is a caution here; one whose
    sheet holds no rows yet is left to its own command.
    """
    estate, book = runs.estate, runs.book
    wrong = price_findings(estate)
    if wrong:
        raise InputError([*estate.cautions, *wrong])
    unused = errors_in([*scenario_changes(estate)[1], *uncertain_figures(estate)[2]])
    unused = [replace(one, severity=CAUTION) for one in unused]
    return [
        *estate.cautions,
        *book.cautions,
        *silent_rows(book),
        *place_cautions(book),
        *price_cautions(estate),
        *closed_year_cautions(runs),
        *unused,
    ]
