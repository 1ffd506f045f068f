"""What is made of a person's own sheets: cases, and what each is understood as, linked to and doubted in words."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Any

from costing.errors import WorkbookError
from costing.inputs.schema import sheets
from costing.inputs.translations import choices_of, title_spellings
from costing.workbook.adopt.adopt import _has_links, _proposal, adopt
from costing.workbook.adopt.headers import meanings
from costing.workbook.adopt.propose import propose
from costing.workbook.adopt.understand import (
    ForeignSheet,
    _first_rows,
    _holds,
    _sort,
    linkable,
    operation_of,
    titled,
    understand,
)
from costing.workbook.file.package import read_package
from costing.workbook.file.scan import SheetScan, TableRange
from costing.workbook.file.sheets import read_book
from costing.workbook.linked import Header
from costing.workbook.read import read_workbook
from tests.workbook.adopt.test_adopt import book

Page = list[list[Any]]
DAY = datetime(2025, 2, 1)
MOVE = [DAY, "V1", "V2", 85, 84.5]
HEAD = ["Date", "Cuve de départ", "Cuve d'arrivée", "Volume soutiré (hl)", "Volume arrivé (hl)"]
GRAPES: Page = [["Date", "Lot", "Produit", "Fournisseur", "Cépage", "Poids net kg", "Prix €/kg"]]
GRAPES += [[datetime(2024, 9, day), f"G{day}", "Raisins", "Dupont", "Chardonnay", 4000.0, "6,50"] for day in (12, 13)]
PAGES: dict[str, Page] = {
    "Soutirages 2024": [HEAD, MOVE],
    "Soutirages 2025": [["Domaine X"], [], HEAD, [None, None, None, "hl", "hl"], MOVE],
    "Assemblages": [HEAD, MOVE, ["Total", None, None, 85, 84.5]],
    "Vendange": GRAPES,
    "Vendange de Paul": [GRAPES[0][:5], *[row[:5] for row in GRAPES[1:]]],
    "Stock initial": [
        ["Date", "Cuve", "Nature", "Quantité", "Format", "Remarque"],
        [datetime(2025, 1, 1), "V1", "vin", 90, None, "x"],
        [datetime(2025, 1, 1), "V2", "réserve", "1 200,5", "magnum", "y"],
        [datetime(2025, 1, 1), "T1", "sur lattes", 5000, "bouteille", "z"],
    ],
    "Inventaire": [["", "Volume", "Volume", "Date"], ["Cuve", "mesuré", "perdu", "relevé"], ["V1", 8.5, 0.1, DAY]],
    "Weather": [["Day", "Rain"], [DAY, 3.5]],
    "Bоuteilles": [["Note", "Cuvéе"], ["x", "y"]],
    "Ventes": [["Date", "Lot", "Bouteilles", "Prix net", "Prix net", "Cliеnt"], [DAY, "D1", 12, 9.5, "9.75", "Ann"]],
    "Blank": [],
}
_MORE = ["w", "x", "y", "z"]
EDGES: dict[str, Page] = {
    "two of ours": [HEAD[:2], MOVE[:2]],
    "two of ours and more": [[*HEAD[:2], *_MORE], [*MOVE[:2], *_MORE]],
    "three of six": [[*HEAD[:3], *_MORE[:3]], [*MOVE[:3], 1, 2, 3]],
    "three of seven": [[*HEAD[:3], *_MORE], [*MOVE[:3], 1, 2, 3, 4]],
    "none required": [["Remarque", "Cépage", "Village"], ["x", "Meunier", "y"]],
    "headers among figures": [[*HEAD[:3], 2024, 2025], MOVE],
    "headers among more figures": [[*HEAD[:3], 2024, 2025, 2026], MOVE],
    "one text": [["Date"], [DAY]],
    "a row of units": [HEAD, [None, None, None, "hl", "L"], MOVE],
    "no rows": [HEAD],
    "short rows": [HEAD, MOVE[:4]],
    "twice": [["Date", "Date", "Cuve", "Lot", "Quantité"], [DAY, DAY, "V1", "V1", 5]],
}
DOUBLED = {"Vendange": 3, "Weather": 1}


def _tab(title: str, page: Page) -> ForeignSheet:
    tables = [TableRange("t", 1, DOUBLED[title], 3, 9, 1, 0, ())] if title in DOUBLED else []
    return ForeignSheet(title, page, tables, SheetScan((), "", frozenset({(2, 1)}), frozenset()))


def sheets_understood() -> Iterator[str]:
    """Sheets, and what they are like, how surely."""
    for title, page in {**PAGES, **EDGES}.items():
        for tab in (_tab(title, page), _tab("Autre", page), *([_tab("Soutirages", page)] if title in EDGES else [])):
            found = understand(tab)
            if not found:
                yield f"{title} as {tab.title}: None"
                continue
            yield f"{title} as {tab.title}: {found.sheet.name} from row {found.first_row} {found.score:.6g}"
            for header in found.headers:
                meaning = found.columns.get(header.position)
                what = f"{meaning.column.name} {meaning.unit!r} {meaning.strength:.6g}" if meaning else ""
                yield f"  {header} {what} {found.cells(header.position, 2)}"
    for title in ("Soutirages 2025", "Mes soutirages (2)", "Stock", "Vendange 24", "x", "Opening stock 2025", ""):
        operation = operation_of(title, sheets()["movements"].column("operation"))
        yield f"{title!r}: {titled(title)!r} {operation!r}"
    yield str(linkable())
    short = [spelling for spelling in title_spellings() if len(spelling) in (4, 5)]
    yield str([(spelling, titled(f"mes {spelling} xyz")) for spelling in short])
    for page in ([["a", 1, 2], ["a", "b", 1, 2], ["a", "b", "c", 1, 2], [], ["a", "b"]], [["a", "b"]] * 40):
        yield str(_first_rows(ForeignSheet("x", page, [TableRange("t", 1, row, 3, 9, row % 2, 0, ()) for row in (2, 7)],
                                           SheetScan((), "", frozenset(), frozenset()))))  # fmt: skip


def headers_understood() -> Iterator[str]:
    """Headers, alone and below another, and what they may mean on some sheets."""
    below = (
        "Volume",
        "Volume (hl)",
        "Volume hl",
        "hl",
        "€",
        "Prix €/kg",
        "Poid net",
        "Bouteiles",
        "Date",
        "Day",
        "Lot",
    )
    below += ("Cépage", "N° de lot", "Sortie", "Entrée (hl)", "Proceeds", "Norm (%)", "Norm", "Quantité kg", "xyz", "")
    for text in below:
        for above in ("", "Volume", "Date", "Sortie", "Prix"):
            for name in ("movements", "deliveries", "opening_stock", "loss_norms", "dispatches"):
                found = [f"{one.column.name} {one.unit!r} {one.strength:.4g}"
                         for one in meanings(sheets()[name], Header(1, text, above, 1))]  # fmt: skip
                if found:
                    yield f"{name}: {above!r} over {text!r}: {found}"


_CELLS: dict[str, list[Any]] = {
    "none": [],
    "days": [DAY, date(2025, 1, 2), "3.4.2025", "x", 5.0],
    "days, fewer": [DAY, date(2025, 1, 2), "x", "y", 5.0],
    "numbers": [1, 2.5, "3,5", "4 hl", "x"],
    "numbers, fewer": [1, 2.5, True, "y", "x"],
    "words": ["racking", "soutirage", "zzz", "blending", "yyy"],
    "words, fewer": ["racking", "soutirage", "zzz", "blended so", "yyy"],
    "a word among days": ["racking", *[DAY] * 4],
    "numbers, just": [1, 2.5, 3.5, "y", "x"],
    "known and many": ["wine"] * 30 + [f"word {number}" for number in range(20)],
    "many": [f"word {number}" for number in range(45)],
    "some": [f"word {number}" for number in range(12)],
}


def cells_of_a_sort() -> Iterator[str]:
    """Cells, the sort each is of, and the columns that they may stand in."""
    some: list[Any] = ["12/3/25", "2025-01-31", "31.1.2025", "1,5", "1.5", "1 200", "12 %", "5 hl", "5 litres", "5 €"]
    some += ["V25", "", "x", 1, 1.5, True, DAY, date(2025, 1, 2), "1.5.25 ", "12-13", "1.234,5"]
    yield str([(cell, _sort(cell)) for cell in some])
    columns = [("movements", "on_date"), ("movements", "operation"), ("movements", "out_l"), ("movements", "from_lot")]
    columns += [("loss_norms", "percent"), ("dispatches", "bottles"), ("opening_stock", "kind"), ("movements", "seq")]
    columns += [("costs", "element"), ("opening_stock", "vintage")]
    for sheet, name in columns:
        if name in {column.name for column in sheets()[sheet].columns}:
            column = sheets()[sheet].column(name)
            most = 3 * len(choices_of(column)) + 10
            edges = [_holds(column, [f"word {number}" for number in range(most + more)]) for more in (0, 1)]
            yield f"{sheet}.{name}: {most} and one more {edges if column.choices and most < 60 else ''}"
            fits = [title for title, cells in _CELLS.items() if _holds(sheets()[sheet].column(name), cells)]
            yield f"{sheet}.{name}: {fits}"


def proposed() -> Iterator[str]:
    """Rows of Links for all of these sheets, for each alone, and for those of estates in five languages."""
    formats = {"Stock initial": ["", "", "", '#,##0.0" hl"'], "Ventes": ['"kg"', "", '"x" 0 "bt"']}
    tabs = [_tab(title, page) for title, page in PAGES.items()]
    for some in (tabs, *([tab] for tab in tabs[2:])):
        found = propose(some, lambda title, row: formats.get(title, []) if row == 2 else [])
        yield f"{[tab.title for tab in some]}: {found.number_style!r} {dict(found.read_as)}"
        yield from (f"  {finding}" for finding in found.findings)
        for row in found.links.itertuples(index=False):
            yield f"  {[cell for cell in row if cell == cell]}"


def books_taken_on() -> Iterator[str]:
    """Workbooks with sheets of their own beside ours."""
    for title, pages in BOOKS.items():
        content = book(pages, lambda _, sheets: sheets["Far"].write(1_048_575, 11, "x") if "Far" in sheets else None)
        package = read_package(content, "own.xlsx")
        if title != "whole":
            try:
                there, found = _has_links(read_book(package)), _proposal(read_book(package))
            except WorkbookError as refused:
                yield f"{title}: {refused}"
                continue
            yield f"{title}: {there} {dict(found.read_as)} {[str(finding) for finding in found.findings]}"
            yield f"{title}: {[[cell for cell in row if cell == cell] for row in found.links.itertuples(index=False)]}"
            continue
        taken = adopt(package, ["links", "settings"])
        yield f"{title}: {dict(taken.read_as)} {taken.added} {[str(finding) for finding in taken.findings]}"
        for table in read_workbook(read_package(taken.content, "own.xlsx")) if taken.content else ():
            rows = [
                [cell for cell in row[:8] if cell == cell and cell is not None]
                for row in table.frame.to_numpy(dtype=object).tolist()
            ]
            if table.sheet == "Settings":
                rows = [row for row in rows if row[0] == "Number style"]
            yield f"{title} {table.sheet}: {list(table.frame.columns)} {rows}"


LINKS = [["Your sheet", "First row", "Your column", "Our sheet", "Our column"], ["Caisse", 2, "Jour", "Costs", "Date"]]
OURS = [["Date", "Lot", "Kind", "Quantity", "Unit"], [DAY, "V1", "wine", 5, "hl"]]
BOOKS: dict[str, dict[str, Page]] = {
    "whole": {"Links": LINKS, "Caisse": [["Jour"], [DAY]], "Vendange": GRAPES, "Weather": PAGES["Weather"]},
    "links of another": {"Links": [["Site", "Address"], ["x", "y"]], "Vendange": GRAPES},
    "ours": {
        "Opening stock": OURS,
        "Opening stock (2)": [[*OURS[0], "Millésime"], [*OURS[1], 2024]],
        "Costs": [["Date", "Amount"], [DAY, 5]],
        "Movements": [["Notes"], HEAD, MOVE],
        "Loss norms": [["Operation or stage", "Norm (%)", "Time base", "Mine"], ["racking", 1, "per movement", "x"]],
    },
    "too large": {"Vendange": GRAPES, "Far": [["x"]]},
}
