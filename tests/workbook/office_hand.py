"""A person at an open LibreOffice, for tests. Run by the system's own Python, which alone has `uno`.

    python3 office_hand.py PIPE

Reads one request a line from stdin, a JSON list of a name and its arguments, and answers with one line of JSON.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path


class Hand:
    """What a person does with the workbook in front of them."""

    def __init__(self, pipe: str) -> None:
        import uno

        self.uno = uno
        local = uno.getComponentContext()
        resolver = local.ServiceManager.createInstanceWithContext("com.sun.star.bridge.UnoUrlResolver", local)
        for _ in range(600):  # a busy machine takes a minute to start the program
            try:
                context = resolver.resolve(f"uno:pipe,name={pipe};urp;StarOffice.ComponentContext")
                break
            except Exception:
                time.sleep(0.25)
        self.context = context
        self.desktop = context.ServiceManager.createInstanceWithContext("com.sun.star.frame.Desktop", context)
        self.document = None

    def open(self, path: str) -> list[str]:
        self.document = self.desktop.loadComponentFromURL(Path(path).as_uri(), "_blank", 0, ())
        return list(self.document.Sheets.ElementNames)

    def named(self, **values):
        """Property values as the program's calls take them."""
        made = []
        for name, value in values.items():
            one = self.uno.createUnoStruct("com.sun.star.beans.PropertyValue")
            one.Name, one.Value = name, value
            made.append(one)
        return tuple(made)

    def aside(self, path: str):
        """Another document, opened beside the one in front, out of sight."""
        return self.desktop.loadComponentFromURL(Path(path).as_uri(), "_blank", 0, self.named(Hidden=True))

    def convert(self, path: str, kind: str, options: str, target: str) -> None:
        """Calculate every formula of a file anew and save it as another kind of file."""
        document = self.aside(path)
        try:
            document.calculateAll()
            document.storeToURL(Path(target).as_uri(), self.named(FilterName=kind, FilterOptions=options))
        finally:
            document.close(True)

    def validity(self, path: str, sheet: str, column: int, row: int, texts: list[str]) -> list[object]:
        """Sheets with a cell that its validation would refuse, and for each text whether one cell would be."""
        document = self.aside(path)
        try:
            # showInvalid marks the cells that their validation refuses, and says whether there are any.
            invalid, tried = [one.Name for one in document.Sheets if one.showInvalid()], {}
            page = document.Sheets.getByName(sheet)
            for text in texts:
                page.getCellByPosition(column, row).setString(text)
                page.clearArrows()
                tried[text] = page.showInvalid()
            return [invalid, tried]
        finally:
            document.close(True)

    def cell(self, sheet: str, place: str):
        return self.document.Sheets.getByName(sheet).getCellRangeByName(place)

    def type(self, sheet: str, place: str, value) -> None:
        """As it would be typed: a text that begins with = is a formula, 5 % a percentage."""
        cell = self.cell(sheet, place)
        if isinstance(value, str):
            cell.getCellByPosition(0, 0).setFormula(value)
        else:
            cell.getCellByPosition(0, 0).setValue(value)

    def calculate(self) -> float:
        """Every formula calculated anew; seconds that it took."""
        begun = time.perf_counter()
        self.document.calculateAll()
        return time.perf_counter() - begun

    def percent(self, sheet: str, place: str) -> None:
        english = self.uno.createUnoStruct("com.sun.star.lang.Locale", "en", "US", "")
        formats = self.document.NumberFormats
        key = formats.queryKey("0.00%", english, False)
        self.cell(sheet, place).NumberFormat = key

    def see(self, sheet: str, area: str):
        """Values of cells, formulas calculated."""
        return self.cell(sheet, area).getDataArray()

    def text(self, sheet: str, place: str) -> list[object]:
        """What a cell shows, its formula, and its number format."""
        cell = self.cell(sheet, place).getCellByPosition(0, 0)
        return [cell.String, cell.Formula, self.document.NumberFormats.getByKey(cell.NumberFormat).FormatString]

    def used(self, sheet: str) -> list[int]:
        areas = self.document.Sheets.getByName(sheet).queryContentCells(1 | 2 | 4 | 16).RangeAddresses
        return [max(one.EndRow for one in areas), max(one.EndColumn for one in areas)]

    def sheets(self) -> list[str]:
        return list(self.document.Sheets.ElementNames)

    def rename(self, sheet: str, name: str) -> None:
        self.document.Sheets.getByName(sheet).Name = name

    def add_sheet(self, name: str) -> None:
        self.document.Sheets.insertNewByName(name, 0)

    def protect(self, sheet: str) -> None:
        self.document.Sheets.getByName(sheet).protect("")

    def unprotect(self, sheet: str) -> None:
        self.document.Sheets.getByName(sheet).unprotect("")

    def charts(self, sheet: str) -> list[str]:
        """What the charts of a sheet draw: the areas of their data."""
        found = []
        for name in self.document.Sheets.getByName(sheet).Charts.ElementNames:
            chart = self.document.Sheets.getByName(sheet).Charts.getByName(name)
            for diagram in chart.EmbeddedObject.getFirstDiagram().CoordinateSystems:
                for kind in diagram.ChartTypes:
                    for series in kind.DataSeries:
                        found += [one.Values.SourceRangeRepresentation for one in series.DataSequences]
        return found

    def modified(self) -> bool:
        return self.document.isModified()

    def undo(self) -> list[str]:
        titles = list(self.document.UndoManager.AllUndoActionTitles)
        self.document.UndoManager.undo()
        return titles

    def locked(self) -> bool:
        """Whether the window is kept from being redrawn."""
        return self.document.hasControllersLocked()

    def release(self) -> None:
        """Let the window be redrawn, and end a step of undoing that somebody left open."""
        while self.document.hasControllersLocked():
            self.document.unlockControllers()
        try:
            while True:
                self.document.UndoManager.leaveUndoContext()
        except Exception:
            return

    def save(self) -> None:
        self.document.store()

    def show(self, sheet: str) -> None:
        controller = self.document.CurrentController
        controller.setActiveSheet(self.document.Sheets.getByName(sheet))

    def follow(self, target: str) -> str:
        """Go to a place of the document by an address, as a click on a link does; return where that leads."""
        frame = self.document.CurrentController.Frame
        make = self.context.ServiceManager.createInstanceWithContext
        helper = make("com.sun.star.frame.DispatchHelper", self.context)
        argument = self.uno.createUnoStruct("com.sun.star.beans.PropertyValue", "Bookmark", 0, target, 0)
        argument.Value = target
        helper.executeDispatch(frame, ".uno:JumpToMark", "", 0, (argument,))
        where = self.document.CurrentSelection.RangeAddress
        return f"{self.document.Sheets.ElementNames[where.Sheet]}!{where.StartColumn},{where.StartRow}"

    def close(self) -> None:
        self.document.close(True)
        self.document = None


if __name__ == "__main__":
    hand = Hand(sys.argv[1])
    print(json.dumps("ready"), flush=True)
    for line in sys.stdin:
        name, *arguments = json.loads(line)
        try:
            print(json.dumps({"answer": getattr(hand, name)(*arguments)}), flush=True)
        except Exception as fault:
            print(json.dumps({"fault": f"{type(fault).__name__}: {fault}"}), flush=True)
