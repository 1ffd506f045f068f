"""The page in front of an input workbook: what it is, how to come to a first figure, colours, cautions.

Conventions: one page of A4, upright. Its paragraphs stand in `instructions.csv` under their headings; the list of
sheets is made from the schema, each with a link to its sheet.

What it does not do: it gives no advice; it says where to ask for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from costing.inputs.schema import sheets
from costing.packaged import packaged_rows
from costing.workbook.pages import look

INSTRUCTIONS_SHEET = "Instructions"
_WIDTHS = (22, 40, 70)
_TITLE = "What each bottle really cost"


def write_instructions(workbook: Any, titles: dict[str, str], note: str = "") -> None:
    """Add the page to an XlsxWriter workbook, first of all. titles: sheet title of each library name present.

    note: a line below the heading, such as that all figures are invented.
    """
    sheet = workbook.add_worksheet(INSTRUCTIONS_SHEET)
    sheet.hide_gridlines(2)
    for column, width in enumerate(_WIDTHS):
        sheet.set_column(column, column, width)
    text = workbook.add_format({"font_color": look.INK, "text_wrap": True, "valign": "top"})
    faint = workbook.add_format({"font_color": look.FAINT, "text_wrap": True, "valign": "top", "italic": True})
    line_below = {"bottom": 1, "bottom_color": look.INPUT_LINE}
    section = workbook.add_format({"bold": True, "font_color": look.SLATE, "font_size": 12, **line_below})
    heading = workbook.add_format({"bold": True, "font_color": look.SLATE, "font_size": 20})
    caution = workbook.add_format({"font_color": look.WARNING_INK, "text_wrap": True, "valign": "top"})
    sheet.set_row(0, 32)
    sheet.write_string(0, 0, _TITLE, heading)
    row = 1

    def lines(paragraphs: Sequence[str], form: Any, row: int) -> int:
        for paragraph in paragraphs:
            sheet.set_row(row, 15.5 * -(-len(paragraph) // 130))
            sheet.merge_range(row, 0, row, 2, paragraph, form)
            row += 1
        return row

    def title(words: str, row: int) -> int:
        sheet.set_row(row, 6)
        sheet.set_row(row + 1, 18)
        for column in range(3):
            sheet.write_string(row + 1, column, words if column == 0 else "", section)
        return row + 2

    under: dict[str, list[str]] = {}
    for paragraph in packaged_rows(__package__, "instructions"):
        under.setdefault(paragraph["under"], []).append(paragraph["text"])
    row = lines([note] if note else [], faint, row)
    row = lines(under[""], text, row)
    for words in ("A first figure from three sheets", "How it is read"):
        row = lines(under[words], text, title(words, row))
    row = _colours(workbook, sheet, title("Colours", row))
    row = _sheet_list(workbook, sheet, title("Sheets", row), titles)
    row = lines(under["Cautions"], caution, title("Cautions", row))
    sheet.set_paper(9)
    sheet.set_portrait()
    sheet.fit_to_pages(1, 1)
    sheet.print_area(0, 0, row - 1, 2)
    sheet.set_margins(left=0.5, right=0.5, top=0.5, bottom=0.5)
    sheet.set_tab_color(look.SLATE)


def _sheet_list(workbook: Any, sheet: Any, row: int, titles: dict[str, str]) -> int:
    text = workbook.add_format({"font_color": look.INK, "valign": "vcenter"})
    faint = {"font_color": look.FAINT, "italic": True}
    for column, heading in enumerate(("sheet", "a row is", "what it holds")):
        sheet.write_string(row, column, heading, workbook.add_format({**faint, "indent": int(column == 0)}))
    row += 1
    edge = {"left": 5, "indent": 1, "valign": "vcenter", "font_color": look.SLATE, "underline": 1}
    tabs = {group: workbook.add_format(edge | {"left_color": colour}) for group, colour in look.TAB_COLOURS.items()}
    for name in (name for name in sheets() if name in titles):
        listed = sheets()[name]
        sheet.write_url(row, 0, f"internal:'{titles[name]}'!A1", tabs[listed.tab_group], titles[name])
        sheet.write_string(row, 1, listed.row_is, text)
        sheet.write_string(row, 2, listed.meaning, text)
        row += 1
    return row


def _colours(workbook: Any, sheet: Any, row: int) -> int:
    samples = (
        (
            "must be filled",
            {"bg_color": look.SLATE, "font_color": "white", "bold": True},
            "dark header: a column that every row fills",
        ),
        (
            "may stay blank",
            {"bg_color": look.SLATE_LIGHT, "font_color": look.INK, "bold": True},
            "light header: optional; its note says what a blank means",
        ),
        (
            "yours",
            {"bg_color": look.INPUT_GROUND, "border": 1, "border_color": look.INPUT_LINE},
            "cells that you fill in",
        ),
        (
            "computed",
            {"bg_color": look.WINE, "font_color": "white", "bold": True},
            "sheets with this header are computed, and written anew at every run",
        ),
    )
    for words, form, meaning in samples:
        sheet.write_string(row, 0, words, workbook.add_format({**form, "indent": 1}))
        sheet.merge_range(row, 1, row, 2, meaning, workbook.add_format({"font_color": look.INK, "indent": 1}))
        row += 1
    return row
