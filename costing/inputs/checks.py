"""Rules across rows and tables: entries that stand twice, trial blends, scenarios.

The rules of one matter (names, press house, cellar, prices) stand in files beside. They look at what is written, not at
how the wine moved: balances, overdrawn lots and loops within a day are found where the movements are followed.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from costing.errors import CAUTION, FIRST_PLACES, Finding
from costing.inputs import (
    cellar_checks,
    currencies,
    cuvee_bounds,
    doubts,
    grape_prices,
    loan_checks,
    owners,
    plan_checks,
    pool_checks,
    press_checks,
    price_checks,
    release_checks,
)
from costing.inputs.appellations import rule_set_names
from costing.inputs.cells import fold, number_text
from costing.inputs.estate import Estate, harvest_years
from costing.inputs.headers import closest, did_you_mean, read_headers
from costing.inputs.name_checks import known_lots, names_alike, unknown_names
from costing.inputs.rows import Breach, Check, Rows, also_at, rule_of
from costing.inputs.schema import lists, sheets

_SMALL_PERCENTAGES = ("percent", "escalation", "insurance")  # 0.5 % is usual there
ATTRIBUTES = ("vintage", "variety", "village")


def run_checks(estate: Estate, spoilt: frozenset[str] = frozenset()) -> Iterator[Finding]:
    """Yield the findings of every rule.

    Tables in `spoilt` could not be read in full: names that they introduce are not missed elsewhere.
    """
    yield from unknown_names(estate, spoilt)
    for check in CHECKS:
        yield from check(estate)


@Check
def entered_twice(estate: Estate) -> Iterator[Finding]:
    """Yield entries that stand twice although only one can count."""
    for rows in (Rows(estate, name) for name, sheet in sheets().items() if sheet.entered_once_by):
        keys = list(sheets()[rows.table].entered_once_by)
        headers = ", ".join(f"'{sheets()[rows.table].column(key).header}'" for key in keys)
        same = f"the same {headers}" if len(keys) > 1 else f"the same {headers.lower()}"
        wrong = estate.wrong_rows.get(rows.table, np.zeros(len(rows), dtype=bool))
        again, first_like = rows.repeated(keys)
        sound = ~wrong[again]
        pairs = list(zip(again[sound].tolist(), first_like[sound].tolist(), strict=True))
        more, written = "", pairs
        if len(pairs) > FIRST_PLACES:
            places = [rows.place(row, _naming(rows, keys, row)) for row, _ in pairs[1 : FIRST_PLACES + 1]]
            more, written = also_at(places, len(pairs) - 1), pairs[:1]
        for row, first in written:
            cell = _naming(rows, keys, row)
            rule = f"stands twice: {rows.place(first, cell)} has {same}."
            yield from rows.findings([row], cell, rule + more, "Keep one of the two rows.")


def _naming(rows: Rows, keys: list[str], row: int) -> str:
    """Column of the key that names the entry best: one with a name in it rather than a date or number."""
    named = [key for key in keys if sheets()[rows.table].column(key).type in ("code", "text", "choice")]
    return next((key for key in named if rows.shown(row, key)), keys[0])


@rule_of(*sheets())
def elements(rows: Rows) -> Iterator[Breach]:
    """Caution where a cost element is new and close to a usual one."""
    usual = lists()["element"]
    for column in (column.name for column in sheets()[rows.table].columns if column.refers == "element"):
        for name, row in rows.first_rows(column).items():
            near = "" if name in usual else closest(name, usual, 0.8)
            if near:
                rule = "is a cost element of its own, and close to a usual one."
                yield [row], column, rule, f"Did you mean '{near}'?", CAUTION


@rule_of(*(name for name, sheet in sheets().items() if sheet.owner == "user"))
def percent_points(rows: Rows) -> Iterator[Breach]:
    """Caution where every figure of a percent column is so small that it looks like a fraction of 1."""
    for column in (column.name for column in sheets()[rows.table].columns if column.type == "percent"):
        values = rows[column].to_numpy()
        given = np.flatnonzero(np.nan_to_num(values) != 0)
        least = 0.001 if column in _SMALL_PERCENTAGES else 0.01
        if len(given) and np.abs(values[given]).max() < least:
            rule = "is read as percent points, and so is all of the column: much less than 1 %."
            meant = number_text(round(float(values[given[0]]) * 1e4, 6))
            yield given[:1], column, rule, f"Enter {meant} if {meant} % is meant.", CAUTION


@rule_of("trial_blends")
def trial_lines(lines: Rows) -> Iterator[Breach]:
    """Yield lines of candidate blends that name no lot, or bound what no wine has."""
    name, litres, share = (lines.given(column) for column in ("lot", "litres", "share"))
    bottles, lot = lines.are("line", "bottles"), lines.are("line", "lot")
    yield bottles & ~lines.given("bottles"), "bottles", "no bottles stand here.", "Enter how many are wanted."
    lots, attributes = known_lots(lines.estate), _attributes(lines)
    for kind, known, what in (
        (lot, lots, "lot"),
        (~lot & ~bottles, attributes, "vintage, variety, village or kind of wine"),
    ):
        yield kind & ~name, "lot", f"no {what} is named.", "Enter it, or delete the line."
        remedy = f"Enter a {what} that the other sheets name."
        yield from lines.unknown("lot", known, f"is no known {what}.", remedy, kind)
    yield lot & litres & share, "litres", "litres and share both stand here.", "Enter one of the two."
    yield lot & ~litres & ~share, "litres", "neither litres nor a share stand here.", "Enter one of the two."
    yield ~lot & ~bottles & ~share, "share", "no bound stands here.", "Enter the share."


def _attributes(rows: Rows) -> list[str]:
    """What a candidate blend can be bound by: reserve, second pressing, and what its wines are made of."""
    sheet_columns = [(sheet, column) for sheet in ("opening_stock", "deliveries") for column in ATTRIBUTES]
    names = [name for sheet, column in sheet_columns for name in rows.of(sheet).first_rows(column)]
    names += sorted(rows.of("opening_composition").first_rows("name"))
    years = harvest_years(rows.estate["deliveries"])
    names += sorted({f"{year:.0f}" for year in years[~np.isnan(years)]})
    return list(dict.fromkeys(["reserve", "second", *names]))


@rule_of("scenarios", "uncertainty")
def changed_columns(changes: Rows) -> Iterator[Breach]:
    """Yield rows that change no sheet or column."""
    titles = {fold(sheet.title): sheet for sheet in sheets().values()}
    known = [sheet.title for sheet in sheets().values()]
    for row in np.flatnonzero(changes.given("sheet")).tolist():
        title, header = changes.shown(row, "sheet"), changes.shown(row, "column")
        sheet = titles.get(fold(title))
        if sheet is None:
            remedy = did_you_mean(title, known, "Enter the title of a sheet.")
            yield [row], "sheet", "is no sheet of the library.", remedy
            continue
        if header and read_headers(sheet, [header])[0].column is None:
            headers = [word for column in sheet.columns for word in (column.header, column.title)]
            remedy = did_you_mean(header, headers, f"Enter a column of '{sheet.title}'.")
            yield [row], "column", f"is no column of '{sheet.title}'.", remedy


@rule_of("uncertainty")
def correlations(uncertainty: Rows) -> Iterator[Breach]:
    """Yield rows that follow no other row."""
    names = uncertainty.first_rows("name")
    yield from uncertainty.unknown("correlated_with", names, "is no name on this sheet.", "Enter a name of this sheet.")


@rule_of("settings", "cuvees")
def rule_sets(rows: Rows) -> Iterator[Breach]:
    """Yield appellation rule sets that are not shipped, on Settings or on a cuvée."""
    known, column = rule_set_names(), "value" if rows.table == "settings" else "rule_set"
    spelt = {fold(title) for title in known}
    where = None
    if rows.table == "settings":
        where = (rows["setting"].astype(str).str.casefold().str.replace("_", " ") == "rule set").to_numpy()
    for name in rows.first_rows(column, where):
        if fold(name.replace("_", " ")) not in spelt:
            chosen = rows.are(column, name) & (True if where is None else where)
            remedy = did_you_mean(name, known, f"Choose one of: {', '.join(known)}; or leave it blank.")
            yield chosen, column, "is no rule set.", remedy


_MODULES = (
    price_checks,
    pool_checks,
    grape_prices,
    currencies,
    press_checks,
    cellar_checks,
    release_checks,
    cuvee_bounds,
    plan_checks,
    doubts,
    loan_checks,
    owners,
)
CHECKS: tuple[Check, ...] = (
    *(names_alike, entered_twice, elements, percent_points, trial_lines, changed_columns, correlations, rule_sets),
    *(rule for module in _MODULES for rule in vars(module).values() if isinstance(rule, Check)),
)
"""Every rule, in the order in which its findings are shown."""
