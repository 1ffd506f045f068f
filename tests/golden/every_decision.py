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
