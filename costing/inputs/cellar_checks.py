"""Rules on what happens in the cellar: movements, tirage, disgorgement, costs, and the lots that they name.

`loss = out + added − in` of a movement; more in than that allows is a gain. A tirage can't fill more than
its wine and liqueur hold. Loss above 10 % of a tirage, payment more than five years away and rows more
than fifteen years ahead are taken for slips of the pen (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Days, Flags
from costing.errors import CAUTION, ERROR, Finding
from costing.inputs.cells import number_text
from costing.inputs.estate import Estate
from costing.inputs.numbered import lots_named
from costing.inputs.press_checks import units_of_rows
from costing.inputs.rows import Breach, Check, Rows, Words, rule_of
from costing.inputs.schema import operations, sheets
from costing.units import FORMATS_L

MOST_TIRAGE_LOSS = 0.10
YEARS_TO_PAYMENT, YEARS_AHEAD = 5, 15
_UNITS = {"L": "litres", "kg": "kilograms", "bottles": "bottles"}
_DATED = tuple(name for name, sheet in sheets().items() if any(column.name == "on_date" for column in sheet.columns))
_LOT_COLUMNS = tuple(
    (sheet.name, column.name)
    for sheet in sheets().values()
    for column in sheet.columns
    if column.refers == "lot" and sheet.columns[0].name == "on_date" and sheet.name != "opening_stock"
)
"""Columns that name a lot in a dated row, opening stock apart."""


@rule_of("movements")
def ends_of_movements(movements: Rows) -> Iterator[Breach]:
    """Yield movements without a lot, quantities without their lot and lots without their quantity."""
    from_lot, to_lot = movements.given("from_lot"), movements.given("to_lot")
    out_l, out_bottles = movements.given("out_l"), movements.given("out_bottles")
    in_l, in_bottles = movements.given("in_l"), movements.given("in_bottles")
    yield ~from_lot & ~to_lot, "from_lot", "names neither a lot drawn from nor a lot filled.", "Enter one or both."
    for column, drawn in (("out_l", out_l), ("out_bottles", out_bottles)):
        rule = "is drawn, but no lot stands under 'From lot'."
        yield drawn & ~from_lot & to_lot, column, rule, "Enter the lot drawn from."
    for column, filled in (("in_l", in_l), ("in_bottles", in_bottles)):
        yield filled & ~to_lot & from_lot, column, "arrives, but no lot stands under 'To lot'.", "Enter the lot filled."
    rule = "stands beside litres: a lot is litres or bottles."
    yield out_l & out_bottles, "out_bottles", rule, "Enter one of the two."
    yield in_l & in_bottles, "in_bottles", rule, "Enter one of the two."
    drawn, filled = out_l | out_bottles, in_l | in_bottles
    yield from_lot & ~drawn, "out_l", "nothing says how much was drawn.", "Enter the litres or bottles."
    rule = "nothing says how much arrived."
    yield ~from_lot & to_lot & ~filled & ~drawn, "in_l", rule, "Enter the litres or bottles."
    known = movements.given("format") | movements.are("operation", "downgrading", "decanting", "re-bulking")
    rule = "bottles are drawn, and nothing says whether bottles or litres arrive."
    yield out_bottles & to_lot & ~filled & ~known, "in_bottles", rule, "Enter what arrives: In (bottles) or In (L)."


@rule_of("movements")
def ways_out_of_movements(movements: Rows) -> Iterator[Breach]:
    """Yield wine that leaves by an operation that keeps it, or stays by one that takes it out; caution where an
    operation that sells nothing brings money.
    """
    from_lot, to_lot, named = (movements.given(column) for column in ("from_lot", "to_lot", "operation"))
    exits = [name for name, operation in operations().items() if operation.exit]
    leaves = movements.are("operation", *exits)

    def stays(row: int) -> str:
        return f"is blank, but '{movements.shown(row, 'operation')}' leaves the wine in the cellar."

    def goes(row: int) -> str:
        return f"is filled, but '{movements.shown(row, 'operation')}' takes wine out of the cellar."

    remedy = f"Enter the lot filled, or choose an operation that takes wine out: {', '.join(exits)}."
    yield from_lot & ~to_lot & named & ~leaves, "to_lot", stays, remedy
    yield to_lot & leaves, "to_lot", goes, "Clear it, or choose another operation."
    unsold = (movements["proceeds"] > 0) & ~movements.are("operation", "bulk sale", "distillation") & named
    rule = "is brought by an operation that sells nothing."
    yield unsold & (to_lot | leaves), "proceeds", rule, "Choose 'bulk sale' or clear it.", CAUTION


@rule_of("movements")
def quantities_of_movements(movements: Rows) -> Iterator[Breach]:
    """Yield movements that add more than arrives, and caution where more arrives than left."""
    added = movements["added_l"].fillna(0.0)
    too_much = added > movements["in_l"] + 1e-9
    rule = "is more than the litres that arrived."
    yield too_much, "added_l", rule, "Enter how much of what arrived was added."
    drawn = movements.given("from_lot") & ~too_much
    litres = movements["in_l"] - movements["out_l"] - added
    remedy = "Enter what arrived, or say how many litres were added."
    yield drawn & (litres > 1e-6), "in_l", _surplus(litres, "litre"), remedy, CAUTION
    bottles = movements["in_bottles"] - movements["out_bottles"]
    gained = drawn & (bottles > 1e-6) & ~movements.are("operation", "decanting")
    yield gained, "in_bottles", _surplus(bottles, "bottle"), "Enter what arrived.", CAUTION


def _surplus(more: pd.Series[Any], unit: str) -> Words:
    def rule(row: int) -> str:
        surplus = round(float(more.iloc[row]), 6)
        return f"is {number_text(surplus)} {unit}{'' if surplus == 1 else 's'} more than left."

    return rule


@rule_of("movements")
def words_of_movements(movements: Rows) -> Iterator[Breach]:
    """Yield operations that lack what they are about: the format decanted into, the cuvée declared."""
    decanted = movements.are("operation", "decanting") & ~movements.given("format")
    yield decanted, "format", "no format stands here, though bottles are decanted.", "Enter the format filled."
    declared = movements.are("operation", "downgrading") & ~movements.given("cuvee")
    yield declared, "cuvee", "no cuvée stands here, though bottles are downgraded.", "Enter the cuvée from now on."
    bottled = movements.given("out_l", "in_bottles")
    yield bottled, "in_bottles", "bottles filled from litres are a bottling.", "Enter it on Tirage."


def bottlings_in_parts(tirage: pd.DataFrame) -> list[NDArray[np.intp]]:
    """Rows of each bottling of several wines: one day and bottle lot, with a row whose bottles are blank."""
    blank = tirage["bottles"].isna()
    if not blank.any():
        return []
    keys = pd.Series(list(zip(tirage["on_date"], tirage["to_lot"].astype(object), strict=True)))
    return [np.flatnonzero((keys == key).to_numpy()) for key in dict.fromkeys(keys[blank])]


@rule_of("tirage")
def bottlings_of_several_wines(tirage: Rows) -> Iterator[Breach]:
    """Yield bottlings of which no row says the bottles, or of which the litres of several wines are not said."""
    bottles, litres = tirage.given("bottles"), tirage.given("wine_l")
    for rows in bottlings_in_parts(tirage.frame):
        counted, unsaid = rows[bottles[rows]], rows[~litres[rows]]
        if not len(counted):
            rule = "no bottles stand here, and no row of that day and bottle lot says how many were filled."
            remedy = "Enter the bottles; where several wines were bottled together, on one of their rows."
            yield rows[:1], "bottles", rule, remedy
        elif len(unsaid) > 1:
            rule = "no litres stand here, and another wine of the same bottling has none either."
            yield unsaid[1:], "wine_l", rule, "Enter the litres of each wine but one."
        elif len(counted) > 1:
            rule = f"bottles stand in {len(counted)} rows of a bottling of which another row has none."
            yield counted[1:2], "bottles", rule, "Enter them on every row, or on one alone."


@rule_of("tirage")
def bottlings(tirage: Rows) -> Iterator[Breach]:
    """Yield tirages that fill more than they draw; caution where more than a tenth is lost."""
    filled = tirage["bottles"].to_numpy() * tirage.by_name("format", FORMATS_L, np.nan)
    drawn = tirage["wine_l"].replace(np.inf, np.nan).to_numpy() + np.nan_to_num(tirage["liqueur_l"].to_numpy())
    for rows in bottlings_in_parts(tirage.frame):  # of several wines: all that it draws stands beside all that it fills
        filling = rows == rows[int(np.argmax(tirage.given("bottles")[rows]))]
        drawn[rows] = np.where(filling, drawn[rows].sum(), np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        lost = 1.0 - filled / drawn

    def over(row: int) -> str:
        return f"hold {filled[row]:,.1f} L, but wine and liqueur together are {drawn[row]:,.1f} L."

    def under(row: int) -> str:
        return f"leave {lost[row] * 100:.1f} % of the wine and liqueur unaccounted for."

    too_many = filled > drawn + tirage.estate.settings.volume_tolerance_l
    yield too_many, "bottles", over, "Correct the bottles, their format or the litres."
    yield lost > MOST_TIRAGE_LOSS, "bottles", under, "Check the litres, the bottles and the format.", CAUTION


@rule_of("disgorgements")
def disgorged(disgorgements: Rows) -> Iterator[Breach]:
    """Yield disgorgements that give more bottles than they take, and liqueur without a lot or litres."""
    more = disgorgements["bottles_out"] > disgorgements["bottles_in"]
    yield more, "bottles_out", "is more than the bottles taken from the stack.", "Correct one of the two."
    litres, lot = disgorgements["liqueur_l"] > 0, disgorgements.given("liqueur_lot")
    rule, remedy = "is drawn from no lot: it brings no cost.", "Enter the liqueur lot, or cost it by bottle."
    yield litres & ~lot, "liqueur_l", rule, remedy, CAUTION
    rule, remedy = "is named, but no litres are drawn from it.", "Enter the litres of liqueur."
    yield lot & ~litres, "liqueur_lot", rule, remedy, CAUTION


@rule_of("costs")
def payment_dates(costs: Rows) -> Iterator[Breach]:
    """Caution where a cost was paid years away from the day it was incurred."""
    apart = (costs["paid_date"] - costs["on_date"]).dt.days.abs() > YEARS_TO_PAYMENT * 365.25
    rule = f"is more than {YEARS_TO_PAYMENT} years from the day the cost was incurred."
    yield apart, "paid_date", rule, "Check both dates.", CAUTION


@rule_of(*_DATED)
def dates_ahead(rows: Rows) -> Iterator[Breach]:
    """Caution where a row lies far after the valuation date."""
    if rows.estate.settings.valuation_date is None:
        return
    last = pd.Timestamp(rows.estate.settings.valuation_date) + pd.DateOffset(years=YEARS_AHEAD)
    rule = f"is more than {YEARS_AHEAD} years after the valuation date."
    yield rows["on_date"] > last, "on_date", rule, "Check the year.", CAUTION


@Check
def before_opening(estate: Estate) -> Iterator[Finding]:
    """Yield rows that use a lot before the day of its opening stock."""
    opening, lots = Rows(estate, "opening_stock"), lots_named(estate)
    begins = np.full(len(lots.names) + 1, np.datetime64("NaT", "s"))
    first = opening.first_of_names("lot")
    begins[lots.of_names["opening_stock", "lot"]] = opening["on_date"].to_numpy()[first]
    for table, column in _LOT_COLUMNS if len(first) else ():
        yield from _before(Rows(estate, table), column, begins[lots.of_rows(table, column)])


def _before(rows: Rows, column: str, since: Days) -> Iterator[Finding]:

    def rule(row: int) -> str:
        return f"is before the opening stock of '{rows.shown(row, column)}', {since[row].astype('datetime64[D]')}."

    remedy = "Correct the date, or leave the row out: the opening stock holds what came of it."
    severity = CAUTION if rows.table == "costs" else ERROR
    yield from rows.findings(rows["on_date"].to_numpy() < since, "on_date", rule, remedy, severity)


class _FirstUses:
    """How each lot is used where it stands first: sheet, column and the unit or format there."""

    def __init__(self, estate: Estate) -> None:
        self.lots = lots_named(estate)
        self._use = np.full(len(self.lots.names), -1, dtype=np.int64)
        self._row = self._use.copy()
        self._uses: list[tuple[Rows, str, str]] = []

    def otherwise(
        self, rows: Rows, column: str, what: str, where: Flags | None = None
    ) -> Iterator[tuple[int, str, str]]:
        """Yield the first row of each lot of a column (where `where` is true) that was used otherwise before, how that
        was and at which place.
        """
        first = rows.first_of_names(column, where)
        named = np.flatnonzero(first >= 0)
        lot, row = self.lots.of_names[rows.table, column][named], first[named]
        before = self._use[lot]
        new = before < 0
        self._use[lot[new]], self._row[lot[new]] = len(self._uses), row[new]
        self._uses.append((rows, column, what))
        differs = np.array([usual != what for _, _, usual in self._uses])
        for place in np.flatnonzero(~new & differs[before]).tolist():
            filling, its_column, usual = self._uses[before[place]]
            yield int(row[place]), usual, filling.place(int(self._row[lot[place]]), its_column)

    def are(self, what: str) -> Flags:
        """Whether each lot is used so where it stands first."""
        return np.array([*(usual == what for _, _, usual in self._uses), False])[self._use]


def _units_in_use(estate: Estate) -> Iterator[tuple[Rows, str, str, Flags | None]]:
    """Yield rows, column, the unit of its lots and where that holds, filling first."""
    movements = Rows(estate, "movements")
    out_l, out_bottles = movements.given("out_l"), movements.given("out_bottles")
    in_l, in_bottles = movements.given("in_l"), movements.given("in_bottles")
    columns: list[tuple[str, str, str, Flags | None]] = [
        (table, "lot", unit, units_of_rows(Rows(estate, table)) == unit)
        for table in ("opening_stock", "deliveries")
        for unit in _UNITS
    ]
    columns += [
        ("pressings", "to_lot", "L", None),
        ("movements", "to_lot", "L", in_l & ~in_bottles),
        ("movements", "to_lot", "bottles", in_bottles & ~in_l),
        ("tirage", "to_lot", "bottles", None),
        ("disgorgements", "release_lot", "bottles", None),
        ("pressings", "from_lot", "kg", None),
        ("movements", "from_lot", "L", out_l & ~out_bottles),
        ("movements", "from_lot", "bottles", out_bottles & ~out_l),
        ("tirage", "wine_lot", "L", None),
        ("disgorgements", "from_lot", "bottles", None),
        ("disgorgements", "liqueur_lot", "L", None),
        ("dispatches", "release_lot", "bottles", None),
    ]
    for table, column, unit, where in columns:
        yield Rows(estate, table), column, unit, where


@Check
def units_of_lots(estate: Estate) -> Iterator[Finding]:
    """Yield uses of a lot in another unit than it was filled in."""
    uses = _FirstUses(estate)
    for rows, column, unit, where in _units_in_use(estate):
        for row, usual, place in uses.otherwise(rows, column, unit, where):
            rule = f"is used in {_UNITS[unit]} here, and in {_UNITS[usual]} at {place}."
            remedy = "Enter the quantity in the lot's own unit, or name another lot."
            yield from rows.findings([row], column, rule, remedy)


def _formats_in_use(estate: Estate, uses: _FirstUses) -> Iterator[tuple[Rows, str, str, Flags]]:
    """Yield rows, column, the format that its lots are filled with and where that holds, disgorgement last."""
    for table, column in (
        ("opening_stock", "lot"),
        ("deliveries", "lot"),
        ("tirage", "to_lot"),
        ("movements", "to_lot"),
    ):
        rows = Rows(estate, table)
        for size in rows.first_rows("format"):
            yield rows, column, size, rows.are("format", size)
    stack, release = (uses.lots.of_rows("disgorgements", column) for column in ("from_lot", "release_lot"))
    for size in FORMATS_L:
        filled = np.append(uses.are(size), False)
        while (given := filled[stack] & ~filled[release] & (release >= 0)).any():
            filled[release[given]] = True  # what was disgorged may be disgorged again
        yield Rows(estate, "disgorgements"), "release_lot", size, filled[stack]


@Check
def formats_of_lots(estate: Estate) -> Iterator[Finding]:
    """Yield lots that are filled with bottles of two formats."""
    uses = _FirstUses(estate)
    for rows, column, size, where in _formats_in_use(estate, uses):
        for row, usual, place in uses.otherwise(rows, column, size, where):
            rule = f"is filled with format '{size}' here, and with '{usual}' at {place}."
            yield from rows.findings([row], column, rule, "Give each format a lot of its own.")


QUANTITY_CHECKS = (quantities_of_movements, bottlings, disgorged)
"""Rules that hold what is drawn against what arrives: asked again once all that is left is a number."""
