"""Commands that answer a question: one answer each, printed, or as JSON, or written as sheets.

Each prints its table, or JSON of all its tables; with `--write` its sheets go into the workbook too.
"""

from __future__ import annotations

import argparse
import datetime as dt
from collections.abc import Callable, Sequence
from pathlib import Path

import pandas as pd

import costing
from costing.answers.answer import Answer
from costing.answers.text import text_answer
from costing.commands.source import Source, write_sheets
from costing.errors import WorkbookError, errors_in
from costing.files import name_as_text, name_beside, write_file
from costing.graph.arrays import days
from costing.house import House
from costing.report.page import REPORT
from costing.terminal import counted, note, print_findings, tell
from costing.workbook.pages.answer_sheets import result_sheets


def own_plan(path: Path) -> pd.DataFrame:
    """A plan of one's own: lot, day, bottles. WorkbookError where the file has no such columns or dates."""
    try:
        frame = pd.read_csv(path, dtype={"lot": str})
        rows = frame[["lot", "bottles"]].assign(day=days(pd.to_datetime(frame["date"], format="%Y-%m-%d")))
        return rows.astype({"bottles": float})
    except (OSError, KeyError, ValueError) as fault:
        msg = f"{path} is no plan ({fault}). Its columns are lot, date (2026-03-31) and bottles."
        raise WorkbookError(msg) from fault


def plan_asked(house: House, options: argparse.Namespace) -> Answer:
    """The plan, in whole campaigns or not, or under every scenario. WorkbookError where both are asked for."""
    own = None if options.own is None else own_plan(options.own)
    if not options.futures:
        return house.plan(options.without, own, whole_campaigns=options.whole_campaigns)
    if options.whole_campaigns:
        msg = "Scenarios are not planned in whole campaigns: ask for --futures or --whole-campaigns."
        raise WorkbookError(msg)
    return house.futures(options.without, own)


def show(options: argparse.Namespace, ask: Callable[[House], Answer], tables: Sequence[str]) -> int:
    """Print the tables of an answer, or all of it as JSON; write its sheets if asked."""
    source = Source(options.path)
    answer = ask(source.house)
    print_findings(answer.findings)
    tell(answer.to_json() if options.json else text_answer(answer, tables, wide=options.wide))
    wrong = errors_in(answer.findings)
    if wrong and options.write:
        note(f"{counted(len(wrong), 'error')}. Nothing was written.")
    elif options.write:
        sheets = result_sheets([answer])
        if sheets:
            write_sheets(options, source, sheets)
        else:
            note("There is no sheet to write.")
    return 1 if wrong else 0


def show_scenarios(options: argparse.Namespace) -> int:
    """Run the named scenarios side by side."""
    stems = [name_as_text(path.stem) for path in options.others]
    others = {
        stem if stems.count(stem) == 1 else name_as_text(str(path)): Source(path).house
        for stem, path in zip(stems, options.others, strict=True)
    }
    return show(options, lambda house: house.scenarios(others), ("scenarios_per_bottle", "scenarios_stock"))


def show_why(options: argparse.Namespace) -> int:
    """Say why a cost moved: between two releases, between two workbooks, or of every cuvée since last year."""
    if options.before is None and bool(options.first) != bool(options.to):
        note("Name two releases or cuvées, with --from and --to; neither compares every cuvée with last year.")
        return 2
    before = None if options.before is None else Source(options.before).house
    shown = ("why_it_moved", "why_between") if options.first or before else ("why_by_family", "why_by_year")
    return show(options, lambda house: house.why(options.first, options.to, before), shown)


def report(options: argparse.Namespace) -> int:
    """Write the report: what bottles cost, where the cost flowed, margins, prices, verdicts, how sure, findings."""
    source = Source(options.path)
    page = source.house.report(f"{dt.datetime.now():%Y-%m-%d %H:%M}, version {costing.__version__}")
    target = write_file(
        options.html or name_beside(source.path.with_suffix(".html"), ".report"),
        page.encode(),
        REPORT,
        inputs=[source.path],
    )
    tell(f"{target} is ready to be opened or printed.")
    return 0
