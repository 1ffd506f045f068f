"""What belongs to whom: a user's sheets, names, drawings and notes are never taken or lost without a word."""

from __future__ import annotations

import io
import re
from collections.abc import Callable

import pytest
import xlsxwriter
from lxml import etree
from openpyxl.workbook import Workbook

from costing.errors import WorkbookError
from costing.workbook.file.graft import graft
from costing.workbook.file.package import changed_parts
from costing.workbook.file.sheets import changeable_parts, read_book
from tests.workbook.grafting import OWN, edited, loaded, package_of, run
from tests.workbook.scratch import RESULT_SHEETS, parts_of, zip_of
from tests.workbook.torture import MAIN, REL, torture_workbook

# What belongs to whom


def test_a_sheet_of_the_users_with_a_result_sheets_name_is_never_overwritten() -> None:
    def renamed(workbook: bytes) -> bytes:
        return workbook.replace(b'name="Hidden"', b'name="ORIGINS"')

    content = edited(torture_workbook(), {"xl/workbook.xml": renamed})
    with pytest.raises(WorkbookError, match=r"^Sheet 'ORIGINS' has the name of a result sheet .* Rename it"):
        run(content)


def test_a_sheet_that_lost_its_mark_is_the_users() -> None:
    def unmarked(workbook: bytes) -> bytes:
        return re.sub(rb'<definedName name="costing_result_sheet"[^>]*>"Origins"</definedName>', b"", workbook)

    with pytest.raises(WorkbookError, match=r"^Sheet 'Origins' has the name"):
        run(edited(run(torture_workbook()), {"xl/workbook.xml": unmarked}))


def test_a_renamed_result_sheet_is_the_users_and_its_table_is_named() -> None:
    def renamed(workbook: bytes) -> bytes:
        return workbook.replace(b'sheet name="Cost per bottle"', b'sheet name="Costs of last year"')

    content = edited(run(torture_workbook()), {"xl/workbook.xml": renamed})
    with pytest.raises(WorkbookError, match=r"'Cost_per_bottle' on sheet 'Costs of last year'.*Rename it"):
        run(content)


def test_names_that_the_results_need_are_not_taken_from_the_user() -> None:
    def table_name(workbook: bytes) -> bytes:
        return workbook.replace(b'name="Mine"', b'name="cost_per_bottle"')

    with pytest.raises(WorkbookError, match="among the defined names"):
        run(edited(torture_workbook(), {"xl/workbook.xml": table_name}))

    def run_name(workbook: bytes) -> bytes:
        return workbook.replace(b'name="Mine"', b'name="Costing_run"')

    with pytest.raises(WorkbookError, match="defined name 'Costing_run' is taken"):
        run(edited(torture_workbook(), {"xl/workbook.xml": run_name}))


def test_a_users_own_name_on_a_result_sheet_stays() -> None:
    def named(workbook: bytes) -> bytes:
        entry = b'<definedName name="Mine" localSheetId="5">\'Cost per bottle\'!$A$1</definedName></definedNames>'
        return workbook.replace(b"</definedNames>", entry)

    content = run(edited(run(torture_workbook()), {"xl/workbook.xml": named}), 2.0)
    assert loaded(content)["Cost per bottle"].defined_names["Mine"].value == "'Cost per bottle'!$A$1"


def added_chart(drawing: bytes) -> bytes:
    return drawing.replace(
        b"</xdr:wsDr>",
        b'<xdr:oneCellAnchor><xdr:sp><xdr:nvSpPr><xdr:cNvPr id="8" name="My arrow"/></xdr:nvSpPr></xdr:sp>'
        b"</xdr:oneCellAnchor></xdr:wsDr>",
    )


def added_pivot(relations: bytes) -> bytes:
    entry = f'<Relationship Id="rIdZ" Type="{REL}/pivotTable" Target="../pivotTables/pivotTable1.xml"/>'
    return relations.replace(b"</Relationships>", entry.encode() + b"</Relationships>")


def added_note(comments: bytes) -> bytes:
    return comments.replace(b"</authors>", b"<author>Ann</author></authors>")


@pytest.mark.parametrize(
    ("part", "change", "what"),
    [
        ("xl/drawings/costing_drawing1.xml", added_chart, "'My arrow'"),
        ("xl/worksheets/_rels/costing_sheet1.xml.rels", added_pivot, "pivotTable"),
        ("xl/costing_comments1.xml", added_note, "notes by 'Ann'"),
    ],
)
def test_what_the_user_put_on_a_result_sheet_is_not_lost_silently(
    part: str, change: Callable[[bytes], bytes], what: str
) -> None:
    content = edited(run(torture_workbook()), {part: change})
    with pytest.raises(WorkbookError, match=rf"Result sheet 'Cost per bottle' .*{what}.*move it to a sheet"):
        run(content)


def saved_by_a_program(content: bytes) -> bytes:
    """Part names as a spreadsheet program gives them on saving, its calculation chain and code name."""
    names = {
        "costing_sheet1.xml": "sheet6.xml",
        "costing_sheet2.xml": "sheet7.xml",
        "costing_table1.xml": "table2.xml",
    }
    names |= {"costing_drawing1.xml": "drawing9.xml", "costing_chart1.xml": "chart9.xml"}
    parts = {}
    for name, part in parts_of(content).items():
        for old, new in names.items():
            part, name = part.replace(old.encode(), new.encode()), name.replace(old, new)
        parts[name] = part
    parts["xl/calcChain.xml"] = (
        f'<calcChain xmlns="{MAIN}"><c r="C6" i="6"/><c r="A1" i="2"/><c r="B6" i="6" l="1"/><c r="C9"/>'
        '<c r="A2" i="2"/><c r="C2" i="7"/><c r="C2" i="1"/><c r="C3"/></calcChain>'
    ).encode()
    sheet = parts["xl/worksheets/sheet6.xml"]
    parts["xl/worksheets/sheet6.xml"] = re.sub(rb"<sheetPr>", b'<sheetPr codeName="Sheet6">', sheet)
    return zip_of(parts)


def test_after_a_spreadsheet_program_has_saved_the_same_sheets_are_replaced() -> None:
    saved = saved_by_a_program(run(torture_workbook()))
    assert [sheet.name for sheet in read_book(package_of(saved)).owned()] == list(RESULT_SHEETS)
    after = run(saved, 2.0)
    saved_names = ("worksheets/sheet6", "worksheets/sheet7", "tables/table2", "charts/chart9")
    old_names = {f"xl/{name}.xml" for name in saved_names}
    assert old_names | {"xl/calcChain.xml"} <= changeable_parts(package_of(saved))
    assert not old_names & set(parts_of(after))
    assert changed_parts(package_of(saved), package_of(after)) <= changeable_parts(package_of(saved)) | OWN
    assert loaded(after)["Cost per bottle"]["C4"].value == 9.0
    assert loaded(after).sheetnames == loaded(saved).sheetnames
    chain = [dict(entry.attrib) for entry in etree.fromstring(parts_of(after)["xl/calcChain.xml"])]
    assert chain == [
        {"r": "A1", "i": "2"},
        {"r": "A2", "i": "2"},
        {"r": "C2", "i": "1"},
        {"r": "C3"},
    ]
    assert b'codeName="Sheet6"' in parts_of(after)["xl/worksheets/costing_sheet1.xml"]


def test_a_calculation_chain_of_result_cells_alone_goes_and_leaves_no_trace() -> None:
    def only_ours(chain: bytes) -> bytes:
        return f'<calcChain xmlns="{MAIN}"><c r="C6" i="6"/></calcChain>'.encode()

    after = parts_of(run(edited(run(torture_workbook()), {"xl/calcChain.xml": only_ours})))
    assert "xl/calcChain.xml" not in after
    assert b"calcChain" not in after["xl/_rels/workbook.xml.rels"]
    assert b"calcChain" not in after["[Content_Types].xml"]


# What can't be grafted


def other_scratch(build: Callable[[xlsxwriter.Workbook], None]) -> bytes:
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer)
    build(book)
    book.close()
    return buffer.getvalue()


def with_chart_sheet(book: xlsxwriter.Workbook) -> None:
    book.add_worksheet("Origins").write("A1", 1)
    chart = book.add_chart({"type": "line"})
    chart.add_series({"values": "=Origins!$A$1:$A$1"})
    book.add_chartsheet("Cost per bottle").set_chart(chart)


def with_dynamic_array(book: xlsxwriter.Workbook) -> None:
    book.add_worksheet("Origins").write_dynamic_array_formula("A1", "=SORT(B1:B3)")


@pytest.mark.parametrize(
    ("build", "word"),
    [
        (lambda book: book.add_worksheet("Stranger"), "Stranger"),
        (with_chart_sheet, "chartsheet"),
        (with_dynamic_array, "sheetMetadata"),
    ],
)
def test_results_that_can_not_be_moved_are_refused(build: Callable[[xlsxwriter.Workbook], None], word: str) -> None:
    with pytest.raises(WorkbookError, match=word):
        graft(package_of(torture_workbook()), other_scratch(build), RESULT_SHEETS)


def test_results_in_another_writers_form_are_refused_rather_than_garbled() -> None:
    book = Workbook()
    book.active.title = "Origins"
    book.active["A1"] = "text"
    buffer = io.BytesIO()
    book.save(buffer)

    def reordered(sheet: bytes) -> bytes:
        return re.sub(rb'<c (r="A1")([^>]*)>', rb"<c\2 \1>", sheet)

    content = edited(buffer.getvalue(), {"xl/worksheets/sheet1.xml": reordered})
    with pytest.raises(WorkbookError, match="XlsxWriter"):
        graft(package_of(torture_workbook()), content, RESULT_SHEETS)


def test_a_strict_workbook_is_refused_with_the_remedy() -> None:
    def strict(part: bytes) -> bytes:
        return part.replace(MAIN.encode(), b"http://purl.oclc.org/ooxml/spreadsheetml/main")

    with pytest.raises(WorkbookError, match=r"Strict Open XML workbook\. Save it as"):
        run(edited(torture_workbook(), {"xl/workbook.xml": strict}))


@pytest.mark.parametrize(
    ("part", "change", "word"),
    [
        ("xl/workbook.xml", lambda part: part.replace(b"</workbook>", b""), "well-formed"),
        ("xl/workbook.xml", lambda part: re.sub(rb"<sheets>.*</sheets>", b"<sheets/>", part), "no sheets"),
        ("_rels/.rels", lambda part: part.replace(b"xl/workbook.xml", b"xl/none.xml"), "no workbook part"),
        (
            "xl/_rels/workbook.xml.rels",
            lambda part: part.replace(b"sheet2.xml", b"none.xml"),
            "'My notes' is missing",
        ),
    ],
)
def test_a_broken_workbook_is_refused(part: str, change: Callable[[bytes], bytes], word: str) -> None:
    with pytest.raises(WorkbookError, match=word):
        run(edited(torture_workbook(), {part: change}))
