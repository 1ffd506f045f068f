"""The sheet `Links`: which column of the user's own sheets is read as which column of the library's.

Rule: a row links a column (by its header or letter), or a fixed value, of one of their sheets to a column of ours. A
row with a word of theirs says what that word stands for. A row without `Our sheet` is not read. A sheet that is listed
is read by its links alone, whatever its title.

What it does not do: it looks into none of their sheets (`workbook.linked` does).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from costing.errors import Finding, errors_in, nearest
from costing.inputs.cells import Cells, fold, take_apart
from costing.inputs.headers import did_you_mean, read_headers, readable_name
from costing.inputs.raw import RawTable, column_letter
from costing.inputs.schema import Column, Sheet, sheets
from costing.inputs.translations import needs_unit, unit_factor, units_of

LINKS = "links"


@dataclass(frozen=True, slots=True)
class Link:
    """One column of ours and where it comes from. place: row of Links; theirs: header or letter of their column;
    factor: one of their unit in ours.
    """

    place: str
    column: Column
    theirs: str = ""
    factor: float = 1.0
    fixed: str = ""


@dataclass(frozen=True, slots=True)
class LinkedSheet:
    """Their sheet read as one of ours. first_row: first row of its data, from 1; words: ours by column and folded
    word of theirs; places: the cell of Links that names each column of theirs.
    """

    title: str
    sheet: Sheet
    first_row: int
    links: tuple[Link, ...]
    words: dict[tuple[str, str], str]


@dataclass
class Links:
    """All links of a workbook. listed: titles of their sheets that stand on Links, folded, read or not;
    named: library names of the sheets that they are read as, rightly linked or not.
    """

    sheets: list[LinkedSheet] = field(default_factory=list)
    listed: dict[str, str] = field(default_factory=dict)
    named: set[str] = field(default_factory=set)
    findings: list[Finding] = field(default_factory=list)

    def of(self, title: str) -> list[LinkedSheet]:
        """Links of one of their sheets, one for each of ours that it is read as."""
        return [linked for linked in self.sheets if fold(linked.title) == fold(title)]


@dataclass(frozen=True, slots=True)
class _Row:
    place: str
    letters: dict[str, str]
    cells: dict[str, str]

    def __getattr__(self, name: str) -> str:
        return self.cells.get(name, "")

    def at(self, column: str) -> str:
        return f"{self.place.partition('!')[0]}!{self.letters.get(column, '')}{self.place.partition('!')[2]}"

    def finding(self, column: str, rule: str, remedy: str) -> Finding:
        return Finding(self.at(column), self.cells.get(column, ""), rule, remedy)


def is_links(title: str) -> bool:
    """Whether a sheet of that title holds links."""
    return readable_name(title) == LINKS


def read_links(tables: Iterable[RawTable], titles: Sequence[str]) -> Links:
    """Links of the sheets that hold some, judged against the titles of the workbook's sheets."""
    links = Links()
    grouped: dict[tuple[str, str], list[_Row]] = {}
    for row in (row for table in tables for row in _rows(table)):
        if not row.their_sheet:
            continue  # the loader says that it is required
        present = next((title for title in titles if fold(title) == fold(row.their_sheet)), "")
        if fold(row.their_sheet) not in links.listed and not present:
            hint = nearest(row.their_sheet, titles) or "Correct its name, or delete its rows here."
            links.findings.append(row.finding("their_sheet", "is no sheet of this workbook.", hint))
        links.listed.setdefault(fold(row.their_sheet), present)
        if not row.sheet:
            continue
        name = readable_name(row.sheet)
        if not name or sheets()[name].owner != "user" or name == LINKS:
            ours = (sheet.title for sheet in sheets().values())
            hint = did_you_mean(row.sheet, ours, "Leave it blank where the sheet is not to be read.")
            links.findings.append(row.finding("sheet", "is no sheet of the library.", hint))
        elif present:
            links.named.add(name)
            grouped.setdefault((present, name), []).append(row)
    for (title, name), rows in grouped.items():
        if linked := _linked(title, sheets()[name], rows, links.findings):
            links.sheets.append(linked)
    return links


def _rows(table: RawTable) -> Iterable[_Row]:
    headers = [str(header) for header in table.frame.columns]
    headings = read_headers(sheets()[LINKS], headers)
    columns: dict[str, Cells] = {}
    letters: dict[str, str] = {}
    for position, heading in enumerate(headings):
        if heading.column and heading.column.name not in columns:
            columns[heading.column.name] = take_apart(table.frame.iloc[:, position])
            letters[heading.column.name] = table.letters.get(headers[position], column_letter(position))
    for row, number in enumerate(np.asarray(table.row_numbers).tolist()):
        cells = {name: text for name, cells in columns.items() if (text := cells.shown(row))}
        if cells:
            yield _Row(f"{table.sheet}!{number}", letters, cells)


def _linked(title: str, sheet: Sheet, rows: Sequence[_Row], findings: list[Finding]) -> LinkedSheet | None:
    links: dict[str, Link] = {}
    words: dict[tuple[str, str], str] = {}
    before = len(errors_in(findings))
    for row in rows:
        if not row.column:
            continue
        column = _column(sheet, row, links)
        if column is None:
            headers = [known.header for known in sheet.columns]
            hint = did_you_mean(row.column, headers, f"They are: {', '.join(headers)}.")
            findings.append(row.finding("column", f"is no column of '{sheet.title}'.", hint))
        elif row.their_word:
            if row.fixed_value:
                words[column.name, fold(row.their_word)] = row.fixed_value
        elif column.name in links:
            rule = f"is linked twice for '{title}', in {links[column.name].place} too."
            findings.append(row.finding("column", rule, "Keep one of the two."))
        else:
            links[column.name] = _link(row, sheet, column, findings)
    if len(errors_in(findings)) > before or not any(link.theirs for link in links.values()):
        return None
    return LinkedSheet(title, sheet, _first_row(rows, findings), tuple(links.values()), words)


def _first_row(rows: Sequence[_Row], findings: list[Finding]) -> int:
    given = {row.first_row: row for row in rows if row.first_row}
    first, *others = given.values() if given else (None,)
    if others:
        rule = f"differs from {first.at('first_row') if first else ''}, which is of the same sheet."
        findings.append(others[0].finding("first_row", rule, "Give the sheet one first row."))
    text = first.first_row if first else "2"
    return int(text) if text.isdecimal() and int(text) > 0 else 2  # the loader says so of one that is no number


def _column(sheet: Sheet, row: _Row, links: dict[str, Link]) -> Column | None:
    """Column by header, title or library name; of two with one header the one that the unit fits."""
    title = fold(row.column)
    named = [candidate for candidate in sheet.columns if title in (fold(candidate.title), candidate.name)]
    named = named or [candidate for candidate in sheet.columns if fold(candidate.header) == title]
    fitting = [candidate for candidate in named if row.unit and unit_factor(sheet, candidate, row.unit) is not None]
    free = [candidate for candidate in fitting or named if candidate.name not in links]
    return next(iter(free or fitting or named), None)


def _link(row: _Row, sheet: Sheet, column: Column, findings: list[Finding]) -> Link:
    factor = 1.0
    if row.unit:
        fits = unit_factor(sheet, column, row.unit)
        if fits is None:
            known = ", ".join(units_of(column))
            remedy = f"It may be {known}." if known else "Leave it blank: the column has no unit."
            findings.append(row.finding("unit", f"does not fit '{column.title}'.", remedy))
        factor = fits or 1.0
    elif row.their_column and needs_unit(column):
        rule = f"names no unit for '{column.header}'."
        findings.append(row.finding("unit", rule, f"Write {' or '.join(units_of(column))}."))
    if not row.their_column and not row.fixed_value:
        rule = f"says neither a column of yours nor a fixed value for '{column.header}'."
        findings.append(row.finding("their_column", rule, "Fill one of them, or delete the row."))
    return Link(row.place, column, row.their_column, factor, "" if row.their_column else row.fixed_value)
