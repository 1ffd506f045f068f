"""A small house with something for each decision to decide: two years of two cuvées, vats of a harvest, a reserve,
plans, limits, loans, doubts and offers. Every column of what is decided of it is kept: as it stands, and under limits
that can't be kept.

What it does not do: any figure by hand (the tests beside each decision do). Whoever adds to a decision adds rows here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date

import pandas as pd

from costing import read_estate
from costing.commands.records import demo_folder
from costing.decisions.closing.closing import close_year, with_closing
from costing.inputs.estate import Estate, as_table

SPRING = "2025-06-15"
Tables = dict[str, pd.DataFrame]
Cell = tuple[str, str, int, object]
Rows = tuple[str, Sequence[tuple[object, ...]]]

_SHEETS: Mapping[str, Rows] = {
    "settings": (
        "Setting|Value",
        [
            ("Valuation date", "2025-12-31"),
            ("Default split method", "volume"),
            ("Ageing step (months)", 6),
            ("Ageing horizon (months)", 24),
            ("Plan horizon (months)", 18),
            ("Cost of a campaign", 90),
            ("Smallest campaign (bottles)", 150),
            ("Bank balance", 6_000),
            ("Cash to keep", 2_000),
            ("Price step", 0.1),
        ],
    ),
    "interest_rates": (
        "From|Hurdle rate (%)|Borrowing rate (%)",
        [("2015-01-01", 7, 3.5), ("2025-01-01", 8, 4.25)],
    ),
    "cuvees": (
        "Cuvée|Category|Planned release|Alcohol (% vol)",
        [("Brut", "non-vintage", "2026-03-01", 12), ("Rosé", "rosé", "2026-06-01", 12.1)],
    ),
    "channels": (
        "Channel|Exit|From|Discount (%)|Commission (%)|Selling cost per bottle|Customer days|Sell-through (months)"
        "|Freight per bottle|Customs (%)|Excise basis|Excise amount|Duty days|Importer (%)|Retailer (%)|VAT (%)"
        "|Currency|Currency rate|Share (%)|At least (bottles)|At most (bottles)",
        [
            ("Trade", "sale", None, 15, 6, 0.5, 45, 9, 0.35, None, "per hl", 9.85, 10, None, 28, 20, None, None,
             60, None, None),
            ("Export", "sale", "2018-01-01", 22, 0, 0.4, 60, 12, 0.6, 2, "per bottle", 0.6, 28, 30, 40, 8, "USD", 0.9,
             25, None, 700),
            ("Export", "sale", "2025-01-01", 22, 3, 0.4, 60, 12, 0.7, 5, "per bottle", 0.6, 28, 30, 40, 8, "USD", 0.91,
             25, None, 700),
            ("Cellar door", "sale", None, 0, 0, 2.1, 0, 12, None, None, "per hl", 9.85, 10, None, None, 20, None, None,
             15, 60, None),
            ("Tasting", "samples", *[None] * 19),
        ],
    ),
    "opening_stock": (
        "Date|Lot|Kind|Quantity|Unit|Format|Cuvée|Vintage|Variety|Village|Colour|Tirage date|Location",
        [
            ("2023-12-31", "R", "reserve", 3_000, "L", None, None, "2021", "Chardonnay", "Amblencourt", None, None,
             "Hall"),
            ("2023-12-31", "V23", "wine", 3_200, "L", None, None, "2023", "Meunier", "Sainte-Orme", None, None, "Hall"),
            ("2023-12-31", "RED", "wine", 150, "L", None, None, "2023", "Pinot Noir", "Sainte-Orme", "red", None,
             "Hall"),
            ("2023-12-31", "T22", "on lees", 3_600, "bottles", "bottle", "Brut", "2021", None, None, None,
             "2022-04-20", "Deep"),
            ("2023-12-31", "M22", "on lees", 240, "bottles", "magnum", "Brut", "2021", None, None, None,
             "2022-04-20", "Deep"),
            ("2023-12-31", "K22", "on lees", 1_300, "bottles", "bottle", "Rosé", "2021", None, None, None,
             "2022-05-02", "Old"),
            ("2023-12-31", "D23", "finished", 400, "bottles", "bottle", "Brut", "2020", None, None, None,
             "2021-04-20", "Deep"),
        ],
    ),
    "opening_costs": (
        "Lot|Element|Amount|Mean payment date",
        [
            ("R", "grapes", 27_000, "2022-02-01"),
            ("V23", "grapes", 26_000, "2024-02-01"),
            ("RED", "grapes", 1_500, None),
            ("T22", "grapes", 25_500, "2022-03-01"),
            ("M22", "grapes", 3_700, None),
            ("K22", "grapes", 10_200, "2022-03-01"),
            ("D23", "grapes", 3_900, None),
        ],
    ),
    "deliveries": (
        "Date|Lot|What|Supplier|Village|Variety|Vintage|Quantity|Unit|Price per unit|Growing cost per unit|Terms"
        "|Final premium per unit|Premium date",
        [
            ("2024-09-10", "G24", "grapes", "Grower A", "Amblencourt", "Chardonnay", "2024", 5_000, "kg", 6.6, None,
             "quarters", 0.1, "2025-04-01"),
            ("2024-09-12", "H24", "grapes", None, "Sainte-Orme", "Meunier", "2024", 3_000, "kg", None, 4.4, None,
             None, None),
            ("2025-09-09", "G25", "grapes", "Grower A", "Amblencourt", "Chardonnay", "2025", 5_500, "kg", 6.9, None,
             "quarters", None, None),
            ("2025-09-11", "H25", "grapes", None, "Sainte-Orme", "Meunier", "2025", 2_400, "kg", None, 4.6, None,
             None, None),
        ],
    ),
    "pressings": (
        "Date|Load|From lot|Grapes (kg)|Fraction|Must (L)|To lot|Split method|Value per litre",
        [
            ("2024-09-10", "P1", "G24", 5_000, "first", 2_560, "V24", "sales value", None),
            ("2024-09-10", "P1", None, None, "second", 620, "S24", None, None),
            ("2024-09-12", "P2", "H24", 3_000, "first", 1_900, "V24", None, None),
            ("2024-09-12", "P2", None, None, "second", 140, "S24", None, None),
            ("2025-09-09", "P3", "G25", 5_500, "first", 2_820, "V25", "sales value", 12),
            ("2025-09-09", "P3", None, None, "second", 680, "S25", None, 7),
            ("2025-09-11", "P4", "H25", 2_400, "first", 1_500, "W25", "volume", None),
        ],
    ),
    "market_values": (
        "From|What|Fraction|Cuvée|Format|Value per unit",
        [
            ("2024-01-01", "first", None, None, None, 11),
            ("2024-01-01", "second", None, None, None, 6.5),
            ("2024-01-01", "wine", "first", None, None, 12),
            ("2025-01-01", "wine", "second", None, None, 7.4),
            ("2024-01-01", "reserve", None, None, None, 12.5),
            ("2024-01-01", "on lees", None, "Brut", "bottle", 11),
        ],
    ),
    "movements": (
        "Date|Sequence|Operation|From lot|Out (L)|Out (bottles)|To lot|In (L)|In (bottles)|Location|Proceeds",
        [
            ("2024-03-20", 1, "blending", "V23", 3_150, None, "B24", 3_140, None, "Hall", None),
            ("2024-03-20", 2, "blending", "R", 700, None, "B24", 698, None, "Hall", None),
            ("2024-10-15", None, "racking", "V24", 4_460, None, "V24", 4_400, None, "Hall", None),
            ("2024-12-10", None, "bulk sale", "S24", 600, None, None, None, None, None, 4_200),
            ("2025-03-18", 1, "blending", "V24", 3_400, None, "B25", 3_390, None, "Hall", None),
            ("2025-03-18", 2, "blending", "R", 600, None, "B25", 598, None, "Hall", None),
            ("2025-03-19", None, "blending", "V24", 700, None, "C25", 700, None, "Hall", None),
            ("2025-03-19", None, "blending", "RED", 80, None, "C25", 80, None, "Hall", None),
            ("2025-03-25", None, "to reserve", "V24", 250, None, "R", 249, None, "Hall", None),
            ("2025-10-15", None, "racking", "V25", 2_820, None, "V25", 2_770, None, "Hall", None),
            ("2026-03-18", 1, "blending", "V25", 2_500, None, "B26", 2_490, None, "Hall", None),
            ("2026-03-18", 2, "blending", "R", 500, None, "B26", 499, None, "Hall", None),
        ],
    ),
    "tirage": (
        "Date|Cuvée|Bottle lot|Wine lot|Wine (L)|Liqueur (L)|Sugar (g/L)|Format|Bottles|Location",
        [
            ("2024-04-20", "Brut", "T24", "B24", 3_600, 180, 24, "bottle", 5_020, "Deep"),
            ("2024-04-21", "Brut", "M24", "B24", 200, 10, 24, "magnum", 138, "Old"),
            ("2025-04-18", "Brut", "T25", "B25", 3_900, 195, 24, "bottle", 5_440, "Deep"),
            ("2025-04-19", "Rosé", "K25", "C25", 770, 38, 24, "bottle", 1_070, "Old"),
            ("2026-04-18", "Brut", "T26", "B26", 2_900, 145, 24, "bottle", 4_050, "Deep"),
        ],
    ),
    "disgorgements": (
        "Date|Release lot|From lot|Bottles in|Bottles out|Riddling|Dosage (g/L)",
        [
            ("2024-05-14", "D24", "T22", 1_700, 1_680, "machine riddling", 7),
            ("2024-06-11", "E24", "K22", 500, 494, "hand riddling", 8),
            ("2025-05-13", "D25", "T22", 1_500, 1_478, "machine riddling", 6),
            ("2025-06-10", "E25", "K22", 550, 541, "hand riddling", 8),
            ("2025-10-02", "N25", "M22", 120, 118, "hand riddling", 5),
            ("2026-05-12", "D26", "T24", 1_900, 1_878, "machine riddling", 6),
        ],
    ),
    "dispatches": (
        "Date|Release lot|Channel|Bottles|Net price|Currency",
        [
            ("2024-02-10", "D23", "Trade", 396, 17.1, None),
            ("2024-09-10", "D24", "Trade", 1_200, 17.6, None),
            ("2024-10-10", "D24", "Export", 470, 19.9, "USD"),
            ("2024-11-10", "E24", "Cellar door", 490, 27, None),
            ("2025-09-15", "D25", "Trade", 700, 18.2, None),
            ("2025-10-20", "D25", "Export", 240, 20.6, "USD"),
            ("2025-11-12", "E25", "Cellar door", 260, 27.5, None),
            ("2025-11-14", "D25", "Tasting", 24, None, None),
            ("2026-02-01", "D25", "Trade", 300, 18.4, None),
            ("2026-03-01", "E25", "Cellar door", 100, None, None),
            ("2026-08-01", "D26", "Trade", 900, 18.6, None),
        ],
    ),
    "stocktakes": (
        "Date|Lot|Measured|Cause",
        [
            ("2024-12-31", "R", 2_300, None),
            ("2024-12-31", "T22", 1_860, "broken"),
            ("2025-12-31", "D25", 512, "missing"),
        ],
    ),
    "costs": (
        "Date incurred|Date paid|Lot|Stage|Element|Amount",
        [
            ("2024-03-25", "2024-04-30", "B24", "blending", "labour", 700),
            ("2025-03-25", "2025-04-30", "B25", "blending", "labour", 820),
            ("2025-12-20", "2026-02-10", "V25", "vinification", "labour", 430),
        ],
    ),
    "dry_goods": (
        "From|Stage|Item|Format|Unit price",
        [
            ("2020-01-01", "tirage", "glass", "bottle", 0.82),
            ("2025-01-01", "tirage", "glass", "bottle", 0.91),
            ("2020-01-01", "tirage", "glass", "magnum", 2.4),
            ("2020-01-01", "dressing", "cork and label", "bottle", 0.66),
            ("2020-01-01", "dressing", "cork and label", "magnum", 1.4),
        ],
    ),
    "operation_rates": (
        "From|Operation|Driver|Amount|Element",
        [
            ("2020-01-01", "pressing", "kg", 0.4, "pressing"),
            ("2025-06-01", "pressing", "kg", 0.44, "pressing"),
            ("2020-01-01", "disgorgement", "bottle in", 0.3, "labour"),
            ("2025-01-01", "disgorgement", "bottle in", 0.33, "labour"),
            ("2020-01-01", "storage", "bottle-year", 0.11, "storage"),
            ("2020-01-01", "racking", "litre", 0.05, "labour"),
        ],
    ),
    "pools": (
        "From|To|Pool|Amount|Driver|Stage|Location|Element|Normal capacity",
        [
            ("2024-01-01", "2024-12-31", "Vats", 3_000, "litre-year", None, "Hall", "overhead", None),
            ("2025-01-01", "2025-12-31", "Vats", 3_300, "litre-year", None, "Hall", "overhead", 9_000),
            ("2024-01-01", "2024-12-31", "Deep cellar", 900, "bottle-year", None, "Deep", "storage", None),
            ("2025-01-01", "2025-12-31", "Deep cellar", 990, "bottle-year", None, "Deep", "storage", None),
        ],
    ),
    "loss_norms": (
        "Operation or stage|Norm (%)|Time base",
        [
            ("racking", 1, "per movement"),
            ("blending", 0.4, "per movement"),
            ("fermentation", 1.5, "per movement"),
            ("disgorgement", 1, "per movement"),
            ("on lees", 0.3, "per year"),
            ("tasting samples", 100, "per movement"),
        ],
    ),
    "terms": (
        "Terms|Share (%)|Days after delivery|Fixed date",
        [("quarters", 40, 60, None), ("quarters", 60, 240, None)],
    ),
    "price_list": (
        "From|Cuvée|Format|Channel|Currency|List price",
        [
            ("2023-01-01", "Brut", "bottle", None, None, 22),
            ("2025-02-01", "Brut", "bottle", None, None, 22.9),
            ("2024-01-01", "Brut", "bottle", "Export", "USD", 26),
            ("2025-01-01", "Brut", "magnum", None, None, 49),
            ("2024-01-01", "Rosé", "bottle", None, None, 26),
        ],
    ),
    "price_by_age": (
        "Cuvée|Format|Months on lees|Ex-cellar price|Money of|Yearly change (%)|Market takes a month (bottles)"
        "|Price response",
        [
            ("Brut", "bottle", 12, 17, "2025-10-01", 2, 210, -3),
            ("Brut", "bottle", 24, 19.4, "2025-10-01", 2, 210, -3),
            ("Brut", "bottle", 36, 20.4, "2025-10-01", 2, 210, -3),
            ("Brut", "bottle", 60, 21.8, "2025-10-01", 2, 210, -3),
            ("Brut", "magnum", 12, 40, "2025-10-01", 2, 9, None),
            ("Brut", "magnum", 60, 47, "2025-10-01", 2, 9, None),
            ("Rosé", "bottle", 9, 21, "2025-10-01", 1, None, -2),
            ("Rosé", "bottle", 24, 23, "2025-10-01", 1, 45, -2),
            ("Rosé", "bottle", 60, 22, "2025-10-01", 1, 45, -2),
        ],
    ),
    "targets": (
        "Cuvée|Format|Channel|Target|Value (%)",
        [
            (None, None, None, "return", 8),
            ("Brut", "bottle", None, "margin", 30),
            ("Rosé", None, "Cellar door", "margin", 45),
        ],
    ),
    "limits": (
        "From|What|Place|Cuvée|Format|Channel|At least|At most",
        [
            (None, "places", "Deep", None, None, None, None, 14_500),
            (None, "places", "Old", None, None, None, None, 2_100),
            (None, "disgorging", None, None, None, None, None, 700),
            ("2026-01-01", "supply", None, "Brut", "bottle", None, 1_900, None),
            ("2026-01-01", "supply", None, "Rosé", None, None, 420, None),
            ("2026-01-01", "supply", None, None, None, "Export", None, 600),
            (None, "tirage", None, "Brut", "bottle", None, 1_000, 6_000),
        ],
    ),
    "loans": (
        "Loan|From|Due|Amount|Rate (% a year)|Repayment|Months between payments|Drawn|Drawn in steps of"
        "|Advance on receivables (%)|Advance on wine (%)|Advance on lees (%)|Place|Least headroom",
        [
            ("Line", "2024-02-15", "2029-02-15", 60_000, 3.9, "at will", 3, 31_000, 1_000, 60, None, 30, "Deep", 4_000),
            ("Press", "2022-06-30", "2030-06-30", 24_000, 2.9, "equal instalments", 3, *[None] * 7),
            ("Harvest", "2025-10-01", "2026-10-01", 9_000, 4.1, "at once", None, None, None, None, 40, None, None,
             None),
        ],
    ),
    "other_payments": (
        "From|To|Every (months)|What|Kind|Amount",
        [
            ("2025-01-05", "2027-12-31", 1, "Salary", "other", 900),
            ("2026-09-15", None, None, "New press", "other", 12_000),
            ("2026-09-20", None, None, "Growing costs", "own vineyards", 9_000),
        ],
    ),
    "scenarios": (
        "Scenario|Sheet|Column|Where|How|Value",
        [
            ("Late list", "Deliveries", "Price per unit", "Supplier=Grower A", "multiply", 1.1),
            ("Fewer buyers", "Price by age", "Market takes a month (bottles)", None, "multiply", 0.7),
            ("Dear money", "Interest rates", "Hurdle rate (%)", "From=2025-01-01", "add", 3),
            ("Dear money", "Price by age", "Ex-cellar price", "Months on lees=60; Format=bottle", "multiply", 1.15),
            ("Late list", "Price list", "List price", "3", "set", 30),
        ],
    ),
    "grape_prices": ("Year|Village|Variety|Price per kg", [(2024, None, None, 6.5), (2025, None, None, 6.8)]),
    "uncertainty": (
        "Name|Sheet|Column|Where|How|Distribution|First parameter|Second parameter|Third parameter|Correlated with"
        "|Correlation",
        [
            ("grape price", "Deliveries", "Price per unit", None, "multiply", "normal", 1, 0.05, None, None, None),
            ("one grower", "Deliveries", "Price per unit", "Lot=G25", "multiply", "normal", 1, 0.02, None, None, None),
            ("growing", "Deliveries", "Growing cost per unit", None, "multiply", "lognormal", 1, 0.06, None,
             "grape price", 0.4),
            ("must", "Pressings", "Must (L)", "Fraction=first", "multiply", "triangular", 0.97, 1, 1.01, None, None),
            ("glass", "Dry goods", "Unit price", "Item=glass", "add", "uniform", -0.05, 0.09, None, None, None),
            ("hurdle", "Interest rates", "Hurdle rate (%)", None, "add", "uniform", -0.75, 1, None, None, None),
            ("bought", "Pools", "Amount", "Pool=Vats", "set", "normal", 3_100, 80, None, None, None),
            ("prices", "Price by age", "Ex-cellar price", "Cuvée=Brut", "multiply", "normal", 1, 0.07, None, None,
             None),
            ("dollar", "Channels", "Currency rate", "Currency=USD", "multiply", "normal", 1, 0.05, None, "prices", 0.2),
        ],
    ),
    "offers": (
        "Offer|Buy or sell|Date|With|What|Our lot|Cuvée|Format|Tirage date|Village|Variety|Vintage|Fraction|Quantity"
        "|Unit|Price per unit|Other cost per unit",
        [
            ("Base wine", "buy", "2026-02-16", "A farm", "wine", None, "Brut", None, None, "Praysson", "Meunier",
             "2025", "first", 900, "L", 9.5, 0.15),
            ("Base wine", "buy", "2026-02-16", "A farm", "wine", None, "Brut", None, None, "Praysson", "Chardonnay",
             "2025", "first", 400, "L", 10.5, 0.15),
            ("Bottles", "buy", "2026-03-02", "A house", "on lees", None, "Brut", "bottle", "2023-04-20", None, None,
             "2022", None, 500, "bottles", 9.4, 0.1),
            ("Rosé wanted", "sell", "2026-03-10", "A house", "on lees", "K25", None, None, None, None, None, None,
             None, 400, "bottles", 17.5, 0.1),
            ("Reserve wanted", "sell", "2026-02-10", "A house", "reserve", "R", None, None, None, None, None, None,
             None, 300, "L", 30, 0.2),
        ],
    ),
    "recipes": (
        "Recipe|What|Value",
        [
            ("Next Brut", "cuvée", "Brut"),
            ("Next Brut", "kilograms", 4_000),
            ("Next Brut", "harvest date", "2026-09-10"),
            ("Next Brut", "grape price per kg", 6.9),
            ("Next Brut", "must per kg", 0.625),
            ("Next Brut", "first pressing share", 81),
            ("Next Brut", "reserve share", 20),
            ("Next Brut", "reserve value per litre", 11.5),
            ("Next Brut", "tirage date", "2027-04-20"),
            ("Next Brut", "months on lees", 24),
            ("Next Brut", "dosage", 6),
            ("Next Brut", "location", "Deep"),
            ("Zero", "grape price per kg", 7.1),
            ("Zero", "bottles", 900),
            ("Zero", "harvest date", "2026-09-20"),
            ("Zero", "tirage date", "2027-05-01"),
            ("Zero", "must per kg", 0.62),
            ("Zero", "months on lees", 18),
        ],
    ),
    "trial_blends": (
        "Trial|Line|Cuvée|Lot or attribute|Litres (L)|Share (%)|Bottles",
        [
            ("A", "lot", "Brut", "V25", 1_800, None, None),
            ("A", "lot", "Brut", "W25", 700, None, None),
            ("A", "lot", "Brut", "R", 500, None, None),
            ("A", "at least", "Brut", "reserve", None, 15, None),
            ("A", "at most", "Brut", "Meunier", None, 40, None),
            ("A", "bottles", "Brut", None, None, None, 3_000),
            ("B", "lot", "Brut", "V25", None, 60, None),
            ("B", "lot", "Brut", "S25", None, 15, None),
            ("B", "lot", "Brut", "W25", None, 25, None),
            ("B", "at most", "Brut", "second", None, 10, None),
            ("B", "bottles", "Brut", None, None, None, 2_500),
        ],
    ),
}  # fmt: skip


def _frames(sheets: Mapping[str, Rows]) -> Tables:
    return {name: pd.DataFrame(rows, columns=headers.split("|")) for name, (headers, rows) in sheets.items()}


def _put(given: Tables, *cells: Cell) -> None:
    for sheet, header, row, value in cells:
        given[sheet] = given[sheet].astype(object)
        given[sheet].loc[row, header] = value


def _rows(frame: pd.DataFrame, kept: pd.Series) -> pd.DataFrame:
    return frame[kept.to_numpy(dtype=bool)].reset_index(drop=True)


def _with_settings(changed: Mapping[str, object]) -> Tables:
    given = _frames(_SHEETS)
    settings = given["settings"]
    values = [changed.get(name, value) for name, value in settings.itertuples(index=False)]
    return {**given, "settings": settings.assign(Value=values)}


def tables() -> Tables:
    """Its sheets as they would be typed."""
    return _frames(_SHEETS)


_SETTINGS = {
    "Cost of a campaign": 0,
    "Smallest campaign (bottles)": 0,
    "Plan horizon (months)": 13,
    "Bank balance": 500,
}
_IMPOSSIBLE: Mapping[str, Rows] = {
    "limits": (
        "From|What|Place|Cuvée|Format|Channel|At least|At most",
        [
            (None, "places", "Deep", None, None, None, None, 9_000),
            (None, "places", "Old", None, None, None, None, 1_950),
            (None, "places", "Cellar 9", None, None, None, None, 100),
            (None, "disgorging", None, None, None, None, None, 40),
            (None, "credit", None, None, None, None, None, 20_000),
            ("2026-01-01", "supply", None, "Brut", "bottle", None, 90_000, None),
            ("2026-01-01", "supply", None, "Rosé", "bottle", None, 50, None),
            (None, "tirage", None, "Brut", "bottle", None, 40_000, None),
        ],
    ),
    "price_by_age": (
        "Cuvée|Format|Months on lees|Ex-cellar price|Money of|Yearly change (%)|Market takes a month (bottles)",
        [
            ("Brut", "bottle", 30, 19.4, "2025-10-01", 2, 210),
            ("Brut", "bottle", 36, 20.4, "2025-10-01", 2, 210),
            ("Brut", "magnum", 50, 47, "2025-10-01", 2, 9),
            ("Brut", "magnum", 60, 48, "2025-10-01", 2, 9),
        ],
    ),
    "loans": (
        "Loan|From|Due|Amount|Rate (% a year)|Repayment|Months between payments|Drawn|Drawn in steps of",
        [
            ("Line", "2024-01-15", "2029-01-15", 60_000, 3.9, "at will", 3, 31_000, None),
            ("Later", "2026-03-01", "2029-01-15", 10_000, 4.9, "at will", None, None, 500),
        ],
    ),
    "scenarios": (
        "Scenario|Sheet|Column|Where|How|Value",
        [
            ("No rows", "Price indices", "Index", "Element=grapes", "multiply", 1.1),
            ("Blank", "Dispatches", "Net price", "Date=2026-03-01", "multiply", 1.1),
            ("No number", "Tirage", "Wine (L)", "Bottles=many", "multiply", 1.1),
            ("Number", "Tirage", "Wine (L)", "Bottles=5020; Format=bottle", "multiply", 0.99),
            ("No fraction", "Loss norms", "Norm (%)", "Norm=1; Operation or stage=racking", "add", 99.5),
            ("Half", "Tirage", "Wine (L)", None, "multiply", 1.1),
            ("Half", "Tirage", "Wine (L)", "Bottles=12", "multiply", 1.1),
            ("Nothing moves", "Trial blends", "Bottles", None, "multiply", 1.1),
            ("Too much", "Tirage", "Sugar (g/L)", None, "multiply", 30),
            ("Nothing is left", "Deliveries", "Quantity", None, "multiply", 0),
        ],
    ),
    "uncertainty": (
        "Name|Sheet|Column|Where|How|Distribution|First parameter|Second parameter|Third parameter|Correlated with"
        "|Correlation",
        [
            ("far", "Loss norms", "Norm (%)", None, "add", "normal", 1, 50, None, None, None),
            ("above", "Loss norms", "Norm (%)", None, "add", "normal", 75, 12, None, None, None),
            ("tied", "Pools", "Amount", None, "multiply", "normal", 1, 0.1, None, "ring", 0.99),
            ("tied too", "Pools", "Amount", None, "multiply", "normal", 1, 0.1, None, "ring", -0.99),
            ("ring", "Pools", "Amount", None, "multiply", "normal", 1, 0.1, None, "tied", 0.99),
            ("alone", "Pools", "Amount", None, "multiply", "normal", 1, 0.1, None, None, None),
        ],
    ),
    "offers": (
        "Offer|Buy or sell|Date|With|What|Our lot|Cuvée|Format|Variety|Vintage|Quantity|Unit|Price per unit",
        [
            ("Half", "sell", "2026-02-10", "A house", "reserve", "R", None, None, None, None, 1_200, "L", 40),
            ("More than the rest", "sell", "2026-02-11", "A house", "reserve", "R", None, None, None, None, 1_300, "L",
             41),
            ("Too late", "buy", "2032-06-20", "A farm", "wine", None, "Brut", None, "Meunier", "2026", 500, "L", 2),
            ("Second wine", "buy", "2026-02-16", "A farm", "wine", None, "Brut", None, "Pinot Noir", "2025", 3_000,
             "L", 2),
        ],
    ),
    "recipes": (
        "Recipe|What|Value",
        [
            ("Sweet", "grape price per kg", 7.1),
            ("Sweet", "kilograms", 4_000),
            ("Sweet", "bottles", 900),
            ("Sweet", "harvest date", "2026-09-10"),
            ("Sweet", "tirage date", "2026-09-12"),
            ("Sweet", "must per kg", 0.6),
            ("Sweet", "months on lees", 20),
            ("Sweet", "tirage sugar", 25),
            ("Half said", "reserve share", 20),
            ("Half said", "ripeness", 11),
            ("Half said", "bottles", "many"),
        ],
    ),
    "trial_blends": (
        "Trial|Line|Cuvée|Lot or attribute|Litres (L)|Share (%)|Bottles",
        [
            ("A", "lot", "Brut", "V25", 1_500, None, None),
            ("A", "lot", "Brut", "R", 300, None, None),
            ("A", "at least", "Brut", "Chardonnay", None, 95, None),
            ("A", "at most", "Brut", "Pinot Noir", None, 1, None),
            ("A", "bottles", "Brut", None, None, None, 2_300),
        ],
    ),
    "price_list": ("From|Cuvée|Format|Channel|Currency|List price", [("2025-02-01", "Brut", "bottle", None, None, 60)]),
}  # fmt: skip


def impossible() -> Tables:
    """The same under limits that can't be kept, with questions that have no answer, and prices above every target."""
    given = {**_with_settings(_SETTINGS), **_frames(_IMPOSSIBLE)}
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
    given = _frames(_SHEETS)
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
