"""Rules on what arrives: deliveries, opening stock and press loads.

Plausible yield of a press load: 0.40 to 0.80 litres of must per kilogram is taken as the range in which
nobody has mistyped (common practice, no source; the Champagne specification of 2010 allows 102 L per 160
kg, 0.64 L/kg).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from costing.array_types import Flags
from costing.errors import CAUTION, Finding
from costing.inputs.estate import Estate, harvest_years, text_of
from costing.inputs.rows import Breach, Check, Rows, rule_of

LEAST_L_PER_KG, MOST_L_PER_KG = 0.4, 0.8
_UNIT_OF_KIND = {"grapes": "kg", "on lees": "bottles", "finished": "bottles"}  # every other kind is in litres
SHARED_BY_VALUE = ("sales value", "nrv", "constant margin")
WINE = ("first", "second")
"""Fractions that cost is shared among."""
_UNITS_TO_ENTER = {"kg": "kg", "L": "L or hl", "bottles": "bottles"}


def units_of_rows(rows: Rows) -> NDArray[np.str_]:
    """Return the unit that each row must be in by what it is; empty where that is blank."""
    return rows.by_name(_kind(rows), {name: _UNIT_OF_KIND.get(name, "L") for name in rows.first_rows(_kind(rows))}, "")


def _kind(rows: Rows) -> str:
    """Column that says what a row is of."""
    return "kind" if rows.table == "opening_stock" else "what"


@rule_of("opening_stock", "deliveries", "offers")
def units_of_kinds(rows: Rows) -> Iterator[Breach]:
    """Yield quantities whose unit does not fit what they are, and bottles without a format."""
    expected, units = units_of_rows(rows), text_of(rows["unit"])

    def rule(row: int) -> str:
        return f"is no unit for {rows.shown(row, _kind(rows))}."

    def remedy(row: int) -> str:
        return f"Enter {_UNITS_TO_ENTER[str(expected[row])]}, or correct what it is."

    yield (expected != "") & (units != "") & (units != expected), "unit", rule, remedy
    bottled = (expected == "bottles") & ~rows.given("format")
    if rows.table == "offers":  # what is asked of us is a lot, which has its format
        bottled &= ~rows.are("deal", "sell")
    yield bottled, "format", "no format stands here, though these are bottles.", "Enter it, such as 'bottle'."


@rule_of("opening_stock", "deliveries")
def tirage_dates(rows: Rows) -> Iterator[Breach]:
    """Yield tirage dates after arrival."""
    late = rows["tirage_date"] > rows["on_date"]
    rule = "is after the day from which the bottles are counted."
    yield late, "tirage_date", rule, "Correct one of the two dates."


@rule_of("deliveries")
def dates_of_deliveries(deliveries: Rows) -> Iterator[Breach]:
    """Yield premiums without a date or before the delivery; caution where the harvest is after it."""
    day = deliveries["on_date"].to_numpy()
    early = deliveries["premium_date"].to_numpy() < day
    yield early, "premium_date", "is before the delivery.", "Correct one of the two dates."
    undated = (np.nan_to_num(deliveries["premium_per_unit"].to_numpy()) != 0) & ~deliveries.given("premium_date")
    remedy = "Enter the day on which it was fixed and paid."
    yield undated, "premium_date", "the premium has no date.", remedy
    ahead = (harvest_years(deliveries.frame) > day.astype("datetime64[Y]").astype(np.int64) + 1970) & ~np.isnat(day)
    rule, remedy = "is a harvest after the day of arrival.", "Correct the vintage or the date."
    yield ahead, "vintage", rule, remedy, CAUTION


def setting_place(estate: Estate, name: str) -> str:
    """Cell of the value of a setting; the sheet where no row holds it."""
    title = estate["settings"]["setting"].astype(str).str.casefold().str.replace("_", " ")
    rows = np.flatnonzero((title == name.replace("_", " ")).to_numpy())
    return estate.place("settings", int(rows[0]), "value") if len(rows) else "Settings"


@Check
def approval(estate: Estate) -> Iterator[Finding]:
    """Yield an approval of accounts that belongs to no valuation date, or to a later one."""
    valued, approved = estate.settings.valuation_date, estate.settings.accounts_approved_on
    if approved is None or (valued is not None and approved >= valued):
        return
    place = setting_place(estate, "accounts_approved_on")
    if valued is None:
        rule = "is an approval of accounts without a valuation date that it belongs to: it is not used."
        yield Finding(place, str(approved), rule, "Enter the valuation date.", CAUTION)
        return
    rule = f"is before the valuation date, {valued}: those accounts can't be approved yet."
    remedy = "Enter the day on which the accounts of the valuation date are approved, or empty the cell: closed years "
    yield Finding(place, str(approved), rule, remedy + "keep theirs.")


@rule_of("opening_costs")
def opening_amounts(costs: Rows) -> Iterator[Breach]:
    """Yield opening costs of lots that are not in the opening stock, of none, and of goods gone on no known day."""
    lot, gone = costs.given("lot"), costs.given("way_out")
    remedy = "Enter the opening lot; or, for goods that had gone before, their exit."
    yield ~lot & ~gone, "lot", "no lot is named.", remedy
    yield lot & gone, "way_out", "stands in Exit, beside a lot in stock.", "Empty one of the two cells."
    rule = "no day stands here on which the cost of goods already gone was fixed."
    yield gone & ~costs.given("incurred_date"), "incurred_date", rule, "Enter it."
    filling = {"deliveries": "lot", "disgorgements": "release_lot"}
    filling |= dict.fromkeys(("pressings", "tirage", "movements"), "to_lot")
    opened = costs.of("opening_stock").first_rows("lot")
    remedy = "Add it to Opening stock, or enter the amount on Costs."
    for name in costs.first_rows("lot"):
        if name not in opened and any(costs.of(table).are(column, name).any() for table, column in filling.items()):
            yield costs["lot"] == name, "lot", "is not in the opening stock.", remedy


@rule_of("opening_composition")
def opening_shares(shares: Rows) -> Iterator[Breach]:
    """Yield opening lots whose shares of one attribute make more than 100 %."""
    keys = ["lot", "attribute"]
    total = shares.frame.groupby(keys, observed=True)["share"].transform("sum").to_numpy(dtype=float)
    last = ~shares.frame.duplicated(keys, keep="last").to_numpy()

    def rule(row: int) -> str:
        return f"brings the lot's shares of {shares['attribute'].iloc[row]} to {100 * total[row]:.6g} %."

    yield last & (total > 1.0 + 1e-6), "share", rule, "Lower them to 100 % or less."


@rule_of("pressings")
def fraction_rows(pressings: Rows) -> Iterator[Breach]:
    """Yield fractions without litres or lot, litres without a fraction, and kilograms without a lot."""
    fraction, volume, to_lot = (pressings.given(name) for name in ("fraction", "volume_l", "to_lot"))
    by_product = pressings.are("fraction", "by-product")
    wine = fraction & ~by_product
    yield wine & ~volume, "volume_l", "the fraction has no litres.", "Enter the litres of must."
    yield wine & ~to_lot, "to_lot", "the fraction has no lot.", "Enter the lot that it fills."
    remedy = "Enter the lot that they fill, or leave the litres out."
    yield by_product & volume & ~to_lot, "to_lot", "litres of a by-product without a lot.", remedy
    yield by_product & to_lot & ~volume, "volume_l", "the by-product has no litres.", "Enter them."
    stray = ~fraction & (volume | to_lot)
    yield stray, "fraction", "no fraction stands here, though must was drawn.", "Choose first, second or by-product."
    no_lot = pressings.given("weight_kg") & ~pressings.given("from_lot")
    yield no_lot, "from_lot", "the kilograms have no lot.", "Enter the grape lot pressed."


def _loads(pressings: Rows, doubtful: Flags) -> Iterator[tuple[str, list[int]]]:
    """Loads with a doubtful row, and all their rows in order: most loads are sound and need no closer look."""
    load = pressings["load"].cat.codes.to_numpy()
    names = pressings["load"].cat.categories
    rows = np.flatnonzero(np.isin(load, np.unique(load[doubtful])) & (load >= 0))
    for code in dict.fromkeys(load[rows].tolist()):
        yield str(names[code]), rows[load[rows] == code].tolist()


def _doubtful_loads(pressings: Rows) -> Flags:
    """Rows of loads whose kilograms, dates or yield `press_loads` may speak of."""
    weight, volume = (np.nan_to_num(pressings[name].to_numpy()) for name in ("weight_kg", "volume_l"))
    kilograms = pressings.together("load", weight, np.add)
    with np.errstate(divide="ignore", invalid="ignore"):
        drawn = pressings.together("load", volume, np.add) / kilograms
    day = pressings["on_date"].to_numpy()
    from_lot = pressings.given("from_lot")
    kinds = pressings.kinds(["load", "from_lot", "weight_kg"])
    twice = np.bincount(kinds)[kinds] > 1
    return np.asarray(
        ~(kilograms > 0)
        | ((drawn > 0) & ~((drawn >= LEAST_L_PER_KG) & (drawn <= MOST_L_PER_KG)))
        | (pressings.together("load", day, np.fmin) != pressings.together("load", day, np.fmax))
        | (from_lot & (twice | ~pressings.given("weight_kg")))
    )


@rule_of("pressings")
def press_loads(pressings: Rows) -> Iterator[Breach]:
    """Yield loads without kilograms, with kilograms entered twice, of two days, or of an unlikely yield."""
    weights, volumes = pressings["weight_kg"].to_numpy(), np.nan_to_num(pressings["volume_l"].to_numpy())
    wine = pressings.are("fraction", *WINE)
    for load, rows in _loads(pressings, _doubtful_loads(pressings)):
        kilograms = float(np.nansum(weights[rows]))
        if kilograms <= 0:
            rule = f"the whole of load '{load}' has no kilograms."
            yield rows[:1], "weight_kg", rule, "Enter the kilograms pressed once per grape lot."
            continue
        yield from _weights(pressings, load, rows)
        days = pressings["on_date"].iloc[rows].dropna()
        other = [row for row in rows if row in days.index and days[row] != days.iloc[0]]
        rule = f"differs from the first row of load '{load}'."
        yield other[:1], "on_date", rule, "Give all rows of a load one date."
        drawn = float(volumes[rows].sum()) / kilograms
        complete = not any(wine[row] and volumes[row] == 0 for row in rows)
        if complete and drawn > 0 and not LEAST_L_PER_KG <= drawn <= MOST_L_PER_KG:
            first = next(row for row in rows if weights[row] > 0)
            usual = f"{LEAST_L_PER_KG:.1f} to {MOST_L_PER_KG:.1f} is usual"
            rule = f"makes {drawn:.2f} litres per kilogram in load '{load}'; {usual}."
            yield [first], "weight_kg", rule, "Check kilograms and litres.", CAUTION


def _weights(pressings: Rows, load: str, rows: list[int]) -> Iterator[Breach]:
    """Kilograms of one grape lot entered twice in a load, and grape lots without any."""
    first_rows: dict[tuple[str, str], int] = {}
    lots = {row: pressings.shown(row, "from_lot") for row in rows}
    weights = {row: pressings.shown(row, "weight_kg") for row in rows}
    weighed = {lots[row] for row in rows if weights[row]}
    for row, lot in lots.items():
        if lot and weights[row]:
            first = first_rows.setdefault((lot, weights[row]), row)
            if first != row:
                place = pressings.place(first, "weight_kg")
                rule = f"stands twice for lot '{lot}' in load '{load}': first at {place}."
                yield [row], "weight_kg", rule, "Enter kilograms once per load and lot."
        elif lot and lot not in weighed:
            weighed.add(lot)
            rule = f"lot '{lot}' has no kilograms in load '{load}'."
            yield [row], "weight_kg", rule, "Enter the kilograms pressed from it."


def _valued(pressings: Rows) -> Flags:
    """Rows whose fraction or lot has a value on Market values by their date."""
    values, day = pressings.of("market_values"), pressings["on_date"].to_numpy()
    begins = values["from_date"].to_numpy()

    def since(column: str, where: Flags) -> dict[str, np.datetime64]:
        first = values.together(column, np.where(where, begins, np.datetime64("NaT")), np.fmin)
        return {name: first[row] for name, row in values.first_rows(column).items()}

    own = values.given("lot")
    by_fraction = day >= pressings.by_name("fraction", since("what", ~own), np.datetime64("NaT"))
    return np.asarray(by_fraction | (day >= pressings.by_name("to_lot", since("lot", own), np.datetime64("NaT"))))


def _shared_loads(pressings: Rows) -> Flags:
    """Rows of loads with a first or second pressing."""
    return pressings.together("load", pressings.are("fraction", *WINE), np.logical_or)


def _doubtful_splits(pressings: Rows, valued: Flags) -> Flags:
    """Rows of loads whose split `splits` may speak of. valued: rows with a market value."""
    method = pressings["split_method"].array
    first = np.where(method.codes >= 0, np.arange(len(pressings)), len(pressings))
    names = np.array([*method, pressings.estate.settings.default_split_method], dtype=object)
    usual = names[pressings.together("load", first, np.minimum)]
    valueless = pressings.are("fraction", *WINE) & ~pressings.given("value_per_l") & ~valued
    other = pressings.given("split_method") & (names[:-1] != usual)
    of_a_kind = np.isin(usual, ["weight", "fixed"]) | (np.isin(usual, list(SHARED_BY_VALUE)) & valueless)
    return np.asarray(~_shared_loads(pressings) | other | of_a_kind, dtype=bool)


@rule_of("pressings")
def splits(pressings: Rows) -> Iterator[Breach]:
    """Yield loads whose cost cannot be shared as they say: two methods, or no figures for the method."""
    wine, fraction, valued = pressings.are("fraction", *WINE), pressings.given("fraction"), _valued(pressings)
    for load, rows in _loads(pressings, _doubtful_splits(pressings, valued)):
        methods = {row: method for row in rows if (method := pressings.shown(row, "split_method"))}
        chosen = list(dict.fromkeys(methods.values()))
        if len(chosen) > 1:
            other = next(row for row, method in methods.items() if method != chosen[0])
            rule = f"is not the method of load '{load}', '{chosen[0]}'."
            yield [other], "split_method", rule, "Share one load by one method."
            continue
        method = chosen[0] if chosen else pressings.estate.settings.default_split_method
        shared = [row for row in rows if wine[row]]
        if not shared and not fraction[rows].any():
            rule = f"the whole of load '{load}' has no fraction."
            yield rows[:1], "fraction", rule, "Enter a row for each fraction with its litres."
        elif len(shared) > 1 or (shared and method == "fixed"):
            yield from _figures(pressings, load, shared, method, valued)


def _figures(pressings: Rows, load: str, rows: list[int], method: str, valued: Flags) -> Iterator[Breach]:
    """Figures that the method of a load needs and its fractions lack."""
    if method == "weight":
        blank = [row for row in rows if not pressings.given("fraction_weight_kg")[row]]
        rule = "the fraction has no kilograms, though the load is shared by weight."
        yield blank, "fraction_weight_kg", rule, "Enter them, or choose another split method."
    elif method == "fixed":
        shares = float(pressings["fixed_share"].iloc[rows].sum())
        if abs(shares - 1.0) > 1e-6:
            rule = f"the fixed shares of load '{load}' make {shares * 100:.6g} %, not 100 %."
            yield rows[:1], "fixed_share", rule, "Correct the shares of its fractions."
    elif method in SHARED_BY_VALUE:
        blank = [row for row in rows if not pressings.given("value_per_l")[row] and not valued[row]]
        rule = f"no value per litre stands here, though the load is shared by {method}."
        remedy = "Enter it, or a value of the fraction on Market values from that day or earlier."
        yield blank, "value_per_l", rule, remedy


@rule_of("pressings")
def by_products(pressings: Rows) -> Iterator[Breach]:
    """Yield credits in loads without a fraction to bear them, and by-product rows that say nothing."""
    credit = (pressings["credit"] > 0).to_numpy()
    silent = pressings.are("fraction", "by-product") & ~credit & ~pressings.given("volume_l")
    rule = "neither a credit nor litres stand here: the by-product changes nothing."
    yield silent, "credit", rule, "Enter what it brings, or delete the row.", CAUTION
    for load, rows in _loads(pressings, credit & ~_shared_loads(pressings)):
        first = [row for row in rows if credit[row]][:1]
        rule = f"is a credit, but load '{load}' has no first or second pressing to take it."
        yield first, "credit", rule, "Enter the fractions of the load."
