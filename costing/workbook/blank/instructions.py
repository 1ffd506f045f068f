"""The page in front of an input workbook: what it is, how to come to a first figure, colours, cautions.

Conventions: one page of A4, upright. The list of sheets is made from the schema, each with a link to its
sheet.

What it does not do: it gives no advice; it says where to ask for it.
"""

from __future__ import annotations

from typing import Any

from costing.inputs.schema import sheets
from costing.workbook.pages import look

INSTRUCTIONS_SHEET = "Instructions"
_WIDTHS = (22, 40, 70)
_TITLE = "What each bottle really cost"
_WHAT = (
    "Fill these sheets in with what was bought, pressed, moved, bottled and sold, with dates, quantities and "
    "money. The program reads them and writes its answers into sheets of its own: the cost of each bottle by "
    "stage and cost element, the value of stock, prices and decisions. It changes nothing on your sheets."
)
_FIRST = (
    "1.  Settings: the currency and the valuation date.",
    "2.  Opening stock: one row for each vat, reserve and stack of bottles on the day your records begin.",
    "3.  Opening costs: what each of them had cost by then.",
    "Save the file and type:  costing run YOUR-FILE.xlsx   (costing check YOUR-FILE.xlsx only looks for mistakes.)",
    "Next: Tirage, Disgorgements and Dry goods, then the rest as you get to it. "
    "Every figure says what part of it is covered.",
)
_READING = (
    "Columns are found by their headers, so they may be moved, and columns of your own are left alone. "
    "The unit in brackets counts: (L) may become (hl). (%) takes percent points: 1.5 for 1.5 %.",
    "Rest the pointer on a header for its meaning and an example. Dates after the valuation date are plans.",
    "A new year's rows go below the old ones, or on a sheet of their own such as 'Movements 2026'. "
    "Further sheets come by name:  costing new YOUR-FILE.xlsx --sheet Channels",
)
_CAUTIONS = (
    "Tirage sugar sets the pressure in the bottle. Above what the bottle is rated for, bottles burst: "
    "follow the glassmaker's rating and an oenologist.",
    "This is decision support, not accounting, tax or legal advice. Book values, excise and labelling follow "
    "your local accounting, tax and appellation rules, to be confirmed with a licensed professional.",
    "Rule sets carry the date and source of each figure; rules change, so check them against the text in force.",
)


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
    section = workbook.add_format(
        {
            "bold": True,
            "font_color": look.SLATE,
            "font_size": 12,
            "bottom": 1,
            "bottom_color": look.INPUT_LINE,
        }
    )
    heading = workbook.add_format({"bold": True, "font_color": look.SLATE, "font_size": 20})
    caution = workbook.add_format({"font_color": look.WARNING_INK, "text_wrap": True, "valign": "top"})
    sheet.set_row(0, 32)
    sheet.write_string(0, 0, _TITLE, heading)
    row = 1

    def lines(paragraphs: tuple[str, ...], form: Any, row: int) -> int:
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

    row = lines((note,) if note else (), faint, row)
    row = lines((_WHAT,), text, row)
    row = lines(_FIRST, text, title("A first figure from three sheets", row))
    row = lines(_READING, text, title("How it is read", row))
    row = _colours(workbook, sheet, title("Colours", row))
    row = _sheet_list(workbook, sheet, title("Sheets", row), titles)
    row = lines(_CAUTIONS, caution, title("Cautions", row))
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
    for group, names in look.SHEET_GROUPS.items():
        edge = {"left": 5, "left_color": look.TAB_COLOURS[group], "indent": 1, "valign": "vcenter"}
        tab = workbook.add_format({**edge, "font_color": look.SLATE, "underline": 1})
        for name in names:
            if name in titles:
                sheet.write_url(row, 0, f"internal:'{titles[name]}'!A1", tab, titles[name])
                sheet.write_string(row, 1, sheets()[name].row_is, text)
                sheet.write_string(row, 2, sheets()[name].meaning, text)
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
