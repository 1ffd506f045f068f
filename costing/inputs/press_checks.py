"""Rules on what arrives: deliveries, opening stock and press loads.

Plausible yield of a press load: 0.40 to 0.80 litres of must per kilogram is taken as the range in which
nobody has mistyped (common practice, no source; the Champagne specification of 2010 allows 102 L per 160
kg, 0.64 L/kg).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from costing.errors import CAUTION, Finding
from costing.inputs.estate import Estate
from costing.inputs.row_findings import Mask, by_name, cell_place, each, filled, first_rows, shown

LEAST_L_PER_KG, MOST_L_PER_KG = 0.4, 0.8
UNITS = {"grapes": "kg", "on lees": "bottles", "finished": "bottles"}  # every other kind is in litres
SHARED_BY_VALUE = ("sales value", "nrv", "constant margin")


def units_of_rows(estate: Estate, table: str) -> NDArray[np.str_]:
    """Return the unit that each row must be in by what it is; empty where that is blank."""
    kind = "kind" if table == "opening_stock" else "what"
    units = {name: UNITS.get(name, "L") for name in first_rows(estate, table, kind)}
    return by_name(estate, table, kind, units, "")


def units_of_kinds(estate: Estate) -> Iterator[Finding]:
    """Yield quantities whose unit does not fit what they are, and bottles without a format."""
    for table, kind in (("opening_stock", "kind"), ("deliveries", "what"), ("offers", "what")):
        expected = units_of_rows(estate, table)
        units = estate[table]["unit"].astype(object).fillna("").to_numpy()
        wrong = (expected != "") & (units != "") & (units != expected)

        def rule(row: int, table: str = table, kind: str = kind) -> str:
            return f"is no unit for {shown(estate, table, row, kind)}."

        def remedy(row: int, expected: np.ndarray = expected) -> str:
            words = {"kg": "kg", "L": "L or hl", "bottles": "bottles"}
            return f"Enter {words[str(expected[row])]}, or correct what it is."

        yield from each(estate, table, wrong, "unit", rule, remedy)
        bottled = (expected == "bottles") & ~filled(estate, table, "format")
        if table == "offers":  # what is asked of us is a lot, which has its format
            bottled &= (estate[table]["deal"] != "sell").to_numpy()
        yield from each(
            estate,
            table,
            bottled,
            "format",
            "no format, though these are bottles.",
            "Enter it, such as 'bottle'.",
        )


def dates_of_arrivals(estate: Estate) -> Iterator[Finding]:
    """Yield tirage dates after arrival, and premiums without a date or before the delivery."""
    for table in ("opening_stock", "deliveries"):
        frame = estate[table]
        late = frame["tirage_date"].to_numpy() > frame["on_date"].to_numpy()
        rule = "is after the day from which the bottles are counted."
        yield from each(estate, table, late, "tirage_date", rule, "Correct one of the two dates.")
    arrived = estate["deliveries"]
    early = arrived["premium_date"].to_numpy() < arrived["on_date"].to_numpy()
    yield from each(
        estate,
        "deliveries",
        early,
        "premium_date",
        "is before the delivery.",
        "Correct one of the two dates.",
    )
    premium = np.nan_to_num(arrived["premium_per_unit"].to_numpy()) != 0
    undated = premium & ~filled(estate, "deliveries", "premium_date")
    yield from each(
        estate,
        "deliveries",
        undated,
        "premium_date",
        "no date for the premium.",
        "Enter the day on which it was fixed and paid.",
    )
    years = arrived["on_date"].dt.year.to_numpy()
    named = {name: int(name) for name in first_rows(estate, "deliveries", "vintage") if name.isdigit()}
    ahead = by_name(estate, "deliveries", "vintage", named, 0) > years
    rule = "is a harvest after the day of arrival."
    yield from each(estate, "deliveries", ahead, "vintage", rule, "Correct the vintage or the date.", CAUTION)


def setting_place(estate: Estate, name: str) -> str:
    """Cell of the value of a setting; the sheet where no row holds it."""
    title = estate["settings"]["setting"].astype(str).str.casefold().str.replace("_", " ")
    rows = np.flatnonzero((title == name.replace("_", " ")).to_numpy())
    return estate.place("settings", int(rows[0]), "value") if len(rows) else "Settings"


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


def opening_amounts(estate: Estate) -> Iterator[Finding]:
    """Yield opening costs of lots that are not in the opening stock, of none, and of goods gone on no known day."""
    lot, gone = (filled(estate, "opening_costs", name) for name in ("lot", "way_out"))
    rule, remedy = "no lot is named.", "Enter the opening lot; or, for goods that had gone before, their way out."
    yield from each(estate, "opening_costs", ~lot & ~gone, "lot", rule, remedy)
    rule, remedy = "stands in Way out, beside a lot in stock.", "Empty one of the two cells."
    yield from each(estate, "opening_costs", lot & gone, "way_out", rule, remedy)
    undated = gone & ~filled(estate, "opening_costs", "incurred_date")
    rule, remedy = "no day on which the cost of goods already gone was fixed.", "Enter it."
    yield from each(estate, "opening_costs", undated, "incurred_date", rule, remedy)
    opening = first_rows(estate, "opening_stock", "lot")
    known = [
        first_rows(estate, "deliveries", "lot"),
        *(first_rows(estate, sheet, "to_lot") for sheet in ("pressings", "tirage")),
    ]
    later = {name for names in (*known, first_rows(estate, "movements", "to_lot")) for name in names}
    later |= set(first_rows(estate, "disgorgements", "release_lot"))
    for name in first_rows(estate, "opening_costs", "lot"):
        if name not in opening and name in later:
            rows = (estate["opening_costs"]["lot"] == name).to_numpy()
            remedy = "Add it to Opening stock, or enter the amount on Costs."
            yield from each(estate, "opening_costs", rows, "lot", "is not in the opening stock.", remedy)


def opening_shares(estate: Estate) -> Iterator[Finding]:
    """Yield opening lots whose shares of one attribute make more than 100 %."""
    table = estate["opening_composition"]
    keys = ["lot", "attribute"]
    total = table.groupby(keys, observed=True)["share"].transform("sum").to_numpy(dtype=float)
    last = ~table.duplicated(keys, keep="last").to_numpy()
    yield from each(
        estate,
        "opening_composition",
        last & (total > 1.0 + 1e-6),
        "share",
        lambda row: f"brings the lot's shares of {table['attribute'].iloc[row]} to {100 * total[row]:.6g} %.",
        "Lower them to 100 % or less.",
    )


def fraction_rows(estate: Estate) -> Iterator[Finding]:
    """Yield fractions without litres or lot, litres without a fraction, and kilograms without a lot."""
    table = "pressings"
    fraction, volume, to_lot = (filled(estate, table, name) for name in ("fraction", "volume_l", "to_lot"))
    by_product = (estate[table]["fraction"] == "by-product").to_numpy()
    wine = fraction & ~by_product
    yield from each(
        estate, table, wine & ~volume, "volume_l", "no litres for the fraction.", "Enter the litres of must."
    )
    yield from each(estate, table, wine & ~to_lot, "to_lot", "no lot for the fraction.", "Enter the lot that it fills.")
    half = by_product & (volume != to_lot)
    yield from each(
        estate,
        table,
        half & volume,
        "to_lot",
        "litres of a by-product without a lot.",
        "Enter the lot that they fill, or leave the litres out.",
    )
    yield from each(estate, table, half & to_lot, "volume_l", "no litres for the by-product.", "Enter them.")
    stray = ~fraction & (volume | to_lot)
    yield from each(
        estate,
        table,
        stray,
        "fraction",
        "no fraction, though must was drawn.",
        "Choose first, second or by-product.",
    )
    weight, from_lot = filled(estate, table, "weight_kg"), filled(estate, table, "from_lot")
    yield from each(
        estate,
        table,
        weight & ~from_lot,
        "from_lot",
        "no lot for the kilograms.",
        "Enter the grape lot pressed.",
    )


def _loads(estate: Estate, doubtful: Mask) -> Iterator[tuple[str, list[int]]]:
    """Loads with a doubtful row, and all their rows in order: most loads are sound and need no closer look."""
    load = estate["pressings"]["load"].cat.codes.to_numpy()
    named = estate["pressings"]["load"].cat.categories
    rows = np.flatnonzero(np.isin(load, np.unique(load[doubtful])) & (load >= 0))
    for code in dict.fromkeys(load[rows].tolist()):
        yield str(named[code]), rows[load[rows] == code].tolist()


def _doubtful_loads(estate: Estate) -> Mask:
    """Rows of loads whose kilograms, dates or yield `press_loads` may speak of."""
    frame = estate["pressings"]
    load = frame["load"]
    weight, volume = frame["weight_kg"].fillna(0.0), frame["volume_l"].fillna(0.0)
    kilograms = weight.groupby(load, observed=True).transform("sum")
    drawn = volume.groupby(load, observed=True).transform("sum") / kilograms.where(kilograms > 0)
    days = frame["on_date"].groupby(load, observed=True)
    from_lot = frame["from_lot"].notna()
    twice = from_lot & frame.duplicated(["load", "from_lot", "weight_kg"], keep=False)
    doubtful = (
        ~(kilograms > 0)
        | ((drawn > 0) & ~drawn.between(LEAST_L_PER_KG, MOST_L_PER_KG))
        | (days.transform("min") != days.transform("max"))
        | (from_lot & frame["weight_kg"].isna())
        | twice
    )
    return doubtful.to_numpy()


def _doubtful_splits(estate: Estate) -> Mask:
    """Rows of loads whose split `splits` may speak of."""
    frame = estate["pressings"]
    load, method = frame["load"], frame["split_method"].astype(object)
    usual = method.groupby(load, observed=True).transform("first").fillna(estate.settings.default_split_method)
    shared = frame["fraction"].isin(["first", "second"])
    unshared = ~_shared_loads(estate)
    blank = usual.isin(SHARED_BY_VALUE) & shared & frame["value_per_l"].isna() & ~_valued(estate)
    other = method.notna() & (method != usual)
    return np.asarray(unshared | blank | other | usual.isin(["weight", "fixed"]), dtype=bool)


def press_loads(estate: Estate) -> Iterator[Finding]:
    """Yield loads without kilograms, with kilograms entered twice, of two days, or of an unlikely yield."""
    table = "pressings"
    frame = estate[table]
    weights, volumes = frame["weight_kg"].to_numpy(), np.nan_to_num(frame["volume_l"].to_numpy())
    wine = frame["fraction"].isin(["first", "second"]).to_numpy()
    for load, rows in _loads(estate, _doubtful_loads(estate)):
        kilograms = float(np.nansum(weights[rows]))
        if kilograms <= 0:
            rule = f"no kilograms in the whole of load '{load}'."
            yield from each(
                estate, table, rows[:1], "weight_kg", rule, "Enter the kilograms pressed once per grape lot."
            )
            continue
        yield from _weights(estate, load, rows)
        days = frame["on_date"].iloc[rows].dropna()
        other = [row for row in rows if row in days.index and days[row] != days.iloc[0]]
        rule = f"differs from the first row of load '{load}'."
        yield from each(estate, table, other[:1], "on_date", rule, "Give all rows of a load one date.")
        drawn = float(volumes[rows].sum()) / kilograms
        complete = not any(wine[row] and volumes[row] == 0 for row in rows)
        if complete and drawn > 0 and not LEAST_L_PER_KG <= drawn <= MOST_L_PER_KG:
            first = next(row for row in rows if weights[row] > 0)
            usual = f"{LEAST_L_PER_KG:.1f} to {MOST_L_PER_KG:.1f} is usual"
            rule = f"makes {drawn:.2f} litres per kilogram in load '{load}'; {usual}."
            yield from each(estate, table, [first], "weight_kg", rule, "Check kilograms and litres.", CAUTION)


def _weights(estate: Estate, load: str, rows: list[int]) -> Iterator[Finding]:
    seen: dict[tuple[str, str], int] = {}
    weighed = {
        shown(estate, "pressings", row, "from_lot") for row in rows if shown(estate, "pressings", row, "weight_kg")
    }
    for row in rows:
        lot, weight = (
            shown(estate, "pressings", row, "from_lot"),
            shown(estate, "pressings", row, "weight_kg"),
        )
        if lot and weight:
            first = seen.setdefault((lot, weight), row)
            if first != row:
                place = cell_place(estate, "pressings", first, "weight_kg")
                rule = f"stands twice for lot '{lot}' in load '{load}': first at {place}."
                yield from each(estate, "pressings", [row], "weight_kg", rule, "Enter kilograms once per load and lot.")
        elif lot and lot not in weighed:
            weighed.add(lot)
            rule = f"no kilograms of lot '{lot}' in load '{load}'."
            yield from each(estate, "pressings", [row], "weight_kg", rule, "Enter the kilograms pressed from it.")


def splits(estate: Estate) -> Iterator[Finding]:
    """Yield loads whose cost cannot be shared as they say: two methods, or no figures for the method."""
    table = "pressings"
    frame = estate[table]
    fractions = frame["fraction"].isin(["first", "second"]).to_numpy()
    valued = _valued(estate)
    for load, rows in _loads(estate, _doubtful_splits(estate)):
        methods = {
            row: shown(estate, table, row, "split_method") for row in rows if shown(estate, table, row, "split_method")
        }
        chosen = list(dict.fromkeys(methods.values()))
        if len(chosen) > 1:
            other = next(row for row, method in methods.items() if method != chosen[0])
            rule = f"is not the method of load '{load}', '{chosen[0]}'."
            yield from each(estate, table, [other], "split_method", rule, "Share one load by one method.")
            continue
        method = chosen[0] if chosen else estate.settings.default_split_method
        shared = [row for row in rows if fractions[row]]
        if not shared:
            if not any(filled(estate, table, "fraction")[rows]):
                rule = f"no fraction in the whole of load '{load}'."
                yield from each(
                    estate,
                    table,
                    rows[:1],
                    "fraction",
                    rule,
                    "Enter a row for each fraction with its litres.",
                )
        elif len(shared) > 1 or method == "fixed":
            yield from _figures(estate, load, shared, method, valued)


def _figures(estate: Estate, load: str, rows: list[int], method: str, valued: Mask) -> Iterator[Finding]:
    table = "pressings"
    if method == "weight":
        blank = [row for row in rows if not shown(estate, table, row, "fraction_weight_kg")]
        rule = "no kilograms of the fraction, though the load is shared by weight."
        yield from each(estate, table, blank, "fraction_weight_kg", rule, "Enter them, or choose another split method.")
    elif method == "fixed":
        shares = np.nan_to_num(estate[table]["fixed_share"].to_numpy()[rows])
        if abs(float(shares.sum()) - 1.0) > 1e-6:
            rule = f"the fixed shares of load '{load}' make {shares.sum() * 100:.6g} %, not 100 %."
            yield from each(estate, table, rows[:1], "fixed_share", rule, "Correct the shares of its fractions.")
    elif method in SHARED_BY_VALUE:
        blank = [row for row in rows if not shown(estate, table, row, "value_per_l") and not valued[row]]
        rule = f"no value per litre, though the load is shared by {method}."
        remedy = "Enter it, or a value of the fraction on Market values from that day or earlier."
        yield from each(estate, table, blank, "value_per_l", rule, remedy)


def _valued(estate: Estate) -> Mask:
    """Rows whose fraction or lot has a value on Market values by their date."""
    values, presses = estate["market_values"], estate["pressings"]
    usual = values[values["lot"].isna()].groupby("what", observed=True)["from_date"].min()
    own = values.groupby("lot", observed=True)["from_date"].min()
    day = presses["on_date"].to_numpy()
    by_fraction = day >= usual.reindex(presses["fraction"].astype(object)).to_numpy()
    by_lot = day >= own.reindex(presses["to_lot"].astype(object)).to_numpy()
    return np.asarray(by_fraction | by_lot)


def _shared_loads(estate: Estate) -> Mask:
    """Rows of loads with a first or second pressing."""
    frame = estate["pressings"]
    shared = frame["fraction"].isin(["first", "second"])
    return shared.groupby(frame["load"], observed=True).transform("any").to_numpy(dtype=bool)


def by_products(estate: Estate) -> Iterator[Finding]:
    """Yield credits in loads without a fraction to bear them, and by-product rows that say nothing."""
    frame = estate["pressings"]
    credit = np.nan_to_num(frame["credit"].to_numpy()) > 0
    by_product = (frame["fraction"] == "by-product").to_numpy()
    silent = by_product & ~credit & ~filled(estate, "pressings", "volume_l")
    rule = "no credit and no litres: the by-product changes nothing."
    yield from each(estate, "pressings", silent, "credit", rule, "Enter what it brings, or delete the row.", CAUTION)
    wine = frame["fraction"].isin(["first", "second"]).to_numpy()
    for load, rows in _loads(estate, credit & ~_shared_loads(estate)):
        if credit[rows].any() and not wine[rows].any():
            first = [row for row in rows if credit[row]][:1]
            rule = f"is a credit, but load '{load}' has no first or second pressing to take it."
            yield from each(estate, "pressings", first, "credit", rule, "Enter the fractions of the load.")


PRESS_CHECKS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (
    units_of_kinds,
    dates_of_arrivals,
    approval,
    opening_amounts,
    opening_shares,
    fraction_rows,
    press_loads,
    splits,
    by_products,
)
