"""A user's workbook with everything that people put in.

It starts from XlsxWriter and gets further parts by hand, in the form that ECMA-376 and Microsoft's published
extensions ([MS-XLSX], [MS-ODRAWXML]) give them. All names and figures are invented.
"""

from __future__ import annotations

import io
import re
import struct
import zlib

import xlsxwriter

from tests.workbook.scratch import Parts, parts_of, zip_of

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
REL = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
MS = "http://schemas.microsoft.com/office"
SHEET_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml"
# One white dot: the smallest picture that every program reads.
PIXEL = b"\x89PNG\r\n\x1a\n" + b"".join(
    struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
    for kind, body in (
        (b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)),
        (b"IDAT", zlib.compress(b"\0\xff", 9)),
        (b"IEND", b""),
    )
)


def torture_workbook(*, prefix: str = "", macros: bool = True) -> bytes:
    """A user's workbook with everything in it; `prefix`: for workbook, styles and one sheet."""
    parts = parts_of(_base())
    package = _Assembly(parts)
    _workbook_extras(package, macros=macros)
    _styles_extras(package)
    _sheet_extras(package)
    _pivot(package)
    _drawing_extras(package)
    if prefix:
        for name in ("xl/workbook.xml", "xl/styles.xml", "xl/worksheets/sheet3.xml"):
            parts[name] = prefixed(parts[name], prefix)
    stored = ("xl/media/image1.png", "xl/vbaProject.bin")
    return zip_of({name: parts[name] for name in parts}, stored=stored, comment=b"made for a test")


def prefixed(content: bytes, prefix: str) -> bytes:
    """The same XML with the main namespace under a prefix instead of as default."""
    text = re.sub(r"<(/?)([A-Za-z]\w*)(?=[\s>/])", rf"<\1{prefix}:\2", content.decode())
    return text.replace(f'xmlns="{MAIN}"', f'xmlns:{prefix}="{MAIN}"').encode()


def _base() -> bytes:
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True})
    bold = book.add_format({"bold": True, "num_format": "0.000", "font_name": "Georgia"})
    red = book.add_format({"font_color": "#FF0000", "num_format": "yyyy-mm-dd"})
    data, notes, plain = (book.add_worksheet(name) for name in ("Input", "My notes", "Plain & simple"))
    book.add_worksheet("Hidden")
    data.write_row("A1", ["Lot", "Litres", "Paid"], bold)
    for row in range(1, 11):
        data.write_row(row, 0, [f"T-{row}", row * 120.5])
        data.write_formula(row, 2, f"=B{row + 1}*1.5", bold, row * 120.5 * 1.5)
    data.add_table("A1:C11", {"name": "Lots", "columns": [{"header": h} for h in ("Lot", "Litres", "Paid")]})
    data.data_validation("E2:E9", {"validate": "list", "source": "=$A$2:$A$11", "input_message": "a lot"})
    data.conditional_format("B2:B11", {"type": "data_bar", "data_bar_2010": True, "bar_solid": True})
    data.conditional_format("C2:C11", {"type": "cell", "criteria": ">", "value": 500, "format": red})
    data.add_sparkline("F2", {"range": "Input!B2:B11", "markers": True})
    data.protect("", {"sort": True, "autofilter": True})
    data.unprotect_range("B2:B11", "litres")
    data.write_comment("A2", "check with the cellar", {"author": "Cellar"})
    data.insert_textbox("H2", "A text box with a shape's outline")
    data.insert_image("H12", "dot.png", {"image_data": io.BytesIO(PIXEL)})
    data.insert_button("H20", {"caption": "Press"})
    chart = book.add_chart({"type": "line"})
    chart.add_series({"values": "=Input!$B$2:$B$11"})
    data.insert_chart("M2", chart)
    notes.write_formula("A1", "='Cost per bottle'!C4", bold, 111)
    notes.write_formula("A2", "=SUM(Cost_per_bottle[EUR per bottle])", None, 222)
    notes.write_formula("A3", "=A1*2", None, 333)
    notes.write_formula("A4", "=Costing_run+1", None, 444)
    notes.write_formula("A5", "=SUM(Input!B2:B11)", None, 6627.5)
    notes.write_formula("A6", '=IF(A5>0,"Cost per bottle","")', None, "Cost per bottle")
    notes.write_formula("A7", "=SUM(A1:A6)", None, 777)
    notes.write_formula("A8", "=Mine+1", None, 8)
    notes.freeze_panes(1, 0)
    notes.activate()
    plain.write("A1", "kept", red)
    plain.write_array_formula("C1:C3", "{=My_notes_total*{1;2;3}}", None, 5)
    sheet_chart = book.add_chart({"type": "pie"})
    sheet_chart.add_series({"values": "=Input!$B$2:$B$11"})
    book.add_chartsheet("Chart only").set_chart(sheet_chart)
    book.get_worksheet_by_name("Hidden").hide()
    book.define_name("Mine", "=Input!$B$2")
    book.define_name("My_notes_total", "='My notes'!$A$7")
    book.define_name("'Plain & simple'!Local", "='Plain & simple'!$A$1")
    book.set_properties({"title": "torture", "company": "Demonstration, invented"})
    book.set_custom_property("Checked by", "nobody")
    book.close()
    return buffer.getvalue()


class _Assembly:
    """Adds parts with their relations and content types to the parts of a package."""

    def __init__(self, parts: Parts) -> None:
        self.parts = parts

    def add(self, name: str, content: bytes | str, kind: str = "", *, extension: bool = False) -> None:
        self.parts[name] = content.encode() if isinstance(content, str) else content
        if kind:
            entry = f'<Override PartName="/{name}" ContentType="{kind}"/>'
            if extension:
                entry = f'<Default Extension="{name.rpartition(".")[2]}" ContentType="{kind}"/>'
            self.edit("[Content_Types].xml", "</Types>", entry + "</Types>")

    def relate(self, source: str, rel_id: str, type_: str, target: str, mode: str = "") -> None:
        folder, _, base = source.rpartition("/")
        rels = f"{folder}/_rels/{base}.rels".lstrip("/")
        if rels not in self.parts:
            package = "http://schemas.openxmlformats.org/package/2006/relationships"
            head = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
            self.parts[rels] = f'{head}<Relationships xmlns="{package}"></Relationships>'.encode()
        external = f' TargetMode="{mode}"' if mode else ""
        entry = f'<Relationship Id="{rel_id}" Type="{type_}" Target="{target}"{external}/>'
        self.edit(rels, "</Relationships>", entry + "</Relationships>")

    def edit(self, name: str, old: str, new: str) -> None:
        text = self.parts[name].decode()
        assert text.count(old) == 1, (name, old, text.count(old))
        self.parts[name] = text.replace(old, new).encode()


def _workbook_extras(package: _Assembly, *, macros: bool) -> None:
    book = "xl/workbook.xml"
    package.edit(
        book, "<workbookPr ",
        '<fileSharing readOnlyRecommended="0"/><workbookPr codeName="ThisWorkbook" ',
    )  # fmt: skip
    package.edit(
        book, f'xmlns:r="{REL}"',
        f'xmlns:r="{REL}" xmlns:mc="http://schemas.openxmlformats.org/markup-compatibility/2006" '
        f'mc:Ignorable="x15 xr own" xmlns:x15="{MS}/spreadsheetml/2010/11/main" '
        f'xmlns:xr="{MS}/spreadsheetml/2014/revision" xmlns:own="urn:invented:estate" own:seen="yes"',
    )  # fmt: skip
    package.edit(
        book, "<bookViews>",
        '<mc:AlternateContent><mc:Choice Requires="x15"><x15ac:absPath url="C:\\books\\" '
        f'xmlns:x15ac="{MS}/spreadsheetml/2010/11/ac"/></mc:Choice></mc:AlternateContent>'
        '<xr:revisionPtr revIDLastSave="0" documentId="8_{0}"/><!-- a remark --><bookViews>',
    )  # fmt: skip
    package.edit(
        book,
        "<definedNames>",
        '<externalReferences><externalReference r:id="rIdX"/></externalReferences><definedNames>',
    )
    package.edit(
        book, "</workbook>",
        '<extLst><ext uri="{46BE6895-7355-4a93-B00E-2C351335B9C9}">'
        '<x15:slicerCaches xmlns:x14="http://schemas.microsoft.com/office/spreadsheetml/2009/9/main">'
        '<x14:slicerCache r:id="rIdS"/></x15:slicerCaches></ext></extLst></workbook>',
    )  # fmt: skip
    main = f"{SHEET_TYPE}.sheet.main+xml"
    if macros:
        package.edit("[Content_Types].xml", main, "application/vnd.ms-excel.sheet.macroEnabled.main+xml")
        package.add("xl/vbaProject.bin", bytes(range(256)) * 8, "application/vnd.ms-office.vbaProject", extension=True)
        package.relate(book, "rIdV", f"{MS}/2006/relationships/vbaProject", "vbaProject.bin")
    package.add(
        "xl/externalLinks/externalLink1.xml",
        f'<externalLink xmlns="{MAIN}"><externalBook xmlns:r="{REL}" r:id="rId1"><sheetNames>'
        '<sheetName val="Cost per bottle"/></sheetNames></externalBook></externalLink>',
        f"{SHEET_TYPE}.externalLink+xml",
    )
    package.relate(book, "rIdX", f"{REL}/externalLink", "externalLinks/externalLink1.xml")
    package.relate(
        "xl/externalLinks/externalLink1.xml",
        "rId1",
        f"{REL}/externalLinkPath",
        "other%20book.xlsx",
        "External",
    )
    package.add(
        "xl/connections.xml",
        f'<connections xmlns="{MAIN}"><connection id="1" name="prices" type="4" refreshedVersion="6"/></connections>',
        f"{SHEET_TYPE}.connections+xml",
    )
    package.relate(book, "rIdC", f"{REL}/connections", "connections.xml")
    package.add(
        "xl/calcChain.xml",
        f'<calcChain xmlns="{MAIN}"><c r="A1" i="2"/><c r="A2"/><c r="C2" i="1"/></calcChain>',
        f"{SHEET_TYPE}.calcChain+xml",
    )
    package.relate(book, "rIdK", f"{REL}/calcChain", "calcChain.xml")
    package.add(
        "xl/persons/person.xml",
        f'<personList xmlns="{MS}/spreadsheetml/2018/threadedcomments"><person displayName="A. Nobody" '
        'id="{11111111-2222-3333-4444-555555555555}" userId="x" providerId="None"/></personList>',
        "application/vnd.ms-excel.person+xml",
    )
    package.relate(book, "rIdP", f"{MS}/2017/10/relationships/person", "persons/person.xml")
    package.add(
        "xl/slicerCaches/slicerCache1.xml",
        f'<slicerCacheDefinition xmlns="{MS}/spreadsheetml/2009/9/main" name="Slicer_Lot" sourceName="Lot">'
        '<extLst><x:ext xmlns:x="' + MAIN + '" uri="{2F2917AC-EB37-4324-AD4E-5DD8C200BD13}">'
        f'<x15:tableSlicerCache xmlns:x15="{MS}/spreadsheetml/2010/11/main" tableId="1" column="1"/>'
        "</x:ext></extLst></slicerCacheDefinition>",
        "application/vnd.ms-excel.slicerCache+xml",
    )
    package.relate(book, "rIdS", f"{MS}/2007/relationships/slicerCache", "slicerCaches/slicerCache1.xml")
    package.add("customXml/item1.xml", '<estate xmlns="urn:invented:estate"><kept>yes</kept></estate>')
    package.add(
        "customXml/itemProps1.xml",
        '<ds:datastoreItem xmlns:ds="http://schemas.openxmlformats.org/officeDocument/2006/customXml" '
        'ds:itemID="{AAAAAAAA-BBBB-CCCC-DDDD-EEEEEEEEEEEE}"><ds:schemaRefs/></ds:datastoreItem>',
        "application/vnd.openxmlformats-officedocument.customXmlProperties+xml",
    )
    package.relate(book, "rIdU", f"{REL}/customXml", "../customXml/item1.xml")
    package.relate("customXml/item1.xml", "rId1", f"{REL}/customXmlProps", "itemProps1.xml")


def _styles_extras(package: _Assembly) -> None:
    styles = "xl/styles.xml"
    package.edit(
        styles, f'<styleSheet xmlns="{MAIN}">',
        f'<styleSheet xmlns="{MAIN}" xmlns:mc="http://schemas.openxmlformats.org/markup-compatibility/2006" '
        f'mc:Ignorable="x14ac" xmlns:x14ac="{MS}/spreadsheetml/2009/9/ac">',
    )  # fmt: skip
    package.edit(
        styles, "</styleSheet>",
        '<extLst><ext uri="{EB79DEF2-80B8-43e5-95BD-54CBDDF9020C}">'
        f'<x14:slicerStyles xmlns:x14="{MS}/spreadsheetml/2009/9/main" '
        'defaultSlicerStyle="SlicerStyleLight1"/>'
        "</ext></extLst></styleSheet>",
    )  # fmt: skip
    package.parts[styles] = re.sub(
        rb'<fonts count="(\d+)"', rb'<fonts count="\1" x14ac:knownFonts="1"', package.parts[styles]
    )


def _sheet_extras(package: _Assembly) -> None:
    sheet = "xl/worksheets/sheet1.xml"
    package.add(
        "xl/threadedComments/threadedComment1.xml",
        f'<ThreadedComments xmlns="{MS}/spreadsheetml/2018/threadedcomments"><threadedComment ref="A2" '
        'dT="2024-01-02T03:04:05.00" personId="{11111111-2222-3333-4444-555555555555}" '
        'id="{99999999-8888-7777-6666-555555555555}"><text>sure?</text></threadedComment></ThreadedComments>',
        "application/vnd.ms-excel.threadedcomments+xml",
    )
    package.relate(
        sheet,
        "rIdT",
        f"{MS}/2017/10/relationships/threadedComment",
        "../threadedComments/threadedComment1.xml",
    )
    package.add("xl/printerSettings/printerSettings1.bin", b"\1\0\4" * 99, f"{SHEET_TYPE}.printerSettings")
    package.relate(sheet, "rIdP", f"{REL}/printerSettings", "../printerSettings/printerSettings1.bin")
    margins = re.search(r"<pageMargins[^>]*/>", package.parts[sheet].decode())
    assert margins
    package.edit(sheet, margins[0], margins[0] + '<pageSetup paperSize="9" r:id="rIdP"/>')
    package.add(
        "xl/ctrlProps/ctrlProp1.xml",
        f'<formControlPr xmlns="{MS}/spreadsheetml/2009/9/main" objectType="CheckBox" checked="Checked" lockText="1"/>',
        "application/vnd.ms-excel.controlproperties+xml",
    )
    package.relate(sheet, "rIdF", f"{REL}/ctrlProp", "../ctrlProps/ctrlProp1.xml")
    package.add(
        "xl/slicers/slicer1.xml",
        f'<slicers xmlns="{MS}/spreadsheetml/2009/9/main">'
        '<slicer name="Lot" cache="Slicer_Lot" caption="Lot" '
        'rowHeight="241300"/></slicers>',
        "application/vnd.ms-excel.slicer+xml",
    )
    package.relate(sheet, "rIdL", f"{MS}/2007/relationships/slicer", "../slicers/slicer1.xml")
    package.edit(
        sheet, "</extLst></worksheet>",
        '<ext uri="{CCE6A557-97BC-4b89-ADB6-D9C93CAAB3DF}">'
        f'<x14:dataValidations xmlns:x14="{MS}/spreadsheetml/2009/9/main" '
        f'xmlns:xm="{MS}/excel/2006/main" count="1"><x14:dataValidation type="list"><x14:formula1>'
        "<xm:f>'My notes'!$A$1:$A$3</xm:f></x14:formula1><xm:sqref>G2</xm:sqref></x14:dataValidation>"
        '</x14:dataValidations></ext><ext uri="{3A4CF648-6AED-40f4-86FF-DC5316D8AED3}">'
        f'<x14:slicerList xmlns:x14="{MS}/spreadsheetml/2009/9/main"><x14:slicer r:id="rIdL"/>'
        '</x14:slicerList>'
        "</ext></extLst></worksheet>",
    )  # fmt: skip


def _pivot(package: _Assembly) -> None:
    book, cache = "xl/workbook.xml", "xl/pivotCache/pivotCacheDefinition1.xml"
    package.add(
        cache,
        f'<pivotCacheDefinition xmlns="{MAIN}" xmlns:r="{REL}" r:id="rId1" refreshedBy="x" recordCount="1" '
        'createdVersion="6" refreshedVersion="6"><cacheSource type="worksheet"><worksheetSource name="Lots"/>'
        '</cacheSource><cacheFields count="2"><cacheField name="Lot" numFmtId="0"><sharedItems count="1">'
        '<s v="T-1"/></sharedItems></cacheField><cacheField name="Litres" numFmtId="0"><sharedItems '
        'containsSemiMixedTypes="0" containsString="0" containsNumber="1" minValue="120.5" maxValue="120.5"/>'
        "</cacheField></cacheFields></pivotCacheDefinition>",
        f"{SHEET_TYPE}.pivotCacheDefinition+xml",
    )
    package.add(
        "xl/pivotCache/pivotCacheRecords1.xml",
        f'<pivotCacheRecords xmlns="{MAIN}" count="1"><r><x v="0"/><n v="120.5"/></r></pivotCacheRecords>',
        f"{SHEET_TYPE}.pivotCacheRecords+xml",
    )
    package.relate(cache, "rId1", f"{REL}/pivotCacheRecords", "pivotCacheRecords1.xml")
    package.relate(book, "rIdD", f"{REL}/pivotCacheDefinition", "pivotCache/pivotCacheDefinition1.xml")
    calculation = re.search(r"<calcPr[^>]*/>", package.parts[book].decode())
    assert calculation
    package.edit(
        book, calculation[0],
        '<calcPr calcId="191029" calcMode="autoNoTable" iterate="1"/>'
        '<pivotCaches><pivotCache cacheId="7" r:id="rIdD"/></pivotCaches>',
    )  # fmt: skip
    table = "xl/pivotTables/pivotTable1.xml"
    package.add(
        table,
        f'<pivotTableDefinition xmlns="{MAIN}" name="Pivot" cacheId="7" dataCaption="Values" '
        'createdVersion="6">'
        '<location ref="F1:G3" firstHeaderRow="1" firstDataRow="1" firstDataCol="1"/><pivotFields count="2">'
        '<pivotField axis="axisRow" showAll="0"><items count="2"><item x="0"/><item t="default"/>'
        "</items></pivotField>"
        '<pivotField dataField="1" showAll="0"/></pivotFields><rowFields count="1"><field x="0"/></rowFields>'
        '<rowItems count="2"><i><x/></i><i t="grand"><x/></i></rowItems><colItems count="1"><i/></colItems>'
        '<dataFields count="1"><dataField name="Sum of Litres" fld="1" baseField="0" baseItem="0"/>'
        "</dataFields>"
        "</pivotTableDefinition>",
        f"{SHEET_TYPE}.pivotTable+xml",
    )
    package.relate("xl/worksheets/sheet3.xml", "rIdPV", f"{REL}/pivotTable", "../pivotTables/pivotTable1.xml")
    package.relate(table, "rId1", f"{REL}/pivotCacheDefinition", "../pivotCache/pivotCacheDefinition1.xml")


def _drawing_extras(package: _Assembly) -> None:
    drawing, cx = "xl/drawings/drawing1.xml", f"{MS}/drawing/2014/chartex"
    package.add(
        "xl/charts/chartEx1.xml",
        f'<cx:chartSpace xmlns:cx="{cx}"><cx:chartData><cx:data id="0"><cx:numDim type="val">'
        "<cx:f>Input!$B$2:$B$4"
        "</cx:f></cx:numDim></cx:data></cx:chartData><cx:chart><cx:plotArea><cx:plotAreaRegion><cx:series "
        'layoutId="waterfall" uniqueId="{00000000-1111-2222-3333-444444444444}"><cx:dataId val="0"/>'
        "</cx:series>"
        "</cx:plotAreaRegion></cx:plotArea></cx:chart></cx:chartSpace>",
        "application/vnd.ms-office.chartex+xml",
    )
    package.relate(drawing, "rIdE", f"{MS}/2014/relationships/chartEx", "../charts/chartEx1.xml")
    package.edit(
        drawing, "</xdr:wsDr>",
        "<xdr:twoCellAnchor><xdr:from><xdr:col>1</xdr:col><xdr:colOff>0</xdr:colOff><xdr:row>30</xdr:row>"
        "<xdr:rowOff>0</xdr:rowOff></xdr:from><xdr:to><xdr:col>6</xdr:col><xdr:colOff>0</xdr:colOff>"
        "<xdr:row>44"
        "</xdr:row><xdr:rowOff>0</xdr:rowOff></xdr:to><mc:AlternateContent "
        'xmlns:mc="http://schemas.openxmlformats.org/markup-compatibility/2006"><mc:Choice '
        f'xmlns:cx1="{MS}/drawing/2015/9/8/chartex" Requires="cx1"><xdr:graphicFrame macro="">'
        '<xdr:nvGraphicFramePr>'
        '<xdr:cNvPr id="90" name="Waterfall"/><xdr:cNvGraphicFramePr/></xdr:nvGraphicFramePr><xdr:xfrm>'
        '<a:off x="0" y="0"/><a:ext cx="0" cy="0"/></xdr:xfrm><a:graphic>'
        f'<a:graphicData uri="{cx}"><cx:chart xmlns:cx="{cx}" xmlns:r="{REL}" r:id="rIdE"/>'
        '</a:graphicData></a:graphic>'
        '</xdr:graphicFrame></mc:Choice><mc:Fallback><xdr:sp macro="" textlink=""><xdr:nvSpPr>'
        '<xdr:cNvPr id="0" name=""/><xdr:cNvSpPr/></xdr:nvSpPr><xdr:spPr><a:xfrm><a:off x="0" y="0"/>'
        '<a:ext cx="9525" cy="9525"/></a:xfrm><a:prstGeom prst="rect"><a:avLst/></a:prstGeom>'
        '</xdr:spPr></xdr:sp>'
        "</mc:Fallback></mc:AlternateContent><xdr:clientData/></xdr:twoCellAnchor>"
        "</xdr:wsDr>",
    )  # fmt: skip
