"""Workbooks and folders that tests share."""

from __future__ import annotations

import datetime as dt
import hashlib
import io
from pathlib import Path

import openpyxl
from openpyxl.utils.datetime import CALENDAR_WINDOWS_1900

from costing.inputs.schema import sheets
from costing.workbook.blank.contents import tables_from_csv


def digest(path: Path) -> str:
    """Digest of a file, to see whether it changed."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def typed(source: Path, epoch: dt.datetime = CALENDAR_WINDOWS_1900) -> bytes:
    """The tables of a folder as somebody types them into a workbook of their own: all columns, and no drop-downs."""
    book, saved = openpyxl.Workbook(), io.BytesIO()
    book.epoch = epoch
    book.remove(book.active)
    usual = {sheet.title: [column.title for column in sheet.columns] for sheet in sheets().values()}
    for title, table in tables_from_csv(source).items():
        columns = usual[title] if set(table.columns) <= set(usual[title]) else list(table.columns)
        sheet = book.create_sheet(title)
        sheet.append(columns)
        for row in table.reindex(columns=columns).to_numpy(dtype=object).tolist():
            sheet.append([None if cell != cell else cell for cell in row])
    book.save(saved)
    return saved.getvalue()


def first_hour(folder: Path) -> Path:
    """Opening stock, tirage and dry goods alone: nothing disgorged, no rate of interest."""
    folder.mkdir()
    (folder / "settings.csv").write_text("Setting,Value\nCurrency,EUR\n", encoding="utf-8")
    (folder / "opening_stock.csv").write_text(
        "Date,Lot,Kind,Quantity,Unit\n2025-01-01,V24,wine,90,hl\n", encoding="utf-8"
    )
    (folder / "tirage.csv").write_text(
        "Date,Cuvée,Bottle lot,Wine lot,Bottles\n2025-04-15,Brume,T25,V24,8000\n", encoding="utf-8"
    )
    (folder / "dry_goods.csv").write_text(
        "From,Stage,Item,Unit price\n2024-01-01,tirage,glass,1.25\n", encoding="utf-8"
    )
    return folder
