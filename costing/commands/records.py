"""Commands that keep the records and cost them: new, check, run, origins, link, close, open-year."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path

import costing
from costing.accounts.amounts_charged import charged
from costing.accounts.carried_on import carried_on
from costing.accounts.check import out_by, run_check
from costing.accounts.costs import costs
from costing.accounts.origins import bases_behind, made_of_latest, origins_of, origins_of_latest
from costing.accounts.over_time import over_time
from costing.accounts.services import services
from costing.accounts.stock import stock
from costing.answers import catalogue
from costing.answers.answer import Answer, joined_answers
from costing.answers.sums import sheets_compared
from costing.answers.text import text_answer
from costing.commands.adopt import asked_sheet
from costing.commands.source import Source, day_given, write_sheets
from costing.decisions.cash.cash import cash
from costing.decisions.cautions import cautions_of
from costing.decisions.cellar.cheapest_blend import trials
from costing.decisions.cellar.recipes import recipes
from costing.decisions.cellar.reserves import vats
from costing.decisions.changes.scenarios import scenarios_answer
from costing.decisions.changes.why import why_answer
from costing.decisions.closing.closed_years import closed_year_edits
from costing.decisions.closing.closing import close_year, closing_findings, with_closing
from costing.decisions.closing.next_year import left_out, opened
from costing.decisions.front_page import front_page
from costing.decisions.hold_or_release import ageing
from costing.decisions.plan.views import plan_answer
from costing.decisions.prices.margins import margins
from costing.decisions.prices.prices import prices
from costing.errors import Finding, InputError, errors_in
from costing.files import FileKind, name_as_text, write_file
from costing.inputs.basis import ECONOMIC
from costing.inputs.raw import RawTable
from costing.inputs.schema import sheets
from costing.model import Runs, loaded
from costing.terminal import counted, note, print_findings, tell
from costing.workbook.blank.blank import blank_workbook, names_added
from costing.workbook.blank.contents import tables_from_csv, tables_from_estate
from costing.workbook.file.backups import KEPT, keep_closed
from costing.workbook.file.package import open_package
from costing.workbook.file.sheets import read_book
from costing.workbook.following import following_workbook
from costing.workbook.further import with_sheets, write_with_sheets
from costing.workbook.live.link import link
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.closing_sheets import year_end_sheets
from costing.workbook.pages.result_sheet import ResultSheet
from costing.workbook.pages.run_log import logged, read_log


def demo_folder() -> Path:
    """Folder of the demo estate's CSV files: inside the installed package, or beside it in a checkout."""
    here = Path(costing.__file__).parent
    inside = here / "demo_estate"
    return inside if inside.is_dir() else here.parent / "demo_estate"


INVENTED = "An invented estate in an invented region. Any likeness is accidental; prices are illustrative."


def new(options: argparse.Namespace) -> int:
    """Make a workbook: the sheets of a first year, all of them, an example, or further sheets in one that is there."""
    asked = [asked_sheet(title) for title in options.sheet]
    if asked and os.path.exists(options.path):  # noqa: PTH110, no fault where the name can't be one
        package = open_package(options.path)
        content = with_sheets(package, asked, {})
        backup = write_with_sheets(options.path, package, content)
        titles = ", ".join(f"'{sheets()[name].title}'" for name in asked)
        tell(f"{options.path} holds {titles} now, as the last of its sheets. Back-up: {backup} ({KEPT}).")
        return 0
    if options.demo or options.example:
        folder = demo_folder() if options.demo else demo_folder() / options.example
        all_sheets = options.demo or options.all
        blank_workbook(options.path, tables_from_csv(folder), note=INVENTED, names=None if all_sheets else asked)
    else:
        blank_workbook(options.path, names=None if options.all else [*names_added("first year"), *asked])
    first = "It holds an invented estate; next:" if options.demo or options.example else "Fill it, save it, then:"
    tell(f"{options.path} is ready. {first} costing run {options.path}")
    if not (options.demo or options.example or options.all):
        later = len(names_added("when asked")) - len(asked)
        tell(f"{later} more sheets come by name when you need them: costing new {options.path} --sheet Channels")
    return 0


def show_findings(options: argparse.Namespace) -> int:
    """Say everything that is wrong or doubtful."""
    try:
        source = Source(options.path)
        findings = cautions_of(source.runs)
    except InputError as wrong:
        findings = wrong.findings
    errors = errors_in(findings)
    if options.json:
        tell(json.dumps([finding.as_dict() for finding in findings], ensure_ascii=False, indent=1))
    else:
        print_findings(findings, sys.stdout)
        tell(f"{counted(len(errors), 'error')}, {counted(len(findings) - len(errors), 'caution')}.")
    return 1 if errors else 0


def answers_of_run(runs: Runs, cautions: Sequence[Finding], standing: Collection[str] = ()) -> list[Answer]:
    """What a run answers: whether it adds up, costs, stock, where they came from, what became of every row's money.

    standing: sheets of the workbook; those that commands of their own have written are named beside the others.
    """
    for basis in bases_behind(runs):
        runs.on(basis)
    answers = [run_check(runs, cautions)]
    answers += [ask(runs) for ask in (costs, stock, over_time, origins_of_latest, made_of_latest)]
    answers += [ask(runs) for ask in (charged, closed_year_edits)]
    answers += [ask(runs) for ask in (plan_answer, prices, margins, services, cash, ageing, vats, trials)]
    answers += [ask(runs) for ask in (recipes, scenarios_answer, why_answer)]
    answers.insert(0, sheets_compared(joined_answers(answers).tables))
    filled = {catalogue.table(name).sheet for answer in answers for name, frame in answer.tables.items() if len(frame)}
    filled |= {
        name for name in standing if name in catalogue.sheet_plans() and catalogue.sheet_plans()[name].written_by
    }
    waiting = {catalogue.table(next(iter(answer.tables))).sheet: answer.empty for answer in answers if answer.tables}
    return [front_page(runs, cautions, filled, waiting), *answers]


def compute_and_write(options: argparse.Namespace) -> int:
    """Compute all costs, answer every decision whose inputs are there, and write the result sheets."""
    source = Source(options.path)
    runs = source.runs
    cautions = cautions_of(runs)
    answers = answers_of_run(runs, cautions, [sheet.name for sheet in read_book(source.package).sheets])
    written = result_sheets(answers, links=not source.is_folder)
    if options.json:
        tell(joined_answers(answers).to_json())
    else:
        released = costs(runs)
        if len(released["latest_costs"]):
            tell(text_answer(released, ("latest_costs",)))
        else:
            tell(f"{released.empty} Cost of stock:\n")
            tell(text_answer(stock(runs), ("stock_value",)))
        doubtful = counted(len(cautions), "caution")
        tell(f"Reconciled: cost in and out differ by {out_by(runs):.2f} {runs.currency}. {doubtful} (`costing check`).")
    written.append(logged(runs.book, runs.economic, costing.__version__, source.inputs, read_log(source.package)))
    write_sheets(options, source, written)
    return 0


def show_origins(options: argparse.Namespace) -> int:
    """Say where the cost of one release came from."""
    runs = Source(options.path).runs
    answer = origins_of(runs, options.release, ECONOMIC if options.basis == "economic" else runs.book.basis)
    tell(answer.to_json() if options.json else text_answer(answer, ("origins_grouped", "composition")))
    return 0


def follow(options: argparse.Namespace) -> int:
    """Refresh the result sheets of the workbook that is open now."""
    there = [sheet.name for sheet in read_book(open_package(options.path)).sheets]

    def refresh(raw: Sequence[RawTable]) -> Iterator[ResultSheet]:
        runs = Runs(loaded(raw))
        answers = answers_of_run(runs, cautions_of(runs), there)
        return iter(result_sheets(answers, links=True))

    link(options.path, refresh, watch=options.watch, say=note)
    return 0


def close(options: argparse.Namespace) -> int:
    """Freeze stock and its costs at the end of a day."""
    source = Source(options.path)
    on = day_given(options.date, source.estate)
    findings = closing_findings(source.estate, on, again=options.again)
    if errors_in(findings):
        raise InputError(findings)
    frozen = close_year(source.estate, on, source.estate.settings.accounts_approved_on)
    print_findings(findings)
    tables = with_closing(source.estate, frozen)
    tell(text_answer(carried_on(source.runs, frozen, on)))
    written = write_sheets(options, source, year_end_sheets(tables))
    if written.backup:
        note(f"The workbook as closed is kept as {keep_closed(written.path, on)}: no later back-up takes its place.")
    return 0


def open_next(options: argparse.Namespace) -> int:
    """Write the next workbook from a closed year."""
    source = Source(options.path)
    estate = source.estate
    on = day_given(options.date, estate)
    following = opened(estate, on)
    print_findings(left_out(estate, on))
    if source.is_folder:
        note_of_origin = f"Opened from {name_as_text(options.path.name)}, closed on {on}."
        blank_workbook(options.new_path, tables_from_estate(following.estate), note=note_of_origin)
    else:
        content = following_workbook(source.package, estate, following)
        write_file(options.new_path, content, FileKind((options.path.suffix.casefold(),)))
    lots = len(following.estate["opening_stock"])
    tell(f"{options.new_path} opens with {lots} lots as closed on {on}. {options.path} is unchanged.")
    return 0
