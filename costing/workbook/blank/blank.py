"""An input workbook made from the schema: empty, or filled with an estate's rows.

Rule: one sheet per schema sheet in its order, headers in row 1, one spreadsheet table on each, named
after the sheet's library name (`movements`). Everything that helps to fill it in comes from the schema:
notes, number formats, drop-downs, bounds.

Conventions: an instructions sheet stands in front and the hidden lists of the drop-downs behind. Closed
lists, dates and bounds are enforced; a name that no table holds yet is questioned but may be kept. Sheets that
come into a workbook later (closed years, links) are left out unless they hold rows. `SPARE_ROWS` empty rows follow the
filled ones, `EMPTY_ROWS` in an empty table.

What it does not do: it never overwrites a file, and it computes nothing.
"""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Collection, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
import xlsxwriter

from costing.errors import WorkbookError
from costing.files import FileKind, write_file
from costing.inputs.columns import Styles
from costing.inputs.headers import read_headers, sheet_name, sheet_title
from costing.inputs.raw import column_letter
from costing.inputs.schema import Column, Sheet, policies, settings, sheets
from costing.workbook.blank.contents import typed_setting
from costing.workbook.blank.instructions import write_instructions
from costing.workbook.blank.lists import Placed, write_lists
from costing.workbook.blank.validations import check_column, check_setting
from costing.workbook.file.sheets import MARK, mark_text
from costing.workbook.pages import look

EMPTY_ROWS, SPARE_ROWS = 30, 10
_CHECKED_ROWS = 5000
_EXPLAINED = ("What it does", "Source")
NEW_INPUT = FileKind((".xlsx",))
FRONT_SHEET = "Answers"


def blank_workbook(
    path: str | Path,
    tables: Mapping[str, pd.DataFrame] | None = None,
    *,
    note: str = "",
    names: Collection[str] | None = None,
) -> None:
    """Write an input workbook, empty or filled.

    tables: frames by sheet title or library name, columns by header or library name, cells as they are
    typed in a sheet (percent points), as `contents` makes them. note: a line on the instructions sheet; names: library
    names of the sheets that stand there without rows too, None for every sheet that may be filled in.

    Raises WorkbookError where the name is not one of a workbook without macros, the file exists already, can't
    be written, or a frame belongs to no sheet.
    """
    write_file(path, blank_bytes(tables, note=note, names=names), NEW_INPUT)


def blank_bytes(
    tables: Mapping[str, pd.DataFrame] | None = None, *, note: str = "", names: Collection[str] | None = None
) -> bytes:
    """Content of the workbook that `blank_workbook` writes. Equal tables give equal bytes."""
    filled = _by_sheet(tables or {})
    wanted = names_added("first year", "when asked") if names is None else names
    titles = {
        name: [title for title in filled.get(name, {}) if title != sheet.title]
        for name, sheet in sheets().items()
        if name in wanted or name in filled
    }
    content = io.BytesIO()
    workbook = _new_workbook(content)
    _write_front(workbook, note)
    write_instructions(workbook, {name: sheets()[name].title for name in titles}, note)
    placed = [
        _write_sheet(workbook, sheets()[name], title, filled.get(name, {}).get(title, pd.DataFrame()))
        for name, further in titles.items()
        for title in (sheets()[name].title, *further)
    ]
    write_lists(workbook, placed)
    workbook.close()
    return content.getvalue()


def further_sheets(
    names: Collection[str],
    tables: Mapping[str, pd.DataFrame],
    present: Sequence[Placed] = (),
    *,
    date_1904: bool = False,
) -> bytes:
    """A workbook of input sheets alone, by library name, to be grafted into another, and the lists of their drop-downs.

    tables: their rows, if any; present: tables that stand in that other workbook, whose names the drop-downs know.
    """
    filled = _by_sheet(tables)
    content = io.BytesIO()
    workbook = _new_workbook(content, date_1904=date_1904)
    placed = [
        _write_sheet(workbook, sheet, sheet.title, filled.get(name, {}).get(sheet.title, pd.DataFrame()))
        for name, sheet in sheets().items()
        if name in names
    ]
    write_lists(workbook, [*present, *placed])
    workbook.close()
    return content.getvalue()


def names_added(*when: str) -> tuple[str, ...]:
    """Library names of the sheets that come into a workbook then, in its order."""
    return tuple(name for name, sheet in sheets().items() if sheet.added in when)


def _new_workbook(content: io.BytesIO, *, date_1904: bool = False) -> Any:
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "date_1904": date_1904}
    workbook = xlsxwriter.Workbook(content, options)
    # The writer stamps the time of day otherwise, and the same tables would give another file.
    workbook.set_properties({"title": "Cost of each bottle: input", "created": dt.datetime(1980, 1, 1)})
    return workbook


def _write_front(workbook: Any, note: str) -> None:
    """The first tab, the library's own: it stands empty until a run fills it, so that the file opens on its answers."""
    worksheet = workbook.add_worksheet(FRONT_SHEET)
    workbook.define_name(f"'{FRONT_SHEET}'!{MARK}", f"={mark_text(FRONT_SHEET)}")
    worksheet.set_tab_color(look.WINE)
    worksheet.hide_gridlines(2)
    worksheet.set_column(0, 0, 110)
    title = workbook.add_format({"bold": True, "font_size": 16, "font_color": look.WINE})
    worksheet.write_string(0, 0, "Answers", title)
    worksheet.write_string(2, 0, "They stand here after the first run:  costing run YOUR-FILE.xlsx")
    worksheet.write_string(4, 0, note)


def _by_sheet(tables: Mapping[str, pd.DataFrame]) -> dict[str, dict[str, pd.DataFrame]]:
    by_sheet: dict[str, dict[str, pd.DataFrame]] = {}
    for key, frame in tables.items():
        name, rule, remedy = sheet_name(key)
        if not name or rule:
            msg = f"'{key}' {rule or 'is no sheet of the library.'} {remedy}".strip()
            raise WorkbookError(msg)
        if len(frame) or name == "settings":
            by_sheet.setdefault(name, {})[sheet_title(key)] = frame
    return by_sheet


def _write_sheet(workbook: Any, sheet: Sheet, title: str, frame: pd.DataFrame) -> Placed:
    worksheet = workbook.add_worksheet(title)
    worksheet.set_tab_color(look.TAB_COLOURS[sheet.tab_group])
    own, explained = sheet.owner == "library", sheet.name == "settings"
    if own:
        workbook.define_name(f"'{title}'!{MARK}", f"={mark_text(title)}")
    columns = _columns(sheet, frame)
    if explained:
        columns = _settings_columns(columns)
    filled = max((len(values) for _, _, values in columns), default=0)
    rows = filled + (0 if explained else SPARE_ROWS if filled else EMPTY_ROWS)
    tallest, widths = 1, []
    for position, (header, column, values) in enumerate(columns):
        number_format = look.input_format(column) if column else "General"
        cell = workbook.add_format(
            _cell_form(column, number_format, computed=own or (explained and header in _EXPLAINED))
        )
        width = _width(header, column, values, number_format)
        tallest = max(tallest, look.header_lines(header, width))
        widths.append(width)
        worksheet.set_column(position, position, width)
        for row in range(rows):
            _write_cell(worksheet, row + 1, position, values[row] if row < len(values) else None, cell, workbook)
        if column and not own:
            worksheet.write_comment(0, position, _note(column), _note_shape(_note(column)))
            check_column(worksheet, position, max(_CHECKED_ROWS, rows), sheet, column)
    if explained:
        (_, _, names), _, (_, _, meanings), *_ = columns
        for row, (name, meaning) in enumerate(zip(names, meanings, strict=True), 1):
            check_setting(worksheet, row, str(name))
            if (lines := look.text_lines(meaning or "", widths[2])) > 1:
                worksheet.set_row(row, 15 * lines)
    worksheet.add_table(
        0, 0, rows, len(columns) - 1,
        {
            "name": _table_name(sheet, title),
            "style": None,
            "columns": [
                {"header": header, "header_format": workbook.add_format(_header_form(column, own))}
                for header, column, _ in columns
            ],
        },
    )  # fmt: skip
    worksheet.set_row(0, 15 * tallest + 4)
    worksheet.freeze_panes(1, 0)
    worksheet.set_landscape()
    worksheet.set_paper(9)
    worksheet.fit_to_pages(1, 0)
    worksheet.repeat_rows(0)
    worksheet.set_margins(left=0.4, right=0.4, top=0.5, bottom=0.6)
    worksheet.set_footer("&L&A&R&P / &N")
    letters = {column.name: column_letter(p) for p, (_, column, _) in enumerate(columns) if column}
    return Placed(sheet, title, letters, {column.name: values for _, column, values in columns if column})


def _columns(sheet: Sheet, frame: pd.DataFrame) -> list[tuple[str, Column | None, list[Any]]]:
    """Header, column and cells of each column: the schema's in order, then columns of the user's own."""
    headers = [str(header) for header in frame.columns]
    headings = read_headers(sheet, headers)
    given: dict[str, tuple[str, list[Any]]] = {}
    further: list[tuple[str, Column | None, list[Any]]] = []
    for position, (header, heading) in enumerate(zip(headers, headings, strict=True)):
        values = [_plain(value) for value in frame.iloc[:, position].astype(object)]
        if heading.column is None or heading.rule or heading.column.name in given:
            further.append((header, None, values))
        else:
            title = heading.column.title if heading.factor == 1.0 else header
            given[heading.column.name] = (title, values)
    known: list[tuple[str, Column | None, list[Any]]] = []
    for column in sheet.columns:
        title, values = given.get(column.name, (column.title, []))
        known.append((title, column, values))
    return known + further


def _settings_columns(
    columns: Sequence[tuple[str, Column | None, list[Any]]],
) -> list[tuple[str, Column | None, list[Any]]]:
    """Every setting with the value given, or its default; rows that name no setting follow."""
    (name_header, name_column, names), (value_header, value_column, values), *_ = columns
    given = dict(zip((str(name).casefold() for name in names), values, strict=False))
    rows: list[tuple[Any, Any, Any, Any]] = []
    sources = {policy.setting: policy.source for policy in policies()}
    for name, setting in settings().items():
        spelt = [key for key in (setting.title.casefold(), name) if key in given]
        value = given.pop(spelt[0]) if spelt else setting.default or None
        rows.append((setting.title, typed_setting(name, value, Styles()), setting.meaning, sources.get(name)))
    rows += [(name, given[str(name).casefold()], None, None) for name in names if str(name).casefold() in given]
    titles, chosen, meanings, standards = (list(cells) for cells in zip(*rows, strict=True))
    return [
        (name_header, name_column, titles),
        (value_header, value_column, chosen),
        (_EXPLAINED[0], None, meanings),
        (_EXPLAINED[1], None, standards),
    ]


def _plain(value: Any) -> Any:
    """Cell of a frame as a blank, a text, a number, a truth or a datetime."""
    if value is None or value is pd.NaT or value is pd.NA or value != value:
        return None
    if isinstance(value, pd.Timestamp):
        return value.to_pydatetime()
    return value.item() if hasattr(value, "item") else value


def _write_cell(worksheet: Any, row: int, column: int, value: Any, cell: Any, workbook: Any) -> None:
    if value is None or value == "":
        worksheet.write_blank(row, column, None, cell)
    elif isinstance(value, bool):
        worksheet.write_boolean(row, column, value, cell)
    elif isinstance(value, (int, float)):
        worksheet.write_number(row, column, value, cell)
    elif isinstance(value, dt.date):
        if cell.num_format != look.CELL_FORMATS["date"]:
            cell = workbook.add_format(
                {"num_format": look.CELL_FORMATS["date"], "align": "left", **_ground(computed=False)}
            )
        worksheet.write_datetime(row, column, value, cell)
    else:
        worksheet.write_string(row, column, str(value), cell)


def _ground(*, computed: bool) -> dict[str, Any]:
    look_of = {
        "border": 1,
        "border_color": look.RESULT_LINE if computed else look.INPUT_LINE,
        "font_color": look.INK,
    }
    return look_of if computed else {"bg_color": look.INPUT_GROUND, **look_of}


def _cell_form(column: Column | None, number_format: str, *, computed: bool) -> dict[str, Any]:
    numeric = column is not None and column.type in ("number", "integer", "percent")
    form = {"num_format": number_format, "valign": "top", **_ground(computed=computed)}
    if numeric:
        return form | {"align": "right"}
    explains = {"font_color": look.FAINT, "text_wrap": True} if computed and column is None else {}
    return form | {"align": "left", **explains}


def _header_form(column: Column | None, own: bool) -> dict[str, Any]:
    form: dict[str, Any] = {"bold": True, "text_wrap": True, "valign": "top", "border": 1}
    if own:
        return form | {"bg_color": look.WINE, "font_color": "white", "border_color": look.RESULT_LINE}
    if column is not None and column.required:
        return form | {"bg_color": look.SLATE, "font_color": "white", "border_color": look.INPUT_LINE}
    return form | {"bg_color": look.SLATE_LIGHT, "font_color": look.INK, "border_color": look.INPUT_LINE}


def _width(header: str, column: Column | None, values: Sequence[Any], number_format: str) -> float:
    shown = [value if not isinstance(value, dt.date) else "2024-09-12" for value in values]
    if column:
        # An empty column has room for its example and the longest word of its list.
        shown += [column.example, max(column.choices, key=len, default="")]
    if column and column.type == "date":
        shown.append("2024-09-12 ")
    widest = look.WIDEST if column else 2 * look.WIDEST
    return look.column_width(header, shown, number_format, widest=widest)


def _table_name(sheet: Sheet, title: str) -> str:
    year = title.removeprefix(sheet.title).strip()
    return f"{sheet.name}_{year}" if year else sheet.name


def _note(column: Column) -> str:
    lines = [f"{column.meaning}."]
    if column.unit:
        lines.append(
            f"In percent points: 1.5 means 1.5 {column.unit}." if "%" in column.unit else f"Unit: {column.unit}."
        )
    if column.choices:
        lines.append(f"One of: {', '.join(column.choices)}.")
    if column.default:
        lines.append(f"Blank: {column.default}.")
    elif not column.required and "blank" not in column.meaning.casefold():
        lines.append("May stay blank.")
    if column.example:
        lines.append(f"Example: {column.example}")
    return "\n".join(lines)


def _note_shape(note: str) -> dict[str, Any]:
    lines = sum(-(-len(line) // 42) for line in note.split("\n"))
    return {"width": 250, "height": 16 * lines + 10, "color": look.INPUT_GROUND, "font_size": 9, "author": ""}
