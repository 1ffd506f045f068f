"""A house that works for others, lends on its stock and keeps old reserve: every column of its accounts is kept.

What it does not do: any figure by hand (`tests/accounts` does). Whoever adds to the accounts adds rows here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

Rows = tuple[str, Sequence[tuple[object, ...]]]

_SHEETS: Mapping[str, Rows] = {
    "settings": (
        "Setting|Value",
        [("Valuation date", "2025-11-30"), ("Estate", "Ours"), ("Fiscal-year start (month)", 8)],
    ),
    "interest_rates": ("From|Hurdle rate (%)|Borrowing rate (%)", [("2010-01-01", 8, 4)]),
    "cuvees": ("Cuvée", [("Brut",), ("Rosé",)]),
    "channels": ("Channel|Exit", [("Trade", "sale"), ("Tasting", "hospitality")]),
    "opening_stock": (
        "Date|Lot|Kind|Quantity|Unit|Format|Cuvée|Tirage date|Location|Owner",
        [
            ("2012-06-30", "R", "reserve", 2_000, "L", None, None, None, "Hall", None),
            ("2012-06-30", "OLD", "on lees", 600, "bottles", "bottle", "Brut", "2011-05-02", "Deep", None),
            ("2012-06-30", "MAG", "on lees", 90, "bottles", "magnum", "Rosé", "2012-04-02", "Hall", None),
            ("2012-06-30", "XR", "reserve", 300, "L", None, None, None, "Hall", "Upper House"),
            ("2012-06-30", "XM", "on lees", 200, "bottles", "magnum", "Brut", "2012-04-02", "Deep", "Upper House"),
        ],
    ),
    "opening_costs": (
        "Lot|Element|Amount",
        [("R", "must and wine", 7_000), ("OLD", "must and wine", 3_300), ("MAG", "must and wine", 1_450)],
    ),
    "deliveries": (
        "Date|Lot|What|Variety|Quantity|Unit|Price per unit|Owner",
        [
            ("2024-09-08", "G24", "grapes", "Meunier", 4_000, "kg", 6.1, None),
            ("2025-09-08", "G25", "grapes", "Pinot Noir", 3_000, "kg", 6.4, None),
            ("2025-11-29", "LATE", "grapes", "Pinot Noir", 60, "kg", 5, None),
            ("2024-09-09", "N24", "grapes", None, 1_500, "kg", None, "Neighbour"),
            ("2025-09-09", "N25", "grapes", None, 900, "kg", None, "Neighbour"),
        ],
    ),
    "pressings": (
        "Date|Load|From lot|Grapes (kg)|Fraction|Must (L)|To lot",
        [
            ("2024-09-08", "P1", "G24", 4_000, "first", 2_050, "M24"),
            ("2024-09-08", "P1", None, None, "second", 480, "S24"),
            ("2024-09-09", "P2", "N24", 1_500, "first", 760, "NM24"),
            ("2025-09-08", "P3", "G25", 3_000, "first", 1_530, "M25"),
            ("2025-09-09", "P4", "N25", 900, "first", 450, "NM25"),
        ],
    ),
    "movements": (
        "Date|Operation|From lot|Out (L)|To lot|In (L)|Out (bottles)|Proceeds",
        [
            ("2024-10-10", "fermentation", "M24", 2_050, "V24", 2_000, None, None),
            ("2024-10-10", "fermentation", "NM24", 760, "NV24", 745, None, None),
            ("2024-10-12", "fermentation", "S24", 480, "S24", 470, None, None),
            ("2025-08-20", "bulk sale", "S24", 300, None, None, None, 1_120.55),
            ("2025-09-20", "bulk sale", "R", 100, None, None, None, 333.333),
            ("2025-10-10", "fermentation", "M25", 1_480, "V25", 1_440, None, None),
            ("2025-10-20", "blending", "R", 150, "V25", 150, None, None),
            ("2025-11-01", "loss", "V25", 40, None, None, None, None),
            ("2025-10-01", "handing back", "ND", None, None, None, 500, None),
        ],
    ),
    "tirage": (
        "Date|Cuvée|Bottle lot|Wine lot|Wine (L)|Liqueur (L)|Sugar (g/L)|Format|Bottles|Location",
        [
            ("2025-04-01", "Brut", "T25", "V24", 1_900, 40, 24, "bottle", 2_580, "Deep"),
            ("2025-04-02", "Brut", "NT", "NV24", 700, 12, 31.5, "bottle", 945, "Deep"),
            ("2025-11-10", "Rosé", "T25B", "V25", 900, 53, None, "bottle", 1_180, "Hall"),
        ],
    ),
    "disgorgements": (
        "Date|Release lot|From lot|Bottles in|Bottles out|Dosage (g/L)",
        [
            ("2024-03-01", "D1", "OLD", 200, 197, 6),
            ("2025-09-01", "D2", "OLD", 250, 246, 6),
            ("2025-09-15", "D3", "MAG", 40, 39, 8),
            ("2025-09-02", "ND", "NT", 600, 590, 6),
            ("2025-09-03", "XD", "XM", 60, 58, 6),
        ],
    ),
    "dispatches": (
        "Date|Release lot|Channel|Bottles|Net price",
        [
            ("2025-03-03", "D1", "Trade", 120, 31),
            ("2025-09-10", "D2", "Trade", 100, 32.5),
            ("2025-10-10", "D2", "Tasting", 6, None),
            ("2025-10-20", "D3", "Trade", 10, 71),
        ],
    ),
    "costs": (
        "Date incurred|Lot|Element|Amount",
        [
            ("2024-11-02", "V24", "labour", 310.4),
            ("2025-06-02", "NT", "labour", 90.5),
            ("2025-09-30", "D2", "labour", 44),
        ],
    ),
    "operation_rates": (
        "From|Stage|Operation|Driver|Amount|Element",
        [
            ("2012-01-01", None, "reception", "kg", 0.08, "transport"),
            ("2012-01-01", None, "pressing", "load", 55, "energy"),
            ("2012-01-01", "on lees", "storage", "bottle-year", 0.11, "storage"),
            ("2012-01-01", "reserve", "storage", "litre-year", 0.02, "storage"),
            ("2012-01-01", None, "disgorgement", "bottle in", 0.4, "labour"),
        ],
    ),
    "loss_norms": (
        "Operation or stage|Norm (%)|Time base",
        [("fermentation", 2, "per movement"), ("disgorgement", 1, "per movement"), ("on lees", 0.4, "per year")],
    ),
    "dry_goods": (
        "From|Stage|Item|Format|Unit price",
        [
            ("2012-01-01", "tirage", "glass", "bottle", 0.62),
            ("2012-01-01", "finishing", "cork and wire", "magnum", 0.9),
        ],
    ),
    "pools": (
        "From|To|Pool|Amount|Driver|Stage|Element|Location|Normal capacity",
        [
            ("2024-08-01", "2025-07-31", "Press house", 3_000, "kg", "pressing", "pressing", None, None),
            ("2025-08-01", "2026-07-31", "Press house", 3_300, "kg", "pressing", "pressing", None, 5_000),
            ("2025-08-01", "2026-07-31", "Cellar", 900, "bottle-year", None, "overhead", "Deep", 4_000),
        ],
    ),
    "service_rates": (
        "From|Service|Format|Unit|Rate|Currency|Currency rate|Owner|Payment days",
        [
            ("2012-01-01", "pressing", None, "kg", 1.2, None, None, None, 30),
            ("2012-01-01", "pressing", None, "kg", 0.9, None, None, "Neighbour", 30),
            ("2012-01-01", "storage", None, "bottle-year", 0.5, "GBP", 1.2, None, 45),
            ("2025-10-01", "storage", None, "bottle-year", 0.55, "GBP", 1.15, None, 45),
            ("2012-01-01", "storage", None, "litre-year", 0.04, None, None, None, 45),
            ("2012-01-01", "disgorgement", "magnum", "bottle in", 0.8, None, None, None, 30),
            ("2012-01-01", "disgorgement", "bottle", "bottle in", 0.0, None, None, None, 30),
        ],
    ),
    "market_values": (
        "From|Lot|Value per unit",
        [("2025-01-01", "R", 2.4), ("2025-01-01", "S24", 9.0)],
    ),
    "loans": (
        "Loan|From|Due|Amount|Rate (% a year)|Repayment"
        "|Advance on wine (%)|Advance on lees (%)|Advance on finished (%)|Place",
        [
            ("Vats", "2024-01-01", "2027-12-31", 3_000, 4, "at once", 40, None, None, None),
            ("Vault", "2024-01-01", "2027-12-31", 5_000, 4, "at once", None, 50, None, "Deep"),
            ("Goods", "2025-11-30", "2027-12-31", 1_000, 4, "at once", None, None, 30, None),
            ("Over", "2020-01-01", "2025-11-30", 1_000, 4, "at once", 20, 20, 20, None),
        ],
    ),
}  # fmt: skip


def tables() -> dict[str, pd.DataFrame]:
    """Its sheets as they would be typed."""
    return {name: pd.DataFrame(rows, columns=headers.split("|")) for name, (headers, rows) in _SHEETS.items()}
