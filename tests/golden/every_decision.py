"""A small house with something for each decision to decide: two years of two cuvées, vats of a harvest, a reserve,
plans, limits, loans, doubts and offers. Every column of what is decided of it is kept: as it stands, and under limits
that can't be kept.

What it does not do: any figure by hand (the tests beside each decision do). Whoever adds to a decision adds rows here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd

from costing import read_estate
from costing.commands.records import demo_folder
from costing.decisions.closing.closing import close_year, with_closing
from costing.inputs.estate import Estate, as_table

SPRING = "2025-06-15"
Tables = dict[str, pd.DataFrame]
Cell = tuple[str, str, int, object]


FOLDER = Path(__file__).with_name("every_decision")
"""Its sheets in a folder, as a command reads them."""


def _frames(folder: str) -> Tables:
    """Sheets of a folder beside this module, as they would be typed."""
    paths = sorted(Path(__file__).with_name(folder).glob("*.csv"))
    return {path.stem: pd.read_csv(path) for path in paths}


def _put(given: Tables, *cells: Cell) -> None:
    for sheet, header, row, value in cells:
        given[sheet] = given[sheet].astype(object)
        given[sheet].loc[row, header] = value


def _rows(frame: pd.DataFrame, kept: pd.Series) -> pd.DataFrame:
    return frame[kept.to_numpy(dtype=bool)].reset_index(drop=True)


def _with_settings(changed: Mapping[str, object]) -> Tables:
    given = tables()
    settings = given["settings"]
    values = [changed.get(name, value) for name, value in settings.itertuples(index=False)]
    return {**given, "settings": settings.assign(Value=values)}


def tables() -> Tables:
    """Its sheets as they would be typed."""
    return _frames("every_decision")


_SETTINGS = {
    "Cost of a campaign": 0,
    "Smallest campaign (bottles)": 0,
    "Plan horizon (months)": 13,
    "Bank balance": 500,
}


def impossible() -> Tables:
    """The same under limits that can't be kept, with questions that have no answer, and prices above every target."""
    given = {**_with_settings(_SETTINGS), **_frames("every_decision_impossible")}
    sold = given["dispatches"]
    without_price = pd.DataFrame([("2026-02-01", "N25", "Trade", 20), ("2026-03-01", "N25", "Cellar door", 10)])
    without_price.columns = sold.columns[:4]
    return {**given, "dispatches": pd.concat([sold, without_price], ignore_index=True)}


def near() -> Tables:
    """The same without rosé or magnums in the plan, which sees half a year; no doubt, and prices of magnums alone."""
    given = _with_settings({"Plan horizon (months)": 5, "Ageing horizon (months)": 12})
    limits = given["limits"].assign(**{"At most": 33_000, "What": "credit"})
    return {
        **{sheet: frame for sheet, frame in given.items() if sheet != "uncertainty"},
        "price_by_age": _rows(given["price_by_age"], given["price_by_age"]["Format"] == "bottle").iloc[:4],
        "channels": given["channels"].assign(**{"At least (bottles)": [400, None, None, 60, None]}),
        "limits": pd.concat([given["limits"].iloc[2:4], limits.iloc[:1].assign(Place=None)], ignore_index=True),
        "price_list": _rows(given["price_list"], given["price_list"]["Format"] == "magnum"),
    }


def spring() -> Tables:
    """The same on a day in June, before anything that came later was known; no second pressing, no line at the bank."""
    given = _with_settings({"Valuation date": SPRING, "Plan horizon (months)": 33})
    known = {
        sheet: _rows(frame, frame["Date"].astype(str) <= SPRING) if "Date" in frame and sheet != "offers" else frame
        for sheet, frame in given.items()
    }
    pressed, loans = known["pressings"], known["loans"]
    return {
        **{sheet: frame for sheet, frame in known.items() if sheet not in ("limits", "costs", "trial_blends")},
        "pressings": _rows(pressed, pressed["Fraction"] == "first"),
        "movements": _rows(known["movements"], known["movements"]["From lot"] != "S24"),
        "loans": _rows(loans, loans["Loan"] == "Press"),
    }


def unpriced() -> Tables:
    """The same where the only price by age is of bottles that nobody has, with channels and targets that make no sense,
    and what is planned of a cuvée not released yet.
    """
    given = _frames("every_decision")
    first, targets = given["price_by_age"].iloc[:1], given["targets"]
    later = given["disgorgements"].iloc[[5]].assign(**{"Release lot": "X26", "From lot": "X24"})
    bought = (
        given["deliveries"]
        .iloc[[0]]
        .assign(
            Lot="X24",
            What="on lees",
            Quantity=900,
            Unit="bottles",
            Format="bottle",
            Cuvée="Zéro",
            **{"Tirage date": "2023-05-02"},
        )
    )
    return {
        **given,
        "opening_stock": given["opening_stock"].assign(Colour=None),
        "cuvees": pd.concat([given["cuvees"], pd.DataFrame({"Cuvée": ["Zéro"]})], ignore_index=True),
        "deliveries": pd.concat([given["deliveries"], bought], ignore_index=True),
        "disgorgements": pd.concat(
            [given["disgorgements"], later.assign(**{"Bottles in": 900, "Bottles out": 890})], ignore_index=True
        ),
        "price_by_age": first.assign(Cuvée="Rosé", Format="magnum"),
        "uncertainty": _rows(given["uncertainty"], given["uncertainty"]["Name"].isin(["glass", "hurdle", "must"])),
        "targets": targets.assign(**{"Value (%)": [180, 99, 45]}),
    }


def example(*moved: Cell, wine: tuple[tuple[str, str, float], ...] = ()) -> Estate:
    """The small example with other cells, and wine bought: day, lot and litres."""
    given = {path.stem: pd.read_csv(path) for path in sorted((demo_folder() / "small").glob("*.csv"))}
    _put(given, *moved)
    bought = pd.DataFrame(wine, columns=["Date", "Lot", "Quantity"]).assign(
        What="wine", Unit="L", **{"Price per unit": 9.5}
    )
    return read_estate({**given, "deliveries": pd.concat([given["deliveries"], bought], ignore_index=True)})


MOVED: tuple[Cell, ...] = (
    ("deliveries", "Price per unit", 0, 6.2),
    ("dry_goods", "Unit price", 0, 1.05),
    ("costs", "Amount", 0, 430),
    ("pressings", "Must (L)", 0, 2_040),
    ("movements", "Out (L)", 0, 2_040),
    ("movements", "In (L)", 0, 1_990),
    ("movements", "In (L)", 1, 975),
    ("movements", "Out (L)", 4, 1_000),
    ("movements", "In (L)", 4, 1_000),
    ("disgorgements", "Bottles out", 0, 1_950),
    ("operation_rates", "Amount", 0, 0.22),
    ("movements", "Date", 1, "2022-10-15"),
    ("costs", "Date incurred", 1, "2022-10-16"),
)
"""Of each family: a blending draws what was bought for it, a cost is of the day after wine that came earlier."""


def moved() -> Estate:
    """The small example with figures of each family moved."""
    return example(*MOVED, wine=(("2022-12-01", "V22-PN", 50.0),))


def moved_together() -> Estate:
    """The same with a cost of a day on which only what was bought is in its lot: dates make no sense without it."""
    bought = ("2022-10-05", "V22-CH", 40.0), ("2022-12-01", "V22-PN", 50.0)
    return example(*MOVED, ("costs", "Date incurred", 0, "2022-10-10"), wine=bought)


def edited() -> Estate:
    """The same closed twice, first by a version that kept no rows, with cells and rows of closed years changed since:
    two that make no sense one without the other, and a setting that no row explains.
    """
    as_closed = read_estate(tables())
    for day, older in ((date(2024, 6, 30), True), (date(2024, 12, 31), False)):
        sheets = {
            name: as_table(name, frame) for name, frame in with_closing(as_closed, close_year(as_closed, day)).items()
        }
        if older:
            sheets["yearend_inputs"] = sheets["yearend_inputs"].assign(content=None)
            sheets["yearend_inputs"] = as_table("yearend_inputs", sheets["yearend_inputs"])
        as_closed = replace(as_closed, tables={**as_closed.tables, **sheets})
    given = _with_settings({"Default split method": "sales value"})
    _put(
        given,
        ("opening_costs", "Amount", 3, 25_700),
        ("deliveries", "Growing cost per unit", 1, 4.5),
        ("pressings", "Must (L)", 0, 2_700),
        ("movements", "Out (L)", 2, 4_600),
        ("movements", "In (L)", 2, 4_540),
        ("cuvees", "Alcohol (% vol)", 1, 12.4),
    )
    late = given["costs"].iloc[[1]].assign(Amount=77, **{"Date incurred": "2024-06-03", "Lot": "M24"})
    given["costs"] = pd.concat([given["costs"].drop(index=0), late], ignore_index=True)
    now = read_estate(given)
    kept = {name: table for name, table in as_closed.tables.items() if name.startswith("yearend_")}
    return replace(now, tables={**now.tables, **kept})


def on_the_day() -> Tables:
    """The same where something of every kind happens, begins, is paid or ends on the valuation day itself."""
    given, day = tables(), "2025-12-31"

    def further(sheet: str, row: int, **cells: object) -> None:
        more = given[sheet].iloc[[row]].assign(**cells)
        given[sheet] = pd.concat([given[sheet], more], ignore_index=True)

    grapes = {"Lot": "G31", "Quantity": 400, "Terms": None, "Final premium per unit": None, "Premium date": None}
    further("deliveries", 2, Date=day, **grapes)
    further(
        "pressings",
        4,
        Date=day,
        Load="P31",
        **{"From lot": "G31", "Grapes (kg)": 400, "Must (L)": 240, "To lot": "V31"},
    )
    further("movements", 2, Date=day, **{"From lot": "V25", "Out (L)": 30, "To lot": "V31", "In (L)": 30})
    further(
        "tirage",
        0,
        Date=day,
        **{"Bottle lot": "T31", "Wine lot": "R", "Wine (L)": 70, "Liqueur (L)": 5, "Bottles": 100},
    )
    further("disgorgements", 2, Date=day, **{"Release lot": "D31", "Bottles in": 100, "Bottles out": 100})
    further("dispatches", 1, Date=day, **{"Release lot": "D31", "Bottles": 100})
    further("costs", 0, **{"Date incurred": day, "Date paid": day, "Lot": "V31", "Amount": 40})
    further("other_payments", 0, From=day, To=day, Amount=50)
    further("loans", 2, Loan="New", From=day, Due="2026-12-31")
    further("loans", 2, Loan="Old", From="2024-12-31", Due=day)
    for sheet in ("interest_rates", "dry_goods", "operation_rates", "market_values", "channels", "price_list"):
        further(sheet, 1, From=day)
    given["limits"] = given["limits"].assign(From=day)
    given["price_by_age"] = given["price_by_age"].assign(**{"Money of": day})
    given["offers"] = given["offers"].assign(Date=[day, day, *given["offers"]["Date"].iloc[2:]])
    given["cuvees"] = given["cuvees"].assign(**{"Planned release": [day, "2026-01-01"]})
    return given


def begins_today() -> Tables:
    """The same on the day of its opening stock: everything is still to come."""
    given = _with_settings({"Valuation date": "2023-12-31"})
    stock, loans = given["opening_stock"], given["loans"]
    return {
        **given,
        "opening_stock": pd.concat([stock.iloc[3:], stock.iloc[:3]], ignore_index=True),
        "loans": loans.assign(From=["2023-02-15", *loans["From"].iloc[1:]]),
    }


SIZED = {
    **{"opening_stock": ("quantity",), "opening_costs": ("amount",), "deliveries": ("quantity",)},
    **{"pressings": ("weight_kg", "volume_l"), "movements": ("out_l", "in_l", "out_bottles", "in_bottles", "proceeds")},
    **{"tirage": ("wine_l", "liqueur_l", "bottles"), "disgorgements": ("bottles_in", "bottles_out", "liqueur_l")},
    **{"dispatches": ("bottles",), "stocktakes": ("quantity",), "costs": ("amount",), "offers": ("quantity",)},
    **{"pools": ("amount", "normal_capacity"), "limits": ("least", "most"), "other_payments": ("amount",)},
    **{"price_by_age": ("bottles_a_month",), "trial_blends": ("litres", "bottles"), "loans": ("amount", "drawn")},
    "channels": ("floor_bottles", "cap_bottles"),
}
"""Columns that say how large a house is."""


def smaller(estate: Estate, times: float) -> Estate:
    """The same house so many times smaller, with nothing too small to count."""
    exact = {"volume_tolerance_l": 0.0, "bottle_tolerance": 0.0, "weight_tolerance_kg": 0.0}
    sized = {
        name: as_table(name, estate[name].assign(**{column: estate[name][column] / times for column in columns}))
        for name, columns in SIZED.items()
    }
    settings = estate.settings.model_copy(update=exact)
    return replace(estate, settings=settings, tables={**estate.tables, **sized})


def of_a_few_bottles() -> Estate:
    """The same a two-thousandth as large."""
    small = smaller(read_estate(tables()), 2000.0)
    return replace(small, settings=small.settings.model_copy(update={"campaign_cost": 0.1, "smallest_campaign": 0}))
