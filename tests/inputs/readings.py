"""What single cells, headers, titles and settings are read as: cases, and what is read of each in a line of words."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd

from costing.errors import Finding
from costing.inputs import columns
from costing.inputs.cells import display, fold, number_text, says_total, take_apart, tidy
from costing.inputs.columns import Fault, Styles, read_one
from costing.inputs.headers import (
    KnownNames,
    closest,
    did_you_mean,
    read_headers,
    readable_name,
    sheet_name,
    sheet_title,
)
from costing.inputs.raw import RawTable, column_letter
from costing.inputs.schema import settings, sheets
from costing.inputs.settings import read_settings

COLUMNS = (
    ("movements", "on_date"),
    ("movements", "out_l"),
    ("movements", "operation"),
    ("movements", "from_lot"),
    ("deliveries", "price_per_unit"),
    ("grape_prices", "vintage"),
    ("loss_norms", "percent"),
    ("loss_norms", "applies_to"),
    ("costs", "element"),
    ("dispatches", "bottles"),
    ("recipes", "value"),
    ("disgorgements", "dosage_g_per_l"),
    ("uncertainty", "correlation"),
)
STYLES = (Styles(), Styles("comma", "month first"), Styles("point", "year first"))
TEXTS = (
    *(
        "12",
        "1,234.5",
        "1.234,5",
        "1,234",
        "1 234",
        "1'000,5",
        "12.",
        ".5",
        ",5",
        "-5",
        "- 5",
        "−7",
        "+3",
        "1e3",
        "1E-2",
    ),
    *(
        "1,2,3",
        "1.2.3",
        "12 %",
        "3,5 %",
        "150 hl",
        "150 L",
        "150 kg",
        "2 t",
        "7 €",
        "5 litres",
        "1e400",
        "1e16",
        "999e12",
    ),
    *("2024-09-12", "2024/9/1", "2024.13.01", "2024-02-30", "12.09.2024", "09/30/2024", "30/09/2024", "31.02.2024"),
    *("1-2-2024", "2024-09-12T10:30:00Z", "12.09.2024 7:05", "1.2.24", "45000", "18264", "18263", "109939", "109938"),
    *(
        "1900-01-01",
        "1899-12-31",
        "2200-12-31",
        "2201-01-01",
        "31/12/1899",
        "#REF!",
        "#N/A",
        "Err:502",
        "err:502",
        "#rest",
    ),
    *(
        "rest",
        "Rest",
        "reste",
        "racking",
        "Racking",
        "rackin",
        "soutirage",
        "labour",
        "Labour",
        "labor",
        "glass",
        "n/a",
    ),
    *("on  lees", "V24\u00a01", "Rose\u0301", "a\u200bb", "-", "", "   ", "TRUE", "x" * 90),
)
OTHERS: tuple[Any, ...] = (
    *(
        0,
        1,
        -1,
        2.5,
        45000,
        18263,
        18264,
        109938,
        109939,
        1e15,
        1.1e15,
        -1.1e15,
        1e16,
        10**400,
        float("inf"),
        0.1 + 0.2,
    ),
    *(True, False, np.bool_(True), Decimal("2.50"), np.int64(7), np.float64(0.5), date(2024, 9, 12)),
    *(
        datetime(2024, 9, 12, 10, 30),
        pd.Timestamp("2024-09-12 23:59"),
        np.datetime64("2024-09-12T11"),
        date(1899, 12, 31),
    ),
    *(date(2201, 1, 1), None, float("nan"), pd.NaT, pd.NA),
)
WHOLE: tuple[tuple[str, pd.Series[Any]], ...] = (
    ("numbers", pd.Series([1.5, np.nan, -3.0])),
    ("whole numbers that may be blank", pd.Series([1, None, 3], dtype="Int64")),
    ("TRUE and FALSE", pd.Series([True, False, True])),
    ("TRUE, FALSE and blank", pd.Series([True, None, False], dtype="boolean")),
    ("times of a zone", pd.Series(pd.to_datetime(["2024-09-12 23:30+02:00", None], utc=True))),
    ("texts", pd.Series(["a ", "  ", "a", "2"], dtype="string")),
    ("categories", pd.Categorical(["b", None, "a", "b"])),
    ("categories of numbers", pd.Categorical([2.0, None, 1.0])),
    ("categories of dates", pd.Categorical(pd.to_datetime(["2024-09-12", None, "2024-01-01"]))),
    ("categories of both", pd.Categorical([True, "x", None, False])),
    ("days", pd.Series([date(2024, 9, 12), None, date(2024, 9, 12)], dtype=object)),
    ("whole and not", pd.Series([1, 2.5, None], dtype=object)),
    ("beyond any cell", pd.Series([10**400, 1], dtype=object)),
    ("nothing", pd.Series([None, np.nan], dtype=object)),
    ("of all sorts", pd.Series([1, "x", date(2024, 9, 12), True, None, "x", False, " "], dtype=object)),
)


def _faults(faults: Sequence[Fault]) -> str:
    return "; ".join(f"{fault.rows.tolist()} {fault.rule} {fault.remedy}" for fault in faults)


def columns_read() -> Iterator[str]:
    """Every value in a column of every sort, under every style that the sort heeds: what is read, and what is said."""
    values = pd.Series([*TEXTS, *OTHERS, *TEXTS[:5]], dtype=object)
    cells = take_apart(values)
    typed = [display(repr(value), 40) for value in values]
    for sheet, name in COLUMNS:
        column = sheets()[sheet].column(name)
        for style in STYLES[: 3 if column.type == "date" else 2 if column.type in ("number", "percent") else 1]:
            read, faults = columns.read(column, cells, style)
            said: dict[str, list[str]] = {}
            for value, cell in zip(typed, list(read), strict=True):
                if not pd.isna(cell):
                    shown = number_text(cell) if isinstance(cell, float) else str(cell).removesuffix("T00:00:00")
                    said.setdefault(f"-> {shown}", []).append(value)
            for fault in faults:
                said.setdefault(f"{fault.rule} {fault.remedy}", []).extend(typed[row] for row in fault.rows)
            for outcome, held in said.items():
                yield f"{sheet}.{name} {style.number_style}, {style.date_style}: {' '.join(held)} {outcome}"


def columns_taken_apart() -> Iterator[str]:
    """Typed columns and mixed ones by what their cells hold; single cells; figures in another unit or as fractions."""
    mixed = pd.Series([*TEXTS[::7], *OTHERS], dtype=object)
    for title, values in (*WHOLE, ("every seventh text", mixed)):
        cells = take_apart(pd.Series(values))
        some = cells.take(np.arange(cells.size)[::-2])
        yield f"{title}: {[cells.shown(row) for row in range(cells.size)]} {cells.filled().tolist()}"
        yield f"{title}, every other from below: {[some.shown(row) for row in range(some.size)]}"
        yield f"{title}: {[(part is None) for part in (cells.numbers, cells.dates, cells.codes, cells.flags)]}"
        alone = [
            read_one(sheets()[sheet].column(name), cells.take(np.array([0])), STYLES[0]) for sheet, name in COLUMNS
        ]
        yield f"{title}, its first alone: {[(value, _faults(faults)) for value, faults in alone]}"
    cells = take_apart(mixed)
    for sheet, name in COLUMNS[1:8:2]:
        column, shown_as_percent = sheets()[sheet].column(name), np.arange(len(mixed)) % 2 == 0
        values, faults = columns.read(column, cells, STYLES[0], 100.0, shown_as_percent)
        yield f"{sheet}.{name} × 100: {[str(one) for one in list(values)]} {_faults(faults)}"


def words() -> Iterator[str]:
    """How words are folded, tidied, shown, taken for a total, and compared with known ones."""
    texts = (
        "  Prix  d’Été ",
        "TOTAL",
        "Total 2024:",
        "sub-total",
        "Sous-total",
        "Summe",
        "totale",
        "Tot",
        "total wine",
    )
    texts += (
        "somme",
        "grand total",
        "totals",
        "Gesamt :",
        "ΣUM",
        "a\u200bb",
        "line\nbreak",
        "½ bottle",
        "ﬁne",
        "x" * 81,
    )
    for text in texts:
        yield f"{text!r}: {fold(text)!r} {tidy(text)!r} {display(text)!r} {display(text, 5)!r} {says_total(text)}"
    for number in (0.0, -0.0, 2.0, 2.5, 1e14, 1e15, 123456789012345.6, 1e20, 0.1 + 0.2, -3.0):
        yield f"{number!r}: {number_text(number)}"
    known = ["Brut Réserve", "Brut Nature", "Rosé", "Blanc de blancs", "", "V24-001", "V24-002"]
    for word in ("brut reserve", "Brut Natur", "Rose", "rosa", "Blanc de noirs", "V24-003", "24", "", "zzz", "Br"):
        near = [closest(word, known), closest(word, known, 0.4), KnownNames(known).closest(word)]
        near += [KnownNames(known).closest(word, 0.4), KnownNames([]).closest(word), did_you_mean(word, known, "none")]
        yield f"{word!r}: {near}"
    yield str([column_letter(position) for position in (0, 1, 25, 26, 51, 52, 701, 702, 703)])


def titles_and_headers() -> Iterator[str]:
    """Titles of sheets, and headers with and without a unit."""
    titles = ("Movements", "movements 2026", "Movements_2026", "MOVEMENTS 26", "Movements (2)", "Copy of Movements")
    titles += (
        "Movements copy 2",
        "Movements - Kopie",
        "Movement",
        "Movments 2026",
        "movements_12",
        "My notes",
        "dry_goods",
    )
    titles += (
        "Dry  Goods",
        "price_by_age_2025",
        "Price by age 2025",
        "opening_stock(2)",
        "2026",
        "",
        "Movements 20266",
    )
    for title in titles:
        yield f"{title!r}: {sheet_name(title)} {readable_name(title)!r} {sheet_title(title)!r}"
    for sheet, headers in {
        "movements": ["Date", "date", "Out (hl)", "Out [L]", "Out", "Out (gal)", "Out (litres)", "Operaton", "Remark"],
        "pressings": [
            "Weight (t)",
            "Weight (tonnes)",
            "Weight (kg)",
            "weight_kg",
            "Volume (hl)",
            "Volume",
            "Load",
            "load ",
        ],
        "deliveries": [
            "Quantity",
            "quantity (kg)",
            "Price per unit",
            "Price per unit (EUR)",
            "price_per_unit",
            "",
            "Lots",
        ],
        "loss_norms": ["Percent (%)", "Percent", "percent", "Applies to", "Time base (x)"],
        "cuvees": ["Alcohol (% vol)", "Alcohol (%)", "Alcohol", "alcohol", "Cuvee", "Cuvée", "cuvée"],
        "disgorgements": ["Dosage (g/l)", "Dosage", "dosage_g_per_l", "Bottles in", "Bottles out", "Botles out"],
    }.items():
        for header, heading in zip(headers, read_headers(sheets()[sheet], headers), strict=True):
            column = heading.column.name if heading.column else None
            means = f"{column} × {heading.factor} {heading.unit!r}"
            yield f"{sheet} {header!r}: {means} {heading.rule} {heading.remedy}"


def settings_sheets() -> Iterator[str]:
    """Settings sheets: what is read, and what is said."""
    cases: dict[str, list[tuple[Any, Any]]] = {
        "by title, name and case": [
            ("VALUATION DATE", "31.12.2025"),
            ("volume_tolerance_l", "0.7"),
            ("Currency", "CHF"),
        ],
        "comma and month first": [
            *(("Volume tolerance (L)", "0,7"), ("Number style", "comma"), ("Date style", "month first")),
            ("Valuation date", "12/31/2025"),
        ],
        "a typed date and number": [
            ("Valuation date", datetime(2025, 12, 31)),
            ("Cash to keep", 5000),
            ("Estate", 1789),
        ],
        "twice, unknown and blank": [
            *(("Currency", "EUR"), ("currency", "USD"), ("Curency", "USD"), ("zzz", 1), ("Estate", None), (None, 5)),
        ],
        "out of bounds": [("fiscal_year_start_month", 13), ("plan_safety_percent", -1), ("Day count", "30/361")],
        "wrong sorts": [
            ("Valuation date", "soon"),
            ("Bank balance", True),
            ("ageing_step_months", 2.5),
            ("Bank balances", 1),
        ],
    }
    bounds = [(setting, bound) for setting in settings().values() for bound in (setting.lower, setting.upper)]
    cases |= {
        f"{setting.name} {bound + beyond:.15g}": [(setting.title, bound + beyond)]
        for setting, bound in bounds
        if bound is not None
        for beyond in ((0, 1e-3, -1e-3) if setting.type == "number" else (0, 1, -1))
    }
    for title, rows in cases.items():
        yield from _settings(title, pd.DataFrame(rows, columns=["Setting", "Value"], dtype=object))
    yield from _settings("no value", pd.DataFrame({"Setting": ["Currency"]}))
    yield from _settings("no setting", pd.DataFrame({"Value": ["EUR"]}))
    yield from _settings("no rows", pd.DataFrame({"Setting": []}))


def _settings(title: str, frame: pd.DataFrame) -> Iterator[str]:
    found: list[Finding] = []
    letters = {header: column_letter(place) for place, header in enumerate(frame.columns)}
    table = RawTable("Settings", frame, np.arange(2, len(frame) + 2), letters)
    read, styles = read_settings([table], found.append)
    said = read.model_dump(exclude_defaults=True) if read else None
    yield f"{title}: {said} {styles} {[str(finding) for finding in found]}"
