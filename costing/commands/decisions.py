"""Commands that answer what to do: ageing, vats, blend, recipes, price, margins, scenarios, why, sensitivity,
forecast.

Each prints its table, or JSON of all its tables; with `--write` its sheets go into the workbook too.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pandas as pd

import costing
from costing.answers.answer import Answer
from costing.answers.text import text_answer
from costing.commands.source import Source, cautions_of, print_json, write_sheets
from costing.decisions.prices.margins import MARGINS, margins, reversals
from costing.decisions.prices.price_changes import price_increases, price_tables
from costing.decisions.prices.price_findings import check_elasticity, price_findings
from costing.decisions.prices.price_tables import PRICES, release_prices
from costing.errors import Finding, InputError, WorkbookError, errors_in
from costing.files import name_as_text, name_beside, write_file
from costing.graph.arrays import days
from costing.house import House
from costing.inputs.basis import REPLACEMENT
from costing.report.page import REPORT, report_html
from costing.terminal import counted, note, print_findings, tell, text_table
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.price_sheets import CHANGES, price_sheets
from costing.workbook.pages.result_sheet import ResultSheet

Tables = Mapping[str, pd.DataFrame]


def _answer(
    options: argparse.Namespace,
    source: Source,
    tables: Tables,
    shown: Sequence[pd.DataFrame],
    empty: str,
    result_sheets: Callable[[], Sequence[ResultSheet]] | None,
    findings: Sequence[Finding] = (),
) -> int:
    """Print what was found, write its sheets if asked, and return the exit code."""
    print_findings(findings)
    if options.json:
        print_json(tables)
    else:
        full = [text_table(table) for table in shown if len(table)]
        tell("\n\n".join(full) if full else empty)
    wrong = errors_in(findings)
    if wrong and options.write:
        note(f"{counted(len(wrong), 'error')}. Nothing was written.")
    elif result_sheets is not None and options.write:
        made = result_sheets()
        if made:
            write_sheets(options, source, made)
        else:
            note("There is no sheet to write.")
    return 1 if wrong else 0


def own_plan(path: Path) -> pd.DataFrame:
    """A plan of one's own: lot, day, bottles. WorkbookError where the file has no such columns or dates."""
    try:
        frame = pd.read_csv(path, dtype={"lot": str})
        rows = frame[["lot", "bottles"]].assign(day=days(pd.to_datetime(frame["date"], format="%Y-%m-%d")))
        return rows.astype({"bottles": float})
    except (OSError, KeyError, ValueError) as fault:
        msg = f"{path} is no plan ({fault}). Its columns are lot, date (2026-03-31) and bottles."
        raise WorkbookError(msg) from fault


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


def price(options: argparse.Namespace) -> int:
    """Give floor, cost, target and list price of every release to sell."""
    source = Source(options.path)
    wrong = price_findings(source.estate)
    if wrong:
        raise InputError(wrong)
    book, economic = source.both
    replacement = source.on(REPLACEMENT)
    print_findings([one for one in replacement.cautions if one not in economic.cautions], sys.stderr)
    prices = release_prices(book, economic, replacement)
    columns = ["Release", "Channel", "Bottles to sell", "Floor", "Book cost", "Economic cost", "Replacement cost"]
    columns += ["Target", "Target price, net", "Advised list price", "List price in force", "Margin per bottle"]
    if options.elasticity is not None:
        check_elasticity(options.elasticity)
    every = price_tables(book, economic, replacement, options.elasticity) if options.json else {}
    shown = [prices[prices["bottles"] > 0].rename(columns=PRICES)[columns]]
    if options.elasticity is not None and not options.json:
        today = economic.chain.valuation_day
        asked = ["Cuvée", "Format", "Channel", "Net price at list", "Net price, same margin", "Increase"]
        asked += ["Expected bottles", "Expected gain", "Net price of highest gain"]
        changes = price_increases(prices, source.estate, today, options.elasticity)
        shown.append(changes.rename(columns=CHANGES)[asked])
    return _answer(
        options,
        source,
        every,
        shown,
        "Nothing is left to sell, or no sales channel is named.",
        lambda: [sheet for sheet in price_sheets(book, economic, replacement) if sheet.name != "Margins"],
    )


def compare_margins(options: argparse.Namespace) -> int:
    """Compare cuvées by margin and by return on the money tied up."""
    source = Source(options.path)
    book, economic = source.both
    table = margins(book, economic)
    columns = ["cuvee", "format", "margin_total", "of_all", "margin", "rate", "bottles", "net_price", "book_cost"]
    if not options.json:
        for said in reversals(table):
            note(said)
    return _answer(
        options,
        source,
        {"margins": table},
        [table[columns].rename(columns=MARGINS)],
        "No priced sales up to the valuation date.",
        lambda: [sheet for sheet in price_sheets(book, economic, source.on(REPLACEMENT)) if sheet.name == "Margins"],
    )


def scenarios(options: argparse.Namespace) -> int:
    """Run the named scenarios side by side."""
    stems = [name_as_text(path.stem) for path in options.others]
    others = {
        stem if stems.count(stem) == 1 else name_as_text(str(path)): Source(path).house
        for stem, path in zip(stems, options.others, strict=True)
    }
    return show(options, lambda house: house.scenarios(others), ("scenarios_per_bottle",))


def why(options: argparse.Namespace) -> int:
    """Say why a cost moved: from one release to another, or from another workbook to this one."""
    if options.before is None and not (options.first and options.to):
        note("Name two releases or cuvées with --from and --to, or another workbook with --before.")
        return 2
    before = None if options.before is None else Source(options.before).house
    shown = ("why_it_moved", "why_between")
    return show(options, lambda house: house.why(options.first, options.to, before), shown)


def report(options: argparse.Namespace) -> int:
    """Write the report: build-up, flow of cost, margins, prices, verdicts, how sure they are, findings."""
    source = Source(options.path)
    book, economic = source.both
    findings, drawn = list(cautions_of(source.runs)), None
    try:
        drawn = source.house.forecast()
    except InputError as wrong:  # what can't be drawn takes nothing from the other figures
        findings += [one for one in wrong.findings if one not in findings]
    page = report_html(
        book,
        economic,
        findings,
        stamp=f"{dt.datetime.now():%Y-%m-%d %H:%M}, version {costing.__version__}",
        prices=release_prices(book, economic, source.on(REPLACEMENT)),
        drawn=drawn,
    )
    target = write_file(
        options.html or name_beside(source.path.with_suffix(".html"), ".report"),
        page.encode(),
        REPORT,
        inputs=[source.path],
    )
    tell(f"{target} is ready to be opened or printed.")
    return 0
