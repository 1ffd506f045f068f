"""Commands that keep the records and cost them: new, check, run, origins, link, close, open-year."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

import costing
from costing.commands.source import Source, cautions_of, print_json, write_sheets
from costing.decisions.closed_years import prior_year_difference
from costing.decisions.closing import close_year, closing_findings, with_closing
from costing.decisions.next_year import open_year
from costing.errors import Finding, InputError, errors_in
from costing.inputs.basis import BOOK, ECONOMIC
from costing.inputs.estate import Estate
from costing.inputs.load import load
from costing.inputs.raw import RawTable
from costing.model import Runs
from costing.results.amounts_charged import amounts_charged
from costing.results.bridge import steps
from costing.results.composition import composition, coverage
from costing.results.origins import grouped_origins, origins
from costing.results.results import Results
from costing.results.stock import stock_values
from costing.terminal import counted, note, print_findings, text_table
from costing.workbook.blank import blank_workbook
from costing.workbook.charged_sheets import charged_sheet
from costing.workbook.closing_sheets import prior_year_sheet, year_end_sheets
from costing.workbook.contents import tables_from_csv, tables_from_estate
from costing.workbook.cost_sheets import cost_sheets, per_bottle, releases_on_both
from costing.workbook.link import link
from costing.workbook.origin_sheets import origin_sheets
from costing.workbook.run_log import logged, read_log
from costing.workbook.stock_sheets import stock_sheets, stock_table
from costing.workbook.write import ResultSheet

STOCK_COLUMNS = ("Lot", "Kind", "Quantity", "Unit", "Book per unit", "Economic per unit", "Coverage")


def demo_folder() -> Path:
    """Return the folder of the demo estate's CSV files: inside the installed package, or beside it in a
    checkout.
    """
    here = Path(costing.__file__).parent
    inside = here / "demo_estate"
    return inside if inside.is_dir() else here.parent / "demo_estate"


def new(options: argparse.Namespace) -> int:
    """Make an empty workbook, or the demo."""
    if options.demo:
        said = "Demo: an invented estate in an invented region. Any likeness is accidental; prices are illustrative."
        blank_workbook(options.path, tables_from_csv(demo_folder()), note=said)
    else:
        blank_workbook(options.path)
    first = "It holds an invented estate; next:" if options.demo else "Fill it, save it, then:"
    print(f"{options.path} is ready. {first} costing run {options.path}")
    return 0


def check(options: argparse.Namespace) -> int:
    """Say everything that is wrong or doubtful."""
    try:
        source = Source(options.path)
        findings = cautions_of(source.estate, source.on(BOOK))
    except InputError as wrong:
        findings = wrong.findings
    errors = errors_in(findings)
    if options.json:
        print(json.dumps([finding.as_dict() for finding in findings], ensure_ascii=False, indent=1))
    else:
        print_findings(findings, sys.stdout)
        print(f"{counted(len(errors), 'error')}, {counted(len(findings) - len(errors), 'caution')}.")
    return 1 if errors else 0


def run_sheets(estate: Estate, runs: Runs, cautions: Sequence[Finding], *, links: bool) -> Iterator[ResultSheet]:
    """Sheets of costs, stock, origins and amounts charged, and of prior-year differences where a year is closed.

    Every run that they need is made at once; the sheets follow one by one.
    """
    book, economic = runs.on(BOOK), runs.on(ECONOMIC)
    for _, basis in steps(BOOK, ECONOMIC, book):
        runs.on(basis)
    prior = prior_year_difference(estate) if len(estate["yearend_stock"]) else None

    def one_by_one() -> Iterator[ResultSheet]:
        yield from cost_sheets(book, economic, cautions)
        yield from stock_sheets(book, economic)
        yield from origin_sheets(economic, runs.on, links=links)
        yield charged_sheet(book, economic, links=links)
        if prior is not None:
            yield prior_year_sheet(*prior)

    return one_by_one()


def _figures(book: Results, economic: Results, cautions: Sequence[Finding]) -> dict[str, pd.DataFrame]:
    """Figures of a run, unrounded: releases, stock, reconciliation, amounts charged, cautions."""
    keys = ["date", "lot", "kind", "stage", "quantity", "unit", "format", "cuvee", "location"]
    stock = stock_values(economic)[keys].assign(
        book_value=stock_values(book)["value"],
        economic_value=stock_values(economic)["value"],
        coverage=stock_table(book, economic)["Coverage"].to_numpy(),
    )
    sides = [one.reconciliation().set_index("line")["amount"].rename(one.basis.name) for one in (book, economic)]
    return {
        "releases": releases_on_both(book, economic),
        "stock": stock,
        "reconciliation": pd.concat(sides, axis=1).reset_index(),
        "amounts_charged": pd.concat(
            [amounts_charged(one).assign(basis=one.basis.name) for one in (book, economic)], ignore_index=True
        ),
        "cautions": pd.DataFrame([one.as_dict() for one in cautions]),
    }


def run(options: argparse.Namespace) -> int:
    """Compute all costs and write the sheets of costs and stock."""
    source = Source(options.path)
    book, economic = source.both
    cautions = cautions_of(source.estate, book)
    latest = per_bottle(book, economic, latest=True)
    result_sheets = list(run_sheets(source.estate, source.runs, cautions, links=not source.is_folder))
    if options.json:
        print_json(_figures(book, economic, cautions))
    else:
        currency = source.estate.settings.currency
        shown = latest[["Cuvée", "Format", "Release", "Disgorged", "Months on lees", "Bottles", "Book per bottle"]]
        shown = shown.assign(
            **{"Economic per bottle": latest["Economic per bottle"], "per 75 cl": latest["Economic per 75 cl"]},
            Coverage=latest["Coverage"],
        )
        if len(shown):
            print(f"Cost per bottle in {currency}: the latest release of each cuvée and format")
            print(text_table(shown))
        else:
            day = np.datetime64(book.chain.valuation_day, "D")
            print(f"No bottles are disgorged by {day}. Cost of stock in {currency}, per litre, bottle or kg:")
            print(text_table(stock_table(book, economic)[list(STOCK_COLUMNS)]) or "Nothing is in stock.")
        difference = max(abs(one.reconciliation()["amount"].iloc[-1]) for one in (book, economic))
        doubtful = counted(len(cautions), "caution")
        print(f"Reconciled to {difference:.0e} {currency} on both bases. {doubtful} (`costing check`).")
    result_sheets.append(logged(book, economic, costing.__version__, source.inputs, read_log(options.path)))
    write_sheets(options, source, result_sheets)
    return 0


def show_origins(options: argparse.Namespace) -> int:
    """Say where the cost of one release came from."""
    source = Source(options.path)
    results = source.on(ECONOMIC if options.basis == "economic" else BOOK)
    lines = origins(results, options.release)
    if options.json:
        print_json(lines)
        return 0
    print(
        f"{options.release}: {lines['total'].sum():,.2f} {source.estate.settings.currency}, {options.basis} basis, "
        f"from {counted(len(lines), 'posting')}"
    )
    for by in (["stage"], ["element"], ["supplier"], ["village"], ["vintage"]):
        grouped = grouped_origins(lines.replace({by[0]: {"": "not a delivery"}}), by)
        grouped = grouped.sort_values("total", ascending=False)
        print("\n" + text_table(grouped))
    made_of = composition(results, [options.release]).assign(share=lambda table: 100 * table["share"])
    shown = made_of[made_of["share"] > 0.05].rename(columns={"share": "%"})[["attribute", "name", "%"]]
    print("\nMade of\n" + text_table(shown))
    print(f"\nCoverage: {coverage(results, [options.release])[0]}")
    return 0


def follow(options: argparse.Namespace) -> int:
    """Refresh the result sheets of the workbook that is open now."""

    def refresh(raw: Sequence[RawTable]) -> Iterator[ResultSheet]:
        estate = load(raw)
        runs = Runs(estate)
        return run_sheets(estate, runs, cautions_of(estate, runs.on(BOOK)), links=True)

    link(options.path, refresh, watch=options.watch, version=costing.__version__, basis="book and economic", say=note)
    return 0


def close(options: argparse.Namespace) -> int:
    """Freeze stock and its costs at the end of a day."""
    source = Source(options.path)
    findings = closing_findings(source.estate, options.date, again=options.again)
    if errors_in(findings):
        raise InputError(findings)
    frozen = close_year(source.estate, options.date, source.estate.settings.accounts_approved_on)
    print_findings(findings, sys.stderr)
    tables = with_closing(source.estate, frozen)
    costs = frozen["yearend_costs"]
    later, gone = costs["incurred_date"].notna(), costs["way_out"].notna()
    print(f"Closed {options.date}: {len(frozen['yearend_stock'])} lots")
    parts = {"Stock": ~later, "Incurred later on it": later & ~gone, "Incurred later on goods gone": gone}
    table = pd.DataFrame({name: costs[which].groupby("basis")["amount"].sum() for name, which in parts.items()})
    table = table.reindex(costs["basis"].unique()).fillna(0.0)
    table["Carried on"] = table.sum(axis=1)
    table.insert(0, f"Basis ({source.estate.settings.currency})", table.index)
    print(text_table(table))
    write_sheets(options, source, year_end_sheets(tables))
    return 0


def open_next(options: argparse.Namespace) -> int:
    """Write the next workbook from a closed year."""
    following = open_year(Source(options.path).estate, options.date)
    said = f"Opened from {options.path.name}, closed on {options.date}."
    blank_workbook(options.new_path, tables_from_estate(following), note=said)
    lots = len(following["opening_stock"])
    print(f"{options.new_path} opens with {lots} lots as closed on {options.date}. {options.path} is unchanged.")
    return 0
