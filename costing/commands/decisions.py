"""Commands that answer what to do: ageing, vats, blend, recipes, price, margins, scenarios, why, sensitivity,
forecast.

Each prints its table, or JSON of all its tables; with `--write` its sheets go into the workbook too.
"""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from collections.abc import Callable, Mapping, Sequence

import pandas as pd

import costing
from costing.commands.source import Source, cautions_of, print_json, write_sheets
from costing.decisions.ageing_tables import VERDICTS, ageing_findings, hold_or_release_tables
from costing.decisions.blending import TRIALS, lots_on_hand, trial_blends
from costing.decisions.cheapest_blend import CHEAPEST, SHADOWS, cheapest_blends
from costing.decisions.distributions import uncertain_figures
from costing.decisions.figures import STOCK
from costing.decisions.margins import MARGINS, margins, reversals
from costing.decisions.price_changes import price_increases, price_tables
from costing.decisions.price_findings import check_elasticity, price_findings
from costing.decisions.price_tables import PRICES, release_prices
from costing.decisions.recipes import AGAINST_ACTUAL, STANDARD, standard_costs
from costing.decisions.reserves import JANUARY, january_tables
from costing.decisions.scenarios import SCENARIOS, scenario_tables
from costing.decisions.sensitivity import SENSITIVITIES, TORNADO, cell_tables, derivatives_of, tornados
from costing.decisions.uncertainty import forecast
from costing.decisions.uncertainty_tables import uncertainty_tables
from costing.decisions.why import WHY, why_it_moved
from costing.decisions.years import YEARS, between_releases
from costing.errors import Finding, InputError, WorkbookError, errors_in
from costing.inputs.basis import BOOK, ECONOMIC, REPLACEMENT
from costing.report.page import report_html
from costing.terminal import counted, note, print_findings, text_table
from costing.workbook.ageing_sheets import ageing_sheets
from costing.workbook.blend_sheets import trial_sheets, vat_sheets
from costing.workbook.change_sheets import scenario_sheets, sensitivity_sheets, uncertainty_sheets, why_sheets
from costing.workbook.price_sheets import CHANGES, price_sheets
from costing.workbook.recipe_sheets import recipe_sheets
from costing.workbook.write import ResultSheet

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
    print_findings(findings, sys.stderr)
    if options.json:
        print_json(tables)
    else:
        full = [text_table(table) for table in shown if len(table)]
        print("\n\n".join(full) if full else empty)
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


def ageing(options: argparse.Namespace) -> int:
    """Say of every stack on lees whether holding it pays."""
    source = Source(options.path)
    economic = source.on(ECONOMIC)
    verdicts, by_date, _ = hold_or_release_tables(economic)
    columns = ["Lot", "Bottles", "Months on lees", "Best release", "Gain over releasing first", "Verdict"]
    return _answer(
        options,
        source,
        {"stacks": verdicts, "dates": by_date},
        [verdicts.rename(columns=VERDICTS)[columns]],
        "Nothing lies on lees at the valuation date.",
        lambda: ageing_sheets(economic),
        list(ageing_findings(economic)),
    )


def blend(options: argparse.Namespace) -> int:
    """Put the trial blends side by side, with the cheapest blend within their bounds."""
    source = Source(options.path)
    book, economic = source.both
    on_hand = lots_on_hand(book, economic)
    trials, findings = trial_blends(book, economic, on_hand)
    cheapest, shadows, more = cheapest_blends(book, economic, on_hand)
    columns = ["Trial", "Bottles", "Book per bottle at tirage", "Economic per bottle at tirage"]
    columns += ["At market value per bottle", "Reserve", "Second pressing", "Varieties", "Bounds breached"]
    return _answer(
        options,
        source,
        {"trials": trials, "cheapest": cheapest, "bounds": shadows},
        [trials.rename(columns=TRIALS)[columns], cheapest.rename(columns=CHEAPEST), shadows.rename(columns=SHADOWS)],
        "The Trial blends sheet names no lots on hand.",
        lambda: trial_sheets(book, economic),
        [*findings, *more],
    )


def vats(options: argparse.Namespace) -> int:
    """Say of every vat and reserve what it is worth, and what it brings used now, kept a year or sold."""
    source = Source(options.path)
    book, economic = source.both
    on_hand, joined = january_tables(book, economic)
    columns = ["Lot", "Kind", "Litres", "Economic per litre", "Market per litre", "Cost of a year per litre"]
    columns += ["Gain if used now", "Best used in", "Gain if kept a year", "Gain if sold now", "Vintages", "Varieties"]
    return _answer(
        options,
        source,
        {"vats": on_hand, "in_blends": joined},
        [on_hand.rename(columns=JANUARY)[columns]],
        "No must, wine or reserve is on hand at the valuation date.",
        lambda: vat_sheets(book, economic),
    )


def recipes(options: argparse.Namespace) -> int:
    """Cost cuvées not made yet."""
    source = Source(options.path)
    book, economic = source.both
    standard, against = standard_costs(book, economic)
    return _answer(
        options,
        source,
        {"standard": standard, "against_actual": against},
        [standard.rename(columns=STANDARD), against.rename(columns=AGAINST_ACTUAL)],
        "The Recipes sheet is empty.",
        lambda: recipe_sheets(book, economic),
    )


def price(options: argparse.Namespace) -> int:
    """Give floor, cost, target and list price of every release to sell."""
    source = Source(options.path)
    wrong = price_findings(source.estate)
    if wrong:
        raise InputError(wrong)
    book, economic = source.both
    replacement = source.on(REPLACEMENT)
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
    columns = ["Cuvée", "Format", "Bottles sold", "Net price", "Selling cost", "Book cost", "Economic cost"]
    columns += ["Margin per bottle", "Return a year", *(name for name in MARGINS.values() if name.startswith("Rank"))]
    if not options.json:
        for said in reversals(table):
            note(said)
    return _answer(
        options,
        source,
        {"margins": table},
        [table.rename(columns=MARGINS)[columns]],
        "No priced sales up to the valuation date.",
        lambda: [sheet for sheet in price_sheets(book, economic, source.on(REPLACEMENT)) if sheet.name == "Margins"],
    )


def scenarios(options: argparse.Namespace) -> int:
    """Run the named scenarios side by side."""
    source = Source(options.path)
    economic = source.on(ECONOMIC)
    stems = [path.stem for path in options.others]
    others = {
        stem if stems.count(stem) == 1 else str(path): Source(path).on(ECONOMIC)
        for stem, path in zip(stems, options.others, strict=True)
    }
    tables, findings = scenario_tables(source.estate, economic, others)
    shown = tables["releases"]
    if len(shown):
        shown = shown[~shown["planned"].astype(bool)].rename(columns=SCENARIOS).drop(columns=["Planned"])
    return _answer(
        options,
        source,
        tables,
        [shown],
        "The Scenarios sheet is empty.",
        lambda: scenario_sheets(economic, others),
        findings,
    )


def why(options: argparse.Namespace) -> int:
    """Say why a cost moved: from one release to another, or from another workbook to this one."""
    source = Source(options.path)
    if options.before is not None:
        before = Source(options.before).estate
        table = why_it_moved(before, source.estate, options.to or STOCK)
        named = table.rename(columns=WHY)
        moved = {options.to or STOCK: table}
    else:
        if not (options.first and options.to):
            note("Name two releases or cuvées with --from and --to, or another workbook with --before.")
            return 2
        table = between_releases(source.on(ECONOMIC), options.first, options.to)
        named, moved = table.rename(columns=YEARS), None
    return _answer(
        options,
        source,
        {"parts": table},
        [named],
        "Nothing moved.",
        lambda: why_sheets(source.on(ECONOMIC), moved),
    )


def sensitivity(options: argparse.Namespace) -> int:
    """Rank the cells by what 1 % of each does to the cost of a bottle."""
    source = Source(options.path)
    economic = source.on(ECONOMIC)
    derivatives = derivatives_of(economic, [options.release])
    figures, cells = tornados(derivatives)[options.release], cell_tables(derivatives)[options.release]
    return _answer(
        options,
        source,
        {"figures": figures, "cells": cells},
        [figures.rename(columns=TORNADO), cells.head(20).rename(columns=SENSITIVITIES)],
        "No figure moves this cost.",
        lambda: sensitivity_sheets(economic),
    )


def draw(options: argparse.Namespace) -> int:
    """Draw the uncertain figures many times and say how sure costs and verdicts are."""
    source = Source(options.path)

    def progress(done: int, of: int) -> None:
        if sys.stderr.isatty():
            print(f"\r{done} of {of} exact runs", end="" if done < of else "\n", file=sys.stderr, flush=True)

    empty = "The Uncertainty sheet is empty."
    if not len(source.estate["uncertainty"]):
        return _answer(options, source, {}, [], empty, lambda: [])
    found = forecast(source.estate, options.draws, options.seed, progress=progress)
    economic = source.on(ECONOMIC)
    prices = release_prices(source.on(BOOK), economic, source.on(REPLACEMENT))
    tables = uncertainty_tables(found, economic, prices) if found.figures else {}
    shown = [tables[name] for name in ("costs", "shares", "verdicts", "notes") if name in tables]
    if shown:
        shown[0] = shown[0][~shown[0]["Planned"]].drop(columns="Planned")
        note("Releases made. Planned ones and target prices over the draws: --json, or --write for the sheet.")
    return _answer(
        options,
        source,
        tables,
        shown,
        empty,
        lambda: uncertainty_sheets(found, economic, prices),
        uncertain_figures(source.estate)[2],
    )


def report(options: argparse.Namespace) -> int:
    """Write the report: build-up, flow of cost, margins, prices, verdicts, how sure they are, findings."""
    source = Source(options.path)
    book, economic = source.both
    findings, drawn = list(cautions_of(source.estate, book)), {}
    try:
        found = forecast(source.estate, bases=(ECONOMIC,))
        drawn = uncertainty_tables(found, economic) if found.figures else {}
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
    target = options.html or options.path.with_name(f"{options.path.stem}.report.html")
    try:
        target.write_text(page, encoding="utf-8")
    except OSError as fault:
        msg = f"{target} can't be written ({fault.strerror or fault}). Name another file with --html."
        raise WorkbookError(msg) from fault
    print(f"{target} is ready to be opened or printed.")
    return 0
