"""Result tables -> a scratch workbook of result sheets, which `graft` moves into the user's workbook.

Rule: each table is a real spreadsheet table under a fixed name; its totals are live formulas,
`SUBTOTAL(109, [column])`, with their values stored beside them, so a program without a calculator shows
the same figure. Text is always text: a lot named `=cmd` is no formula.

Conventions: on each sheet a title, the stamp of the run, the cell that says whether the inputs have
changed since (`STALE_CELL`), what the sheet answers, then the tables one below the other and the notes below them; the
charts of a sheet stand on the right of its first table, whichever sheet holds what they draw. What stands above the
first table is frozen with its header, so that little is said there (`measure`).
Percent columns hold fractions and show percent. A place such as `Movements!F17` becomes a link within the workbook,
for the first `MAX_LINKS` rows of a sheet. Every sheet prints legibly with its headers repeated. Long tables are filled
in by `file.long_tables`, which is several times as fast.

What it does not do: it rounds nothing and adds nothing up but the stored totals; it writes no file.
"""

from __future__ import annotations

import datetime as dt
import io
import re
from collections.abc import Mapping, Sequence
from math import ceil
from typing import Any

import numpy as np
import xlsxwriter

from costing.answers.charts import is_drawable
from costing.workbook.file.long_tables import LongTable, fill_rows
from costing.workbook.file.sheets import NOTES
from costing.workbook.pages import look
from costing.workbook.pages.cells import link_location
from costing.workbook.pages.draw import CHART_CHARACTERS, CHART_COLUMNS, CHART_POINTS, GAP, ChartedTable, draw_chart
from costing.workbook.pages.measure import SHORT, alignment, measured, total
from costing.workbook.pages.paging import ROW_POINTS, Block, Paging, set_one_page, set_page
from costing.workbook.pages.quick_worksheet import QuickWorksheet
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable, RunStamp, check_sheets

STALE_CELL = "A3"
LONG_TABLE, LONG_PLAIN_TABLE = 500, 50
"""Rows beyond which a table is filled in later: one whose rows have heights or formulas of their own, and any other."""
MOST_AUDIT_PAGES = 3
"""Pages that a sheet for audit prints; of a longer one the first page prints alone."""
_REFERENCE = re.compile(r"\{(\w*)\|([^}]*)\}")
MAX_LINKS = 65_000  # Excel's limit is 65,530 a sheet (Microsoft, "Excel specifications and limits")
_FIRST_LINE = 3
_ROWS_BY_NOTES = 4


def result_workbook(
    sheets: Sequence[ResultSheet],
    stamp: RunStamp | None = None,
    stale_formula: tuple[str, str] | None = None,
    *,
    date_1904: bool = False,
) -> bytes:
    """Content of a workbook that holds these result sheets and nothing else (see `scratch_workbook`)."""
    return fill_rows(*scratch_workbook(sheets, stamp, stale_formula, date_1904=date_1904))


def scratch_workbook(
    sheets: Sequence[ResultSheet], stamp: RunStamp | None, stale_formula: tuple[str, str] | None, *, date_1904: bool
) -> tuple[bytes, list[LongTable]]:
    """Content of a workbook that holds these result sheets and nothing else, and the rows still left to fill in it.

    stale_formula: formula and present text of the cell that says whether the inputs have changed since
    the run; date_1904: whether days are counted from 1904 in it. ValueError where a description contradicts its frame.
    """
    content = io.BytesIO()
    plain_text = dict.fromkeys(("strings_to_formulas", "strings_to_urls", "strings_to_numbers"), False)
    workbook = xlsxwriter.Workbook(content, {"in_memory": True, "date_1904": date_1904, **plain_text})
    workbook.worksheet_class = QuickWorksheet
    workbook.set_properties({"created": dt.datetime(1980, 1, 1)})
    long_tables = lay_out(workbook, sheets, stamp, stale_formula)
    workbook.close()
    return content.getvalue(), long_tables


def lay_out(
    workbook: Any, sheets: Sequence[ResultSheet], stamp: RunStamp | None, stale_formula: tuple[str, str] | None
) -> list[LongTable]:
    """Write the sheets into an XlsxWriter workbook, or what takes its calls; return the rows left to fill.

    This is the one home of where everything on a result sheet stands. ValueError where a description
    contradicts its frame.
    """
    check_sheets(sheets)
    formats: dict[tuple[Any, ...], Any] = {}
    writers = [_SheetWriter(workbook, sheet, index, formats) for index, sheet in enumerate(sheets)]
    long_tables = [table for writer in writers for table in writer.write(stamp, stale_formula)]
    drawn = {name: table for writer in writers for name, table in writer.drawn.items()}
    for writer in writers:
        writer.finish(drawn)
    return long_tables


class _SheetWriter:
    """Writes one sheet from the top; `row` is the next free row, counted from 0. formats: those of the workbook, each
    made once.
    """

    def __init__(self, workbook: Any, sheet: ResultSheet, index: int, formats: dict[tuple[Any, ...], Any]) -> None:
        self.workbook, self.sheet, self.index, self.formats = workbook, sheet, index, formats
        self.worksheet = workbook.add_worksheet(sheet.name)
        self.row = 0
        self.links_left = MAX_LINKS
        self.heights: dict[int, float] = {}
        self.headers: list[int] = []
        self.blocks: list[Block] = []
        self.measured = measured(sheet, date_1904=workbook.date_1904)
        across = Paging(self.measured.across + CHART_CHARACTERS, self.measured.opened + 1 + CHART_COLUMNS, {})
        self.inside = bool(sheet.charts) and self.measured.beside_first(CHART_CHARACTERS) and not across.on_screen
        """Whether charts stand beside the first table, above the others: beside all of them no screen shows them."""
        self.drawn: dict[str, ChartedTable] = {}

    def write(self, stamp: RunStamp | None, stale_formula: tuple[str, str] | None) -> list[LongTable]:
        """Write all but the charts; the tables that are too long to be written cell by cell are handed back."""
        self._head(stamp, stale_formula)
        tables = [table for result in self.sheet.tables if (table := self._table(result))]
        self._foot()
        opened = self.measured.opened
        for position, width in self.measured.widths.items():
            behind = {"level": 1, "hidden": True} if position >= opened else {}
            self.worksheet.set_column(position, position, width, None, behind)
        collapsed = {"collapsed": True} if opened < self.measured.columns else {}
        self.worksheet.set_column(self.measured.columns, self.measured.columns, GAP, None, collapsed)
        for row, height in self.heights.items():
            self.worksheet.set_row(row, height)
        return tables

    def finish(self, tables: Mapping[str, ChartedTable]) -> None:
        """Set the page, and draw the charts on the right of the tables, none of them across two pages.

        tables: every table of the workbook, by name.
        """
        charts = [chart for chart in self.sheet.charts if is_drawable(chart, tables[chart.table].frame)]
        for table in self.sheet.tables:
            self._live(table, tables)
        first = self.headers[0] if self.headers else self.row
        points = self._page(first, [CHART_POINTS] * len(charts))
        for chart, below in zip(charts, points, strict=True):
            columns = len(self.sheet.tables[0].frame.columns) if self.inside else self.measured.columns
            place = (first, columns + 1, below)
            draw_chart(self.workbook, self.worksheet, chart, tables[chart.table], place)

    def _format(self, **form: Any) -> Any:
        form = {"font_color": look.INK, **form}
        key = tuple(sorted(form.items()))
        if key not in self.formats:
            self.formats[key] = self.workbook.add_format(form)
        return self.formats[key]

    def _head(self, stamp: RunStamp | None, stale_formula: tuple[str, str] | None) -> None:
        sheet = self.worksheet
        self.heights[0] = 26.0
        sheet.write_string(0, 0, self.sheet.title, self._format(bold=True, font_size=16, font_color=look.WINE))
        faint = self._format(font_color=look.FAINT, italic=True)
        if stamp:
            sheet.write_string(1, 0, str(stamp), faint)
        if stale_formula:
            formula, value = stale_formula
            sheet.write_formula(STALE_CELL, formula, self._format(font_color=look.FAINT), value)
            stale = self.workbook.add_format({"font_color": look.WARNING_INK, "bold": True})
            rule = {"type": "text", "criteria": "begins with", "value": "STALE", "format": stale}
            sheet.conditional_format(STALE_CELL, rule)
        self._write_lines(_FIRST_LINE, self.measured.lines_above)

    def _foot(self) -> None:
        """Write the notes below the last table, with which they are printed."""
        first = self.tail = self.row
        if not self.measured.lines_below:
            return
        self.worksheet.write_string(self.row, 0, NOTES, self._format(bold=True, font_color=look.WINE))
        self._write_lines(self.row + 1, self.measured.lines_below)
        if self.blocks:
            self.tail = max(first - _ROWS_BY_NOTES, begin := self.blocks[-1][0])
            if self.tail <= self.headers[-1] + _ROWS_BY_NOTES:
                self.tail = begin
            self.blocks[-1] = begin, self.row - 1

    def _write_lines(self, row: int, lines: Sequence[str]) -> None:
        """Write lines of text, and leave a row free below them."""
        for step, line in enumerate(lines):
            self.worksheet.write_string(row + step, 0, line, self._format())
        self.row = row + len(lines) + 1

    def _table(self, table: ResultTable) -> LongTable | None:
        begin = self.row
        if table.title:
            self.worksheet.write_string(self.row, 0, table.title, self._format(bold=True, font_color=look.WINE))
            self.row += 1
        top, rows = self.row, max(len(table.frame), 1)
        self.headers.append(top)
        columns = self.measured.cells[table.name]
        forms = {header: self._cell_form(table, header) for header in columns}
        self._add_table(table, top, rows, columns)
        is_plain = not table.formulas and not self.measured.wrapped[table.name]
        is_long = len(table.frame) > (LONG_PLAIN_TABLE if is_plain else LONG_TABLE)
        # Of a long table only the first row is written here: it carries the formats of the others.
        written = 1 if is_long else len(table.frame)
        links: dict[int, list[str | None]] = {}
        for position, (header, values) in enumerate(columns.items()):
            places = self._places(table, header)
            if places:
                links[position] = places
            for step in range(written):
                self._cell(top + 1 + step, position, values[step], forms[header], places[step] if places else None)
            if not len(table.frame):
                self.worksheet.write_blank(top + 1, position, None, forms[header])
            if table.formats.get(header) == "verdict":
                self._fill_verdicts(top + 1, position, rows)
        self._wrap(table, top + 1, written)
        self.row = top + rows + 1 + bool(table.total_columns)
        if self.inside and len(self.headers) == 1:
            self.row = max(self.row, top + ceil(CHART_POINTS * len(self.sheet.charts) / ROW_POINTS) + 1)
        self.blocks.append((begin, self.row))
        self.row += 1
        self.drawn[table.name] = ChartedTable(self.sheet.name, top + 1, rows, table.frame)
        if not is_long:
            return None
        later = {position: places[1:] for position, places in links.items()}
        return LongTable(self.index, top + 3, [values[1:] for values in columns.values()], later)

    def _live(self, table: ResultTable, tables: Mapping[str, ChartedTable]) -> None:
        """Set the formulas of a table over its values, now that it is known where every table stands."""
        own, columns = tables[table.name], self.measured.cells[table.name]
        for header, formulas in table.formulas.items():
            position, form = list(columns).index(header), self._cell_form(table, header)
            for row, formula in enumerate(formulas, own.first):
                placed = formula
                for name, of in _REFERENCE.findall(formula):
                    cells = tables[name].area(of) if name else own.cell(of, row)
                    placed = placed.replace(f"{{{name}|{of}}}", cells)
                self.worksheet.write_formula(row, position, placed, form, columns[header][row - own.first])

    def _fill_verdicts(self, first: int, position: int, rows: int) -> None:
        """Fill what to do by its first word; the word says it too."""
        for words, fill in look.VERDICT_FILLS.items():
            form = self.workbook.add_format({"bg_color": fill, "bold": True})
            for word in words:
                rule = {"type": "text", "criteria": "begins with", "value": word, "format": form}
                self.worksheet.conditional_format(first, position, first + rows - 1, position, rule)

    def _wrap(self, table: ResultTable, first: int, written: int) -> None:
        """Make rows as high as their longest wrapped text needs."""
        positions = {header: position for position, header in enumerate(self.measured.cells[table.name])}
        for header in self.measured.wrapped[table.name]:
            for row, value in enumerate(self.measured.cells[table.name][header][:written], first):
                lines = look.text_lines(str(value or ""), self.measured.widths[positions[header]])
                if lines > 1:
                    self.heights[row] = max(ROW_POINTS * lines, self.heights.get(row, 0.0))

    def _cell_form(self, table: ResultTable, header: str) -> Any:
        wrapped = {"text_wrap": True} if header in self.measured.wrapped[table.name] else {}
        return self._format(
            num_format=look.CELL_FORMATS[table.formats.get(header, "text")],
            **alignment(table, header),
            **wrapped,
            **({"valign": "top"} if self.measured.wrapped[table.name] else {}),
            bottom=4,
            bottom_color=look.RESULT_LINE,
            **({"underline": 1, "font_color": look.SLATE} if header in table.links else {}),
        )

    def _add_table(self, table: ResultTable, top: int, rows: int, columns: Mapping[str, Sequence[Any]]) -> None:
        described, height = [], 1
        button = rows > SHORT
        for position, (header, values) in enumerate(columns.items()):
            column: dict[str, Any] = {
                "header": header,
                "header_format": self._format(
                    bold=True, font_color="white", bg_color=look.WINE, text_wrap=True, valign="top",
                    **alignment(table, header, button=button),
                ),
                "format": None,
            }  # fmt: skip
            if header in table.total_columns:
                column |= {"total_function": "sum", "total_value": total(values)}
            elif position == 0 and table.total_columns:
                column["total_string"] = "Total"
            described.append(column)
            height = max(height, look.header_lines(header, self.measured.widths[position], button=button))
        last = top + rows + bool(table.total_columns)
        options = {
            "name": table.name,
            "style": None,
            "autofilter": button,
            "total_row": bool(table.total_columns),
            "columns": described,
        }
        if self.worksheet.add_table(top, 0, last, len(columns) - 1, options):
            msg = f"table '{table.name}' can't be placed on sheet '{self.sheet.name}'"
            raise ValueError(msg)
        self.heights[top] = ROW_POINTS * height + 4
        if table.total_columns:
            self._total_row(table, last, described)

    def _total_row(self, table: ResultTable, row: int, described: Sequence[Mapping[str, Any]]) -> None:
        """Write the totals again with their formats, which the table alone would leave out."""
        for position, column in enumerate(described):
            kind = table.formats.get(column["header"], "text")
            form = self._format(
                bold=True,
                num_format=look.CELL_FORMATS[kind],
                top=1,
                top_color=look.WINE,
                bg_color=look.WINE_LIGHT,
            )
            if "total_function" in column:
                name = re.sub(r"(['#\[\]])", r"'\1", column["header"])
                formula = f"=SUBTOTAL(109,{table.name}[{name}])"
                self.worksheet.write_formula(row, position, formula, form, column["total_value"])
            elif "total_string" in column:
                self.worksheet.write_string(row, position, column["total_string"], form)
            else:
                self.worksheet.write_blank(row, position, None, form)

    def _places(self, table: ResultTable, header: str) -> list[str | None]:
        """Link of each row of a column, as many as the sheet may still hold."""
        if header not in table.links:
            return []
        places = [link_location(place) for place in table.frame[table.links[header]]]
        counted = np.cumsum([place is not None for place in places])
        allowed = [place if count <= self.links_left else None for place, count in zip(places, counted, strict=True)]
        self.links_left -= min(self.links_left, int(counted[-1]) if len(counted) else 0)
        return allowed

    def _cell(self, row: int, column: int, value: Any, form: Any, place: str | None) -> None:
        if value is None:
            self.worksheet.write_blank(row, column, None, form)
        elif place is not None:
            self.worksheet.write_url(row, column, f"internal:{place}", form, str(value))
            self._cell(row, column, value, form, None)  # a number stays a number
        elif isinstance(value, str):
            self.worksheet.write_string(row, column, value, form)
        elif isinstance(value, bool):
            self.worksheet.write_boolean(row, column, value, form)
        else:
            self.worksheet.write_number(row, column, value, form)

    def _page(self, first: int, charts: Sequence[float]) -> list[float]:
        """Set tab, panes and page; return how many points below the top of row `first` each chart stands. charts:
        height of each.
        """
        sheet, tables, opened = self.worksheet, self.sheet.tables, self.measured.opened
        sheet.set_tab_color(look.RESULT_TABS[self.sheet.group])
        sheet.hide_gridlines(2)
        if self.sheet.hidden:
            sheet.hide()
        if tables and (len(tables) == 1 or self.sheet.group == "decisions"):
            sheet.freeze_panes(self.headers[0] + 1, 1)
        paging = Paging(self.measured.across, opened, self.heights, keys=self.measured.keys)
        beside = Paging(self.measured.across + CHART_CHARACTERS, opened + 1 + CHART_COLUMNS, self.heights)
        if charts and not self.inside and self.sheet.group != "audit":
            sheet.set_zoom(beside.zoom)
        prints_charts = bool(charts) and beside.pages_wide == 1 and not self.inside
        if prints_charts:
            paging = beside
        paging = paging.for_blocks(self.blocks)
        # The header of the one table that is longer than a page goes on; where several are, the title does.
        long = [number for number, block in enumerate(self.blocks) if not paging.holds(block) or len(tables) == 1]
        repeated = (self.headers[long[0]],) * 2 if len(long) == 1 else (0, 1)
        breaks = paging.breaks_before(self.blocks, repeated)
        if prints_charts:
            breaks = paging.every_break(breaks, repeated, self.row, paging.high(0, first) + 2.0 * sum(charts))
            breaks = sorted({min(row, self.tail) if row < self.row else row for row in breaks})
        # Charts that do not print stand from the first row of figures down.
        points = [sum(charts[:number]) for number in range(len(charts))]
        if prints_charts:
            points = paging.clear_of_breaks(first, charts, breaks, repeated)
        area = (self.row - 1, opened - 1) if charts and not prints_charts else None
        if self.sheet.group == "audit" and paging.high(0, self.row) > MOST_AUDIT_PAGES * paging.page:
            area, breaks = (paging.filled(self.row) - 1, opened - 1), []
        set_page(sheet, repeated, breaks, paging, area, self.row)
        if self.sheet.group == "front":
            links = (first for table, (first, _) in zip(tables, self.blocks, strict=True) if table.links)
            beyond = max(0.0, max(map(look.text_width, self.measured.lines_above), default=0.0) - self.measured.across)
            set_one_page(sheet, next(links, self.row), opened + 1 + ceil(beyond / look.DEFAULT_WIDTH))
        return points
