"""Every command once: its verb, what it does, what it asks of the house, which tables a terminal shows, its options,
an example.

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

if TYPE_CHECKING:
    from costing.answers.answer import Answer
    from costing.house import House

Options = argparse.Namespace


@dataclass(frozen=True)
class Option:
    """An option or a further argument of a command: its flag or name, and what argparse asks of it."""

    name: str
    settings: Mapping[str, Any]


@dataclass(frozen=True)
class Command:
    """A verb. run: what it does, from the options to the exit code."""

    verb: str
    what: str
    run: Callable[[Options], int]
    options: tuple[Option, ...] = ()
    example: str = ""
    path: str = "workbook (.xlsx, .xlsm) or folder of CSV files"


@dataclass(frozen=True)
class Question:
    """A verb that prints one answer, and writes its sheets when asked. ask: what it asks of the house; tables: those
    that a terminal shows.
    """

    verb: str
    what: str
    ask: Callable[[House, Options], Answer]
    tables: tuple[str, ...]
    options: tuple[Option, ...] = ()
    example: str = ""

    def command(self) -> Command:
        """The same as a command."""

        def run(options: Options) -> int:
            from costing.commands.decisions import show

            return show(options, lambda house: self.ask(house, options), self.tables)

        return Command(self.verb, self.what, run, (JSON, *WRITING, WIDE, WRITE, *self.options), self.example)


def option(name: str, **settings: Any) -> Option:
    """An option with what argparse asks of it."""
    return Option(name, settings)


JSON = option("--json", action="store_true", help="print JSON instead of tables")
WIDE = option("--wide", action="store_true", help="show every column, however wide the screen is")
WRITE = option("--write", action="store_true", help="write the sheets of this command into the workbook")
WRITING = (
    option("--beside", action="store_true", help="write a file beside the workbook instead of into it"),
    option("--ignore-lock", action="store_true", help="write although a lock file says the file is open"),
    option(
        "--blank-old-values",
        action="store_true",
        help="empty the stored values of your own formulas that depend on results, until they are recalculated",
    ),
)
CLOSING_DATE = option(
    "--date", required=True, metavar="DATE", help="closing date, written as on Settings or as 2025-12-31"
)


def _named(flag: str, what: str) -> Option:
    """An option that names a sheet, and may be repeated."""
    return option(flag, action="append", default=[], metavar="SHEET", help=what)


def _records(verb: str) -> Callable[[Options], int]:
    """A command that keeps the records; its room is loaded when it runs."""

    def run(options: Options) -> int:
        from costing.commands import records
        from costing.commands.adopt import adopt_workbook

        doing: Mapping[str, Callable[[Options], int]] = {
            "new": records.new,
            "adopt": adopt_workbook,
            "check": records.check,
            "run": records.run,
            "origins": records.show_origins,
            "link": records.follow,
            "close": records.close,
            "open-year": records.open_next,
        }
        return doing[verb](options)

    return run


def _decisions(verb: str) -> Callable[[Options], int]:
    """A command with a way of its own; its room is loaded when it runs."""

    def run(options: Options) -> int:
        from costing.commands import decisions

        doing: Mapping[str, Callable[[Options], int]] = {
            "why": decisions.why,
            "scenarios": decisions.scenarios,
            "report": decisions.report,
        }
        return doing[verb](options)

    return run


def _plan(house: House, options: Options) -> Answer:
    from costing.commands.decisions import plan_asked

    return plan_asked(house, options)


def _progress(done: int, of: int) -> None:
    """Exact runs made, on a screen only."""
    if sys.stderr.isatty():
        print(f"\r{done} of {of} exact runs", end="" if done < of else "\n", file=sys.stderr, flush=True)


_QUESTIONS = (
    Question(
        "plan",
        "one plan for every lot: what to disgorge and sell this quarter, and why",
        _plan,
        ("release_plan", "quarter_by_channel", "plans_compared", "limits_used", "futures_quarter", "futures_regret"),
        (
            option(
                "--without",
                action="append",
                default=[],
                choices=("places", "disgorging", "supply", "credit"),
                help="leave a kind of limit out; may be repeated",
            ),
            option(
                "--with-plan",
                dest="own",
                type=Path,
                metavar="FILE",
                help="CSV file with lot, date and bottles: what insisting on it costs; lots it does not name stay free",
            ),
            option(
                "--whole-campaigns",
                action="store_true",
                help="disgorge in campaigns of the cost and size on Settings, and say how far from the best",
            ),
            option(
                "--futures",
                action="store_true",
                help="under every scenario instead: what holds whatever comes, and what each plan may lose",
            ),
        ),
        "costing plan estate.xlsx --without places",
    ),
    Question(
        "cash",
        "say how much cash there is month by month, what is owed and owing, and what the bank lends on the stock",
        lambda house, options: house.cash(options.months, planned=options.plan),
        ("cash_by_month", "worst_month", "loans_now"),
        (
            option("--months", type=whole_number(1), default=24, metavar="N", help="months ahead; default: 24"),
            option("--plan", action="store_true", help="as `costing plan` sells, not by the dates of the workbook"),
        ),
        "costing cash estate.xlsx --months 36",
    ),
    Question(
        "tirage",
        "say how many bottles of each cuvée to fill this spring, and how much wine to keep",
        lambda house, _: house.tirage(),
        ("tirage_advice", "reserve_levels", "lees_by_tirage_year"),
        example="costing tirage estate.xlsx --write",
    ),
    Question(
        "offers",
        "say of every offer whether to buy, sell or pass, and the price at which that turns",
        lambda house, _: house.offers(),
        ("offers_judged", "offers_in_blend"),
        example="costing offers estate.xlsx --wide",
    ),
    Question(
        "ageing",
        "say of every stack on lees whether holding it another year pays",
        lambda house, _: house.ageing(),
        ("hold_or_release",),
        example="costing ageing estate.xlsx --write",
    ),
    Question(
        "vats",
        "say of every vat and reserve what it brings used now, kept a year or sold",
        lambda house, _: house.vats(),
        ("vats",),
        example="costing vats estate.xlsx --wide",
    ),
    Question(
        "blend",
        "put the trial blends side by side, and the cheapest blend within their bounds",
        lambda house, _: house.blend(),
        ("trial_blends_costed", "cheapest_blends", "bounds_of_blends"),
        example="costing blend estate.xlsx --write",
    ),
    Question(
        "recipes",
        "cost cuvées not made yet, against what they cost now",
        lambda house, _: house.recipes(),
        ("recipes_costed", "standard_and_actual"),
        example="costing recipes estate.xlsx",
    ),
    Question(
        "price",
        "say what every release to sell must fetch, by channel, and which list prices do not reach it",
        lambda house, options: house.prices(options.elasticity),
        ("release_prices", "price_response"),
        (
            option(
                "--elasticity",
                type=float,
                help="of demand, below -1: tried in place of the price response of every market",
            ),
        ),
        "costing price estate.xlsx --elasticity -3",
    ),
    Question(
        "margins",
        "compare cuvées, channels and years by margin, and by return on the money tied up",
        lambda house, _: house.margins(),
        ("margins", "margins_by_channel", "margins_by_year"),
        example="costing margins estate.xlsx",
    ),
    Question(
        "services",
        "say what to invoice for work on other people's goods, and what it cost",
        lambda house, _: house.services(),
        ("service_margins", "service_invoices", "services_by_kind", "goods_of_others"),
        example="costing services estate.xlsx --write",
    ),
    Question(
        "sensitivity",
        "rank the figures by what 1 % of each does to the cost of a bottle",
        lambda house, options: house.sensitivity(options.release),
        ("tornado", "cells_that_move_most"),
        (option("release", type=name, metavar="RELEASE", help="release, or cuvée: its latest release"),),
        "costing sensitivity estate.xlsx Brut",
    ),
    Question(
        "forecast",
        "draw the uncertain figures many times: how sure costs and verdicts are",
        lambda house, options: house.forecast(options.draws, options.seed, _progress),
        ("verdicts_drawn", "costs_drawn", "doubt_by_figure", "draws_notes"),
        (
            option("--draws", type=whole_number(1), default=10_000, help="default: 10,000"),
            option("--seed", type=whole_number(0), default=1, help="same seed, same figures; default: 1"),
        ),
        "costing forecast estate.xlsx --draws 2000",
    ),
)
_OWN_WAY = (JSON, *WRITING, WIDE, WRITE)
COMMANDS: tuple[Command, ...] = (
    Command(
        "new",
        "make an empty workbook with the sheets of a first year, ready to be filled",
        _records("new"),
        (
            option("--all", action="store_true", help="with every sheet there is"),
            _named("--sheet", "with this sheet too; where the workbook is there, it is added to it. May be repeated"),
            option("--example", choices=("small",), help="an invented estate of 30 rows, to follow with a pencil"),
            option("--demo", action="store_true", help="filled with the invented demo estate"),
        ),
        "costing new --demo demo.xlsx",
        "workbook to write (.xlsx); it must not exist, but with --sheet",
    ),
    Command(
        "adopt",
        "link the sheets of a workbook you keep already, and add those it lacks; yours stay as they are",
        _records("adopt"),
        (
            _named("--only", "write this sheet alone: Links proposes all links anew. May be repeated"),
            WRITING[1],
        ),
        "costing adopt cellar-book.xlsx",
        "workbook that you keep (.xlsx, .xlsm)",
    ),
    Command(
        "check",
        "say everything that is wrong or doubtful in the inputs; writes nothing",
        _records("check"),
        (JSON,),
        "costing check estate.xlsx",
    ),
    Command(
        "run",
        "compute all costs and write the sheets of costs and stock",
        _records("run"),
        (JSON, *WRITING),
        "costing run estate.xlsx",
    ),
    Command(
        "origins",
        "say where the cost of one release came from, and what it is made of",
        _records("origins"),
        (
            JSON,
            option("release", type=name, metavar="RELEASE", help="release lot, or any lot on hand"),
            option("--basis", choices=("book", "economic"), default="economic", help="default: economic"),
        ),
        "costing origins estate.xlsx D25-3-BRUT --basis book",
    ),
    Command(
        "link",
        "refresh the result sheets of the workbook while it is open; saving stays yours",
        _records("link"),
        (option("--watch", action="store_true", help="again on each save"),),
        "costing link estate.xlsx --watch",
        "workbook that is open (.xlsx, .xlsm)",
    ),
    Command(
        "close",
        "freeze stock and its costs at the end of a day into the year-end sheets",
        _records("close"),
        (
            *WRITING,
            option("--again", action="store_true", help="close a date once more; the earlier closing stays"),
            CLOSING_DATE,
        ),
        "costing close estate.xlsx --date 2025-12-31",
    ),
    Command(
        "open-year",
        "write the next workbook: opening stock as closed, later rows kept",
        _records("open-year"),
        (option("new_path", type=Path, metavar="NEW", help="workbook to write; it must not exist"), CLOSING_DATE),
        "costing open-year estate.xlsx next.xlsx --date 2025-12-31",
    ),
    *(question.command() for question in _QUESTIONS[:10]),
    Command(
        "scenarios",
        "run the named scenarios side by side",
        _decisions("scenarios"),
        (
            *_OWN_WAY,
            option(
                "--with",
                dest="others",
                type=Path,
                action="append",
                default=[],
                metavar="PATH",
                help="another workbook (a budget, last month's copy) as one more scenario; may be repeated",
            ),
        ),
        "costing scenarios estate.xlsx --with budget.xlsx",
    ),
    Command(
        "why",
        "say why a cost moved, in parts that add up",
        _decisions("why"),
        (
            *_OWN_WAY,
            option("--from", dest="first", type=name, metavar="RELEASE", help="release or cuvée to start from"),
            option("--to", type=name, metavar="RELEASE", help="where to end; with --before also `stock`"),
            option("--before", type=Path, metavar="PATH", help="another workbook to start from"),
        ),
        "costing why estate.xlsx --from D24-3-BRUT --to D25-3-BRUT",
    ),
    *(question.command() for question in _QUESTIONS[10:]),
    Command(
        "report",
        "write a report to read in a browser or to print: build-up, flow of cost, margins, verdicts, findings",
        _decisions("report"),
        (option("--html", type=Path, metavar="FILE", help="file to write; default: beside the workbook"),),
        "costing report estate.xlsx --html report.html",
    ),
)
