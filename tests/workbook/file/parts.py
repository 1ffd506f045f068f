"""Parts of result sheets, doubts of stored values and back-ups: cases, and what is made of each in words."""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from costing.errors import CostingError
from costing.workbook.file import backups, replace, result_parts
from costing.workbook.file.dependents import _formula_elements
from costing.workbook.file.graft import _free_name
from costing.workbook.file.package import read_package
from costing.workbook.file.scan import calculation_doubt, percent_styles
from costing.workbook.file.sheets import MAIN, MARK, read_book
from costing.workbook.file.styles import AppendedStyles
from tests.workbook.hostile import minimal_workbook
from tests.workbook.scratch import zip_of

_MOVED = AppendedStyles(b"", {"1": "11", "2": "12"}, {"0": "7", "1": "8"})
_FRAME = """<worksheet xmlns="{space}">{before}<sheetViews><sheetView tabSelected="1"/><sheetView/></sheetViews>
<cols><col min="1" style="2"/><col min="2"/></cols>{data}<conditionalFormatting><cfRule dxfId="1"/>
</conditionalFormatting></worksheet>"""
_DATA = (
    "<sheetData/>",
    '<sheetData><row r="1" s="1" ht="9"><c r="A1" s="2" t="s"><v>1</v></c><c r="B1" t="s"><v>0</v></c></row>'
    '<row r="2"><c r="A2" s="1"><v>5</v></c><c r="B2"/><c r="C2" t="str"><f>1</f></c></row></sheetData>',
    '<sheetData><row r="1"><c r="A1" t="x"><v>1</v></c></row></sheetData>',
    '<sheetData><row r="1"><c s="1" r="A1"><v>1</v></c></row></sheetData>',
)


def result_sheets_made() -> Iterator[str]:
    """Result sheets and tables for a workbook with styles, strings and macros of its own."""
    for data in _DATA:
        for before, selected, code_name in (("", True, ""), ("<sheetPr/>", False, "Sheet7"), ("", False, "Sheet8")):
            content = _FRAME.format(space=MAIN, before=before, data=data).encode()
            try:
                strings = [b"<t>zero</t>", b"<t>one</t>"]
                made = result_parts.sheet_content(content, _MOVED, strings, selected=selected, code_name=code_name)
            except CostingError as refused:
                yield f"{selected} {code_name}: {refused}"
                continue
            yield f"{selected} {code_name}: {made.decode()}"
    table = f'<table xmlns="{MAIN}" id="1" headerRowDxfId="0"><tableColumn dataDxfId="1"/><tableColumn/></table>'
    yield result_parts.table_content(table.encode(), _MOVED, 42).decode()
    taken = ["xl/a.xml", "XL/B.XML", "xl/b_2.xml", "xl/_rels/c.xml.rels", "d"]
    yield str([_free_name("xl", base, taken) for base in ("a.xml", "b.xml", "c.xml", "e.xml")])


def values_doubted() -> Iterator[str]:
    """What a workbook says of its stored values, and formulas of a sheet that is no sheet."""
    parts = minimal_workbook()
    flags = ("", 'calcCompleted="0"', 'calcCompleted="false"', 'calcCompleted="1" calcMode="manual"')
    flags += ('calcMode="autoNoTable"', 'fullCalcOnLoad="1"', 'fullCalcOnLoad="true"', 'fullCalcOnLoad="0"')
    mark = f'<definedName name="{MARK}" localSheetId="0">"{_title(parts)}"</definedName>'
    for said in ("", *(f"<calcPr {flag}/>" for flag in flags)):
        for owned in ("", f"<definedNames>{mark}</definedNames>"):
            book = parts["xl/workbook.xml"].replace(b"</workbook>", f"{owned}{said}</workbook>".encode())
            read = read_book(read_package(zip_of(parts | {"xl/workbook.xml": book}), "a.xlsx"))
            yield f"{said} {len(read.owned())}: {calculation_doubt(read)!r} {sorted(percent_styles(read))}"
    for broken in (b"<a><f>1</f></b>", b"<a><f>1</f></a>", b"<a></b>"):
        try:
            yield f"{broken!r}: {len([*_formula_elements(broken, 'xl/sheet.xml')])}"
        except CostingError as refused:
            yield f"{broken!r}: {refused}"


def _title(parts: dict[str, bytes]) -> str:
    return parts["xl/workbook.xml"].partition(b'<sheet name="')[2].partition(b'"')[0].decode()


def backups_named() -> Iterator[str]:
    """Back-ups of a workbook written again and again, by a clock that is set back too; those of closings."""
    with tempfile.TemporaryDirectory() as folder, pytest.MonkeyPatch.context() as patch:
        target = Path(folder) / "estate.xlsx"
        target.write_bytes(b"")
        clock = [dt.datetime(2025, 1, 1, 9, 30)]
        patch.setattr(backups, "_now", lambda: clock[0])
        steps: list[Any] = [0, 0, 0, 5, -3600, 7200, *[60] * 12]
        for number, seconds in enumerate(steps):
            clock[0] += dt.timedelta(seconds=seconds)
            saved = backups.back_up(target, b"%d" % (number - number % 3 // 2), 0o640)
            backups.drop_old_backups(target)
            yield f"{number}: {saved.name} {[path.name[11:-5] for path in backups.backups(target)]}"
        (Path(folder) / "estate.bak-20250101-093000-x.xlsx").write_bytes(b"")
        for _ in range(3):
            yield backups.keep_closed(target, dt.date(2025, 12, 31)).name
        yield str(len(backups.backups(target)))
        for number in range(3):
            yield f"{number}: {replace.sibling_path(target).name}"
            replace.sibling_path(target).write_bytes(b"")
        patch.setattr(Path, "exists", lambda _: True)
        try:
            replace.sibling_path(target)
        except CostingError as refused:
            yield str(refused).replace(folder, "")
