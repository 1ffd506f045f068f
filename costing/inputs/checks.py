"""Rules across rows and tables: entries that stand twice, trial blends, scenarios.

Each rule is a function that yields its findings: the cell, what stands there, what is wrong, what to do.
The rules of one matter (names, press house, cellar, prices) stand beside. They look at what is written, not at
how the wine moved: balances, overdrawn lots and loops within a day are found where the movements are
followed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from costing.errors import CAUTION, FIRST_PLACES, Finding
from costing.inputs.appellations import rule_set_names
from costing.inputs.cellar_checks import CELLAR_CHECKS
from costing.inputs.cells import fold, number_text
from costing.inputs.cuvee_bounds import BOUND_CHECKS
from costing.inputs.doubts import DOUBTS
from costing.inputs.estate import Estate
from costing.inputs.headers import closest
from costing.inputs.limit_checks import LIMIT_CHECKS
from costing.inputs.loan_checks import LOAN_CHECKS
from costing.inputs.name_checks import known_names, names_alike, unknown_names
from costing.inputs.offer_checks import OFFER_CHECKS
from costing.inputs.owners import OWNER_CHECKS
from costing.inputs.press_checks import PRESS_CHECKS
from costing.inputs.price_checks import PRICE_CHECKS
from costing.inputs.release_checks import RELEASE_CHECKS
from costing.inputs.row_findings import also_at, cell_place, each, first_rows, repeated, shown
from costing.inputs.schema import lists, sheets

# What makes an entry of a sheet the only one of its kind.
KEYS: dict[str, list[str]] = {
    "interest_rates": ["from_date"],
    "price_indices": ["on_date", "element"],
    "opening_stock": ["lot"],
    "opening_composition": ["lot", "attribute", "name"],
    "grape_prices": ["vintage", "supplier", "village", "variety"],
    "stocktakes": ["on_date", "sequence", "lot"],
    "operation_rates": ["from_date", "stage", "operation", "format", "driver", "element"],
    "service_rates": ["from_date", "operation", "format", "driver", "owner"],
    "dry_goods": ["from_date", "stage", "item", "format", "presentation"],
    "loss_norms": ["applies_to", "time_base"],
    "market_values": ["from_date", "lot", "what", "fraction", "cuvee", "format"],
    "cuvees": ["cuvee"],
    "targets": ["cuvee", "format", "channel"],
    "price_list": ["from_date", "cuvee", "format", "channel", "currency"],
    "channels": ["channel", "from_date"],
    "price_by_age": ["cuvee", "format", "months_on_lees"],
    "recipes": ["recipe", "what"],
    "uncertainty": ["name"],
}
_SMALL_PERCENTAGES = ("percent", "escalation", "insurance")  # 0.5 % is usual there
Check = Callable[[Estate], Iterator[Finding]]


def run_checks(estate: Estate, spoilt: frozenset[str] = frozenset()) -> Iterator[Finding]:
    """Yield the findings of every rule.

    Tables in `spoilt` could not be read in full: names that they introduce are not missed elsewhere.
    """
    yield from unknown_names(estate, spoilt)
    for check in CHECKS:
        yield from check(estate)


def entered_twice(estate: Estate) -> Iterator[Finding]:
    """Yield entries that stand twice although only one can count."""
    for table, keys in KEYS.items():
        headers = ", ".join(f"'{sheets()[table].column(key).header}'" for key in keys)
        same = f"the same {headers}" if len(keys) > 1 else f"the same {headers.lower()}"
        wrong = estate.wrong_rows.get(table, np.zeros(len(estate[table]), dtype=bool))
        pairs = [(row, first) for row, first in repeated(estate, table, keys) if not wrong[row]]
        more, shown_pairs = "", pairs
        if len(pairs) > FIRST_PLACES:
            places = [
                cell_place(estate, table, row, _naming(estate, table, keys, row))
                for row, _ in pairs[1 : FIRST_PLACES + 1]
            ]
            more, shown_pairs = also_at(places, len(pairs) - 1), pairs[:1]
        for row, first in shown_pairs:
            cell = _naming(estate, table, keys, row)
            rule = f"stands twice: {cell_place(estate, table, first, cell)} has {same}."
            yield from each(estate, table, [row], cell, rule + more, "Keep one of the two rows.")


def _naming(estate: Estate, table: str, keys: list[str], row: int) -> str:
    """Column of the key that names the entry best: one with a name in it rather than a date or number."""
    named = [key for key in keys if sheets()[table].column(key).type in ("code", "text", "choice")]
    return next((key for key in named if shown(estate, table, row, key)), keys[0])


def elements(estate: Estate) -> Iterator[Finding]:
    """Caution where a cost element is new and close to a usual one."""
    usual = lists()["element"]
    for sheet in sheets().values():
        for column in sheet.columns:
            if column.refers != "element":
                continue
            for name, row in first_rows(estate, sheet.name, column.name).items():
                near = "" if name in usual else closest(name, usual, 0.8)
                if near:
                    rule = "is a cost element of its own, and close to a usual one."
                    yield from each(estate, sheet.name, [row], column.name, rule, f"Did you mean '{near}'?", CAUTION)


def percent_points(estate: Estate) -> Iterator[Finding]:
    """Caution where every figure of a percent column is so small that it looks like a fraction of 1."""
    for sheet in sheets().values():
        for column in sheet.columns:
            if column.type != "percent" or sheet.owner != "user":
                continue
            values = estate[sheet.name][column.name].to_numpy()
            given = np.flatnonzero(np.nan_to_num(values) != 0)
            least = 0.001 if column.name in _SMALL_PERCENTAGES else 0.01
            if len(given) and np.abs(values[given]).max() < least:
                rule = "is read as percent points, and so is all of the column: much less than 1 %."
                meant = number_text(round(float(values[given[0]]) * 1e4, 6))
                remedy = f"Enter {meant} if {meant} % is meant."
                yield from each(estate, sheet.name, given[:1], column.name, rule, remedy, CAUTION)


def trial_lines(estate: Estate) -> Iterator[Finding]:
    """Yield lines of candidate blends that name no lot, or bound what no wine has."""
    table = estate["trial_blends"]
    if not len(table):
        return
    lots = known_names(estate, "lot")
    attributes = ["reserve", "second"]
    for sheet in ("opening_stock", "deliveries"):
        for column in ("vintage", "variety", "village"):
            attributes += [name for name in first_rows(estate, sheet, column) if name not in attributes]
    attributes += sorted(set(first_rows(estate, "opening_composition", "name")) - set(attributes))
    years = estate["deliveries"]["on_date"].dropna().dt.year
    attributes += sorted({str(year) for year in years} - set(attributes))
    for row in range(len(table)):
        name, line = shown(estate, "trial_blends", row, "lot"), shown(estate, "trial_blends", row, "line")
        litres, share = (
            shown(estate, "trial_blends", row, "litres"),
            shown(estate, "trial_blends", row, "share"),
        )
        if line == "bottles":
            if not shown(estate, "trial_blends", row, "bottles"):
                yield from each(
                    estate,
                    "trial_blends",
                    [row],
                    "bottles",
                    "no bottles stand here.",
                    "Enter how many are wanted.",
                )
            continue
        known = lots if line == "lot" else attributes
        what = "lot" if line == "lot" else "vintage, variety, village or kind of wine"
        if not name:
            yield from each(
                estate, "trial_blends", [row], "lot", f"no {what} is named.", "Enter it, or delete the line."
            )
        elif name not in known:
            near = closest(name, known, 0.6)
            remedy = f"Did you mean '{near}'?" if near else f"Enter a {what} that the other sheets name."
            yield from each(estate, "trial_blends", [row], "lot", f"is no known {what}.", remedy)
        if line == "lot" and bool(litres) == bool(share):
            rule = "litres and share both stand here." if litres else "neither litres nor a share stand here."
            yield from each(estate, "trial_blends", [row], "litres", rule, "Enter one of the two.")
        elif line != "lot" and not share:
            yield from each(estate, "trial_blends", [row], "share", "no bound stands here.", "Enter the share.")


def changes(estate: Estate) -> Iterator[Finding]:
    """Yield scenario and uncertainty rows that touch no sheet or column, or follow no other row."""
    titles = {fold(sheet.title): sheet for sheet in sheets().values()}
    for table in ("scenarios", "uncertainty"):
        for row in range(len(estate[table])):
            title, header = shown(estate, table, row, "sheet"), shown(estate, table, row, "column")
            sheet = titles.get(fold(title))
            if title and sheet is None:
                near = closest(title, [known.title for known in titles.values()], 0.6)
                remedy = f"Did you mean '{near}'?" if near else "Enter the title of a sheet."
                yield from each(estate, table, [row], "sheet", "is no sheet of the library.", remedy)
            elif title and header and sheet is not None:
                headers = [word for column in sheet.columns for word in (column.header, column.title)]
                if fold(header) not in {fold(word) for word in headers}:
                    near = closest(header, headers, 0.6)
                    remedy = f"Did you mean '{near}'?" if near else f"Enter a column of '{sheet.title}'."
                    yield from each(estate, table, [row], "column", f"is no column of '{sheet.title}'.", remedy)
    names = list(first_rows(estate, "uncertainty", "name"))
    for name in first_rows(estate, "uncertainty", "correlated_with"):
        if name not in names:
            near = closest(name, names, 0.6)
            rows = (estate["uncertainty"]["correlated_with"] == name).to_numpy()
            remedy = f"Did you mean '{near}'?" if near else "Enter a name of this sheet."
            yield from each(estate, "uncertainty", rows, "correlated_with", "is no name on this sheet.", remedy)


def rule_sets(estate: Estate) -> Iterator[Finding]:
    """Yield appellation rule sets that are not shipped, on Settings or on a cuvée."""
    known = rule_set_names()

    def remedy(name: str) -> str:
        near = closest(name, known, 0.6)
        return f"Did you mean '{near}'?" if near else f"Choose one of: {', '.join(known)}; or leave it blank."

    spelt = {fold(title) for title in known}
    chosen = estate.settings.rule_set
    if chosen and fold(chosen.replace("_", " ")) not in spelt:
        names = estate["settings"]["setting"].astype(str).str.casefold().str.replace("_", " ")
        rows = (names == "rule set").to_numpy()
        yield from each(estate, "settings", rows, "value", "is no rule set.", remedy(chosen))
    for name in first_rows(estate, "cuvees", "rule_set"):
        if fold(name.replace("_", " ")) not in spelt:
            rows = (estate["cuvees"]["rule_set"] == name).to_numpy()
            yield from each(estate, "cuvees", rows, "rule_set", "is no rule set.", remedy(name))


CHECKS: tuple[Check, ...] = (
    names_alike,
    entered_twice,
    elements,
    percent_points,
    trial_lines,
    changes,
    rule_sets,
    *PRICE_CHECKS,
    *PRESS_CHECKS,
    *CELLAR_CHECKS,
    *RELEASE_CHECKS,
    *LIMIT_CHECKS,
    *DOUBTS,
    *BOUND_CHECKS,
    *OFFER_CHECKS,
    *LOAN_CHECKS,
    *OWNER_CHECKS,
)
