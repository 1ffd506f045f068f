"""Commands: one verb, few options. Results go to stdout, notes to stderr; exit 1 on errors found, 2 on
misuse.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import costing
from costing.errors import CostingError, InputError, errors_in
from costing.terminal import counted, note, print_findings
from costing.workbook.cost_sheets import CAUTION

Command = Callable[[argparse.Namespace], int]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code."""
    options = _parser().parse_args(arguments)
    try:
        return int(options.command(options))
    except InputError as wrong:
        print_findings(wrong.findings, sys.stderr)
        note(f"{counted(len(errors_in(wrong.findings)), 'error')}. Nothing was written.")
        return 1
    except CostingError as wrong:
        note(str(wrong))
        return 1
    except BrokenPipeError:  # the reader of a pipe, `head` for one, has seen enough
        sys.stdout = open(os.devnull, "w")  # noqa: PTH123, SIM115
        return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="costing",
        description="What each bottle of traditional-method sparkling wine really cost.",
        epilog=CAUTION,
    )
    parser.add_argument("--version", action="version", version=costing.__version__)
    verbs = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _records(verbs)
    _decisions(verbs)
    return parser


def _date(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError as fault:
        msg = f"'{text}' is no day of the calendar written as 2025-12-31"
        raise argparse.ArgumentTypeError(msg) from fault


def _name(text: str) -> str:
    from costing.inputs.cells import tidy

    return tidy(text)


def _whole(least: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        if not text.isdecimal() or int(text) < least:
            msg = f"'{text}' is no whole number of {least} or more"
            raise argparse.ArgumentTypeError(msg)
        return int(text)

    return read


def _records(verbs: Any) -> None:
    def verb(name: str, what: str, *, as_json: bool = False, writes: bool = False) -> argparse.ArgumentParser:
        return _verb(verbs, "records", name, what, as_json=as_json, writes=writes)

    new = verb("new", "make an empty workbook, ready to be filled")
    new.add_argument("--demo", action="store_true", help="filled with the invented demo estate")
    verb("check", "say everything that is wrong or doubtful in the inputs; writes nothing", as_json=True)
    verb("run", "compute all costs and write the sheets of costs and stock", as_json=True, writes=True)
    origins = verb("origins", "say where the cost of one release came from, and what it is made of", as_json=True)
    origins.add_argument("release", type=_name, metavar="RELEASE", help="release lot, or any lot on hand")
    origins.add_argument("--basis", choices=("book", "economic"), default="economic", help="default: economic")
    link = verb("link", "refresh the result sheets of the workbook while it is open; saving stays yours")
    link.add_argument("--watch", action="store_true", help="again on each save")
    close = verb("close", "freeze stock and its costs at the end of a day into the year-end sheets", writes=True)
    opening = verb("open-year", "write the next workbook: opening stock as closed, later rows kept")
    opening.add_argument("new_path", type=Path, metavar="NEW", help="workbook to write; it must not exist")
    close.add_argument("--again", action="store_true", help="close a date once more; the earlier closing stays")
    for one in (close, opening):
        one.add_argument("--date", required=True, type=_date, metavar="YYYY-MM-DD", help="closing date")


def _decisions(verbs: Any) -> None:
    def verb(name: str, what: str) -> argparse.ArgumentParser:
        parser = _verb(verbs, "decisions", name, what, as_json=True, writes=True)
        parser.add_argument("--wide", action="store_true", help="show every column, however wide the screen is")
        parser.add_argument("--write", action="store_true", help="write the sheets of this command into the workbook")
        return parser

    verb("ageing", "say of every stack on lees whether holding it another year pays")
    verb("vats", "say of every vat and reserve what it brings used now, kept a year or sold")
    verb("blend", "put the trial blends side by side, and the cheapest blend within their bounds")
    verb("recipes", "cost cuvées not made yet, against what they cost now")
    price = verb("price", "give floor, cost, target and list price of every release to sell, by channel")
    price.add_argument("--elasticity", type=float, help="of demand, below -1: what increases would sell")
    verb("margins", "compare cuvées by margin and by return on the money tied up")
    scenarios = verb("scenarios", "run the named scenarios side by side")
    scenarios.add_argument(
        "--with",
        dest="others",
        type=Path,
        action="append",
        default=[],
        metavar="PATH",
        help="another workbook (a budget, last month's copy) as one more scenario; may be repeated",
    )
    why = verb("why", "say why a cost moved, in parts that add up")
    why.add_argument("--from", dest="first", type=_name, metavar="RELEASE", help="release or cuvée to start from")
    why.add_argument("--to", type=_name, metavar="RELEASE", help="where to end; with --before also `stock`")
    why.add_argument("--before", type=Path, metavar="PATH", help="another workbook to start from")
    sensitivity = verb("sensitivity", "rank the figures by what 1 %% of each does to the cost of a bottle")
    sensitivity.add_argument("release", type=_name, metavar="RELEASE", help="release, or cuvée: its latest release")
    forecast = verb("forecast", "draw the uncertain figures many times: how sure costs and verdicts are")
    forecast.add_argument("--draws", type=_whole(1), default=10_000, help="default: 10,000")
    what = "write a report to read in a browser or to print: build-up, flow of cost, margins, verdicts, findings"
    report = _verb(verbs, "decisions", "report", what)
    report.add_argument("--html", type=Path, metavar="FILE", help="file to write; default: beside the workbook")
    forecast.add_argument("--seed", type=_whole(0), default=1, help="same seed, same figures; default: 1")


_FUNCTIONS = {
    "origins": "show_origins",
    "link": "follow",
    "open-year": "open_next",
    "margins": "compare_margins",
    "forecast": "draw",
}


_PATHS = {
    "new": "workbook to write (.xlsx); it must not exist",
    "link": "workbook that is open (.xlsx, .xlsm)",
}


def _verb(
    verbs: Any, module: str, name: str, what: str, *, as_json: bool = False, writes: bool = False
) -> argparse.ArgumentParser:
    said = what[0].upper() + what[1:].replace("%%", "%") + "."  # a description is shown as it stands
    parser: argparse.ArgumentParser = verbs.add_parser(name, help=what, description=said)
    parser.add_argument(
        "path", type=Path, metavar="PATH", help=_PATHS.get(name, "workbook (.xlsx, .xlsm) or folder of CSV files")
    )
    if as_json:
        parser.add_argument("--json", action="store_true", help="print JSON instead of tables")
    if writes:
        _writing(parser)
    parser.set_defaults(command=_command(module, _FUNCTIONS.get(name, name)))
    return parser


def _command(module: str, name: str) -> Command:
    """Load the command when it runs, so that each starts as fast as it can."""

    def run(options: argparse.Namespace) -> int:
        from importlib import import_module

        command: Command = getattr(import_module(f"costing.commands.{module}"), name)
        return command(options)

    return run


def _writing(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--beside", action="store_true", help="write a file beside the workbook instead of into it")
    parser.add_argument("--ignore-lock", action="store_true", help="write although a lock file says the file is open")
    parser.add_argument(
        "--blank-old-values",
        action="store_true",
        help="empty the stored values of your own formulas that depend on results, until they are recalculated",
    )


if __name__ == "__main__":
    sys.exit(main())
