"""What a reader may be shown, as data: every result column, table, sheet and chart once.

Rule: `columns.csv`, `tables.csv`, `sheets.csv`, `charts.csv` and `report.csv` are the one home of headers, formats,
titles, notes and the order of columns; terminal, JSON, CSV, sheet, page and notebook read them.

Conventions: a column whose name ends with `*` is a family, one column for each stage, lot or scenario: `stage:*`
covers `stage:harvest`, shown under the header with the part after the colon in place of `*`. Columns of a table
stand in order; those before `|` are shown on a screen, all with --wide. `{currency}`, `{day}` and other words in
braces are filled in by the answer. A chart with a panel column is drawn once for each run of equal values in it.

What it does not do: it holds no figure.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from costing.answers.kinds import COLUMN_KINDS
from costing.errors import nearest
from costing.packaged import packaged_rows


@dataclass(frozen=True, slots=True)
class ResultColumn:
    """A result column: name (in JSON and data frames), header, kind (a key of `COLUMN_KINDS`), decimals where they
    differ from the kind's, meaning.
    """

    name: str
    header: str
    kind: str
    decimals: int | None
    meaning: str


@dataclass(frozen=True, slots=True)
class Table:
    """A result table: the sheet it stands on, title, key columns, columns in order, how many of them a screen shows,
    columns with a total.
    """

    name: str
    sheet: str
    title: str
    keys: tuple[str, ...]
    columns: tuple[str, ...]
    on_screen: int
    totals: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SheetPlan:
    """A result sheet: tab name, the question it answers, title, group of tabs, notes."""

    name: str
    question: str
    title: str
    group: str
    notes: tuple[str, ...]
    written_by: str


@dataclass(frozen=True, slots=True)
class ChartPlan:
    """A chart of a table: kind, title, category column, series (columns or families), titles of its axes, the column
    that gives each of its values a chart ("": one chart of all rows), the sheet that it stands on.
    """

    table: str
    kind: str
    panel: str
    title: str
    category: str
    series: tuple[str, ...]
    category_title: str
    value_title: str
    sheet: str


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the report: heading, tables in order, most rows that each shows (None: all)."""

    heading: str
    tables: tuple[str, ...]
    rows: int | None


@cache
def columns() -> MappingProxyType[str, ResultColumn]:
    """Result columns and families by name. ValueError for a kind that there is not."""
    by_name: dict[str, ResultColumn] = {}
    for row in packaged_rows(__package__, "columns"):
        if row["kind"] not in COLUMN_KINDS:
            msg = f"result column '{row['name']}' is of no kind '{row['kind']}'. {nearest(row['kind'], COLUMN_KINDS)}"
            raise ValueError(msg)
        decimals = int(row["decimals"]) if row["decimals"] else None
        by_name[row["name"]] = ResultColumn(row["name"], row["header"], row["kind"], decimals, row["meaning"])
    return MappingProxyType(by_name)


@cache
def column(name: str) -> ResultColumn:
    """The column of that name, from a family where it belongs to one. KeyError with the nearest name."""
    known = columns()
    if name in known:
        return known[name]
    family, _, part = name.partition(":")
    of = known.get(f"{family}:*")
    if of is None:
        msg = f"no result column '{name}' in answers/columns.csv. {nearest(name, known)}".strip()
        raise KeyError(msg)
    return ResultColumn(name, of.header.replace("*", part[:1].upper() + part[1:]), of.kind, of.decimals, of.meaning)


@cache
def tables() -> MappingProxyType[str, Table]:
    """Result tables by name, in the order of their sheets."""
    by_name: dict[str, Table] = {}
    for row in packaged_rows(__package__, "tables"):
        words = row["columns"].split()
        on_screen = words.index("|") if "|" in words else len(words)
        named = tuple(word for word in words if word != "|")
        keys, totals = tuple(row["keys"].split()), tuple(row["totals"].split())
        by_name[row["name"]] = Table(row["name"], row["sheet"], row["title"], keys, named, on_screen, totals)
    return MappingProxyType(by_name)


def table(name: str) -> Table:
    """The table of that name. KeyError with the nearest name."""
    known = tables()
    if name not in known:
        msg = f"no result table '{name}' in answers/tables.csv. {nearest(name, known)}".strip()
        raise KeyError(msg)
    return known[name]


@cache
def sheet_plans() -> MappingProxyType[str, SheetPlan]:
    """Result sheets by name, in the order of their tabs."""
    by_name: dict[str, SheetPlan] = {}
    for row in packaged_rows(__package__, "sheets"):
        notes = tuple(filter(None, row["notes"].split("¶")))
        by_name[row["name"]] = SheetPlan(
            row["name"], row["question"], row["title"], row["group"], notes, row["written_by"]
        )
    return MappingProxyType(by_name)


@cache
def charts() -> tuple[ChartPlan, ...]:
    """Every chart, in the order in which they stand beside their tables."""
    return tuple(
        ChartPlan(
            row["table"],
            row["kind"],
            row["panel"],
            row["title"],
            row["category"],
            tuple(row["series"].split()),
            row["category_title"],
            row["value_title"],
            row["sheet"] or table(row["table"]).sheet,
        )
        for row in packaged_rows(__package__, "charts")
    )


@cache
def sections() -> tuple[Section, ...]:
    """Parts of the report, in their order."""
    return tuple(
        Section(row["heading"], tuple(row["tables"].split()), int(row["rows"]) if row["rows"] else None)
        for row in packaged_rows(__package__, "report")
    )


def in_order(named: tuple[str, ...], present: list[str]) -> list[str]:
    """Columns of a frame in the order of a table, each family in place of its name."""
    ordered: list[str] = []
    for name in named:
        if name.endswith("*"):
            ordered += [title for title in present if title.startswith(name[:-1])]
        elif name in present:
            ordered.append(name)
    return ordered
