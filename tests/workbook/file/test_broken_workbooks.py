"""Seeded damage to the XML of a workbook: refused with one line, or grafted with every foreign part kept."""

from __future__ import annotations

import random
import re
from functools import cache

import pytest

from costing.errors import WorkbookError
from costing.workbook.file import package as package_module
from costing.workbook.file.dependents import dependent_formulas
from costing.workbook.file.graft import graft
from costing.workbook.file.package import changed_parts, parse_xml, read_package
from costing.workbook.file.sheets import changeable_parts
from tests.form import chosen
from tests.workbook.grafting import run
from tests.workbook.scratch import RESULT_SHEETS, Parts, parts_of, scratch_results, zip_of
from tests.workbook.torture import torture_workbook

SEEDS = chosen(full=3_000, short=40)
INDEXES = (
    *("xl/workbook.xml", "xl/_rels/workbook.xml.rels", "[Content_Types].xml", "xl/styles.xml"),
    *("docProps/app.xml", "xl/calcChain.xml", "_rels/.rels"),
)
VALUES = ("", "-1", "9" * 20, "abc", "0", "²", "A1:XFD1048576", "../../x", "%00", "&#10;x")


@cache
def workbooks() -> tuple[Parts, Parts]:
    """A workbook before its first run and after it."""
    original = torture_workbook()
    return parts_of(original), parts_of(run(original))


@cache
def results() -> bytes:
    return scratch_results(2.0)


def damaged(choose: random.Random, content: bytes) -> bytes:
    """One thing wrong: tag, attribute or element gone, a value changed, junk between, a letter replaced."""
    text = content.decode()
    tag = choose.choice(list(re.finditer(r"<[^!?/][^>]*?>", text)))
    attributes = list(re.finditer(r'\s[\w:]+="([^"]*)"', tag[0]))
    fault = choose.choice(["tag", "attribute", "value", "element", "junk", "letter"])
    if fault == "tag":
        return (text[: tag.start()] + text[tag.end() :]).encode()
    if fault in ("attribute", "value") and attributes:
        attribute = choose.choice(attributes)
        start, end = attribute.span() if fault == "attribute" else attribute.span(1)
        new = "" if fault == "attribute" else choose.choice(VALUES)
        return (text[: tag.start() + start] + new + text[tag.start() + end :]).encode()
    name = re.match(r"<([\w:]+)", tag[0])
    if fault == "element" and name and not tag[0].endswith("/>"):
        end = text.find(f"</{name[1]}>", tag.end())
        return (text[: tag.start()] + text[end + len(name[1]) + 3 :]).encode()
    if fault == "junk":
        return (text[: tag.end()] + "<junk/>text<!--remark-->" + text[tag.end() :]).encode()
    place = choose.randrange(len(text))
    return (text[:place] + choose.choice(["<", "&", "x", '"', "é"]) + text[place + 1 :]).encode()


def test_no_damage_leads_to_a_traceback_or_a_lost_part() -> None:
    outcomes, messages = {"grafted": 0}, []
    for seed in range(SEEDS):
        choose = random.Random(seed)
        parts = dict(choose.choice(workbooks()))
        readable = [name for name, part in parts.items() if part.lstrip().startswith(b"<") and b"</" in part]
        for _ in range(choose.choice([1, 1, 2])):
            name = choose.choice(INDEXES if choose.random() < 0.6 else readable)
            parts[name] = damaged(choose, parts[name])
        try:
            before = read_package(zip_of(parts), "estate.xlsm")
            content = graft(before, results(), RESULT_SHEETS)
            after = read_package(content, "estate.xlsm")
            dependent_formulas(after, RESULT_SHEETS)
            allowed = changeable_parts(before) | (changeable_parts(after) - set(before.members))
            assert changed_parts(before, after) <= allowed, seed
            outcomes["grafted"] += 1
        except WorkbookError as refused:
            messages.append(str(refused))
    outcomes["refused"] = len(messages)
    assert all(message.isprintable() for message in messages)
    assert min(outcomes.values()) > SEEDS / 10, outcomes


def test_an_index_of_absurd_size_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(package_module, "_MOST_XML_BYTES", 1_000_000)
    assert parse_xml(b"<a>" + b" " * 500_000 + b"</a>", "a.xml").tag == "a"
    with pytest.raises(WorkbookError, match="larger than 0 MB"):
        parse_xml(b"<a>" + b" " * 1_000_000 + b"</a>", "a.xml")


def test_nesting_without_end_is_refused() -> None:
    with pytest.raises(WorkbookError, match="well-formed"):
        parse_xml(b"<a>" * 5_000 + b"</a>" * 5_000, "a.xml")
