"""Rows of `Links` for the sheets that a person keeps, and what is doubtful about them.

Rule: each sheet that is like one of ours gives a row for each of its columns, in order: those that are known are
linked, the others are listed and not read. A column of ours that is required and that theirs lacks has a row to be
filled. A word of theirs in a column of words has a row that says which of ours it is. Of two sheets that are like the
same one of ours, without a year or an operation that tells them apart, only the likelier is read.

What it does not do: it writes nothing; it guesses at no unit.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from costing.errors import Finding, caution
from costing.inputs.cells import fold
from costing.inputs.columns import read_number
from costing.inputs.links import LINKS
from costing.inputs.raw import column_letter
from costing.inputs.schema import Column, Sheet, sheets
from costing.inputs.translations import (
    choices_of,
    mixed_word,
    needs_unit,
    our_word,
    unit_factor,
    unit_of,
)
from costing.workbook.adopt.understand import ForeignSheet, Understood, operation_of, understand
from costing.workbook.linked import Header

_MOST_WORDS = 40
Formats = Callable[[str, int], Sequence[str]]
LinkRow = dict[str, object]


@dataclass(frozen=True)
class Proposal:
    """Rows of Links; what is doubtful; library names of the sheets of ours that theirs stand for; number style of their
    texts, blank where they have none.
    """

    links: pd.DataFrame
    findings: tuple[Finding, ...]
    read_as: Mapping[str, tuple[str, ...]]
    number_style: str


def propose(tabs: Sequence[ForeignSheet], formats: Formats) -> Proposal:
    """Links of their sheets. formats: title and row -> number formats of its cells, for the units in them."""
    understood = [(tab, understand(tab)) for tab in tabs]
    findings: list[Finding] = []
    rows: list[LinkRow] = []
    read_as: dict[str, list[str]] = {}
    passed_over = _twins([sheet_read for _, sheet_read in understood if sheet_read], findings)
    for tab, understanding in understood:
        findings += _alphabets(tab, understanding)
        if understanding is None:
            rows.append({"their_sheet": tab.title})
            continue
        is_read = tab.title not in passed_over
        rows += [row if is_read else row | {"sheet": None} for row in _rows(understanding, formats, findings)]
        if is_read:
            read_as.setdefault(understanding.sheet.name, []).append(tab.title)
    names = [column.name for column in sheets()[LINKS].columns]
    frame = pd.DataFrame(rows, columns=names, dtype=object)
    style = _number_style([sheet_read for _, sheet_read in understood if sheet_read])
    return Proposal(frame, tuple(findings), {name: tuple(titles) for name, titles in read_as.items()}, style)


def _twins(understood: Sequence[Understood], findings: list[Finding]) -> set[str]:
    """Titles of sheets that are not read, since another is like the same sheet of ours, and more so."""
    passed: set[str] = set()
    grouped: dict[tuple[str, str], list[Understood]] = {}
    for candidate in understood:
        operation = _operation(candidate)
        grouped.setdefault((candidate.sheet.name, operation), []).append(candidate)
    for group in grouped.values():
        years = [re.findall(r"\d{4}", candidate.tab.title) for candidate in group]
        if len(group) > 1 and all(years) and len({tuple(year) for year in years}) == len(group):
            continue
        best = max(group, key=lambda candidate: candidate.score)
        for candidate in group:
            if candidate is not best:
                passed.add(candidate.tab.title)
                rule = f"looks like '{candidate.sheet.title}', as '{best.tab.title}' does, and is not read."
                remedy = (
                    f"If they are further rows, write {candidate.sheet.title} under Our sheet in its rows of Links."
                )
                findings.append(caution(candidate.tab.title, "", rule, remedy))
    return passed


def _operation(understood: Understood) -> str:
    """Operation that the title of a sheet of movements gives to all of its rows; blank for none."""
    linked = {meaning.column.name for meaning in understood.columns.values()}
    if understood.sheet.name != "movements" or "operation" in linked:
        return ""
    return operation_of(understood.tab.title, understood.sheet.column("operation"))


def _alphabets(tab: ForeignSheet, sheet: Understood | None) -> Iterator[Finding]:
    texts = {column_letter(header.position - 1): header for header in sheet.headers} if sheet else {}
    places = {f"{tab.title}!{letter}{header.row}": header.whole for letter, header in texts.items()} | {
        tab.title: tab.title
    }
    if not sheet:
        for number, row in enumerate(tab.rows[:40], 1):
            cells = ((column_letter(place), cell) for place, cell in enumerate(row) if isinstance(cell, str))
            places |= {f"{tab.title}!{letter}{number}": cell for letter, cell in cells}
    for place, text in places.items():
        if mixed := mixed_word([text]):
            rule = f"is written with letters of two alphabets ({' and '.join(mixed[1])}) that look alike."
            yield caution(place, text, rule, "Type it again, then: costing adopt with --only Links.")


def _rows(understood: Understood, formats: Formats, findings: list[Finding]) -> Iterator[LinkRow]:
    of = {"their_sheet": understood.tab.title, "first_row": understood.first_row}
    our_sheet = of | {"sheet": understood.sheet.title}
    shown = formats(understood.tab.title, understood.first_row)
    linked: dict[str, str] = {}
    for header in understood.headers:
        meaning = understood.columns.get(header.position)
        their_name = _their_name(understood, header, findings)
        if meaning is None:
            yield of | {"their_column": their_name}
            continue
        unit = meaning.unit or _unit_of_format(understood, meaning.column, header, shown)
        linked[meaning.column.name] = unit
        column = meaning.column
        our_column = our_sheet | {"column": _our_name(understood.sheet, column)}
        yield our_column | {"their_column": their_name, "unit": _written(column, unit)}
        for word in _words(understood, column, header):
            yield our_column | {"their_column": their_name, **word}
    for column in understood.sheet.columns:
        if column.name not in linked and column.required:
            fixed = _fixed(understood, column, linked)
            if fixed or not column.default:
                yield our_sheet | {"column": _our_name(understood.sheet, column), "fixed_value": fixed or None}


def _our_name(sheet: Sheet, column: Column) -> str:
    """Header of our column; with its unit where another of the sheet is called so."""
    alike = [candidate for candidate in sheet.columns if candidate.header == column.header]
    return column.header if len(alike) == 1 else column.title


def _their_name(understood: Understood, header: Header, findings: list[Finding]) -> str:
    """Header as Links names it: alone where no other is called so, with its group, or else the letter."""
    letter = column_letter(header.position - 1)
    if (header.position, header.row) in understood.tab.scan.formula_cells:
        place = f"{understood.tab.title}!{letter}{header.row}"
        rule = "is a header computed by a formula, so it may change; Links names its column by its letter."
        findings.append(caution(place, header.whole, rule, "Type the header as text, if it is to be found by it."))
        return letter
    for text in (header.below, header.whole):
        alike = [other for other in understood.headers if fold(text) in (fold(other.below), fold(other.whole))]
        if text and len(alike) == 1 and not unit_of(text):
            return text
    return header.whole if len([other for other in understood.headers if other.whole == header.whole]) == 1 else letter


def _unit_of_format(understood: Understood, column: Column, header: Header, formats: Sequence[str]) -> str:
    """Unit that the number format of the first row shows beside its figures: `0.0" hl"`."""
    shown = formats[header.position - 1] if header.position <= len(formats) else ""
    for text in re.findall(r'"([^"]*)"', shown):
        if unit_of(text) and unit_factor(understood.sheet, column, text) is not None:
            return unit_of(text)
    return ""


def _written(column: Column, unit: str) -> str | None:
    """Unit as Links has it: only where the column's figures may be in several, or where it does not fit."""
    return unit if unit and (needs_unit(column) or unit not in (column.unit, "%")) else None


def _fixed(understood: Understood, column: Column, linked: Mapping[str, str]) -> str:
    """What every row of a column of ours holds that theirs lacks; blank where that is for the person to say."""
    if column.name == "operation" and understood.sheet.name == "movements":
        return operation_of(understood.tab.title, column)
    if column.name == "unit":
        return {"hl": "L", "t": "kg", "q": "kg"}.get(linked.get("quantity", ""), linked.get("quantity", ""))
    return ""


def _words(understood: Understood, column: Column, header: Header) -> Iterator[LinkRow]:
    """Words of theirs in a column of words, each with ours; of an open list only those that are known."""
    if not choices_of(column):
        return
    own = {fold(word) for word in choices_of(column)}
    texts = (cell for cell in understood.cells(header.position, 10_000) if isinstance(cell, str))
    for text in list(dict.fromkeys(text.strip() for text in texts if fold(text) not in own))[:_MOST_WORDS]:
        word = our_word(column, text)
        if word or column.choices:
            yield {"their_word": text, "fixed_value": word or None}


def _number_style(understood: Sequence[Understood]) -> str:
    """Number style of texts that read as numbers in one way only; blank where there are none."""
    styles = []
    for sheet_read in understood:
        for position, meaning in sheet_read.columns.items():
            if meaning.column.type in ("number", "percent"):
                texts = [cell.strip() for cell in sheet_read.cells(position) if isinstance(cell, str)]
                for text in texts:
                    point, comma = (not read_number(text, style)[1] for style in ("point", "comma"))
                    if point != comma:
                        styles.append("comma" if comma else "point")
    return max(set(styles), key=styles.count) if styles else ""
