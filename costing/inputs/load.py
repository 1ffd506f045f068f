"""Raw rows, a folder of CSV files or data frames -> Estate, or every finding at once.

Each sheet is read column by column under the schema: header and unit, sort of value, bounds, choices,
required cells, defaults; then the rules across rows and tables (`checks`). Blank rows and a totals row are
passed over, unknown sheets and columns are left alone. A cell that is wrong has one finding; a rule across
tables is not shown for a row that already has one. Does not open workbooks (`workbook/` hands over
`RawTable`s) and does not follow the wine (`graph/` does).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Flags
from costing.errors import FIRST_PLACES, CostingError, Finding, InputError, WorkbookError, also, caution, errors_in
from costing.inputs import columns
from costing.inputs.cells import LONGEST_SHOWN, Cells, any_totals, display, says_total, take_apart
from costing.inputs.checks import run_checks
from costing.inputs.columns import Fault, Styles
from costing.inputs.csv_folder import read_csv_files
from costing.inputs.currencies import in_estate_currency
from costing.inputs.estate import Estate, Sources, empty_table, joined_rows
from costing.inputs.grape_prices import with_premiums
from costing.inputs.headers import Heading, closest, did_you_mean, read_as, read_headers, sheet_name, sheet_title
from costing.inputs.owners import own_part
from costing.inputs.pool_checks import with_subsidies
from costing.inputs.raw import RawTable, column_letter
from costing.inputs.readable import readable
from costing.inputs.schema import Column, Sheet, sheets
from costing.inputs.settings import read_settings

__all__ = ["RawTable", "load", "read_csv_folder", "read_frames", "read_inputs"]


@dataclass
class _Reading:
    """What is collected while sheets are read."""

    findings: list[Finding] = field(default_factory=list)
    spoilt_cells: set[str] = field(default_factory=set)
    spoilt_tables: set[str] = field(default_factory=set)
    spoilt_titles: set[str] = field(default_factory=set)

    def spoil(self, name: str, table: RawTable) -> None:
        """Say that a sheet could not be read in full."""
        self.spoilt_tables.add(name)
        self.spoilt_titles |= {sheets()[name].title, table.sheet}

    def add(self, finding: Finding) -> None:
        """Keep the finding, unless its cell has one already."""
        cell = "!" in finding.place and finding.place[-1].isdigit()
        if cell and finding.place in self.spoilt_cells:
            return
        self.findings.append(_in_one_line(finding))
        if cell and finding.severity == "error":
            self.spoilt_cells.add(finding.place)


def load(raw: Iterable[RawTable], *, settings_required: bool = True) -> Estate:
    """Raw tables -> validated estate, other people's rows beside its own; cautions stay on it.

    Raises InputError with all findings, cautions included, when there is any error. Without
    `settings_required` a missing Settings sheet means its defaults.
    """
    return own_part(load_whole(raw, settings_required=settings_required))


def load_whole(raw: Iterable[RawTable], *, settings_required: bool = True) -> Estate:
    """The same with everybody's rows in its tables."""
    reading = _Reading()
    grouped = _by_sheet(raw, reading)
    if settings_required and "settings" not in grouped:
        reading.add(
            Finding(
                "Settings",
                "",
                "is missing.",
                "Add the sheet; its two columns 'Setting' and 'Value' may be empty.",
            )
        )
    settings, styles = read_settings(grouped.get("settings", []), reading.add)
    tables: dict[str, pd.DataFrame] = {}
    sources: dict[str, Sources] = {}
    for name, sheet in sheets().items():
        parts = [_read_sheet(sheet, part, styles, reading) for part in grouped.get(name, []) if part.frame.shape[1]]
        tables[name], sources[name] = _joined(name, parts)
    tables["pools"] = with_subsidies(tables["pools"])
    estate = in_estate_currency(Estate(settings, tables, sources))
    _run_checks(estate, reading)
    if errors_in(reading.findings):
        kept = readable(estate, reading.spoilt_tables, reading.spoilt_cells, reading.findings)
        raise InputError(reading.findings, kept)
    return replace(with_premiums(estate), refused={}, cautions=tuple(reading.findings))


def read_inputs(source: Mapping[str, pd.DataFrame] | str | Path) -> Estate:
    """Estate from data frames by sheet, or from a folder of CSV files.

    Raises InputError with every finding, WorkbookError if the source is neither.
    """
    if isinstance(source, Mapping):
        return load(read_frames(source), settings_required=False)
    return load(read_csv_folder(source))


def read_csv_folder(path: str | Path) -> list[RawTable]:
    """Folder of `<sheet>.csv` files (UTF-8, comma or semicolon) -> raw tables; row 1 is the header line.

    Files that name no sheet are left alone; one that nearly does is an error. Raises WorkbookError if it is
    no folder or holds no sheet.
    """
    folder = Path(path)
    if not folder.is_dir():
        msg = f"{folder} is not a folder of CSV files. Name a folder, or read a workbook with `costing run`."
        raise WorkbookError(msg)
    tables = read_csv_files(folder)
    if not tables:
        msg = f"{folder} holds no CSV file named after a sheet, such as settings.csv or deliveries.csv."
        raise WorkbookError(msg)
    return tables


def read_frames(tables: Mapping[str, pd.DataFrame]) -> list[RawTable]:
    """Turn data frames by sheet (library name or title; columns by library name or header) into raw tables.

    Places read as if the frame stood in a sheet with its headers in row 1. Percentages are in percent
    points, as in a sheet. CostingError for what is no data frame.
    """
    tables_read = []
    for key, frame in tables.items():
        if not isinstance(frame, pd.DataFrame):
            msg = f"sheet '{key}' is given as {type(frame).__name__}: give a data frame."
            raise CostingError(msg)
        name = sheet_name(key)[0]
        findings: tuple[Finding, ...] = ()
        if not name:
            remedy = did_you_mean(key, sheets(), f"Sheets are: {', '.join(sheets())}.")
            findings = (Finding(key, "", "is no sheet of the library.", remedy),)
        titles = {column.name: column.title for column in sheets()[name].columns} if name else {}
        headers = [titles.get(str(label), str(label)) for label in frame.columns]
        letters: dict[str, str] = {}
        for position, header in enumerate(headers):
            letters.setdefault(header, column_letter(position))
        plain = frame.set_axis(headers, axis=1)
        tables_read.append(RawTable(sheet_title(key), plain, np.arange(2, len(frame) + 2), letters, findings))
    return tables_read


def _in_one_line(finding: Finding) -> Finding:
    """Finding fit for a terminal, whatever stands in the cells that it quotes."""
    shown = {"value": LONGEST_SHOWN, "place": LONGEST_SHOWN, "rule": 4 * LONGEST_SHOWN, "remedy": 8 * LONGEST_SHOWN}
    return replace(finding, **{part: display(getattr(finding, part), most) for part, most in shown.items()})


def _by_sheet(raw: Iterable[RawTable], reading: _Reading) -> dict[str, list[RawTable]]:
    grouped: dict[str, list[RawTable]] = {}
    for table in raw:
        name, rule, remedy = read_as(table)
        for finding in table.findings:
            reading.add(finding)
        if name and rule:
            reading.add(Finding(table.sheet, "", rule, remedy))
        elif name:
            grouped.setdefault(name, []).append(table)
            if errors_in(table.findings) and not table.frame.shape[1]:
                reading.spoil(name, table)
        elif rule and not table.findings:
            reading.add(caution(table.sheet, "", rule, remedy))
    return grouped


def _run_checks(estate: Estate, reading: _Reading) -> None:
    spoilt_rows = {re.sub(r"![A-Z]*", "!", place) for place in reading.spoilt_cells}
    wrong_rows = {
        name: np.array([f"{sheet}!{row}" in spoilt_rows for sheet, row in zip(source.sheet, source.row, strict=True)])
        for name, source in estate.sources.items()
        if spoilt_rows and len(source.row)
    }
    for finding in run_checks(replace(estate, wrong_rows=wrong_rows), frozenset(reading.spoilt_tables)):
        title = finding.place.split("!")[0]
        spoilt = {title, re.sub(r" \d{4}$", "", title)} & reading.spoilt_titles
        if not spoilt and re.sub(r"![A-Z]*", "!", finding.place) not in spoilt_rows:
            reading.findings.append(_in_one_line(finding))


def _in_a_sentence(meaning: str) -> str:
    return meaning[:1].lower() + meaning[1:]


def _no_sources() -> Sources:
    return Sources(np.array([], dtype=object), np.array([], dtype=np.int64), {})


def _joined(name: str, parts: list[tuple[pd.DataFrame, Sources]]) -> tuple[pd.DataFrame, Sources]:
    if not parts:
        return empty_table(name), _no_sources()
    if len(parts) == 1:
        return parts[0]
    frames = [frame for frame, _ in parts]
    letters: dict[str, str] = {}
    units: dict[str, tuple[str, float]] = {}
    for frame, source in reversed(parts):
        letters |= source.letters
        for title in {str(title) for title in source.sheet[:1]} if len(frame) else set():
            letters |= {f"{title}!{column}": letter for column, letter in source.letters.items()}
            units |= {f"{title}!{column}": unit for column, unit in source.units.items()}
    sheet, row = (np.concatenate([getattr(source, name) for _, source in parts]) for name in ("sheet", "row"))
    some = any(source.hectolitres is not None for _, source in parts)
    typed = [np.zeros(len(frame), bool) if part.hectolitres is None else part.hectolitres for frame, part in parts]
    return joined_rows(frames), Sources(sheet, row, letters, units, np.concatenate(typed) if some else None)


def _read_sheet(sheet: Sheet, raw: RawTable, styles: Styles, reading: _Reading) -> tuple[pd.DataFrame, Sources]:
    headers = [str(header) for header in raw.frame.columns]
    headings = read_headers(sheet, headers)
    present: dict[str, tuple[int, Heading, Cells]] = {}
    reading.spoilt_cells |= {f"{raw.sheet}!{place}" for place in raw.faulty}
    announced: set[str] = set()
    for position, (header, heading) in enumerate(zip(headers, headings, strict=True)):
        if heading.rule:
            letter = raw.letters.get(header, "") if header not in headers[:position] else column_letter(position)
            place = f"{raw.sheet}!{letter}{raw.header_row}"
            reading.add(Finding(place, display(header), heading.rule, heading.remedy))
            reading.spoil(sheet.name, raw)
            announced.add(heading.column.name if heading.column else _nearest_column(sheet, header))
        elif heading.column:
            present[heading.column.name] = position, heading, raw.cells(position)
    if not present and not announced:
        titles = ", ".join(f"'{column.title}'" for column in sheet.columns[:4])
        place, rule = f"{raw.sheet}!{raw.header_row}", f"holds no header of '{sheet.title}'."
        reading.add(Finding(place, "", rule, f"Begin the sheet with its headers: {titles}, and so on."))
        reading.spoil(sheet.name, raw)
        return empty_table(sheet.name), _no_sources()
    rows = _kept_rows(sheet, {name: cells for name, (_, _, cells) in present.items()}, raw.frame)
    source = Sources(
        np.full(len(rows), raw.sheet, dtype=object),
        np.asarray(raw.row_numbers, dtype=np.int64)[rows],
        {name: raw.letters.get(headers[position], "") for name, (position, _, _) in present.items()},
        {name: (heading.unit, heading.factor) for name, (_, heading, _) in present.items() if heading.factor != 1.0},
    )
    table: dict[str, Any] = {}
    for column in sheet.columns:
        if column.name not in present:
            fixed = raw.linked.fixed.get(column.name, "") if raw.linked else ""
            alike = pd.Series([fixed] * len(rows), dtype=object)
            cells, factor, fractions = take_apart(alike) if fixed else Cells(len(rows)), 1.0, None
            if column.required and not column.default and not fixed and column.name not in announced and len(rows):
                reading.add(_missing(sheet, column, raw))
                reading.spoil(sheet.name, raw)
        else:
            position, heading, whole = present[column.name]
            cells, factor = whole.take(rows), heading.factor
            factor *= raw.linked.factors.get(headers[position], 1.0) if raw.linked else 1.0
            mask = raw.percent_formatted.get(headers[position])
            fractions = None if mask is None else np.asarray(mask, dtype=bool)[rows]
        values, faults = columns.read(column, cells, styles, factor, fractions)
        if column.name in present:
            faults += _required(column, values, cells)
            _report(raw.sheet, source, column, cells, faults, reading)
        elif faults and raw.linked:
            place = raw.linked.places[column.name]
            reading.add(Finding(place, raw.linked.fixed[column.name], faults[0].rule, faults[0].remedy))
            reading.spoil(sheet.name, raw)
        table[column.name] = _with_default(column, values)
    frame, hectolitres = _converted(sheet, pd.DataFrame(table))
    return frame, replace(source, hectolitres=hectolitres)


def _missing(sheet: Sheet, column: Column, raw: RawTable) -> Finding:
    meaning = _in_a_sentence(column.meaning)
    if raw.linked:
        rule = f"has no link to the column '{column.title}' of '{sheet.title}'."
        return Finding(raw.sheet, "", rule, f"Add a row to Links: its column, or a fixed value, for {meaning}.")
    return Finding(raw.sheet, "", f"has no column '{column.title}'.", f"Add it: {meaning}.")


def _nearest_column(sheet: Sheet, header: str) -> str:
    """Library name of the column whose header is closest to `header`, or an empty string."""
    near = closest(header.split("(")[0], (column.header for column in sheet.columns))
    return next((column.name for column in sheet.columns if column.header == near), "")


def _kept_rows(sheet: Sheet, columns_present: Mapping[str, Cells], frame: pd.DataFrame) -> NDArray[np.intp]:
    """Positions of rows that are neither blank nor totals (those say so, without a date or another name)."""
    kept, named, dated, totals = (np.zeros(len(frame), dtype=bool) for _ in range(4))
    for name, cells in columns_present.items():
        kept |= cells.filled()
        if cells.dates is not None:
            dated |= ~np.isnat(cells.dates)
        if cells.codes is None:
            continue
        is_total = np.zeros(len(frame), dtype=bool)
        if any_totals(cells.texts):
            is_total = np.array([*map(says_total, cells.texts), False])[cells.codes]
            totals |= is_total
        if sheet.column(name).type not in ("number", "integer", "percent"):
            named |= (cells.codes >= 0) & ~is_total
    if sheet.name == "settings":
        return np.flatnonzero(kept)
    totals &= ~dated & ~named
    bare = np.flatnonzero(kept & ~dated & ~named & ~totals)
    if len(bare) and frame.shape[1] > len(columns_present):  # the word may stand in a column of the user's own
        labels = frame.iloc[bare].to_numpy(dtype=object)
        totals[bare] = [any(isinstance(cell, str) and says_total(cell) for cell in row) for row in labels]
    return np.flatnonzero(kept & ~totals)


def _required(column: Column, values: Any, cells: Cells) -> list[Fault]:
    if not column.required or column.default:
        return []
    rows = np.flatnonzero(np.asarray(pd.isna(values)) & ~cells.filled())
    rule = f"is blank: '{column.title}' is required."
    return [Fault(rows, rule, f"Enter it: {_in_a_sentence(column.meaning)}.")] if len(rows) else []


def _report(sheet: str, source: Sources, column: Column, cells: Cells, faults: list[Fault], reading: _Reading) -> None:
    letter = source.letters.get(column.name, "")
    for fault in faults:
        cells_of = [f"{letter}{source.row[row]}" for row in fault.rows]
        fresh = [place for place, cell in enumerate(cells_of) if f"{sheet}!{cell}" not in reading.spoilt_cells]
        if len(fresh) <= FIRST_PLACES:
            for place in fresh:
                value = cells.shown(int(fault.rows[place]))
                reading.add(Finding(f"{sheet}!{cells_of[place]}", value, fault.rule, fault.remedy))
            continue
        first, *further = [cells_of[place] for place in fresh]
        value = cells.shown(int(fault.rows[fresh[0]]))
        reading.add(Finding(f"{sheet}!{first}", value, fault.rule + also(further), fault.remedy))
        reading.spoilt_cells |= {f"{sheet}!{cell}" for cell in further}


def _with_default(column: Column, values: Any) -> Any:
    if not column.default:
        return values
    blank = np.asarray(pd.isna(values))
    if not blank.any():
        return values
    if column.type in ("text", "code", "choice"):
        names = [*values.categories, column.default]
        codes = np.where(blank, names.index(column.default), values.codes.astype(np.intp))
        return columns.categorical(codes, names)
    default = float(column.default) / (100.0 if column.type == "percent" else 1.0)
    return np.where(blank, default, values)


def _converted(sheet: Sheet, table: pd.DataFrame) -> tuple[pd.DataFrame, Flags | None]:
    """Quantities given in hectolitres by their Unit column -> litres, and which those are."""
    if "unit" not in table or "hl" not in sheet.column("unit").choices:
        return table, None
    hectolitres = (table["unit"] == "hl").to_numpy()
    if not hectolitres.any():
        return table, None
    units = [*sheet.column("unit").choices]
    codes = np.array([*(units.index("L" if unit == "hl" else unit) for unit in table["unit"].cat.categories), -1])
    unit = columns.categorical(codes[table["unit"].cat.codes.to_numpy()], units)
    quantity = np.where(hectolitres, table["quantity"] * 100.0, table["quantity"])
    return table.assign(unit=unit, quantity=quantity), hectolitres
