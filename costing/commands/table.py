"""Every command once: its verb, what it does, its options and an example stand in `commands.csv` and `options.csv`,
with the tables that a terminal shows; here stands what each asks of the house.

What a command needs is loaded when it runs, so that `--help` answers at once.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from costing.commands.arguments import name, whole_number
from costing.packaged import packaged_rows

if TYPE_CHECKING:
    from costing.answers.answer import Answer
    from costing.house import House

Options = argparse.Namespace
_PATH = "workbook (.xlsx, .xlsm) or folder of CSV files"
_TYPES: Mapping[str, Callable[[str], Any]] = {
    "path": Path,
    "number": float,
    "name": name,
    "from 0": whole_number(0),
    "from 1": whole_number(1),
}


@dataclass(frozen=True)
class Option:
    """An option or a further argument of a command: its flag or name, and what argparse asks of it."""

    name: str
    settings: Mapping[str, Any]


@dataclass(frozen=True)
class Command:
    """A verb. run: what it does, from the options to the exit code; path: what its first argument is."""

    verb: str
    what: str
    run: Callable[[Options], int]
    options: tuple[Option, ...]
    example: str
    path: str


def _plan(house: House, options: Options) -> Answer:
    from costing.commands.decisions import plan_asked

    return plan_asked(house, options)


def _progress(done: int, of: int) -> None:
    """Exact runs made, on a screen only."""
    if sys.stderr.isatty():
        print(f"\r{done} of {of} exact runs", end="" if done < of else "\n", file=sys.stderr, flush=True)


_QUESTIONS: Mapping[str, Callable[[House, Options], Answer]] = {
    "plan": _plan,
    "cash": lambda house, options: house.cash(options.months, planned=options.plan),
    "tirage": lambda house, _: house.tirage(),
    "offers": lambda house, _: house.offers(),
    "ageing": lambda house, _: house.ageing(),
    "vats": lambda house, _: house.vats(),
    "blend": lambda house, _: house.blend(),
    "recipes": lambda house, _: house.recipes(),
    "price": lambda house, options: house.prices(options.elasticity),
    "margins": lambda house, _: house.margins(),
    "services": lambda house, _: house.services(),
    "sensitivity": lambda house, options: house.sensitivity(options.release),
    "forecast": lambda house, options: house.forecast(options.draws, options.seed, _progress),
}
"""What a verb that prints one answer, and writes its sheets when asked, asks of the house."""


def _doing(verb: str, tables: tuple[str, ...]) -> Callable[[Options], int]:
    """What a verb does: it shows the answer to its question, or goes a way of its own. tables: those shown."""

    def show_answer(options: Options) -> int:
        from costing.commands.decisions import show

        return show(options, lambda house: _QUESTIONS[verb](house, options), tables)

    def decide(options: Options) -> int:
        from costing.commands import decisions

        own = {"why": decisions.show_why, "scenarios": decisions.show_scenarios, "report": decisions.report}
        return own[verb](options)

    def keep_records(options: Options) -> int:
        from costing.commands import records
        from costing.commands.adopt import adopt_workbook

        own = {
            "new": records.new,
            "adopt": adopt_workbook,
            "check": records.show_findings,
            "run": records.compute_and_write,
            "origins": records.show_origins,
            "link": records.follow,
            "close": records.close,
            "open-year": records.open_next,
        }
        return own[verb](options)

    if verb in _QUESTIONS:
        return show_answer
    return decide if verb in ("why", "scenarios", "report") else keep_records


def _option(row: Mapping[str, str]) -> Option:
    """An option as a row of `options.csv` describes it."""
    settings: dict[str, Any] = {key: row[key] for key in ("help", "action", "dest", "metavar", "default") if row[key]}
    if row["type"]:
        settings["type"] = _TYPES[row["type"]]
    if row["choices"]:
        settings["choices"] = tuple(row["choices"].split("|"))
    if row["required"]:
        settings["required"] = True
    if row["action"] == "append":
        settings["default"] = []
    return Option(row["name"], settings)


def commands() -> tuple[Command, ...]:
    """Every command, in the order in which help lists them."""
    options = {row["option"]: _option(row) for row in packaged_rows(__package__, "options")}
    return tuple(
        Command(
            row["verb"],
            row["what"],
            _doing(row["verb"], tuple(row["tables"].split())),
            tuple(options[key] for key in row["options"].split()),
            row["example"],
            row["path"] or _PATH,
        )
        for row in packaged_rows(__package__, "commands")
    )
