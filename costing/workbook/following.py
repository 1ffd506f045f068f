"""The next workbook as a copy of this one: closed rows taken out of the input sheets, opening stock put in.

Rule: every sheet, column, header, format, chart, picture and name of the workbook goes along. On sheets that are read
as input, the rows that the closing holds are deleted as whole rows; the opening sheets get the lots and costs as
closed, in their own columns. Sheets of closed years stand empty. A sheet that lacks a column for what was closed is
made anew by the library.

What it does not do: it computes nothing (`decisions.closing.next_year`); result sheets keep the old year's figures,
marked as stale, until the next run.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from costing.decisions.closing.closing import YEAR_END
from costing.decisions.closing.next_year import OPENING_TABLES, Opened
from costing.errors import CostingError
from costing.inputs.estate import Estate, empty_table
from costing.inputs.frames import as_entered, frames_of
from costing.inputs.headers import sheet_name
from costing.inputs.load import read_frames
from costing.inputs.owners import both_sides
from costing.inputs.raw import column_letter
from costing.inputs.schema import sheets
from costing.model import loaded
from costing.workbook.blank.contents import tables_from_estate
from costing.workbook.file import rows
from costing.workbook.file.graft import graft
from costing.workbook.file.package import Package, parse_xml, read_package, rebuild, serialize_xml
from costing.workbook.file.scan import percent_styles, scan_sheet, table_ranges
from costing.workbook.file.sheets import Book, Tab, is_1904, read_book, relations, rels_part
from costing.workbook.further import placed_tables, with_sheets
from costing.workbook.pages.closing_sheets import year_end_sheets
from costing.workbook.pages.result_sheet import RunStamp
from costing.workbook.pages.write import result_workbook
from costing.workbook.read import read_workbook
from costing.workbook.update import OWNED_SHEETS

_SAME = 1e-9
_CHAIN = "calcChain"


def following_workbook(package: Package, estate: Estate, opened: Opened) -> bytes:
    """Content of the next workbook. CostingError where what was copied reads otherwise than what was opened."""
    edits, anew = _edits(package, both_sides(estate), Opened(both_sides(opened.estate), opened.kept))
    book, changed = read_book(package), dict[str, bytes]()
    for title, edit in edits.items():
        sheet = book.sheet(title)
        if sheet is not None:
            changed |= _edited(book, sheet, edit)
    content = read_package(rebuild(package, *_without_chain(book, changed)), package.path, ours=True)
    if anew:
        tables = tables_from_estate(opened.estate)
        frames = {title: frame for title, frame in tables.items() if sheet_name(title)[0] in anew}
        content = read_package(with_sheets(content, anew, frames, replaced=anew), package.path, ours=True)
    present = [name for name in YEAR_END if read_book(content).sheet(sheets()[name].title)]
    if present:
        blank = year_end_sheets({name: empty_table(name) for name in present})
        scratch = result_workbook(blank, RunStamp.now(""), None, date_1904=is_1904(book))
        content = read_package(graft(content, scratch, OWNED_SHEETS), package.path, ours=True)
    _require_same(loaded(read_workbook(content)), opened.estate)
    return rebuild(content, {})


def _edits(package: Package, estate: Estate, opened: Opened) -> tuple[dict[str, rows.RowEdits], list[str]]:
    """What happens to each sheet that is read, and the opening sheets that have to be made anew."""
    book = read_book(package)
    dropped: dict[str, set[int]] = {}
    kept: dict[str, set[int]] = {}
    for name, source in estate.sources.items():
        if sheets()[name].owner == "user" and name not in ("settings", "links"):
            stays = np.isin(np.arange(len(source.row)), opened.kept[name])
            for where, which in ((dropped, ~stays), (kept, stays)):
                for title, row in zip(source.sheet[which], source.row[which], strict=True):
                    where.setdefault(str(title), set()).add(int(row))
    edits = {title: rows.RowEdits(gone - kept.get(title, set())) for title, gone in dropped.items()}
    for title, cells, scaled in _new_figures(estate, opened):
        edit = edits.get(title, rows.RowEdits())
        edits[title] = _with(edit, changed={**edit.changed, **cells}, scaled={**edit.scaled, **scaled})
    anew = []
    own = {placed.sheet.name: placed for placed in placed_tables(package)[::-1]}
    for name in OPENING_TABLES:
        fresh = as_entered(name, opened.estate[name]).dropna(axis=1, how="all")
        there = own.get(name)
        if there is None or not set(fresh.columns) <= set(there.letters):
            anew += [name] if len(fresh) or there else []
            continue
        sheet = book.sheet(there.title)
        styles = _percent_letters(book, sheet, there.first_row) if sheet else set()
        edits[there.title] = _with(
            edits.get(there.title, rows.RowEdits()),
            first=there.first_row,
            fresh=_typed(name, fresh, there.letters, styles),
            date_1904=is_1904(book),
        )
    for title, edit in edits.items():
        edits[title] = _with_a_row(book, title, edit)
    return edits, anew


def _with(edit: rows.RowEdits, **parts: Any) -> rows.RowEdits:
    fields = {name: getattr(edit, name) for name in edit.__dataclass_fields__}
    return rows.RowEdits(**{**fields, **parts})


def _new_figures(
    estate: Estate, opened: Opened
) -> Iterator[tuple[str, Mapping[tuple[int, str], Any], Mapping[tuple[int, str], float]]]:
    """Cells of rows that stay whose figures do not: title, cells set, cells multiplied."""
    for name, column in (("pools", "normal_capacity"), ("costs", "amount"), *_PREMIUM):
        before = estate[name][column].iloc[opened.kept[name]].reset_index(drop=True)
        after = opened.estate[name][column]
        differs = ~((before == after) | (before.isna() & after.isna())).to_numpy()
        for position in np.flatnonzero(differs).tolist():
            row = int(opened.kept[name][position])
            source, place = estate.sources[name], estate.place(name, row, column).rpartition("!")[2]
            key = int(source.row[row]), place.rstrip("0123456789")
            if pd.notna(before[position]) and pd.notna(after[position]):
                yield str(source.sheet[row]), {}, {key: float(after[position] / before[position])}
            elif key[1]:
                yield str(source.sheet[row]), {key: None if pd.isna(after[position]) else after[position]}, {}
    for row, setting in enumerate(estate["settings"]["setting"].astype(str)):
        if setting.casefold() in ("accounts approved on", "accounts_approved_on"):
            source = estate.sources["settings"]
            yield str(source.sheet[row]), {(int(source.row[row]), source.letters["value"]): None}, {}


_PREMIUM = (("grape_prices", "final_premium_per_kg"), ("grape_prices", "premium_date"))


def _percent_letters(book: Book, sheet: Tab, row: int) -> set[str]:
    """Columns whose cells in a row are shown as percentages: they hold fractions."""
    cells = scan_sheet(book.package.part(sheet.part), percent_styles(book)).percent_cells
    return {column_letter(column - 1) for column, number in cells if number == row}


def _typed(name: str, frame: pd.DataFrame, letters: Mapping[str, str], percent: set[str]) -> list[dict[str, Any]]:
    """Rows of a sheet as its cells hold them, by column letter."""
    typed = []
    for _, row in frame.iterrows():
        cells = {}
        for column, value in row.items():
            if value is None or pd.isna(value):
                continue
            letter = letters[str(column)]
            is_fraction = sheets()[name].column(str(column)).type == "percent" and letter in percent
            cells[letter] = value / 100.0 if is_fraction else value
        typed.append(cells)
    return typed


def _with_a_row(book: Book, title: str, edit: rows.RowEdits) -> rows.RowEdits:
    """The edit with a blank row in each table that would have none left."""
    sheet = book.sheet(title)
    dropped, cleared = set(edit.dropped), set[int]()
    for table in table_ranges(book, sheet.part) if sheet else ():
        data = range(table.first_row + table.header_rows, table.last_row - table.totals_rows + 1)
        inserted = edit.fresh and table.first_row < edit.first <= table.last_row
        if data and dropped.issuperset(data) and not inserted:
            dropped.discard(data[0])
            cleared.add(data[0])
    return _with(edit, dropped=frozenset(dropped), cleared=frozenset(cleared))


def _edited(book: Book, sheet: Tab, edit: rows.RowEdits) -> dict[str, bytes]:
    """The sheet, its tables, notes and drawings after the edit."""
    package = book.package
    parts = {sheet.part: rows.edited_sheet(package.part(sheet.part), edit)}
    change = {
        "table": rows.edited_table,
        "comments": rows.edited_notes,
        "threadedComment": rows.edited_notes,
        "vmlDrawing": rows.edited_shapes,
        "drawing": rows.edited_drawing,
    }
    for relation in relations(package, sheet.part):
        part = package.locate(relation.target)
        if relation.kind in change and part:
            parts[part] = change[relation.kind](package.part(part), edit)
    return parts


def _without_chain(book: Book, changed: Mapping[str, bytes]) -> tuple[dict[str, bytes], set[str]]:
    """Changed parts and removed ones: the order in which formulas were last calculated is made anew by Excel."""
    chain = book.related(_CHAIN)
    if not chain:
        return dict(changed), set()
    package = book.package
    rels, types = rels_part(book.part), package.locate("[Content_Types].xml") or ""
    links, kinds = parse_xml(package.part(rels), rels), parse_xml(package.part(types), types)
    for entry in [item for item in links if str(item.get("Type", "")).endswith(f"/{_CHAIN}")]:
        links.remove(entry)
    for entry in [item for item in kinds if str(item.get("PartName", "")).lstrip("/").casefold() == chain.casefold()]:
        kinds.remove(entry)
    return {**changed, rels: serialize_xml(links), types: serialize_xml(kinds)}, {chain}


def _require_same(copied: Estate, meant: Estate) -> None:
    """CostingError where a table of the copy holds other rows or figures than were opened."""
    again, there = (both_sides(estate) for estate in (loaded(read_frames(frames_of(meant))), copied))
    for name, frame in again.tables.items():
        if sheets()[name].owner == "user" and name not in ("settings", "links") and not _alike(frame, there[name]):
            msg = f"'{sheets()[name].title}' would give other values in a copy. Turn its formulas into values first."
            raise CostingError(msg)


def _alike(first: pd.DataFrame, other: pd.DataFrame) -> bool:
    if len(first) != len(other):
        return False
    for column in first.columns:
        meant, present = first[column], other[column]
        if meant.dtype == np.float64:
            same = np.allclose(meant, present, rtol=_SAME, atol=_SAME, equal_nan=True)
        else:
            same = meant.astype(object).fillna("").equals(present.astype(object).fillna(""))
        if not same:
            return False
    return True
