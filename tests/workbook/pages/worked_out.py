"""Sheets, cells and pages worked out for a workbook: cases, and what comes out of each in words."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from costing.inputs.schema import settings, sheets
from costing.workbook.pages import look
from costing.workbook.pages.answer_sheets import _headers, result_sheets
from costing.workbook.pages.cells import cell_values, fit_text, link_location
from costing.workbook.pages.measure import measured
from costing.workbook.pages.paging import _FILLED, _POINTS_HIGH, Paging, set_one_page, set_page
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from tests.answers.made_up import answers, digest
from tests.workbook.looks import Writer


def sheets_of_answers() -> Iterator[str]:
    """What the sheets of all these answers hold, with links and without."""
    made = [answer for _, answer in answers()]
    for links in (True, False):
        for sheet in result_sheets(made, links=links):
            head = f"{links} {sheet.name}"
            yield f"{head}: {sheet.title!r} {sheet.group} {sheet.hidden} {sheet.says} {sheet.notes} {len(sheet.charts)}"
            for table in sheet.tables if links or sheet.group == "audit" else ():
                shown = f"{table.title!r} {table.shown} {table.total_columns} {dict(table.links)}"
                yield f"{head} {table.name}: {shown} {digest(str(dict(table.formats)))} {digest(table.frame.to_csv())}"
    yield str(_headers(["Lot", "lot", "LOT", "Lot (2)", "x", "lot"]))


def cells_of_values() -> Iterator[str]:
    """Columns of every sort as cells, texts that do not fit, and places that are linked."""
    day = pd.Timestamp("2024-12-31 06:00")
    columns: list[pd.Series[Any]] = [
        pd.Series([day, pd.NaT], dtype="datetime64[s]"),
        pd.Series([True, False]),
        pd.Series([1.5, np.nan, np.inf]),
        pd.Series([1, 2]),
        pd.Series(["a", "b\x01\x0b\ufffe", None, "a"], dtype=object),
        pd.Series([day, day.date(), pd.NaT, pd.NA, None, np.nan], dtype=object),
        pd.Series([True, np.True_, 1, 2.5, np.float64(3.5), np.inf, np.int64(4)], dtype=object),
        pd.Series([("a", 1), day.time()], dtype=object),
    ]
    for values in columns:
        for kind in ("text", "date", "number"):
            for date_1904 in (False, True):
                try:
                    cells = cell_values(values, kind, date_1904=date_1904)
                    yield f"{values.tolist()!s:.120} {kind} {date_1904}: {cells}"
                except (ValueError, TypeError, OverflowError) as refused:
                    yield f"{values.tolist()!s:.120} {kind}: {type(refused).__name__}"
    yield str(
        [(len(fit_text("x" * length)), fit_text(f"a{chr(code)}b")) for length, code in ((32_767, 9), (32_768, 31))]
    )
    places = (
        "Movements!F17",
        "Movements!17",
        "Movements",
        "it's own!B2",
        "'A b'!C3",
        "x!",
        "=x",
        "A!$B$3",
        " Costs!4 ",
    )
    yield str([(place, link_location(place)) for place in (*places, "a!b!c", "", None, 5, "Costs!ABC")])
    yield str(sorted((kind, form) for kind, form in look.CELL_FORMATS.items()))


def pages_worked_out() -> Iterator[str]:
    """What sheets of drawn widths and heights take of paper and screen."""
    for seed in range(60):
        dice = random.Random(seed)
        heights = {row: dice.choice((15.0, 30.0, 45.0, 400.0)) for row in range(5, 200, dice.choice((1, 3, 7)))}
        heights |= {0: 30.0, 3: 45.0} if dice.random() < 0.5 else {}
        width = dice.choice((0.0, 60.0, dice.uniform(100.0, 300.0), dice.uniform(200.0, 900.0)))
        columns = dice.randint(1, 30)
        paging = Paging(width, columns, heights if seed % 3 else {}, dice.choice((0.0, 500.0, 700.0, 5e3)), seed % 4)
        rows = sorted(dice.sample(range(2, 150), 8))
        blocks = list(zip(rows[::2], rows[1::2], strict=True))
        repeated, below = dice.choice(((0, 0), (0, 1), (3, 4))), dice.randint(0, 200)
        fitted = paging.for_blocks(blocks)
        for one in (paging, fitted):
            breaks = one.breaks_before(blocks, repeated)
            until, sizes = dice.choice((0.0, 900.0, 4e3)), [dice.choice((20.0, 262.0, 600.0)) for _ in range(4)]
            placed = [round(at, 6) for at in one.clear_of_breaks(rows[0], sizes, breaks, repeated)]
            found = (one.pages_wide, one.on_screen, one.zoom, round(one.page, 6), one.percent, round(one.tallest, 6))
            more = (breaks, one.every_break(breaks, repeated, below, until), one.filled(below), placed)
            yield f"{seed}: {found} {more} {[one.holds(block) for block in blocks]} {one.high(*blocks[0]):g}"
        writer = Writer(whole=True)
        for number, area in enumerate((None, (below - 1, columns), (below - 2, columns))):
            set_page(writer.add_worksheet(f"{number}"), repeated, breaks[number:], fitted, area, below)
        set_one_page(writer.add_worksheet("one"), below, columns)
        yield f"{seed}: {digest(str([sheet.calls for sheet in writer.sheets.values()]))}"
    for heights in ({2: _POINTS_HIGH}, {2: _FILLED * _POINTS_HIGH}, {3: _POINTS_HIGH - 45.0}):
        for below in (1, 2, 4, 5):
            one = Paging(100.0, 4, heights, 0.0)
            tall = one.for_blocks([(0, below), (below, below + 3)])
            edges = one.clear_of_breaks(1, [_POINTS_HIGH, 30.0, _FILLED * _POINTS_HIGH - 45.0, 15.0], [below], (0, 1))
            more = one.every_break([], (0, 1), below, _POINTS_HIGH), one.breaks_before([(0, 1), (1, below + 1)], (0, 1))
            yield f"{heights} {below}: {tall.tallest:.6g} {one.filled(below)} {one.holds((0, below))} {edges} {more}"


def widths_worked_out() -> Iterator[str]:
    """Widths and lines of texts, headers and figures, the formats of input columns, and whole sheets measured."""
    columns = [*settings().values(), *(column for sheet in sheets().values() for column in sheet.columns)]
    yield digest(str([(column.name, look.input_format(column)) for column in columns]))
    for sheet in ("movements", "deliveries", "costs", "dispatches", "pools"):
        yield str([(column.name, look.input_format(column)) for column in sheets()[sheet].columns])
    values: tuple[Any, ...] = (None, np.nan, pd.NaT, "", "two\nlines of it", True, 5, 0.125, 1234567.891, -0.5, 1e15)
    values += (pd.Timestamp("2025-01-01"), np.int64(12_345), np.float64(-99.995), "Wi—|€")
    formats = dict.fromkeys(["General", *look.CELL_FORMATS.values()])
    for form in formats:
        yield f"{form}: {[round(look.shown_length(value, form), 4) for value in values]}"
        figures = [[12.5], [12.5, -1234.5], [0.0, 5.0, 1e6, None], [True, "a text", 3.0, 4.0], []]
        widths = [look.column_width("Price per bottle", some, form) for some in figures]
        yield f"{form}: {[round(width, 4) for width in widths]}"
    texts = ("Lot", "Price per bottle of 75 cl", "Operation", "a" * 60, "many small words of a text " * 6, "")
    for text in texts:
        for width in (0.5, 8.0, 11.3, 20.0, 43.0, 44.0):
            lines = [look.header_lines(text, width, button=button) for button in (True, False)]
            clear = round(look.clear_width(text, width), 4), look.heading_lines(text)
            needed = look.text_lines(text, width), round(look.text_width(text), 4)
            yield f"{text[:20]!r} {width}: {lines} {clear} {needed}"
    for longest in (2, 5, 8, 11, 14):
        for narrow in (1, 2, 3):
            wide = pd.DataFrame({f"Column {place}": ["a word or two"] * 2 for place in range(4)})
            said = pd.DataFrame({f"Part {place}": ["some text " * (longest if place == narrow - 1 else 1)] * 2
                                 for place in range(narrow)})  # fmt: skip
            for shown in (0, 2):
                both = (ResultTable("one", wide, shown=shown), ResultTable("two", said), ResultTable("three", said))
                found = measured(ResultSheet("S", "S", tables=both))
                wrapped = {name: sorted(headers) for name, headers in found.wrapped.items()}
                columns_wide = {place: round(width, 4) for place, width in found.widths.items()}
                yield f"{longest} {narrow} {shown}: {columns_wide} {wrapped} {found.opened}"
