"""Everything doubtful about an estate, each finding once."""

from __future__ import annotations

from dataclasses import replace

from costing.decisions.cellar.recipes import recipe_findings
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

    A scenario, an uncertain figure or a recipe that makes no sense stops its own command only, and is a caution here;
    one whose sheet holds no rows yet is left to its own command.
    """
    estate, wrong = runs.estate, price_findings(runs.estate)
    unused = errors_in([*scenario_changes(estate)[1], *uncertain_figures(estate)[2], *recipe_findings(estate)])
    unused = [replace(finding, severity=CAUTION) for finding in unused]
    try:
        runs.chain  # noqa: B018, followed here, so that what is wrong with it is told with the rest
    except InputError as impossible:
        raise InputError([*impossible.findings, *wrong, *unused]) from impossible
    if wrong:
        raise InputError([*estate.cautions, *wrong, *unused])
    book = runs.book
    return [
        *estate.cautions,
        *book.cautions,
        *silent_rows(book),
        *place_cautions(book),
        *price_cautions(estate),
        *closed_year_cautions(runs),
        *unused,
    ]
