"""Appending one style sheet to another: existing indexes never move, and a second time adds nothing."""

from __future__ import annotations

import re

import pytest
from lxml import etree

from costing.errors import WorkbookError
from costing.workbook.file import styles
from costing.workbook.file.styles import append_styles
from tests.workbook.scratch import parts_of, scratch_results
from tests.workbook.torture import MAIN, torture_workbook

USER = {prefix: parts_of(torture_workbook(prefix=prefix))["xl/styles.xml"] for prefix in ("", "x")}
ADDED = parts_of(scratch_results())["xl/styles.xml"]
LISTS = ("numFmts", "fonts", "fills", "borders", "cellStyleXfs", "cellXfs", "cellStyles", "dxfs")


def entries(styles: bytes, tag: str) -> list[bytes]:
    found = etree.fromstring(styles).find(f"{{{MAIN}}}{tag}")
    return [] if found is None else [etree.tostring(entry, method="c14n", exclusive=True) for entry in found]


def look(styles: bytes, index: str) -> dict[str, bytes | str]:
    """What a cell format looks like, with every reference followed."""
    root = etree.fromstring(styles)
    cell = root.find(f"{{{MAIN}}}cellXfs")[int(index)]
    codes = {entry.get("numFmtId"): entry.get("formatCode") for entry in root.iter(f"{{{MAIN}}}numFmt")}
    found: dict[str, bytes | str] = {"number": codes.get(cell.get("numFmtId"), cell.get("numFmtId"))}
    for tag, attribute in (("fonts", "fontId"), ("fills", "fillId"), ("borders", "borderId")):
        entry = root.find(f"{{{MAIN}}}{tag}")[int(cell.get(attribute))]
        found[tag] = repr([(e.tag, sorted(e.items())) for e in entry.iter()])
    found["rest"] = repr([(e.tag, sorted(e.items())) for e in cell.iter() if e is not cell])
    found["applied"] = repr(sorted((k, v) for k, v in cell.items() if k.startswith("apply")))
    return found


@pytest.mark.parametrize("prefix", ["", "x"])
def test_what_was_there_keeps_its_index_and_the_rest_stays(prefix: str) -> None:
    user = USER[prefix]
    result = append_styles(user, ADDED).content
    for tag in LISTS:
        before, after = entries(user, tag), entries(result, tag)
        assert after[: len(before)] == before, tag
        found = etree.fromstring(result).find(f"{{{MAIN}}}{tag}")
        assert found.get("count") == str(len(after)), tag
    root = etree.fromstring(result)
    order = [etree.QName(child).localname for child in root]
    assert order == sorted(order, key=[*LISTS, "tableStyles", "colors", "extLst"].index)
    assert root.find(f"{{{MAIN}}}extLst") is not None
    assert root.find(f"{{{MAIN}}}fonts").get("{http://schemas.microsoft.com/office/spreadsheetml/2009/9/ac}knownFonts")
    assert set(etree.fromstring(user).nsmap.items()) <= set(etree.fromstring(result).nsmap.items())


@pytest.mark.parametrize("prefix", ["", "x"])
def test_each_format_looks_as_before_at_its_new_index(prefix: str) -> None:
    result = append_styles(USER[prefix], ADDED)
    assert result.cell_formats["0"] == "0"
    normal_font = look(ADDED, "0")["fonts"]
    for old, new in list(result.cell_formats.items())[1:]:
        before, after = look(ADDED, old), look(result.content, new)
        if before["fonts"] == normal_font:
            before["fonts"] = look(result.content, "0")["fonts"]
        assert before == after, old
    dxfs = etree.fromstring(result.content).find(f"{{{MAIN}}}dxfs")
    for old, new in result.differential_formats.items():
        entry = etree.fromstring(ADDED).find(f"{{{MAIN}}}dxfs")[int(old)]
        ours = [(e.tag, {k: v for k, v in e.items() if k != "numFmtId"}) for e in entry.iter()]
        assert ours == [(e.tag, {k: v for k, v in e.items() if k != "numFmtId"}) for e in dxfs[int(new)].iter()]


@pytest.mark.parametrize("prefix", ["", "x"])
def test_a_second_time_adds_nothing_and_keeps_the_bytes(prefix: str) -> None:
    once = append_styles(USER[prefix], ADDED)
    twice = append_styles(once.content, ADDED)
    assert twice == once
    assert twice.content is once.content


def test_number_formats_never_share_a_number() -> None:
    result = append_styles(USER[""], ADDED).content
    numbers: dict[str | None, str | None] = {}
    for entry in etree.fromstring(result).iter(f"{{{MAIN}}}numFmt"):
        assert numbers.setdefault(entry.get("numFmtId"), entry.get("formatCode")) == entry.get("formatCode")


def test_a_workbook_without_styles_gets_whole_ones() -> None:
    result = append_styles(None, ADDED)
    for old, new in result.cell_formats.items():
        assert look(ADDED, old) == look(result.content, new)
    assert b"xfId" not in result.content, "there are no base styles to follow"
    fills = entries(result.content, "fills")
    assert b"none" in fills[0]
    assert b"gray125" in fills[1], "the first two fills are reserved (ECMA-376 part 1, section 18.8.21)"


def test_excels_limit_of_cell_formats_is_kept() -> None:
    user = f'<styleSheet xmlns="{MAIN}"><cellXfs>{"<xf/>" * 64_000}</cellXfs></styleSheet>'.encode()
    with pytest.raises(WorkbookError, match="64000 cell formats"):
        append_styles(user, ADDED)


def test_a_workbook_may_hold_as_many_cell_formats_as_excel_allows(monkeypatch: pytest.MonkeyPatch) -> None:
    together = len(entries(append_styles(USER[""], ADDED).content, "cellXfs"))
    monkeypatch.setattr(styles, "_MOST_FORMATS", together)
    assert len(entries(append_styles(USER[""], ADDED).content, "cellXfs")) == together
    monkeypatch.setattr(styles, "_MOST_FORMATS", together - 1)
    with pytest.raises(WorkbookError, match="cell formats"):
        append_styles(USER[""], ADDED)


def test_a_remark_inside_a_list_has_no_index() -> None:
    lists = rb"<(x:)?(numFmts|fonts|fills|borders|cellXfs|dxfs)( [^>]*)>"
    remark = re.sub(lists, rb"\g<0><!--kept-->", USER["x"])
    assert remark.count(b"<!--kept-->") == 6
    plain, remarked = append_styles(USER["x"], ADDED), append_styles(remark, ADDED)
    assert remarked.cell_formats == plain.cell_formats
    assert remarked.differential_formats == plain.differential_formats
    assert remarked.content.replace(b"<!--kept-->", b"") == plain.content
