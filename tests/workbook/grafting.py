"""Grafting steps that several tests share."""

from __future__ import annotations

import io
import warnings
from collections.abc import Callable

import openpyxl
from openpyxl.workbook import Workbook

from costing.workbook.file.graft import graft
from costing.workbook.file.package import Package, read_package
from tests.workbook.scratch import RESULT_SHEETS, parts_of, scratch_results, zip_of

# Where the two scratch sheets go in the user's package.
OWN = {
    "xl/worksheets/costing_sheet1.xml",
    "xl/worksheets/_rels/costing_sheet1.xml.rels",
    "xl/worksheets/costing_sheet2.xml",
    "xl/worksheets/_rels/costing_sheet2.xml.rels",
    "xl/tables/costing_table1.xml",
    "xl/drawings/costing_drawing1.xml",
    "xl/drawings/_rels/costing_drawing1.xml.rels",
    "xl/drawings/costing_vmlDrawing1.vml",
    "xl/charts/costing_chart1.xml",
    "xl/costing_comments1.xml",
}


def package_of(content: bytes) -> Package:
    return read_package(content, "estate.xlsx")


def run(content: bytes, factor: float = 1.0) -> bytes:
    return graft(package_of(content), scratch_results(factor), RESULT_SHEETS)


def hidden(content: bytes, sheet: str) -> bytes:
    """The workbook with a sheet hidden by its user."""
    tab = f'name="{sheet}"'.encode()
    return edited(content, {"xl/workbook.xml": lambda xml: xml.replace(tab, tab + b' state="hidden"')})


def loaded(content: bytes, **options: bool) -> Workbook:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # openpyxl says which extensions it would drop on saving
        return openpyxl.load_workbook(io.BytesIO(content), **options)


def edited(content: bytes, changes: dict[str, Callable[[bytes], bytes]], **new: bytes) -> bytes:
    """The workbook with some parts changed, and new ones, as a user's program would save it."""
    parts = parts_of(content)
    for name, change in changes.items():
        before, parts[name] = parts[name], change(parts[name])
        assert parts[name] != before, name
    return zip_of(parts | {name.replace("__", "/") + ".xml": part for name, part in new.items()})
