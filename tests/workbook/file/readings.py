"""What is made of formulas, sheets, styles and indexes of a file: cases, and what comes out of each in words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Any

from lxml import etree

from costing.errors import WorkbookError
from costing.workbook.file import indexes, scan
from costing.workbook.file.cells import fault_findings, is_blank, typed_column
from costing.workbook.file.dependents import dependent_formulas, dependent_parts, without_stored_values
from costing.workbook.file.long_tables import LongTable, with_rows
from costing.workbook.file.package import read_package
from costing.workbook.file.references import Area, Lookup, moved, references, with_cells
from costing.workbook.file.rows import RowEdits, edited_drawing, edited_notes, edited_shapes, edited_sheet, edited_table
from costing.workbook.file.scan import CellFault, TableRange, column_number, is_past_edge, scan_sheet
from costing.workbook.file.sheets import MAIN, PACKAGE_REL, REL, chain_without, read_book
from costing.workbook.file.stale import SheetCount, _count, stale_formula
from costing.workbook.file.styles import append_styles
from tests.workbook.hostile import minimal_workbook
from tests.workbook.scratch import zip_of

_TABLE = TableRange("Own", 2, 3, 4, 9, 1, 1, ("Lot", "Price per L", "A [b]"))
_KNOWN = Lookup(
    {"costs": 0, "my sheet": 1, "it's": 2, "last": 3},
    {"own": (1, _TABLE)},
    {(None, "rate"): "Costs!$B$2", (1, "rate"): "$C$3", (None, "ring"): "ring+1", (None, "both"): "rate:Last!D4"},
)
FORMULAS = (
    *("A1", "$B$2+C3", "SUM(A1:B2)", "SUM(b2:a1)", "A:C", "3:5", "'My sheet'!A1", "'it''s'!B2:C3", "Costs!A1:Costs!B9"),
    *("Costs:Last!A1", "'Last:Costs'!B2", "[1]Costs!A1", "[Book.xlsx]Costs!A1", "Nowhere!A1", '"A1"&B2', "LOG10(B1)"),
    *(
        "rate*2",
        "RATE*2",
        "ring",
        "both",
        "Own[Lot]",
        "own[[#This Row],[Lot]]",
        "Own[@[Price per L]]",
        "Own[[Lot]:[A '[b']]]",
    ),
    *(
        "Own",
        "Own[#All]",
        "[Lot]",
        "[@Lot]+1",
        "A1:B2 B1:C3",
        "OFFSET(A1,1,1)",
        "1E5+A1",
        "XFD1048576",
        "A1:",
        "IF(TRUE,A1,B1)",
    ),
    *("A1:INDEX(B:B,3)", "Costs!$A$1:$C$3", "ab12cd", "_x1", "R1C1", "My_name2", "'Costs'!A1:B2:C3", "A1#", "-A1%"),
)


def formulas() -> Iterator[str]:
    """Cells that formulas refer to, what they read as elsewhere, and with every cell changed."""
    for formula in FORMULAS:
        for place in ((0, 1, 1), (1, 3, 5)):
            areas = [(area.sheet, area.first_column, area.first_row, area.last_column, area.last_row, area.size)
                     for area in references(formula, place, _KNOWN)]  # fmt: skip
            yield f"{formula} in {place}: {areas}"
        elsewhere = [moved(formula, *by) for by in ((0, 0), (2, 3), (-1, -1), (16_383, 0), (0, 1_048_575))]
        yield f"{formula} elsewhere: {elsewhere}"
        yield f"{formula}: {with_cells(formula, str.lower)} {with_cells(formula, str.upper, own=True)}"
    yield str(list(Area(1, 2, 3, 3, 4).cells()))
    yield str([column_number(letters) for letters in ("A", "Z", "AA", "AZ", "XFD")])
    places = ("A1", "XFD1048576", "XFE1", "A1048577", "a1", "A0", "A", "1", "AAAA1", "")
    yield str([(place, is_past_edge(place)) for place in places])


_SHEET = """<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main">
<dimension ref="A1:D9"/><sheetData>
<row r="1"><c r="A1" t="inlineStr"><is><t>Date</t></is></c><c r="D1" t="inlineStr"><is><t>Sum</t></is></c></row>
<row r="2" ht="20" customHeight="1" s="7" customFormat="1"><c r="A2" s="3"><v>45000</v></c><c r="B2"><v>1</v></c>
<c r="D2"><f t="shared" ref="D2:D5" si="0">B2*2+$B$2+SUM(B$2:B3)</f><v>2</v></c></row>
<row r="3"><c r="A3" s="4"><v>45001</v></c><c r="B3" t="str"><v>2</v></c>
<c r="D3"><f t="shared" si="0"/><v>4</v></c></row>
<row><c><v>45002</v></c><c><v>3</v></c><c r="D4"><f t="shared" si="0"/><v>6</v></c></row>
<row r="5"><c r="A5"><v>45003</v></c><c r="B5" t="s"><v>4</v></c><c r="D5"><f t="shared" si="0"/><v>8</v></c></row>
<row r="7"><c r="B7"><v>10</v></c><c r="C7"><f t="array" ref="C7:C8">SUM(B2:B5)+Costs!B5+B1:B9</f><v>1</v></c></row>
<row r="9"><c r="B9"><f>SUM(B$2:B$5)+B7+$B$3+C:C+3:4</f><v>10</v></c></row></sheetData><autoFilter ref="A1:D5"/>
<mergeCells><mergeCell ref="A2:A3"/><mergeCell ref="C4:C6"/></mergeCells>
<hyperlinks><hyperlink ref="A2"/><hyperlink ref="A5"/><hyperlink ref="B7:B9"/></hyperlinks></worksheet>"""
_DAY = dt.date(2026, 1, 31)
EDITS = {
    "nothing": RowEdits(),
    "two rows out": RowEdits(dropped=[2, 3]),
    "the last out": RowEdits(dropped=[5]),
    "all out": RowEdits(dropped=[2, 3, 4, 5]),
    "below out": RowEdits(dropped=[7]),
    "merged out": RowEdits(dropped=[2, 3, 4, 5, 6]),
    "one in": RowEdits(fresh=[{"A": _DAY, "B": 2.5, "C": "x", "E": True}]),
    "two in below": RowEdits(first=5, fresh=[{"A": dt.datetime(2026, 1, 31, 9)}, {"AA": 7}]),
    "in at the end": RowEdits(first=6, fresh=[{"B": 1}]),
    "far below": RowEdits(first=12, fresh=[{"B": 1}]),
    "out and in": RowEdits(dropped=[2, 4], fresh=[{"A": _DAY, "B": 3}, {"B": 4}], date_1904=True),
    "changed": RowEdits(changed={(2, "B"): 5, (2, "C"): "new", (3, "A"): None, (3, "B"): _DAY, (9, "Z"): None}),
    "scaled": RowEdits(scaled={(2, "B"): 0.5, (3, "B"): 0.5, (2, "A"): 1 / 3, (9, "A"): 2.0}),
    "cleared": RowEdits(cleared=[2, 5], changed={(5, "A"): 1.5}),
}
_DRAWING = """<d xmlns="x"><oneCellAnchor><from><row>2</row></from></oneCellAnchor>
<twoCellAnchor><from><row>4</row></from>
<to><row>9</row></to></twoCellAnchor></d>"""
_SHAPES = b"<v:shape a><x:Row>1</x:Row></v:shape><v:shape><x:Row>4</x:Row></v:shape><v:shape>no row</v:shape>"
_FILTERED = b'<table ref="A1:D5"><autoFilter ref="A1:D4"/></table>'
_NOTES = '<c xmlns="x"><comment ref="A2"/><comment ref="B5"/><threadedComment ref="A7"/></c>'


def rows_edited() -> Iterator[str]:
    """A sheet, its table, notes, shapes and drawing after rows were taken out, put in and changed."""
    for title, edit in EDITS.items():
        for line in edited_sheet(_SHEET.encode(), edit).decode().replace("<row", "\n<row").splitlines():
            yield f"{title}: {line}"
        yield f"{title}: {edited_table(_FILTERED, edit).decode()!r}"
        yield f"{title}: {edited_notes(_NOTES.encode(), edit).decode()!r} {edited_shapes(_SHAPES, edit).decode()}"
        yield f"{title}: {edited_drawing(_DRAWING.encode(), edit).decode()!r}"
        yield f"{title}: {[edit.at(row) for row in range(1, 11)]} {[edit.at(row, end=True) for row in range(1, 11)]}"
        yield f"{title}: {[edit.is_gone(cells) for cells in ('A2', 'A2:B3', 'A2:B5', 'A4:A7', 'A:A')]}"


def _sheet(cells: str, before: str = "", after: str = "") -> bytes:
    return f'{before}<worksheet xmlns="{MAIN}"><sheetData>{cells}</sheetData>{after}</worksheet>'.encode()


def sheets_scanned() -> Iterator[str]:
    """Faults, extent, formulas and percentages of sheets, as a program writes them and otherwise."""
    rows = {
        "plain": '<row r="1"><c r="A1" s="1"><v>1</v></c><c r="B1" t="e"><v>#REF!</v></c><c r="C1" t="e"/></row>',
        "formulas": '<row r="2"><c r="A2"><f>B1</f></c><c r="B2" t="str"><f>""</f><v></v></c><c r="C2"><f>1</f>'
        '<v>2</v></c><c r="D2"><f t="shared" si="0"/></c><c r="E2"><f/><v/></c><c r="F2" t="e"><f>1/0</f></c></row>',
        "percent": '<row r="3"><c r="A3" s="2"><v>1</v></c><c r="B3" s="2"/><c r="C3" t="s" s="2"><v>0</v></c></row>',
        "far": '<row r="900000"><c r="L900000"><v>1</v></c></row>',
        "wide": '<row r="9"><c r="XFD9"><v>1</v></c></row><row r="700"><c r="B700"><v>1</v></c></row>',
        "wide and blank": '<row r="9"><c r="XFD9"/></row><row r="700000"><c r="B700000"/></row>',
        "at the edge": '<row r="1048576"><c r="I1048576"><v>1</v></c></row>',
        "over ten million": '<row r="1000000"><c r="J1000000"><v>1</v></c><c r="K1000000"><v>1</v></c></row>',
        "ten million": '<row r="1000000"><c r="J1000000"><v>1</v></c></row>',
        "past the edge": '<row r="1"><c r="XFE1"><v>1</v></c></row>',
        "below the edge": '<row r="1048577"><c r="A1048577"><v>1</v></c></row>',
        "letters alike": '<row r="1"><c r="A1" t="inlineStr"><is><t>t="e"</t></is></c></row>',
        "unnamed": "<row><c><v>1</v></c><c t='e'><v>#N/A</v></c></row><row><c><f>1</f></c><c s='2'><v>1</v></c></row>",
    }
    for title, cells in rows.items():
        for way, xml in (("", _sheet(cells)), ("slowly ", _sheet(cells, after="<!-- a remark -->"))):
            found = scan_sheet(xml, {2, 5})
            faults = [(fault.column, fault.row, fault.kind, fault.shown) for fault in found.faults]
            held = sorted(found.formula_cells), sorted(found.percent_cells)
            yield f"{way}{title}: {faults} {found.stray!r} {held}"
            said = [str(finding) for finding in fault_findings("Costs", found.faults)]
            yield f"{way}{title}: {said} {sorted(scan.formula_cells(xml))}"
    many = [CellFault(2, row, scan.ERROR_CELL, "#REF!") for row in range(1, 9)]
    yield str([str(finding) for finding in fault_findings("Costs", many)])
    for broken in (
        b"<worksheet><row></worksheet>",
        _sheet('<row r="1"><c r="A1" s="x"><v>1</v></c></row>', "<!-- -->"),
    ):
        try:
            yield str(scan_sheet(broken, ()))
        except WorkbookError as refused:
            yield str(refused)
    day, moment = dt.date(2024, 1, 2), dt.datetime(2024, 1, 2, 3)
    columns: list[list[Any]] = [[1.0, 2.0], [1.0, None], [day, moment], [day, "x", " "], ["", None], [True, 1.0], []]
    for values in columns:
        typed = typed_column(values)
        yield f"{values}: {typed.dtype} {typed.tolist()} {[is_blank(value) for value in values]}"


def inputs_counted() -> Iterator[str]:
    """Filled cells and sums of sheets, and the formula that watches them."""
    sheets = {
        "Costs": '<row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1"><v>2.5</v></c><c r="C1"/></row>',
        "Movements 2025": '<row r="1"><c r="AZ1"><v>1</v></c><c r="BA1"><v>1</v></c><c r="A1" t="inlineStr"><is>'
        '<t>x</t></is></c><c r="B1"><v>9.1e99</v></c><c r="C1"><v>9e99</v></c><c r="D1"><v> </v></c></row>',
        "Movements": '<row r="1"><c r="A1"><f>1</f></c><c r="A2"><f>1</f><v></v></c><c r="A4"><f>1</f><v>3</v></c>'
        '<c r="B2"><f>1</f></c><c r="B3" t="str"><f>1</f><v>y</v></c><c r="BB3"><f>1</f></c><c r="C3" t="b">'
        '<v>1</v></c><c r="C4" t="n"><f>1</f><v>-4</v></c><c r="D9"><is/></c><c r="E1"><f>1</f><v>9e99</v></c></row>',
        "It's mine": '<x:row xmlns:x="m"><x:c r="A1"><x:v>5</x:v></x:c><x:c r="B1"/></x:row>',
        "Nothing": "",
    }
    counts = [_count(title, _sheet(cells)) for title, cells in sheets.items()]
    yield from map(str, counts)
    for some in (counts, counts[:1], counts[1:3], [SheetCount("A", 1, 1e9)], [SheetCount("A", 1, -1e9)], []):
        yield str(stale_formula(some))
    watched = [length for length in range(3_900, 4_100) if not stale_formula([SheetCount("x" * length, 1, 1.0)])[1]]
    yield f"longest title alone: {watched[-1]}"


_USER = f"""<styleSheet xmlns="{MAIN}"><numFmts count="1"><numFmt numFmtId="170" formatCode="0.0"/></numFmts>
<fonts count="2"><font><sz val="10"/></font><!-- a remark --><font><b/></font></fonts><fills count="1"><fill/></fills>
<cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="1"><xf numFmtId="0"/></cellXfs>
<extLst/></styleSheet>"""
_OURS = f"""<styleSheet xmlns="{MAIN}"><numFmts count="2"><numFmt numFmtId="164" formatCode="0.0"/>
<numFmt numFmtId="165" formatCode="0.00%"/></numFmts><fonts><font><sz val="11"/></font>
<font><b/></font><font><i/></font></fonts>
<fills><fill/><fill><patternFill/></fill></fills><borders><border/></borders><cellXfs><xf fontId="0"/>
<xf numFmtId="164" fontId="2" fillId="1"/><xf numFmtId="165" fontId="1" xfId="3"/><xf numFmtId="9"/>
<xf numFmtId="164" fontId="2" fillId="1"/></cellXfs><dxfs><dxf>
<numFmt numFmtId="165" formatCode="0.00%"/></dxf><dxf/></dxfs>
</styleSheet>"""


def styles_appended() -> Iterator[str]:
    """Our styles beside a user's, beside none, and beside those that hold ours already."""
    user: bytes | None
    for title, user in (("a user's", _USER.encode()), ("none", None)):
        once = append_styles(user, _OURS.encode())
        twice = append_styles(once.content, _OURS.encode())
        yield f"{title}: {once.content.decode()!r}"
        yield f"{title}: {once.cell_formats} {once.differential_formats} {twice == once}"


def indexes_changed() -> Iterator[str]:
    """Tabs, names, relations, types and titles of a workbook once sheets are added."""
    order = ["Front", "Costs", "Stock", "Origins"]
    for present, ours, new in (
        (["A", "B"], [], ["Costs"]),
        (["A", "Costs", "B"], ["Costs"], ["Front", "Stock", "Other", "Origins"]),
        (["Stock", "A", "Front"], ["Stock", "Front"], ["Costs", "Origins"]),
        (["Costs", "A"], [], ["Stock"]),
    ):
        yield f"{present} {ours} {new}: {indexes.tab_order(present, ours, new, order)}"
    book = etree.fromstring(
        f'<workbook xmlns="{MAIN}" xmlns:r="{REL}"><bookViews><workbookView activeTab="1" firstSheet="9"/></bookViews>'
        '<sheets><sheet name="A" sheetId="4" r:id="rId1"/><sheet name="B" sheetId="x" r:id="rId2"/></sheets>'
        '<definedNames><definedName name="n" localSheetId="0">A!$A$1</definedName>'
        '<definedName name="m" localSheetId="7"/></definedNames><oleSize/></workbook>'
    )
    yield str(indexes.active_tab(book))
    indexes.add_sheet(book, "C", "rId7")
    indexes.add_sheet(book, "D", "rId8", "hidden")
    indexes.order_tabs(book, ["B", "A", "C", "D"])
    indexes.ask_calculation(book)
    yield etree.tostring(book).decode()
    indexes.order_tabs(book, ["B", "A", "C", "D"])
    yield str(indexes.active_tab(book))
    rels = etree.fromstring(
        f'<Relationships xmlns="{PACKAGE_REL}"><Relationship Id="rId3" Type="a/styles" Target="s.xml"/>'
        '<Relationship Id="x9" Type="a/calcChain" Target="c.xml"/></Relationships>'
    )
    made = [
        indexes.relate(rels, "xl/workbook.xml", "a/worksheet", "xl/worksheets/n.xml", number)
        for number in ("", "rId3", "q")
    ]
    indexes.drop_relations(rels, "calcChain")
    yield f"{made} {etree.tostring(rels).decode()}"
    types = etree.fromstring(
        '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        '<Default Extension="xml" ContentType="x"/><Default Extension="PNG" ContentType="image/png"/>'
        '<Override PartName="/old.xml" ContentType="o"/></Types>'
    )
    added = {"a/new.xml": "n", "a/p.png": "image/png", "a/q.png": "image/other", "a/v.vml": "vml", "a/w.vml": "vml"}
    indexes.set_types(types, ["old.xml"], added)
    yield etree.tostring(types).decode()
    chain = f'<calcChain xmlns="{MAIN}"><c r="A1" i="1"/><c r="A2"/><c r="B1" i="2"/><c r="B2"/>'
    chain += '<c r="C1" i="1"/></calcChain>'
    for gone in (["1"], ["2"], ["3"], ["1", "2"]):
        yield f"{gone}: {chain_without(chain.encode(), 'chain', gone)!r}"


def long_tables() -> Iterator[str]:
    """Rows of long tables, written into a sheet with links and one without."""
    cells: Sequence[Sequence[Any]] = [["a", None, " b_x0001_ <&"], [1.5, 2, None], [True, False, "line\nbreak"]]
    table = LongTable(0, 3, cells, {0: ["'A'!A1", "'B'!A1", None], 1: [None, "'C\"'!A1", "'D'!A1"]})
    row = '<row r="2"><c r="A2" s="4"><v>0</v></c><c r="B2"><v>0</v></c><c r="C2" s="5"/></row><row r="9"/>'
    for after in (
        "<pageMargins/>",
        "<printOptions/><pageMargins/>",
        "<hyperlinks><hyperlink/></hyperlinks><pageMargins/>",
    ):
        yield repr(with_rows(_sheet(row, after=after), [table]).decode())
    yield repr(with_rows(_sheet(row), [LongTable(0, 3, cells[1:2], {})]).decode())
    try:
        with_rows(_sheet(row), [table, LongTable(0, 8, cells, {})])
    except ValueError as refused:
        yield str(refused)


def formulas_that_depend() -> Iterator[str]:
    """Formulas of a user's that depend on result sheets, and the sheets without their stored values."""
    cells = {
        "A1": "<f>'Cost per bottle'!A1</f><v>1</v>",
        "A2": "<f>A1+1</f><v>2</v>",
        "A3": "<f>B9</f><v>3</v>",
        "A4": '<f t="array" ref="A4:B5">SUM(A1:A2)</f><v>4</v>',
        "A6": '<f t="shared" ref="A6:A7" si="3">A2*2</f><v>5</v>',
        "A7": '<f t="shared" si="3"/><v>6</v>',
        "A8": "<f>SUM(B4:F20)</f><v>7</v>",
        "A9": '<f t="dataTable" ref="A9:B10" r1="Z1"/><v>8</v>',
        "A11": "<f>SUM(A12:A30)</f><v>9</v>",
        "A12": "<f>Origins!B2</f><v>t</v>",
        "A13": "<f>SUM(Z1:AA30)</f><v>t</v>",
        "B14": "<f>Origins!B2</f><v>t</v>",
        "B15": '<f t="dataTable" ref="B15:C16" r1="Z1"/><v>9</v>',
        "A20": '<f>Origins!B3</f><v>1</v></c><c r="B20"><f t="dataTable" ref="B20:B21" r1="Z1"/><v>2</v>',
        "C23": '<f>Origins!B3</f><v>1</v></c><c r="E23"><f t="dataTable" ref="E23:E24" r1="Z1"/><v>2</v>',
        "D26": '<f t="array" ref="D26">A20</f><v>3</v></c><c r="E26"><f t="array" ref="E26:XFD1048576">A20</f><v>4</v>',
    }
    # as many cells as an array formula may fill, and one more row of them
    for first, last in ((30, 1_029), (2_000, 3_000)):
        cells |= {f"C{first}": f'<f t="array" ref="C{first}:ALN{last}">A20</f>', f"A{last}": f"<f>Z{last}</f><v>5</v>"}
    rows = "".join(f'<row r="{cell[1:]}"><c r="{cell}">{inside}</c></row>' for cell, inside in cells.items())
    package = read_package(zip_of(minimal_workbook(rows)), "a.xlsx")
    ours = ("Cost per bottle", "Origins")
    yield from map(str, dependent_formulas(package, ours))
    yield str(sorted(dependent_parts(package, ours)))
    yield from (f"{part}: {content.decode()}" for part, content in without_stored_values(package, ours).items())
    yield str([(tab.name, tab.index, tab.kind, tab.state) for tab in read_book(package).sheets])
