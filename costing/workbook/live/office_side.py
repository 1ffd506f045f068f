"""The LibreOffice end of the live link. Runs under the Python that has `uno`, with the standard library alone.

Reads one request a line from stdin, a JSON list of a name and its arguments, and answers with one line: a
JSON object with `answer`, or with `fault`, a line for a person. Attaches through a named pipe of this machine
to a LibreOffice that the user has started, and only to a workbook that is open there.

Rule: a document that was paused is resumed, however the other end ends: the end of stdin, an answer that nobody
takes and a request to terminate all lead there, and Ctrl-C at a terminal does not reach this process. A document
still locked when it is attached to was left so by a link that was killed at this end, and is released.

Source: LibreOffice API reference, com.sun.star.sheet (CellFlags, FormulaResult, XCellRangeData,
XCellRangeFormula, DatabaseRange, NamedRangeFlag).

What it does not do: save, close, or open anything; evaluate or change an input sheet.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import signal
import sys
from typing import Any

_VALUE, _DATE, _TEXT, _FORMULA = 1, 2, 4, 16  # com.sun.star.sheet.CellFlags
_NUMBER_RESULT = 1  # com.sun.star.sheet.FormulaResult.VALUE
_DATE_FORMAT, _PERCENT_FORMAT = 2, 128  # com.sun.star.util.NumberFormat
_HIDDEN_NAME = 16  # com.sun.star.sheet.NamedRangeFlag.HIDDEN
_HEADER_ROWS, _STALE_COLUMNS, _STALE_ROW = 20, 52, 2
_MARK = "costing_result_sheet"
_SERVICE = "com.sun.star.sheet."


class RefusedError(Exception):
    """Something to tell the person at the other end."""


class Side:
    """One attached document. Each public method answers the request of its name."""

    def __init__(self, uno: Any) -> None:
        self._uno = uno
        self._document: Any = None
        self._percent_titles: set[str] = set()
        self._format_keys: dict[str, int] = {}
        self._format_types: dict[int, int] = {}
        self._most_cells = 0
        self._titles: list[str] = []
        self._ranges: dict[str, Any] = {}
        self._cursors: dict[str, Any] = {}
        self._stale = ""
        self._is_locked = self._is_one_step = False

    def attach(
        self, pipe: str, path: str, percent_titles: list[str], most_cells: int, stale: str
    ) -> dict[str, str | bool]:
        """Find the open workbook; return the program, whether an old lock was released, the days are counted from
        1904, and the program saves by itself.

        stale: formula of a result sheet that is certainly old.
        """
        local = self._uno.getComponentContext()
        make = local.ServiceManager.createInstanceWithContext
        try:
            resolver = make("com.sun.star.bridge.UnoUrlResolver", local)
            context = resolver.resolve(f"uno:pipe,name={pipe};urp;StarOffice.ComponentContext")
        except Exception as fault:
            msg = "no LibreOffice listens"
            raise RefusedError(msg) from fault
        desktop = context.ServiceManager.createInstanceWithContext("com.sun.star.frame.Desktop", context)
        self._document = next((component for component in desktop.Components if self._is_file(component, path)), None)
        if self._document is None:
            msg = "LibreOffice listens, but has another workbook open"
            raise RefusedError(msg)
        self._percent_titles, self._most_cells, self._stale = set(percent_titles), most_cells, stale
        settings = context.ServiceManager.createInstanceWithContext(
            "com.sun.star.configuration.ConfigurationProvider", context
        )
        product = self._settings(settings, "/org.openoffice.Setup/Product")
        saving = self._settings(settings, "/org.openoffice.Office.Recovery/AutoSave")
        names = "Enabled", "UserAutoSaveEnabled"
        return {
            "program": f"{product.getByName('ooName')} {product.getByName('ooSetupVersion')}",
            "was_locked": self._release(),
            "date_1904": self._document.NullDate.Year == 1904,
            "saves_itself": all(saving.hasByName(name) and bool(saving.getByName(name)) for name in names),
        }

    def _settings(self, provider: Any, path: str) -> Any:
        node = self._uno.createUnoStruct("com.sun.star.beans.PropertyValue", "nodepath", 0, path, 0)
        return provider.createInstanceWithArguments("com.sun.star.configuration.ConfigurationAccess", (node,))

    def _release(self) -> bool:
        """Take off the lock and the open step of undoing that a killed link left; return whether there was one."""
        was_locked = bool(self._document.hasControllersLocked())
        while self._document.hasControllersLocked():
            self._document.unlockControllers()
        with contextlib.suppress(Exception):  # raised where no step is open: then all are closed
            while was_locked:
                self._document.UndoManager.leaveUndoContext()
        return was_locked

    def _is_file(self, component: Any, path: str) -> bool:
        try:
            if not component.supportsService(_SERVICE + "SpreadsheetDocument") or not component.URL:
                return False
            there = self._uno.fileUrlToSystemPath(component.URL)
        except Exception:  # a component without an address, or one that isn't a local file
            return False
        return bool(os.path.realpath(there) == os.path.realpath(path))

    def is_open(self) -> bool:
        """Whether the document is still open: a closed one answers with an exception."""
        try:
            return bool(self._document.URL)
        except Exception:  # DisposedException, or the bridge is gone
            return False

    def survey(self) -> dict[str, Any]:
        """Sheets in the order of their tabs, and every table: name, sheet, top, left, bottom, right, totals."""
        self._titles = list(self._document.Sheets.ElementNames)
        self._format_types = {}
        ranges = self._document.DatabaseRanges
        names = ranges.ElementNames
        # Each object that the bridge hands out takes a millisecond, so they are kept from one time to the next.
        self._ranges = {name: self._ranges.get(name) or ranges.getByName(name) for name in names}
        tables = []
        for name, table in self._ranges.items():
            if table.ContainsHeader:
                area = table.DataArea
                place = [area.StartRow, area.StartColumn, area.EndRow, area.EndColumn]
                tables.append([name, self._titles[area.Sheet], *place, bool(table.TotalsRow)])
        return {"titles": self._titles, "tables": tables}

    def _cursor(self, title: str) -> Any:
        """Return a cursor over the used area of a sheet; a cursor is a range of cells, too."""
        cursor: Any = self._cursors.get(title)
        try:
            known = cursor is not None and self._titles[cursor.RangeAddress.Sheet] == title
        except Exception:  # the sheet was deleted
            known = False
        if not known:
            cursor = self._cursors[title] = self._document.Sheets.getByName(title).createCursor()
        cursor.gotoStartOfUsedArea(False)
        cursor.gotoEndOfUsedArea(True)
        return cursor

    def is_marked(self, title: str) -> bool:
        """Whether the sheet's own mark holds its present title."""
        names = self._document.Sheets.getByName(title).NamedRanges
        text = '"' + title.replace('"', '""') + '"'
        return bool(names.hasByName(_MARK) and names.getByName(_MARK).Content.removeprefix("=") == text)

    def is_protected(self, title: str) -> bool:
        """Whether the sheet is protected."""
        return bool(self._document.Sheets.getByName(title).isProtected())

    def read(self, title: str) -> dict[str, Any]:
        """Cells of a sheet from its first used one on, and which are dates, percentages and errors."""
        cursor = self._cursor(title)
        area = cursor.RangeAddress
        top, left, bottom, right = area.StartRow, area.StartColumn, area.EndRow, area.EndColumn
        if (bottom + 1) * (right + 1) > self._most_cells:
            return {"height": bottom + 1, "width": right + 1}
        rows, shown = cursor.getDataArray(), cursor.getFormulaArray()
        errors, dates, percents = [], [], []
        for row, cells in enumerate(rows, top):
            for column, cell in enumerate(cells, left):
                if cell is None:
                    errors.append([column, row, cursor.Spreadsheet.getCellByPosition(column, row).String])
        if any(type(cell) is float for cells in rows for cell in cells):
            sheet = cursor.Spreadsheet
            dates = [_corners(rectangle) for rectangle in cursor.queryContentCells(_DATE).getRangeAddresses()]
            if any(text.startswith("=") for texts in shown for text in texts):
                for rectangle in cursor.queryFormulaCells(_NUMBER_RESULT).getRangeAddresses():
                    dates += self._formatted(sheet, _corners(rectangle), _DATE_FORMAT)
            for column in range(left, right + 1):
                if any(self._is_percent(cells[column - left]) for cells in rows[:_HEADER_ROWS]):
                    percents += self._formatted(sheet, [column, top, column, bottom], _PERCENT_FORMAT)
        null = self._document.NullDate
        return {
            "top": top,
            "left": left,
            "rows": rows,
            "day_zero": [null.Year, null.Month, null.Day],
            "filled": sum(bool(text) for texts in shown for text in texts[: max(0, _STALE_COLUMNS - left)]),
            "errors": errors,
            "dates": dates,
            "percents": percents,
        }

    def _is_percent(self, cell: Any) -> bool:
        if not isinstance(cell, str):
            return False
        return "%" in cell or cell.partition("(")[0].strip().casefold() in self._percent_titles

    def _formatted(self, sheet: Any, corners: list[int], kind: int) -> list[list[int]]:
        """Rectangles of cells whose number format is of a kind: halved until each has one format."""
        left, top, right, bottom = corners
        area = sheet.getCellRangeByPosition(left, top, right, bottom)
        if area.getPropertyState("NumberFormat").value == "AMBIGUOUS_VALUE":
            if top == bottom:
                middle = (left + right) // 2
                parts = [left, top, middle, bottom], [middle + 1, top, right, bottom]
            else:
                middle = (top + bottom) // 2
                parts = [left, top, right, middle], [left, middle + 1, right, bottom]
            return [rectangle for part in parts for rectangle in self._formatted(sheet, part, kind)]
        key = area.NumberFormat
        if key not in self._format_types:
            self._format_types[key] = self._document.NumberFormats.getByKey(key).Type
        return [corners] if self._format_types[key] & kind else []

    def pause(self) -> None:
        """Stop redrawing and recalculating, and begin one step of undoing."""
        self._document.lockControllers()
        self._is_locked = True
        self._document.UndoManager.enterUndoContext("Refresh of costs")
        self._is_one_step = True

    def resume(self, broken_off: bool) -> None:
        """Undo `pause`, as far as it went. Result sheets of a refresh that was broken off say that they are old."""
        try:
            if broken_off and self._is_one_step:
                titles = self._document.Sheets.ElementNames
                self.mark_stale([title for title in titles if self.is_marked(title)], self._stale)
        finally:
            try:
                if self._is_one_step:
                    self._is_one_step = False
                    self._document.UndoManager.leaveUndoContext()
            finally:
                if self._is_locked:
                    self._is_locked = False
                    self._document.unlockControllers()

    def write(self, page: dict[str, Any], edits: list[list[int]], styled: bool) -> None:
        """Set every cell of a page; make the sheet if it isn't there."""
        sheet = self._page_sheet(page["name"])
        for row, count in edits:
            if count > 0:
                sheet.Rows.insertByIndex(row, count)
            else:
                sheet.Rows.removeByIndex(row, -count)
        rows = page["rows"]
        bottom, right = len(rows) - 1, len(rows[0]) - 1
        self._clear_outside(sheet, bottom, right)
        sheet.getCellRangeByPosition(0, 0, right, bottom).setDataArray(tuple(map(tuple, rows)))
        for column, top, formulas in page["links"]:
            area = sheet.getCellRangeByPosition(column, top, column, top + len(formulas) - 1)
            area.setFormulaArray(tuple((formula,) for formula in formulas))
        for top, column, formulas in page["formulas"]:
            area = sheet.getCellRangeByPosition(column, top, column + len(formulas) - 1, top)
            area.setFormulaArray((tuple(formulas),))
        if styled:
            self._place_tables(sheet.RangeAddress.Sheet, page["tables"])
            self._style(sheet, page)

    def mark_stale(self, titles: list[str], formula: str) -> None:
        """Put the formula into the cell of these sheets that says whether they are old, where they have one."""
        for title in titles:
            sheet = self._document.Sheets.getByName(title)
            cell = sheet.getCellByPosition(0, _STALE_ROW)
            if "STALE" in cell.Formula and not sheet.isProtected():
                cell.Formula = formula

    def _page_sheet(self, name: str) -> Any:
        sheets = self._document.Sheets
        if not sheets.hasByName(name):
            sheets.insertNewByName(name, sheets.Count)
            sheet = sheets.getByName(name)
            corner = self._uno.createUnoStruct("com.sun.star.table.CellAddress", sheet.RangeAddress.Sheet, 0, 0)
            text = '"' + name.replace('"', '""') + '"'
            sheet.NamedRanges.addNewByName(_MARK, text, corner, _HIDDEN_NAME)
            return sheet
        return sheets.getByName(name)

    def _clear_outside(self, sheet: Any, bottom: int, right: int) -> None:
        cursor = sheet.createCursor()
        cursor.gotoEndOfUsedArea(False)
        last_row, last_column = cursor.RangeAddress.EndRow, cursor.RangeAddress.EndColumn
        content = _VALUE | _DATE | _TEXT | _FORMULA
        if last_row > bottom:
            sheet.getCellRangeByPosition(0, bottom + 1, max(last_column, right), last_row).clearContents(content)
        if last_column > right:
            sheet.getCellRangeByPosition(right + 1, 0, last_column, bottom).clearContents(content)

    def _place_tables(self, sheet_number: int, tables: list[list[Any]]) -> None:
        ranges = self._document.DatabaseRanges
        for name, top, left, bottom, right, totals in tables:
            area = self._uno.createUnoStruct(
                "com.sun.star.table.CellRangeAddress", sheet_number, left, top, right, bottom
            )
            if not ranges.hasByName(name):
                ranges.addNewByName(name, area)
            table = ranges.getByName(name)
            if table.DataArea.Sheet != sheet_number:
                msg = f"The name '{name}' of a result table is taken on another sheet. Rename that table."
                raise RefusedError(msg)
            table.setDataArea(area)
            table.ContainsHeader, table.TotalsRow = True, totals

    def _style(self, sheet: Any, page: dict[str, Any]) -> None:
        for top, left, bottom, right, form in page["styled"]:
            looks = self._looks(form)
            area = sheet.getCellRangeByPosition(left, top, right, bottom)
            area.setPropertyValues(tuple(sorted(looks)), tuple(looks[name] for name in sorted(looks)))
        for column, characters in page["widths"]:
            # A character of the default font is 7 pixels wide, with 5 around it, at 96 to the inch.
            if characters:
                sheet.Columns.getByIndex(column).Width = round((characters * 7 + 5) / 96 * 2540)
            sheet.Columns.getByIndex(column).IsVisible = bool(characters)
        for row, points in page["heights"]:
            sheet.Rows.getByIndex(row).Height = round(points / 72 * 2540)

    def _looks(self, form: dict[str, Any]) -> dict[str, Any]:
        """Properties of a cell range, from those of an XlsxWriter format."""
        uno = self._uno
        looks: dict[str, Any] = {
            "NumberFormat": self._format_key(form.get("num_format", "General")),
            "CharWeight": 150.0 if form.get("bold") else 100.0,
            "CharUnderline": 1 if form.get("underline") else 0,
            "CharPosture": uno.Enum("com.sun.star.awt.FontSlant", "ITALIC" if form.get("italic") else "NONE"),
            "IsTextWrapped": bool(form.get("text_wrap")),
            "VertJustify": 1 if form.get("valign") == "top" else 0,  # com.sun.star.table.CellVertJustify2
            "CharColor": _colour(form.get("font_color", "black")),
            "CellBackColor": _colour(form["bg_color"]) if "bg_color" in form else -1,
        }
        if "font_size" in form:
            looks["CharHeight"] = float(form["font_size"])
        if form.get("align") in ("left", "right"):
            looks["HoriJustify"] = uno.Enum("com.sun.star.table.CellHoriJustify", form["align"].upper())
            looks["ParaIndent"] = int(form.get("indent", 0)) * 300
        for side, name in (("top", "TopBorder"), ("bottom", "BottomBorder")):
            if form.get(side):
                line = uno.createUnoStruct("com.sun.star.table.BorderLine")
                line.Color, line.OuterLineWidth = _colour(form[f"{side}_color"]), 9
                looks[name] = line
        return looks

    def _format_key(self, number_format: str) -> int:
        if number_format not in self._format_keys:
            english = self._uno.createUnoStruct("com.sun.star.lang.Locale", "en", "US", "")
            formats = self._document.NumberFormats
            key = formats.queryKey(number_format, english, False)
            self._format_keys[number_format] = key if key >= 0 else formats.addNew(number_format, english)
        return self._format_keys[number_format]


def _corners(area: Any) -> list[int]:
    return [area.StartColumn, area.StartRow, area.EndColumn, area.EndRow]


def _colour(name: str) -> int:
    return {"white": 0xFFFFFF, "black": 0}[name] if name in ("white", "black") else int(name.lstrip("#"), 16)


def answer_requests() -> None:
    """Answer requests until stdin ends, nobody takes an answer, or the process is asked to end."""
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
    try:
        uno = importlib.import_module("uno")
    except ImportError:
        print(json.dumps({"fault": "this Python has no uno"}), flush=True)
        return
    side = Side(uno)
    try:
        print(json.dumps({"answer": "ready"}), flush=True)
        for line in sys.stdin:
            print(json.dumps(_answer(side, line)), flush=True)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # else Python would flush to nobody at its end
    finally:
        with contextlib.suppress(Exception):  # the document or the program is gone, and its lock with it
            side.resume(True)


def _answer(side: Side, line: str) -> dict[str, Any]:
    name, *arguments = json.loads(line)
    try:
        return {"answer": getattr(side, name)(*arguments)}
    except RefusedError as fault:
        return {"fault": str(fault)}
    except Exception as fault:  # whatever the bridge raises is told at the other end
        kind = type(fault).__name__.rpartition(".")[2]
        words = f"{kind}: {str(fault).strip().splitlines()[0]}" if str(fault).strip() else kind
        return {
            "fault": f"LibreOffice refuses ({words[:120]}). Finish the cell that is being edited, close dialogs, "
            "then refresh again."
        }


if __name__ == "__main__":
    answer_requests()
