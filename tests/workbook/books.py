"""What is read from whole sheets, drawn ones among them, and logs; what is made of whole workbooks; in words."""

from __future__ import annotations

import datetime as dt
import random
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xlsxwriter

from costing.decisions.closing.next_year import Opened
from costing.errors import CostingError
from costing.inputs.columns import Styles
from costing.inputs.estate import Estate, as_table
from costing.inputs.headers import readable_name
from costing.inputs.links import Link, LinkedSheet
from costing.inputs.raw import RawTable
from costing.inputs.schema import sheets
from costing.model import loaded
from costing.workbook.blank.blank import blank_bytes, further_sheets
from costing.workbook.blank.contents import _typed_frame
from costing.workbook.file.package import Package, read_package
from costing.workbook.file.scan import ERROR_CELL, CellFault, SheetScan, TableRange
from costing.workbook.file.sheets import LISTS_SHEET, MAIN
from costing.workbook.following import _alike, _edits, following_workbook
from costing.workbook.further import placed_tables, with_sheets
from costing.workbook.linked import headers_above, linked_table
from costing.workbook.read import _read_sheet, read_workbook, table_from_cells
from tests.workbook.adopt.test_adopt import book
from tests.workbook.looks import Writer
from tests.workbook.scratch import parts_of, zip_of

Grid = list[list[Any]]
DAY = dt.datetime(2024, 10, 1)


def in_words(table: RawTable) -> str:
    """All that was read of a sheet."""
    said = [str(finding) for finding in table.findings]
    rows = table.frame.to_numpy(dtype=object).tolist()
    percents = {header: np.asarray(shown).tolist() for header, shown in table.percent_formatted.items()}
    where = f"{np.asarray(table.row_numbers).tolist()} {dict(table.letters)} {table.header_row}"
    linked = f" {table.linked}" if table.linked else ""
    return f"{table.sheet}: {list(table.frame.columns)} {rows} {where} {percents} {sorted(table.faulty)} {said}{linked}"


_HEADERS: dict[str, tuple[str, ...]] = {
    "Movements": ("Date", "Operation", "From lot", "Out (L)", "To lot", "In (hl)", "Location", "Mine"),
    "Loss norms": ("Operation or stage", "Norm (%)", "Time base", "%", "Mine"),
    "Dispatches 2025": ("date", "Release lot", "Bottles", "Net price", "Channel", "Bottles"),
}
_CELLS: tuple[Any, ...] = (DAY, "racking", "V1", "V2", 5.0, 0.02, 12.5, None, None, "", "x", "y" * 45)


def _drawn_rows(dice: random.Random, headers: Sequence[str], odd: float = 0.1) -> tuple[Grid, int, int]:
    """Cells, the row of the headers and their first column, from 1."""
    left, above = dice.choice((0, 0, 1, 2)), dice.choice((0, 0, 1, 2, 19))
    width = left + len(headers) + dice.choice((0, 0, 1))
    rows: Grid = [[None] * width for _ in range(above)]
    for row in rows:
        if dice.random() < 0.4:
            row[dice.randrange(width)] = dice.choice(("My cellar", "Volume", 2025.0))
    shown = [header if dice.random() > odd else dice.choice(("", "Other", headers[0])) for header in headers]
    rows.append([*[None] * left, *shown])
    for _ in range(dice.choice((0, 1, 3, 6))):
        kind = dice.random()
        cells = [None] * len(headers) if kind < 0.15 else [dice.choice(_CELLS) for _ in headers]
        if 0.15 < kind < 0.3:
            cells = ["Total", *[None] * (len(headers) - 2), 9.0]
        if kind > 0.7:
            cells = [cell if cell not in (None, "") else 1.0 for cell in cells]
        rows.append([*[None] * left, *cells])
    return [row + [None] * (width - len(row)) for row in rows], above + 1, left + 1


def _drawn_tables(dice: random.Random, rows: Grid, header: int, left: int, headers: Sequence[str]) -> list[TableRange]:
    tables = []
    for number in range(dice.choice((0, 1, 1, 2))):
        first = header if number == 0 else min(len(rows), header + 3)
        right, last = left + dice.choice((1, 2, len(headers) - 1)), dice.choice((first + 1, len(rows), len(rows) + 2))
        shown = dice.choice((1, 1, 1, 0))
        texts = tuple(headers[: right - left + 1])
        tables.append(TableRange(f"t{number}", left, first, right, last, shown, dice.choice((0, 0, 1)), texts))
    return tables


def _drawn_faults(dice: random.Random, rows: Grid) -> list[CellFault]:
    places = {(dice.randint(1, len(rows[0])), dice.randint(1, len(rows))) for _ in range(dice.choice((0, 0, 1, 3)))}
    for column, row in places:
        rows[row - 1][column - 1] = None
    return [CellFault(column, row, ERROR_CELL, "#REF!") for column, row in sorted(places)]


def sheets_read() -> Iterator[str]:
    """Drawn sheets of ours, with tables of the spreadsheet program and without."""
    for seed in range(120):
        dice = random.Random(seed)
        title = dice.choice(list(_HEADERS))
        rows, header, left = _drawn_rows(dice, _HEADERS[title])
        tables = _drawn_tables(dice, rows, header, left, _HEADERS[title])
        faults = _drawn_faults(dice, rows)
        percents = {(left + place, row) for place in range(4) for row in range(len(rows) + 1) if dice.random() < 0.5}
        if seed % 2:
            formulas = frozenset((left + place, len(rows)) for place in range(-1, 9) if dice.random() < 0.2)
            scan = SheetScan(tuple(faults), "XFD9" if seed % 31 == 0 else "", formulas, frozenset(percents))
            described = sheets()[readable_name(title)]
            read = _read_sheet(title, described, scan, tables, lambda _, cells=rows: cells, "it may be old")
        else:
            read = table_from_cells(title, rows, tables, faults, percents)
        yield f"{seed}: {in_words(read)}"


_THEIRS: dict[str, tuple[dict[str, str], tuple[str, ...]]] = {
    "movements": (
        {"on_date": "Datum", "operation": "Was", "from_lot": "Aus", "out_l": "Liter / aus", "in_l": "Liter / ein"},
        ("Datum", "Was", "Aus", "aus", "ein", "Rest"),
    ),
    "loss_norms": ({"applies_to": "Was", "percent": "C", "time_base": "Je"}, ("Was", "Je", "Norm", "Rest")),
    "stocktakes": ({"on_date": "Tag", "lot": "Gebinde / Nr", "quantity": "Menge"}, ("Tag", "Nr", "Menge", "Rest")),
}
_THEIRS["costs"] = ({"on_date": "A", "lot": "B", "amount": "C"}, ("", "", ""))
_THEIRS["terms"] = ({"terms": "A", "share": "AB", "days_after": "ABC"}, ("Kunde", "Tage"))
_GROUPS: dict[str, tuple[Any, ...]] = {
    "movements": ("Keller", None, None, "Liter", None, None),
    "loss_norms": (None, None, "Verlust", None),
    "stocktakes": ("Gebinde", None, 2025.0, "Alt"),
    "costs": (None, None, None),
    "terms": ("Frist", None),
}


def sheets_linked() -> Iterator[str]:
    """Drawn sheets of theirs, read by their links."""
    for seed in range(120):
        dice = random.Random(seed)
        name = dice.choice(list(_THEIRS))
        columns, headers = _THEIRS[name]
        rows, header, left = _drawn_rows(dice, headers, 0.03)
        if header > 1 and dice.random() < 0.8:
            rows[header - 2][left - 1 : left - 1 + len(headers)] = _GROUPS[name]
        tables = _drawn_tables(dice, rows, header, left, headers)
        scan = SheetScan(tuple(_drawn_faults(dice, rows)), "", frozenset(), frozenset({(left + 2, header + 1)}))
        first = header + dice.choice((*[1] * 12, 0, 2, 3, 4))
        links = [
            Link(f"Links!{row}", sheets()[name].column(column), theirs, dice.choice((1.0, 100.0)))
            for row, (column, theirs) in enumerate(columns.items(), 2)
        ]
        if name == "movements":
            links.append(Link("Links!9", sheets()[name].column("location"), fixed="cellar"))
        words = {("operation", "x"): "racking"} if dice.random() < 0.5 else {}
        sheet = LinkedSheet("Keller", sheets()[name], first, tuple(links), words)
        yield f"{seed}: {[(one.position, one.whole, one.row) for one in headers_above(rows, first)]}"
        yield f"{seed}: {in_words(linked_table(sheet, rows, scan, tables))}"


_YEAR: dict[str, Grid] = {
    "Settings": [
        ["Setting", "Value"],
        ["Currency", "EUR"],
        ["Accounts approved on", DAY],
        ["Volume tolerance (L)", 0.5],
    ],
    "Opening stock": [
        ["Date", "Lot", "Kind", "Quantity", "Unit", "Loss allowance"],
        [DAY, "V1", "wine", 50.0, "hl", 3.0],
    ],
    "Opening costs": [["Lot", "Element", "Amount"], ["V1", "grapes", 9000.0]],
    "Pools": [
        ["From", "To", "Pool", "Amount", "Driver", "Element", "Normal capacity"],
        [dt.datetime(2024, 1, 1), dt.datetime(2024, 12, 31), "Press", 50.0, "kg", "overhead", None],
        [dt.datetime(2025, 1, 1), dt.datetime(2025, 12, 31), "Press", 52.0, "kg", "overhead", 800.0],
    ],
    "Costs": [
        ["Date incurred", "Lot", "Element", "Amount"],
        *[[dt.datetime(2024, month, 1), "V1", "labour", 100.0 * month] for month in (10, 11, 12)],
    ],
    "Grape prices": [
        ["Year", "Village", "Variety", "Price per kg", "Final premium per kg", "Premium date"],
        [2024, "Amblencourt", "Chardonnay", 6.8, 0.2, dt.datetime(2025, 3, 1)],
        [2025, "Amblencourt", "Chardonnay", 7.0, None, None],
    ],
    "Deliveries": [
        ["Date", "Lot", "What", "Village", "Variety", "Vintage", "Quantity", "Unit"],
        [dt.datetime(2024, 10, 2), "G1", "grapes", "Amblencourt", "Chardonnay", 2024, 4000.0, "kg"],
    ],
    "Mine": [["x", 1]],
}
_KEPT = {"pools": [0, 1], "costs": [1, 2], "grape_prices": [0, 1]}
Change = Callable[[dict[str, pd.DataFrame]], None]


def opened_with(estate: Estate, change: Change, kept: Mapping[str, Sequence[int]] = _KEPT) -> Opened:
    """The estate with some of its rows, and their figures changed."""
    rows = {name: np.array(kept.get(name, ()), dtype=np.int64) for name in estate.tables}
    tables = {name: estate[name].iloc[rows[name]].reset_index(drop=True) for name in estate.tables}
    lot = {"on_date": pd.Timestamp("2024-12-31"), "lot": "V1", "kind": "wine", "quantity": 40.0, "unit": "hl"}
    tables["opening_stock"] = pd.DataFrame([lot, {**lot, "lot": "V3", "loss_allowance": 1.0}])
    tables["opening_costs"] = pd.DataFrame([{"lot": "V1", "element": "grapes", "amount": 7000.0}])
    change(tables)
    settings = estate.settings.model_copy(update={"accounts_approved_on": None})
    given = {name: as_table(name, table) if len(table) else estate[name][:0] for name, table in tables.items()}
    return Opened(replace(estate, settings=settings, tables=given), rows)


def new_figures(tables: dict[str, pd.DataFrame]) -> None:
    tables["pools"].loc[0, "normal_capacity"] = 750.0
    tables["pools"].loc[1, "normal_capacity"] = 1000.0
    tables["costs"].loc[0, "amount"] = 550.0
    tables["grape_prices"].loc[0, ["final_premium_per_kg", "premium_date"]] = [np.nan, pd.NaT]


def _other_figures(tables: dict[str, pd.DataFrame]) -> None:
    new_figures(tables)
    tables["pools"]["amount"] = 1.0


def _new_columns(tables: dict[str, pd.DataFrame]) -> None:
    tables["opening_stock"] = tables["opening_stock"].assign(variety="Meunier")


def _none_left(tables: dict[str, pd.DataFrame]) -> None:
    tables["opening_stock"], tables["opening_costs"] = tables["opening_stock"][:0], tables["opening_costs"][:0]


YEARS: dict[str, tuple[Change, Mapping[str, Sequence[int]]]] = {
    "new figures": (new_figures, _KEPT),
    "other figures": (_other_figures, _KEPT),
    "new columns": (_new_columns, {**_KEPT, "pools": [1]}),
    "nothing left": (_none_left, {}),
}


def year_kept() -> Package:
    """A workbook of a year, with a formula on it and the order in which it was calculated."""

    def also(book: xlsxwriter.Workbook, sheets: dict[str, Any]) -> None:
        sheets["Costs"].add_table(
            0, 0, 3, 3, {"name": "spent", "columns": [{"header": one} for one in _YEAR["Costs"][0]]}
        )
        sheets["Opening stock"].write(1, 5, 0.03, book.add_format({"num_format": "0%"}))
        sheets["Mine"].write_formula("B2", "=SUM(Costs!D2:D9)+Pools!G3", None, 5)

    return read_package(_with_a_chain(book(_YEAR, also)), "estate.xlsx")


def next_workbooks() -> Iterator[str]:
    """The workbook after a year, with rows kept and figures changed: every sheet, or why it is refused."""
    package = year_kept()
    estate = loaded(read_workbook(package))
    for title, (change, kept) in YEARS.items():
        opened = opened_with(estate, change, kept)
        edits, anew = _edits(package, estate, opened)
        yield from (re.sub(r"np\.float64\((.*?)\)", r"\1", f"{title}: {sheet} {edit}") for sheet, edit in edits.items())
        yield f"{title}: made anew {anew}"
        if not title.endswith("figures"):
            continue
        try:
            content = following_workbook(package, estate, opened)
        except CostingError as refused:
            yield f"{title}: {refused}"
            continue
        yield from (f"{title}: {in_words(table)}" for table in read_workbook(content))
        parts = parts_of(content)
        chained = [name for name in parts if b"alcChain" in parts[name]]
        yield f"{title}: {len(parts)} parts, the chain of formulas in {chained}"
    frames = [
        pd.DataFrame({"lot": pd.Series(lots, dtype=object), "amount": amounts})
        for lots, amounts in ((["a", None], [1.0, np.nan]), (["a", ""], [1.0 + 1e-10, np.nan]), (["a"], [1.0]),
                              (["a", "b"], [1.0, np.nan]), (["a", ""], [1.1, np.nan]), (["a", None], [1.0, 2.0]))
    ]  # fmt: skip
    yield str([[_alike(first, other) for other in frames] for first in frames])


def _with_a_chain(content: bytes) -> bytes:
    """The workbook with the order in which its formulas were calculated."""
    parts = parts_of(content)
    kind = "http://schemas.openxmlformats.org/officeDocument/2006/relationships/calcChain"
    parts["xl/calcChain.xml"] = f'<calcChain xmlns="{MAIN}"><c r="B2" i="8"/></calcChain>'.encode()
    entries = {
        "xl/_rels/workbook.xml.rels": f'<Relationship Id="r9" Type="{kind}" Target="calcChain.xml"/></Relationships>',
        "[Content_Types].xml": '<Override PartName="/xl/calcChain.xml" ContentType="application/vnd.openxmlformats-'
        'officedocument.spreadsheetml.calcChain+xml"/></Types>',
    }
    for name, entry in entries.items():
        closing = b"</" + entry.encode().rpartition(b"</")[2]
        parts[name] = parts[name].replace(closing, entry.encode())
    return zip_of(parts)


def tables_placed() -> Iterator[str]:
    """Tables that the drop-downs of further sheets know, and sheets that can't be added."""
    pages: dict[str, Grid] = {
        "Costs": [["My costs"], [], ["Mine", "Lot", "Amount"], ["x", "V1", 5.0], ["y", None, 6.0]],
        "Pools": [[], ["Pool", "Amount", "amount"]],
        "Cost": [["Lot"], ["V1"]],
        "Movements 2025": _YEAR["Costs"],
        "Terms": [["Nothing of ours"]],
    }
    package = read_package(book(pages), "estate.xlsx")
    yield from map(str, placed_tables(package))
    for titles, names in ((("Costs",), ["costs"]), (("Mine", LISTS_SHEET), ["costs"])):
        try:
            with_sheets(read_package(book({title: [["x"]] for title in titles}), "estate.xlsx"), names, {})
        except CostingError as refused:
            yield f"{titles}: {refused}"


_ENTERED: dict[str, pd.DataFrame] = {
    "Movements": pd.DataFrame(
        {
            "Date": [DAY, dt.date(2025, 1, 2), "soon", None, pd.NaT],
            "Operation": ["racking", True, "=1+1", "http://x.y", ""],
            "Out (hl)": [5.0, np.float64(2.5), np.int64(3), "rest", np.nan],
            "Mine": [
                DAY,
                "a remark as long as no other that stands in this column of mine, " * 2,
                1,
                None,
                pd.NA,
            ],
        },
        dtype=object,
    ),
    "Loss norms": pd.DataFrame({"Operation or stage": ["racking"], "Norm (%)": [1.5], "Other": ["x"]}),
    "Costs 2025": pd.DataFrame({"Date incurred": [DAY], "Lot": ["V1"], "Element": ["labour"], "Amount": [100.0]}),
    "Settings": pd.DataFrame({"Setting": ["Currency", "Zzz", "Valuation date"], "Value": ["EUR", 5, DAY]}),
    "Year-end stock": pd.DataFrame({"Closing date": [DAY], "Lot": ["V1"], "Quantity": [5.0]}),
}
_TYPED: dict[str, list[str | None]] = {
    "Date": ["2025-01-31", "31.1.2025", "x", " ", None],
    "Out (L)": ["1 234,5", "1.5", "x", "", None],
    "Operation": ["racking", " ", "2", None, "x"],
    "Mine": ["1", "", " ", None, "5"],
    " ": ["a", "b", None, None, None],
}


def inputs_written() -> Iterator[str]:
    """What is asked of the writer for input sheets of odd cells, and texts that are typed as what they say."""
    for only in (None, ["movements", "pools"]):
        writer = Writer(whole=True)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(xlsxwriter, "Workbook", lambda *_, to=writer: to)
            if only is None:
                blank_bytes(_ENTERED, note="An estate.", names=["settings", "pools"])
            else:
                further_sheets(only, {"Movements": _ENTERED["Movements"]}, [])
        yield from (f"{only}: {' '.join(line)}" for line in writer.lines())
    for title in ("Movement", "Zzz"):
        try:
            blank_bytes({title: _ENTERED["Costs 2025"]})
        except CostingError as refused:
            yield str(refused)
    for styles in (Styles("comma", "day first"), Styles("point", "month first")):
        frame = _typed_frame(sheets()["movements"], pd.DataFrame(_TYPED), styles)
        yield f"{list(frame.columns)} {frame.to_numpy(dtype=object).tolist()}"
        names = ["Currency", "Valuation date", "Zzz", "Bottle tolerance", "volume_tolerance_l"]
        chosen = pd.DataFrame({"Setting": names, "Value": ["EUR", "1.2.2025", "5", "2,5", "24"]})
        frame = _typed_frame(sheets()["settings"], chosen, styles)
        yield f"{frame.to_numpy(dtype=object).tolist()}"
