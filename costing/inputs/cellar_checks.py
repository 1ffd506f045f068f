"""Rules on what happens in the cellar: movements, tirage, disgorgement, costs, and the lots that they name.

`loss = out + added − in` of a movement; more in than that allows is a gain. A tirage can't fill more than
its wine and liqueur hold. Loss above 10 % of a tirage, payment more than five years away and rows more
than fifteen years ahead are taken for slips of the pen (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.errors import CAUTION, Finding
from costing.inputs.cells import number_text
from costing.inputs.estate import Estate
from costing.inputs.press_checks import units_of_rows
from costing.inputs.row_findings import Mask, by_name, cell_place, each, filled, first_rows, shown
from costing.inputs.schema import operations, sheets
from costing.units import FORMATS_L

MOST_TIRAGE_LOSS = 0.10
YEARS_TO_PAYMENT, YEARS_AHEAD = 5, 15
_UNITS = {"L": "litres", "kg": "kilograms", "bottles": "bottles"}


def ends_of_movements(estate: Estate) -> Iterator[Finding]:
    """Yield movements without a lot, quantities without their lot and lots without their quantity."""
    table = "movements"
    from_lot, to_lot = filled(estate, table, "from_lot"), filled(estate, table, "to_lot")
    out_l, out_bottles = filled(estate, table, "out_l"), filled(estate, table, "out_bottles")
    in_l, in_bottles = filled(estate, table, "in_l"), filled(estate, table, "in_bottles")
    nowhere = ~from_lot & ~to_lot
    yield from each(
        estate, table, nowhere, "from_lot", "neither a lot drawn from nor a lot filled.", "Enter one or both."
    )
    for column, there in (("out_l", out_l), ("out_bottles", out_bottles)):
        rule = "is drawn, but no lot stands under 'From lot'."
        yield from each(estate, table, there & ~from_lot & to_lot, column, rule, "Enter the lot drawn from.")
    for column, there in (("in_l", in_l), ("in_bottles", in_bottles)):
        rule = "arrives, but no lot stands under 'To lot'."
        yield from each(estate, table, there & ~to_lot & from_lot, column, rule, "Enter the lot filled.")
    both_out, both_in = out_l & out_bottles, in_l & in_bottles
    rule = "stands beside litres: a lot is litres or bottles."
    yield from each(estate, table, both_out, "out_bottles", rule, "Enter one of the two.")
    yield from each(estate, table, both_in, "in_bottles", rule, "Enter one of the two.")
    unsaid = from_lot & ~out_l & ~out_bottles
    yield from each(estate, table, unsaid, "out_l", "nothing says how much was drawn.", "Enter the litres or bottles.")
    unsaid = ~from_lot & to_lot & ~in_l & ~in_bottles & ~out_l & ~out_bottles
    yield from each(estate, table, unsaid, "in_l", "nothing says how much arrived.", "Enter the litres or bottles.")
    told = estate[table]["operation"].isin(["downgrading", "decanting", "re-bulking"]).to_numpy()
    unsaid = out_bottles & to_lot & ~in_l & ~in_bottles & ~filled(estate, table, "format") & ~told
    rule = "bottles are drawn, and nothing says whether bottles or litres arrive."
    yield from each(estate, table, unsaid, "in_bottles", rule, "Enter what arrives: In (bottles) or In (L).")
    yield from _exits(estate, from_lot, to_lot)


def _exits(estate: Estate, from_lot: Mask, to_lot: Mask) -> Iterator[Finding]:
    exits = {name: True for name, row in operations().items() if row.exit}
    leaves = by_name(estate, "movements", "operation", exits, False).astype(bool)
    named = filled(estate, "movements", "operation")

    def rule(row: int) -> str:
        return f"is blank, but '{shown(estate, 'movements', row, 'operation')}' leaves the wine in the cellar."

    remedy = f"Enter the lot filled, or choose an operation that takes wine out: {', '.join(exits)}."
    yield from each(estate, "movements", from_lot & ~to_lot & named & ~leaves, "to_lot", rule, remedy)

    def other(row: int) -> str:
        return f"is filled, but '{shown(estate, 'movements', row, 'operation')}' takes wine out of the cellar."

    yield from each(estate, "movements", to_lot & leaves, "to_lot", other, "Clear it, or choose another operation.")
    sales = {"bulk sale": True, "distillation": True}
    sold = by_name(estate, "movements", "operation", sales, False).astype(bool)
    proceeds = estate["movements"]["proceeds"].to_numpy() > 0
    rule_text = "is brought by an operation that sells nothing."
    yield from each(
        estate,
        "movements",
        proceeds & ~sold & named & (to_lot | leaves),
        "proceeds",
        rule_text,
        "Choose 'bulk sale' or clear it.",
        CAUTION,
    )


def quantities_of_movements(estate: Estate) -> Iterator[Finding]:
    """Yield movements that add more than arrives, and caution where more arrives than left."""
    frame = estate["movements"]
    into, added = frame["in_l"].to_numpy(), np.nan_to_num(frame["added_l"].to_numpy())
    too_much = added > into + 1e-9
    rule = "is more than the litres that arrived."
    yield from each(estate, "movements", too_much, "added_l", rule, "Enter how much of what arrived was added.")
    drawn = filled(estate, "movements", "from_lot")
    for column, out, extra in (
        ("in_l", frame["out_l"].to_numpy(), added),
        ("in_bottles", frame["out_bottles"].to_numpy(), np.zeros(len(frame))),
    ):
        arrived = frame[column].to_numpy()
        litres = column == "in_l"
        more = arrived - out - extra
        tolerance = 1e-6
        gain = drawn & (more > tolerance) & ~too_much
        if not litres:
            gain &= ~_changes_format(estate)

        def surplus(row: int, more: np.ndarray = more, unit: str = "litre" if litres else "bottle") -> str:
            surplus = round(float(more[row]), 6)
            return f"is {number_text(surplus)} {unit}{'' if surplus == 1 else 's'} more than left."

        remedy = "Enter what arrived" + (", or say how many litres were added." if litres else ".")
        yield from each(estate, "movements", gain, column, surplus, remedy, CAUTION)


def _changes_format(estate: Estate) -> Mask:
    return (estate["movements"]["operation"] == "decanting").to_numpy()


def words_of_movements(estate: Estate) -> Iterator[Finding]:
    """Yield operations that lack what they are about: the format decanted into, the cuvée declared."""
    frame = estate["movements"]
    decanted = _changes_format(estate) & ~filled(estate, "movements", "format")
    yield from each(
        estate,
        "movements",
        decanted,
        "format",
        "no format, though bottles are decanted.",
        "Enter the format filled.",
    )
    declared = (frame["operation"] == "downgrading").to_numpy() & ~filled(estate, "movements", "cuvee")
    yield from each(
        estate,
        "movements",
        declared,
        "cuvee",
        "no cuvée, though bottles are downgraded.",
        "Enter the cuvée from now on.",
    )
    bottled = filled(estate, "movements", "out_l") & filled(estate, "movements", "in_bottles")
    rule = "bottles filled from litres are a bottling."
    yield from each(estate, "movements", bottled, "in_bottles", rule, "Enter it on Tirage.")


def bottlings_in_parts(tirage: pd.DataFrame) -> list[NDArray[np.intp]]:
    """Rows of each bottling of several wines: one day and bottle lot, with a row whose bottles are blank."""
    blank = tirage["bottles"].isna()
    if not blank.any():
        return []
    keys = pd.Series(list(zip(tirage["on_date"], tirage["to_lot"].astype(object), strict=True)))
    return [np.flatnonzero((keys == key).to_numpy()) for key in dict.fromkeys(keys[blank])]


def bottlings_of_several_wines(estate: Estate) -> Iterator[Finding]:
    """Yield bottlings of which no row says the bottles, or of which the litres of several wines are not said."""
    frame = estate["tirage"]
    for rows in bottlings_in_parts(frame):
        said = rows[frame["bottles"].notna().to_numpy()[rows]]
        unsaid = rows[frame["wine_l"].isna().to_numpy()[rows]]
        if not len(said):
            rule = "no bottles, and no row of that day and bottle lot that says how many were filled."
            remedy = "Enter the bottles; where several wines were bottled together, on one of their rows."
            yield from each(estate, "tirage", rows[:1], "bottles", rule, remedy)
        elif len(unsaid) > 1:
            rule = "no litres, in a bottling of several wines of which another says none either."
            yield from each(estate, "tirage", unsaid[1:], "wine_l", rule, "Enter the litres of each wine but one.")
        elif len(said) > 1:
            rule = f"bottles stand in {len(said)} rows of a bottling of which another row has none."
            yield from each(estate, "tirage", said[1:2], "bottles", rule, "Enter them on every row, or on one alone.")


def bottlings(estate: Estate) -> Iterator[Finding]:
    """Yield tirages that fill more than they draw; caution where more than a tenth is lost."""
    frame = estate["tirage"]
    sizes = by_name(estate, "tirage", "format", FORMATS_L, np.nan)
    held, liqueur = frame["bottles"].to_numpy() * sizes, np.nan_to_num(frame["liqueur_l"].to_numpy())
    wine = np.where(np.isinf(frame["wine_l"].to_numpy()), np.nan, frame["wine_l"].to_numpy())
    drawn = wine + liqueur
    for rows in bottlings_in_parts(frame):  # of several wines: all that it draws stands beside all that it fills
        filling = np.zeros(len(rows), dtype=bool)
        filling[int(np.argmax(frame["bottles"].notna().to_numpy()[rows]))] = True
        drawn[rows] = np.where(filling, drawn[rows].sum(), np.nan)

    def over(row: int) -> str:
        return f"hold {held[row]:,.1f} L, but wine and liqueur together are {drawn[row]:,.1f} L."

    too_many = held > drawn + estate.settings.volume_tolerance_l
    yield from each(estate, "tirage", too_many, "bottles", over, "Correct the bottles, their format or the litres.")
    with np.errstate(divide="ignore", invalid="ignore"):
        lost = 1.0 - held / drawn

    def under(row: int) -> str:
        return f"leave {lost[row] * 100:.1f} % of the wine and liqueur unaccounted for."

    yield from each(
        estate,
        "tirage",
        lost > MOST_TIRAGE_LOSS,
        "bottles",
        under,
        "Check the litres, the bottles and the format.",
        CAUTION,
    )


def disgorged(estate: Estate) -> Iterator[Finding]:
    """Yield disgorgements that give more bottles than they take, and liqueur without a lot or litres."""
    frame = estate["disgorgements"]
    more = frame["bottles_out"].to_numpy() > frame["bottles_in"].to_numpy()
    rule = "is more than the bottles taken from the stack."
    yield from each(estate, "disgorgements", more, "bottles_out", rule, "Correct one of the two.")
    litres, lot = frame["liqueur_l"].to_numpy() > 0, filled(estate, "disgorgements", "liqueur_lot")
    rule = "is drawn from no lot: it brings no cost."
    yield from each(
        estate,
        "disgorgements",
        litres & ~lot,
        "liqueur_l",
        rule,
        "Enter the liqueur lot, or cost it by bottle.",
        CAUTION,
    )
    rule = "is named, but no litres are drawn from it."
    yield from each(
        estate, "disgorgements", lot & ~litres, "liqueur_lot", rule, "Enter the litres of liqueur.", CAUTION
    )


def payment_dates(estate: Estate) -> Iterator[Finding]:
    """Caution where a cost was paid years away from the day it was incurred."""
    frame = estate["costs"]
    apart = np.abs((frame["paid_date"] - frame["on_date"]).dt.days.to_numpy())
    rule = f"is more than {YEARS_TO_PAYMENT} years from the day the cost was incurred."
    yield from each(estate, "costs", apart > YEARS_TO_PAYMENT * 365.25, "paid_date", rule, "Check both dates.", CAUTION)


def dates_ahead(estate: Estate) -> Iterator[Finding]:
    """Caution where a row lies far after the valuation date."""
    if estate.settings.valuation_date is None:
        return
    last = np.datetime64(pd.Timestamp(estate.settings.valuation_date) + pd.DateOffset(years=YEARS_AHEAD), "s")
    rule = f"is more than {YEARS_AHEAD} years after the valuation date."
    for sheet in sheets().values():
        if any(column.name == "on_date" for column in sheet.columns):
            far = estate[sheet.name]["on_date"].to_numpy() > last
            yield from each(estate, sheet.name, far, "on_date", rule, "Check the year.", CAUTION)


def _lot_columns() -> list[tuple[str, str]]:
    """Columns that name a lot in a dated row, opening stock apart."""
    return [
        (sheet.name, column.name)
        for sheet in sheets().values()
        for column in sheet.columns
        if column.refers == "lot" and sheet.columns[0].name == "on_date" and sheet.name != "opening_stock"
    ]


def before_opening(estate: Estate) -> Iterator[Finding]:
    """Yield rows that use a lot before the day of its opening stock."""
    days = estate["opening_stock"]["on_date"].to_numpy()
    begins = {name: days[row] for name, row in first_rows(estate, "opening_stock", "lot").items()}
    if not begins:
        return
    for table, column in _lot_columns():
        since = by_name(estate, table, column, begins, np.datetime64("NaT", "s"))
        early = estate[table]["on_date"].to_numpy() < since

        def rule(row: int, column: str = column, table: str = table, since: np.ndarray = since) -> str:
            day = since[row].astype("datetime64[D]")
            return f"is before the opening stock of '{shown(estate, table, row, column)}', {day}."

        remedy = "Correct the date, or leave the row out: the opening stock holds what came of it."
        yield from each(estate, table, early, "on_date", rule, remedy, CAUTION if table == "costs" else "error")


def _units_in_use(estate: Estate) -> Iterator[tuple[str, str, str, int]]:
    """Yield (lot, unit, "table.column", first row) for every unit a column uses a lot in, filling first."""
    out_l, out_bottles, in_l, in_bottles = (
        filled(estate, "movements", name) for name in ("out_l", "out_bottles", "in_l", "in_bottles")
    )
    columns: list[tuple[str, str, str, Mask | None]] = [
        (table, "lot", unit, units_of_rows(estate, table) == unit)
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
        for lot, row in first_rows(estate, table, column, where).items():
            yield lot, unit, f"{table}.{column}", row


def units_of_lots(estate: Estate) -> Iterator[Finding]:
    """Yield uses of a lot in another unit than it was filled in."""
    units: dict[str, tuple[str, str, int]] = {}
    for lot, unit, where, row in _units_in_use(estate):
        usual, first, first_row = units.setdefault(lot, (unit, where, row))
        if unit != usual:
            table, column = where.split(".")
            place = cell_place(estate, first.split(".")[0], first_row, first.split(".")[1])
            rule = f"is used in {_UNITS[unit]} here, and in {_UNITS[usual]} at {place}."
            remedy = "Enter the quantity in the lot's own unit, or name another lot."
            yield from each(estate, table, [row], column, rule, remedy)


def formats_of_lots(estate: Estate) -> Iterator[Finding]:
    """Yield lots that are filled with bottles of two formats."""
    formats: dict[str, tuple[str, str]] = {}
    filling = [("opening_stock", "lot"), ("deliveries", "lot"), ("tirage", "to_lot"), ("movements", "to_lot")]
    for table, column in filling:
        for size in first_rows(estate, table, "format"):
            where = (estate[table]["format"] == size).to_numpy()
            yield from _one_format(
                estate,
                formats,
                table,
                column,
                {lot: (row, size) for lot, row in first_rows(estate, table, column, where).items()},
            )
    released = estate["disgorgements"]
    pairs = released.loc[released["release_lot"].notna(), ["from_lot", "release_lot"]].drop_duplicates()
    for stack, release, row in zip(pairs["from_lot"], pairs["release_lot"], pairs.index, strict=True):
        if stack in formats:
            rows = {str(release): (int(row), formats[stack][0])}
            yield from _one_format(estate, formats, "disgorgements", "release_lot", rows)


def _one_format(
    estate: Estate,
    formats: dict[str, tuple[str, str]],
    table: str,
    column: str,
    found: dict[str, tuple[int, str]],
) -> Iterator[Finding]:
    for lot, (row, size) in found.items():
        usual, place = formats.setdefault(lot, (size, cell_place(estate, table, row, column)))
        if size != usual:
            rule = f"is filled with format '{size}' here, and with '{usual}' at {place}."
            yield from each(estate, table, [row], column, rule, "Give each format a lot of its own.")


QUANTITY_CHECKS = (quantities_of_movements, bottlings, disgorged)
"""Rules that hold what is drawn against what arrives: asked again once all that is left is a number."""

CELLAR_CHECKS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (
    ends_of_movements,
    quantities_of_movements,
    words_of_movements,
    bottlings_of_several_wines,
    bottlings,
    disgorged,
    payment_dates,
    dates_ahead,
    before_opening,
    units_of_lots,
    formats_of_lots,
)
