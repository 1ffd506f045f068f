"""Every sheet and column of the workbook as data.

The CSV files beside this module say, for each sheet, its columns: header, type, unit, whether required,
default, bounds, choices, what it refers to, meaning and an example. The validator, the blank workbook, its
drop-downs and the documentation are made from them.

Types: `text`, `code` (a key such as a lot), `date`, `number`, `integer`, `percent` (typed in percent points,
held as a fraction) and `choice`. `refers` names the set of keys a code belongs to; a suffix `:new` says that
the column may introduce a new one.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from costing.packaged import packaged_rows
from costing.units import FORMATS_L


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a sheet. `lower` and `upper` are bounds in the unit of the header (percent points for
    percentages); `words` may stand in a column of figures: `rest` for all that is left; `family`: what a difference in
    it is put down to (`price`, `yield`, `loss`, `rates`, `timing`; blank: the plan).
    """

    name: str
    header: str
    type: str
    unit: str
    required: bool
    default: str
    lower: float | None
    upper: float | None
    choices: tuple[str, ...]
    refers: str
    introduces: bool
    meaning: str
    example: str
    words: tuple[str, ...] = ()
    family: str = ""

    @property
    def title(self) -> str:
        """Header as written in a sheet, unit in brackets where its words do not name it already."""
        named = not self.unit or self.unit.casefold() in self.header.casefold().split()
        return self.header if named else f"{self.header} ({self.unit})"


@dataclass(frozen=True, slots=True)
class Sheet:
    """One sheet: its name in the library, its title in the workbook, its owner (user or library), when it comes into a
    workbook (`first year`, `when asked`, `by adopt`, `by a run`), the group that its tab is coloured by, and its
    columns in order.

    Names of columns: entered_once_by, that only one row may have alike (none: any may stand twice); same_row_by, that
    tell a row in two estates for the same one (none: by its order; None: rows are not compared); named_by, that say in
    words what a row is.
    """

    name: str
    title: str
    owner: str
    added: str
    row_is: str
    meaning: str
    tab_group: str
    entered_once_by: tuple[str, ...]
    same_row_by: tuple[str, ...] | None
    named_by: tuple[str, ...]
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """Column of that name; KeyError if there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(name)


@dataclass(frozen=True, slots=True)
class Operation:
    """One operation of the cellar: the sheet it is entered in, the stage it costs in, the kind of lot it
    gives, the exit it means, the drivers that it moves.
    """

    name: str
    sheet: str
    stage: str
    gives: str
    exit: str
    drivers: tuple[str, ...]
    meaning: str


def _bound(text: str) -> float | None:
    return float(text) if text else None


@cache
def lists() -> MappingProxyType[str, tuple[str, ...]]:
    """Closed and open lists of words: kind, stage, element, driver, format."""
    by_list: dict[str, list[str]] = {}
    for row in packaged_rows(__package__, "lists"):
        by_list.setdefault(row["list"], []).append(row["value"])
    by_list["format"] = list(FORMATS_L)
    return MappingProxyType({key: tuple(words) for key, words in by_list.items()})


@cache
def operations() -> MappingProxyType[str, Operation]:
    """Operations by name."""
    by_name: dict[str, Operation] = {}
    for row in packaged_rows(__package__, "operations"):
        drivers = tuple(row.pop("drivers").split("|"))
        name = row.pop("operation")
        by_name[name] = Operation(name, drivers=drivers, **row)
    return MappingProxyType(by_name)


def _choices(text: str) -> tuple[str, ...]:
    words: list[str] = []
    for part in filter(None, text.split("|")):
        head, _, tail = part.partition(":")
        if head == "list":
            words += lists()[tail]
        elif head == "operation":
            words += [name for name, row in operations().items() if tail in ("", row.sheet)]
        else:
            words.append(part)
    return tuple(words)


def _column(row: dict[str, str], header: str = "header") -> Column:
    refers, _, new = row.get("refers", "").partition(":")
    figures = row["type"] == "number"
    return Column(
        row["name"],
        row[header],
        row["type"],
        row.get("unit", ""),
        row.get("required") == "yes",
        row["default"],
        _bound(row["lower"]),
        _bound(row["upper"]),
        () if figures else _choices(row["choices"]),
        refers,
        new == "new",
        row["meaning"],
        row.get("example", ""),
        _choices(row["choices"]) if figures else (),
        row.get("family", ""),
    )


@cache
def sheets() -> MappingProxyType[str, Sheet]:
    """Sheets by name, in workbook order."""
    columns: dict[str, list[Column]] = {}
    for row in packaged_rows(__package__, "columns"):
        columns.setdefault(row["sheet"], []).append(_column(row))
    rows = packaged_rows(__package__, "sheets")
    return MappingProxyType({row["name"]: _sheet(row, tuple(columns[row["name"]])) for row in rows})


def _sheet(row: dict[str, str], columns: tuple[Column, ...]) -> Sheet:
    same_row_by = tuple(row["same_row_by"].split()) or None
    return Sheet(
        row["name"],
        row["sheet"],
        row["owner"],
        row["added"] or ("when asked" if row["owner"] == "user" else "by a run"),
        row["row_is"],
        row["meaning"],
        row["tab_group"],
        tuple(row["entered_once_by"].split()),
        () if same_row_by == ("order",) else same_row_by,
        tuple(row["named_by"].split()),
        columns,
    )


@cache
def settings() -> MappingProxyType[str, Column]:
    """What the Settings sheet may say, by name, each described as a column is."""
    return MappingProxyType({row["name"]: _column(row, "setting") for row in packaged_rows(__package__, "settings")})


@cache
def recipe_figures() -> MappingProxyType[str, Column]:
    """What the Recipes sheet may say of a cuvée not made yet, by name, each described as a column is."""
    return MappingProxyType(
        {row["name"]: _column(row, "figure") for row in packaged_rows(__package__, "recipe_figures")}
    )


@dataclass(frozen=True, slots=True)
class Policy:
    """An accounting policy that a setting chooses: its name, the standard behind it, who should ask their auditor."""

    setting: str
    policy: str
    source: str
    ask: str


@cache
def policies() -> tuple[Policy, ...]:
    """Policies in the order in which they are printed."""
    return tuple(Policy(**row) for row in packaged_rows(__package__, "policies"))
