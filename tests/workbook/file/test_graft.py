"""Result sheets in a workbook that holds everything: foreign parts stay, indexes keep all they held."""

from __future__ import annotations

import io
import posixpath
import re
from html import unescape

import pytest
import xlsxwriter
from lxml import etree

from costing.workbook.file import indexes, long_tables, scan
from costing.workbook.file.graft import graft
from costing.workbook.file.long_tables import LongTable, with_rows
from costing.workbook.file.package import changed_parts
from costing.workbook.file.scan import all_tables
from costing.workbook.file.sheets import changeable_parts, read_book
from costing.workbook.file.values import cell_reader
from tests.workbook.file.test_package import compressed
from tests.workbook.grafting import OWN, edited, hidden, loaded, package_of, run
from tests.workbook.hostile import minimal_workbook
from tests.workbook.scratch import RESULT_SHEETS, parts_of, scratch_results, zip_of
from tests.workbook.torture import MAIN, torture_workbook

INDEXES = {
    "[Content_Types].xml",
    "docProps/app.xml",
    "xl/_rels/workbook.xml.rels",
    "xl/styles.xml",
    "xl/workbook.xml",
}
FOREIGN_FOLDERS = (
    *("charts", "chartsheets", "ctrlProps", "drawings", "externalLinks", "media", "persons", "pivotCache"),
    *("pivotTables", "printerSettings", "slicerCaches", "slicers", "tables", "theme", "threadedComments"),
)


def missing_from(old: etree._Element, new: etree._Element, path: str = "") -> list[str]:
    """What an index held and no longer holds. Counts and the value of `i4` may change, the rest may grow."""
    here, lost = f"{path}/{etree.QName(old).localname if isinstance(old.tag, str) else 'remark'}", []
    for name, value in old.attrib.items():
        if new.get(name) != value and name not in ("count", "size"):
            lost.append(f"{here}@{name}")
    if (old.text or "").strip() != (new.text or "").strip() and not here.endswith("i4"):
        lost.append(f"{here} text")
    if old.nsmap.items() - new.nsmap.items():
        lost.append(f"{here} namespaces")
    following = iter(new)
    for child in old:
        for other in following:
            if other.tag == child.tag and not missing_from(child, other, here):
                break
        else:
            lost.append(f"{here}/{child.tag}")
            following = iter(new)
    return lost


@pytest.mark.parametrize("prefix", ["", "x"])
def test_three_runs_leave_every_foreign_part_as_it_was_even_compressed(prefix: str) -> None:
    original = torture_workbook(prefix=prefix)
    foreign = {name: packed for name, packed in compressed(original).items() if name not in INDEXES}
    folders = {posixpath.dirname(name) for name in foreign}
    assert folders >= {f"xl/{folder}" for folder in FOREIGN_FOLDERS} | {"customXml"}
    assert {"xl/vbaProject.bin", "xl/calcChain.xml", "xl/connections.xml", "xl/sharedStrings.xml"} <= set(foreign)
    content = original
    for factor, bottles in ((1.0, 2), (1.5, 7), (0.25, 3)):
        results = scratch_results(factor, bottles=bottles)
        content = graft(package_of(content), results, RESULT_SHEETS)
        assert set(compressed(content)) == set(foreign) | INDEXES | OWN
        assert {name: compressed(content)[name] for name in foreign} == foreign
    assert changed_parts(package_of(original), package_of(content)) == INDEXES | OWN
    assert changeable_parts(package_of(content)) == INDEXES | OWN


@pytest.mark.parametrize("prefix", ["", "x"])
def test_the_changed_indexes_keep_all_they_held(prefix: str) -> None:
    original = torture_workbook(prefix=prefix)
    content = run(run(run(original), 2.0), 3.0)
    for name in sorted(INDEXES):
        old, new = parts_of(original)[name], parts_of(content)[name]
        assert old != new, name
        assert missing_from(etree.fromstring(old), etree.fromstring(new)) == [], name
        opening = re.search(rb"<(?!\?)[^>]*>", old)
        assert opening
        assert set(re.findall(rb"xmlns:?\w*=\"[^\"]*\"", opening[0])) <= set(re.findall(rb"xmlns:?\w*=\"[^\"]*\"", new))


def test_the_check_for_kept_content_can_fail() -> None:
    old = etree.fromstring('<a x="1"><b/><c y="2"><d/>t</c></a>')
    for text in (
        '<a><b/><c y="2"><d/>t</c></a>',
        '<a x="1"><c y="2"><d/>t</c></a>',
        '<a x="1"><b/><c y="2"/></a>',
    ):
        assert missing_from(old, etree.fromstring(text))
    assert not missing_from(old, etree.fromstring('<a x="1" z="3"><b/><e/><c y="2"><d/>t</c></a>'))


def test_a_second_run_with_equal_results_gives_equal_bytes() -> None:
    once = run(torture_workbook())
    assert run(once) == once


def test_styles_do_not_grow_from_run_to_run() -> None:
    contents = [run(torture_workbook())]
    for factor in (2.0, 3.0):
        contents.append(run(contents[-1], factor))
    assert len({parts_of(content)["xl/styles.xml"] for content in contents}) == 1


@pytest.mark.parametrize("prefix", ["", "x"])
def test_openpyxl_reads_the_results_and_the_users_sheets(prefix: str) -> None:
    original = torture_workbook(prefix=prefix)
    content = run(run(original), 2.0)
    old, book, values = loaded(original), loaded(content), loaded(content, data_only=True)
    assert book.sheetnames == [*old.sheetnames, *RESULT_SHEETS]
    costs, cells = book["Cost per bottle"], values["Cost per bottle"]
    assert [cell.value for cell in cells[4]] == ["Cuvée 1", 100, 9.0]
    assert cells["C6"].value == 27.0
    assert costs["C6"].value == "=SUM(C4:C5)"
    assert costs["C4"].number_format == "#,##0.0000"
    assert costs["C4"].font.color.rgb == "FF333333"
    assert costs["A1"].font.b
    assert costs["A1"].value == "Demonstration, invented figures & <no estate>"
    assert costs.column_dimensions["C"].width > 13
    assert costs.tables["Cost_per_bottle"].ref == "A3:C6"
    assert costs.print_title_rows == "$3:$3"
    assert costs.page_setup.orientation == "landscape"
    assert costs["A1"].comment.text == "as of the valuation date"
    assert len(costs._charts) == 1
    rules = {rule.type: rule for entry in costs.conditional_formatting for rule in entry.rules}
    assert rules["cellIs"].dxf.fill.bgColor.rgb == "FFF5D0C5"
    assert rules["cellIs"].dxf.numFmt.formatCode == "0.00"
    origins = book["Origins"]
    assert origins["A2"].hyperlink.location == "'Cost per bottle'!A4"
    assert origins["E1"].hyperlink.target == "https://example.org/sources"
    assert values["Origins"]["E1"].value == "=1+1 is text, not a formula"
    assert origins["G1"].value is True
    assert origins.data_validations.dataValidation[0].formula1 == '"book,economic"'
    assert values["Origins"]["C2"].value == 18.0
    for name in old.sheetnames:
        if name == "Chart only":
            continue
        for row in old[name].iter_rows():
            for cell in row:
                after = book[name][cell.coordinate]
                for look in ("number_format", "font", "fill", "border", "alignment", "protection"):
                    assert repr(getattr(cell, look)) == repr(getattr(after, look))


def test_blocks_of_rows_join_without_a_seam(monkeypatch: pytest.MonkeyPatch) -> None:
    results, book = scratch_results(bottles=40), torture_workbook()  # each new one carries its own time
    whole = graft(package_of(book), results, RESULT_SHEETS)
    for size in (1, 37, 500):
        monkeypatch.setattr(scan, "_BLOCK", size)
        assert graft(package_of(book), results, RESULT_SHEETS) == whole


def test_the_rows_of_a_long_table_go_on_where_a_block_of_them_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    head = b'<sheetData><row r="4"><c r="A4"/><c r="B4" s="2"/></row></sheetData><pageMargins/>'
    table = LongTable(0, 5, [list("abcde"), [1.0, 2.0, None, 4.0, 5.0]], {0: [None, "P!A2", None, None, None]})
    whole = with_rows(head, [table])
    assert re.findall(rb'<row r="(\d)"', whole) == [b"4", b"5", b"6", b"7", b"8", b"9"]
    monkeypatch.setattr(long_tables, "_BLOCK", 2)
    assert with_rows(head, [table]) == whole


def test_a_workbook_that_names_a_tab_in_front_which_it_has_not_is_written_all_the_same() -> None:
    """Another program may leave the number of a tab that was deleted."""
    beyond = edited(zip_of(minimal_workbook()), {"xl/workbook.xml": front_tab_is_second})
    content = run(run(beyond), 2.0)
    assert loaded(content)["Cost per bottle"]["C4"].value == 9.0


def test_a_number_of_a_tab_that_is_not_there_stays_when_the_tabs_are_put_in_order() -> None:
    workbook = etree.fromstring(
        f'<workbook xmlns="{MAIN}"><bookViews><workbookView activeTab="2" firstSheet="1"/></bookViews>'
        '<sheets><sheet name="A"/><sheet name="B"/></sheets></workbook>'
    )
    indexes.order_tabs(workbook, ["B", "A"])
    assert [tab.get("name") for tab in workbook.iter(f"{{{MAIN}}}sheet")] == ["B", "A"]
    assert dict(workbook.find(f".//{{{MAIN}}}workbookView").attrib) == {"activeTab": "2", "firstSheet": "0"}


def test_parts_whose_names_differ_in_capitals_are_found_and_not_written_twice() -> None:
    """Names of parts are equivalent whatever their case (ECMA-376 part 2)."""
    other = {"[Content_Types].xml": "[content_types].xml", "xl/_rels/workbook.xml.rels": "xl/_rels/Workbook.xml.rels"}
    parts = {other.get(name, name): part for name, part in minimal_workbook().items()}
    content = run(run(zip_of(parts)), 2.0)
    names = [name.casefold() for name in parts_of(content)]
    assert len(names) == len(set(names))
    assert set(other.values()) <= set(parts_of(content))
    book = read_book(package_of(content))
    assert [sheet.name for sheet in book.sheets] == ["Only", *RESULT_SHEETS]
    assert cell_reader(book, book.sheets[1:2])("Cost per bottle")[3][2] == 9.0


def test_the_workbook_asks_to_be_calculated_and_keeps_its_other_settings() -> None:
    root = etree.fromstring(parts_of(run(torture_workbook()))["xl/workbook.xml"])
    assert dict(root.find(f"{{{MAIN}}}calcPr").attrib) == {
        "calcId": "191029",
        "calcMode": "autoNoTable",
        "iterate": "1",
        "fullCalcOnLoad": "1",
    }
    order = [etree.QName(child).localname for child in root if isinstance(child.tag, str)]
    assert order.index("definedNames") < order.index("calcPr") < order.index("pivotCaches") < order.index("extLst")


def test_only_the_tab_that_was_in_front_is_in_front() -> None:
    parts = parts_of(run(torture_workbook()))
    sheets = [name for name in parts if name.startswith("xl/worksheets/") and name.endswith(".xml")]
    assert [name for name in sheets if b"tabSelected" in parts[name]] == ["xl/worksheets/sheet2.xml"]
    minimal = edited(run(zip_of(minimal_workbook())), {"xl/workbook.xml": front_tab_is_second})
    parts = parts_of(run(minimal))
    assert b'tabSelected="1"' in parts["xl/worksheets/costing_sheet1.xml"]
    assert b"tabSelected" not in parts["xl/worksheets/costing_sheet2.xml"]


def front_tab_is_second(workbook: bytes) -> bytes:
    view = b'<bookViews><workbookView activeTab="1"/></bookViews><sheets>'
    return workbook.replace(b"<sheets>", view)


def test_position_and_visibility_of_a_result_sheet_are_kept() -> None:
    def first_and_hidden(workbook: bytes) -> bytes:
        root = etree.fromstring(workbook)
        sheets = root.find(f"{{{MAIN}}}sheets")
        last = sheets[-1]
        last.set("state", "veryHidden")
        sheets.insert(0, last)
        for name in root.iter(f"{{{MAIN}}}definedName"):
            if (index := name.get("localSheetId")) is not None:
                name.set("localSheetId", str((int(index) + 1) % len(sheets)))
        return etree.tostring(root)

    content = run(edited(run(torture_workbook()), {"xl/workbook.xml": first_and_hidden}), 2.0)
    book = loaded(content)
    assert book.sheetnames[0] == "Origins"
    assert book.sheetnames[-1] == "Cost per bottle"
    assert book["Origins"].sheet_state == "veryHidden"
    assert book["Origins"]["B2"].value == 9.0
    assert book["Cost per bottle"].print_title_rows == "$3:$3"
    assert book["Plain & simple"].defined_names["Local"].value == "'Plain & simple'!$A$1"


def test_a_sheet_written_later_takes_its_place_in_the_readers_order() -> None:
    """`costing forecast --write` after a run put How sure behind 40 audit sheets."""
    order = ("Cost per bottle", "Stock value", "Margins", "Origins", "Run log")

    def written(content: bytes, *names: str) -> bytes:
        buffer = io.BytesIO()
        book = xlsxwriter.Workbook(buffer)
        for name in names:
            sheet = book.add_worksheet(name)
            sheet.write("A1", name)
            sheet.repeat_rows(len(name))
        book.close()
        return graft(package_of(content), buffer.getvalue(), order, order=order)

    original = torture_workbook()
    present = loaded(original).sheetnames
    once = edited(
        written(original, "Cost per bottle", "Origins"),
        {"xl/workbook.xml": lambda xml: re.sub(rb' activeTab="\d+"', b' activeTab="%d"' % (len(present) + 1), xml)},
    )
    later = written(written(once, "Run log"), "Margins", "Stock value")
    book = loaded(later)
    assert book.sheetnames == [*present, *order]
    assert book.active.title == "Origins"
    anew = loaded(written(later, "Margins", "Origins"))
    assert [bool(anew[name].sheet_view.tabSelected) for name in ("Margins", "Origins")] == [False, True]
    assert book["Plain & simple"].defined_names["Local"].value == "'Plain & simple'!$A$1"
    assert {name: book[name].print_title_rows for name in order} == {
        name: f"${len(name) + 1}:${len(name) + 1}" for name in order
    }
    assert {sheet.name for sheet in read_book(package_of(later)).owned()} == set(order)
    app = parts_of(later)["docProps/app.xml"].decode()
    titles = [unescape(title) for title in re.findall(r"<(?:vt:)?lpstr>([^<]*)</", app)]
    assert [title for title in titles if title in order] == list(order)
    assert written(later, *order) == written(written(later, *order), *order)
    first = loaded(written(written(original, "Margins"), "Cost per bottle", "Run log"))
    assert first.sheetnames == [*present, "Cost per bottle", "Margins", "Run log"]


def test_a_result_sheet_that_the_user_has_hidden_stays_hidden() -> None:
    again = loaded(run(hidden(run(torture_workbook()), "Origins"), 2.0))
    assert again["Origins"].sheet_state == "hidden"
    assert again["Cost per bottle"].sheet_state == "visible"


def test_results_may_come_in_part_and_the_other_sheets_stay() -> None:
    content = run(torture_workbook())
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer)
    book.add_worksheet("Origins").write("A1", "shorter")
    book.close()
    after = graft(package_of(content), buffer.getvalue(), RESULT_SHEETS)
    assert loaded(after)["Origins"]["A1"].value == "shorter"
    assert loaded(after)["Origins"]["B2"].value is None
    kept = OWN - {"xl/worksheets/costing_sheet2.xml", "xl/worksheets/_rels/costing_sheet2.xml.rels"}
    assert {name: compressed(after)[name] for name in kept} == {name: compressed(content)[name] for name in kept}
    assert loaded(run(after, 2.0))["Origins"]["B2"].value == 9.0


@pytest.mark.parametrize(
    ("kind", "macros"),
    [
        ("application/vnd.ms-excel.sheet.macroEnabled.main+xml", True),
        ("application/vnd.openxmlformats-officedocument.spreadsheetml.template.main+xml", False),
        ("application/vnd.ms-excel.template.macroEnabled.main+xml", True),
        ("application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml", False),
    ],
)
def test_the_kind_of_workbook_stays(kind: str, macros: bool) -> None:
    def retyped(types: bytes) -> bytes:
        return re.sub(rb'(PartName="/xl/workbook.xml" ContentType=)"[^"]*"', rb'\1"%b"' % kind.encode(), types) + b"\n"

    content = run(edited(torture_workbook(macros=macros), {"[Content_Types].xml": retyped}))
    assert f'PartName="/xl/workbook.xml" ContentType="{kind}"'.encode() in parts_of(content)["[Content_Types].xml"]
    assert ("xl/vbaProject.bin" in parts_of(content)) is macros


def test_a_workbook_without_styles_or_properties_works() -> None:
    content = run(run(zip_of(minimal_workbook())), 2.0)
    assert loaded(content)["Cost per bottle"]["C4"].value == 9.0
    assert loaded(content)["Cost per bottle"]["C4"].number_format == "#,##0.0000"
    assert loaded(content)["Only"]["A1"].value == 1
    types = parts_of(content)["[Content_Types].xml"]
    assert types.count(b'<Default Extension="vml"') == 1
    assert b"costing_vmlDrawing1" not in types


def test_table_numbers_are_unique_and_kept_so_that_a_users_slicer_still_finds_its_table() -> None:
    content = run(torture_workbook())
    numbers = {table.name: table.number for _, table in all_tables(read_book(package_of(content)))}
    assert numbers == {"Lots": 1, "Cost_per_bottle": 2}

    def renumbered(table: bytes) -> bytes:
        return table.replace(b'id="2" name="Cost_per_bottle"', b'id="9" name="Cost_per_bottle"')

    again = run(edited(content, {"xl/tables/costing_table1.xml": renumbered}), 2.0)
    numbers = {table.name: table.number for _, table in all_tables(read_book(package_of(again)))}
    assert numbers == {"Lots": 1, "Cost_per_bottle": 9}


def test_document_properties_count_the_new_sheets() -> None:
    root = etree.fromstring(parts_of(run(run(torture_workbook())))["docProps/app.xml"])
    titles = root.find("{*}TitlesOfParts/{*}vector")
    users = [name for name in loaded(torture_workbook()).sheetnames if name != "Chart only"]
    listed = [title.text for title in titles]
    assert listed[:7] == [*users, *RESULT_SHEETS, "Chart only"], "chart sheets count under a heading of their own"
    assert titles.get("size") == str(len(listed))
    assert root.find("{*}HeadingPairs/{*}vector/{*}variant/{*}i4").text == "6"


def test_document_properties_that_list_something_else_stay() -> None:
    def translated(properties: bytes) -> bytes:
        return properties.replace(b"<vt:i4>4</vt:i4>", b"<vt:i4>3</vt:i4>", 1)

    content = edited(torture_workbook(), {"docProps/app.xml": translated})
    assert compressed(run(content))["docProps/app.xml"] == compressed(content)["docProps/app.xml"]


def test_every_relation_leads_to_a_part_with_a_content_type() -> None:
    parts = parts_of(run(run(torture_workbook()), 2.0))
    types = etree.fromstring(parts["[Content_Types].xml"])
    typed = {entry.get("PartName", "").lstrip("/") for entry in types}
    defaults = {entry.get("Extension") for entry in types}
    assert len(typed) == len([entry for entry in types if entry.get("PartName")]) + 1, "no part is typed twice"
    assert typed - {""} <= set(parts)
    for name in OWN:
        assert name in typed or name.rpartition(".")[2] in ("rels", "vml")
    for rels in [name for name in parts if name.endswith(".rels")]:
        folder = posixpath.dirname(posixpath.dirname(rels))
        for entry in etree.fromstring(parts[rels]):
            if entry.get("TargetMode") != "External":
                target = posixpath.normpath(posixpath.join("/", folder, entry.get("Target", ""))).lstrip("/")
                assert target in parts, (rels, target)
                assert target in typed or target.rpartition(".")[2] in defaults
