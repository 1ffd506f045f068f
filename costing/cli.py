"""Commands: one verb, few options. Results go to stdout, notes to stderr; exit 1 on errors found, 2 on
misuse.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import costing
from costing.decisions.ageing_tables import VERDICTS, hold_or_release_tables
from costing.decisions.blending import TRIALS, trial_blends
from costing.decisions.closing import close_year, closing_findings, open_year, prior_year_difference, with_closing
from costing.decisions.margins import MARGINS, margins
from costing.decisions.price_findings import price_findings
from costing.decisions.price_tables import PRICES, release_prices
from costing.errors import CostingError, InputError, errors_in
from costing.inputs.basis import BOOK, ECONOMIC, REPLACEMENT, Basis
from costing.inputs.estate import Estate
from costing.inputs.load import load, read_csv_folder
from costing.model import run, trace
from costing.results.composition import composition, coverage
from costing.results.origins import grouped_origins, origins
from costing.results.place_rules import place_cautions
from costing.results.results import Results
from costing.terminal import note, print_findings, print_table, text_table
from costing.workbook.ageing_sheets import ageing_sheets
from costing.workbook.blank import blank_workbook
from costing.workbook.blend_sheets import blend_sheets
from costing.workbook.closing_sheets import OWNED_YEAR_END, prior_year_sheet, year_end_sheets
from costing.workbook.contents import tables_from_csv, tables_from_estate
from costing.workbook.cost_sheets import CAUTION, cost_sheets, per_bottle
from costing.workbook.origin_sheets import origin_sheets
from costing.workbook.package import Package
from costing.workbook.price_sheets import price_sheets
from costing.workbook.read import read_workbook
from costing.workbook.stock_sheets import stock_sheets
from costing.workbook.update import Written, open_source, write_results
from costing.workbook.write import ResultSheet

OWNED_SHEETS = (
    "Run check",
    "Cost per bottle",
    "Cost build-up",
    "Stock value",
    "Roll-forward",
    "Origins",
    "Composition",
    "Bridge",
    "Hold or release",
    "Vats in January",
    "Trials costed",
    "Release prices",
    "Price build-up",
    "Price changes",
    "Margins",
    "Prior-year difference",
    *OWNED_YEAR_END,
)
"""Every name that a result sheet may have."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; return its exit code."""
    options = _parser().parse_args(arguments)
    try:
        return int(options.command(options))
    except InputError as wrong:
        print_findings(wrong.findings, sys.stderr)
        note(f"{len(errors_in(wrong.findings))} errors. Nothing was written.")
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

    new = _verb(verbs, "new", _new, "make an empty workbook, ready to be filled")
    new.add_argument("--demo", action="store_true", help="filled with the invented demo estate")

    _verb(
        verbs,
        "check",
        _check,
        "say everything that is wrong or doubtful in the inputs; writes nothing",
        as_json=True,
    )

    origin = _verb(
        verbs, "origins", _origins, "say where the cost of one release came from, and what it is made of", as_json=True
    )
    origin.add_argument("release", metavar="RELEASE", help="release lot, or any lot on hand")
    origin.add_argument("--basis", choices=("book", "economic"), default="economic", help="default: economic")

    cost = _verb(verbs, "run", _run, "compute all costs and write the result sheets", as_json=True)
    _writing(cost)
    what = "say of every stack on lees whether holding it another year pays"
    _verb(verbs, "ageing", _ageing, what, as_json=True)

    what = "give floor, cost, target and list price of every release to sell, by channel"
    _verb(verbs, "price", _price, what, as_json=True)
    _verb(verbs, "margins", _margins, "compare cuvées by margin and by return on the money tied up", as_json=True)

    _verb(verbs, "blend", _blend, "put the trial blends side by side: cost, composition, what is left", as_json=True)

    close = _verb(verbs, "close", _close, "freeze stock and its costs at the end of a day into the year-end sheets")
    close.add_argument("--date", required=True, type=date.fromisoformat, metavar="YYYY-MM-DD", help="closing date")
    _writing(close)

    opening = _verb(verbs, "open-year", _open_year, "write the next workbook: opening stock as closed, later rows kept")
    opening.add_argument("new_path", type=Path, metavar="NEW", help="workbook to write; it must not exist")
    opening.add_argument("--date", required=True, type=date.fromisoformat, metavar="YYYY-MM-DD", help="closing date")
    return parser


def _verb(
    verbs: Any, name: str, command: Callable[[argparse.Namespace], int], what: str, *, as_json: bool = False
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = verbs.add_parser(name, help=what, description=what[0].upper() + what[1:] + ".")
    parser.add_argument("path", type=Path, metavar="PATH", help="workbook (.xlsx, .xlsm) or folder of CSV files")
    if as_json:
        parser.add_argument("--json", action="store_true", help="print JSON instead of a table")
    parser.set_defaults(command=command)
    return parser


def _writing(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--beside", action="store_true", help="write a file beside the workbook instead of into it")
    parser.add_argument("--ignore-lock", action="store_true", help="write although a lock file says the file is open")
    parser.add_argument(
        "--blank-old-values",
        action="store_true",
        help="empty the stored values of your own formulas that depend on results, until they are recalculated",
    )


def demo_folder() -> Path:
    """Return the folder of the demo estate's CSV files: inside the installed package, or beside it in a
    checkout.
    """
    here = Path(__file__).parent
    inside = here / "demo_estate"
    return inside if inside.is_dir() else here.parent / "demo_estate"


def _new(options: argparse.Namespace) -> int:
    if options.demo:
        note = "Demo: an invented estate in an invented region. Any likeness is accidental; prices are illustrative."
        blank_workbook(options.path, tables_from_csv(demo_folder()), note=note)
    else:
        blank_workbook(options.path)
    print(f"{options.path} is ready. Fill it, save it, then: costing run {options.path}")
    return 0


def read_source(path: Path) -> tuple[Estate, Package]:
    """Return the estate and the package it was read from; the file is read once."""
    package = open_source(path)
    raw = read_csv_folder(path) if path.is_dir() else read_workbook(package)
    return load(raw), package


def _check(options: argparse.Namespace) -> int:
    try:
        estate, _ = read_source(options.path)
        book, _ = run_both(estate)
        findings = [*estate.cautions, *book.cautions, *place_cautions(book)]
    except InputError as wrong:
        findings = wrong.findings
    errors = errors_in(findings)
    if options.json:
        print(json.dumps([finding.as_dict() for finding in findings], ensure_ascii=False, indent=1))
    else:
        print_findings(findings, sys.stdout)
        print(f"{len(errors)} errors, {len(findings) - len(errors)} cautions.")
    return 1 if errors else 0


def run_both(estate: Estate) -> tuple[Results, Results]:
    """Return the estate's results on the book and the economic basis."""
    chain = trace(estate)
    return run(estate, BOOK, chain), run(estate, ECONOMIC, chain)


class Runs:
    """Results of one estate by basis, each computed once."""

    def __init__(self, estate: Estate, *known: Results) -> None:
        self._estate = estate
        self._chain = known[0].chain
        self._known = {results.basis.model_copy(update={"name": ""}): results for results in known}

    def __call__(self, basis: Basis) -> Results:
        """Results on a basis; the name of a basis makes no difference."""
        key = basis.model_copy(update={"name": ""})
        if key not in self._known:
            self._known[key] = run(self._estate, basis, self._chain)
        return self._known[key]


def _origins(options: argparse.Namespace) -> int:
    estate, _ = read_source(options.path)
    results = run(estate, ECONOMIC if options.basis == "economic" else BOOK)
    lines = origins(results, options.release)
    if options.json:
        print(lines.to_json(orient="records", date_format="iso", force_ascii=False, indent=1))
        return 0
    print(
        f"{options.release}: {lines['total'].sum():,.2f} {estate.settings.currency}, {options.basis} basis, "
        f"from {len(lines)} postings"
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


def _run(options: argparse.Namespace) -> int:
    estate, package = read_source(options.path)
    book, economic = run_both(estate)
    runs = Runs(estate, book, economic)
    cautions = [*estate.cautions, *book.cautions, *place_cautions(book)]
    latest = per_bottle(book, economic, latest=True)
    result_sheets = [
        *cost_sheets(book, economic, cautions),
        *stock_sheets(book, economic),
        *ageing_sheets(economic),
        *blend_sheets(book, economic),
        *price_sheets(book, economic, runs(REPLACEMENT)),
        *origin_sheets(economic, runs, links=not options.path.is_dir()),
    ]
    if len(estate["yearend_stock"]):
        result_sheets.append(prior_year_sheet(*prior_year_difference(estate)))
    written = _write(options, package, result_sheets)
    if options.json:
        print(latest.to_json(orient="records", date_format="iso", force_ascii=False, indent=1))
    else:
        shown = latest[
            ["Cuvée", "Format", "Release", "Disgorged", "Months on lees", "Bottles", "Book per bottle"]
        ].assign(
            **{
                "Economic per bottle": latest["Economic per bottle"],
                "per 75 cl": latest["Economic per 75 cl"],
            }
        )
        currency = estate.settings.currency
        print(f"Cost per bottle in {currency}: the latest release of each cuvée and format")
        print(text_table(shown))
        difference = max(abs(one.reconciliation()["amount"].iloc[-1]) for one in (book, economic))
        print(f"Reconciled to {difference:.0e} {currency} on both bases. {len(cautions)} cautions (`costing check`).")
    _report(written)
    return 0


def _ageing(options: argparse.Namespace) -> int:
    estate, _ = read_source(options.path)
    verdicts, by_date, _ = hold_or_release_tables(run(estate, ECONOMIC))
    if options.json:
        both = {"stacks": verdicts, "dates": by_date}
        print(
            json.dumps(
                {key: json.loads(table.to_json(orient="records", date_format="iso")) for key, table in both.items()}
            )
        )
        return 0
    shown = verdicts.rename(columns=VERDICTS)
    columns = ["Lot", "Bottles", "Months on lees", "Best release", "Gain over releasing first", "Verdict"]
    print(text_table(shown[columns]) if len(shown) else "Nothing lies on lees at the valuation date.")
    return 0


def _price(options: argparse.Namespace) -> int:
    estate, _ = read_source(options.path)
    wrong = price_findings(estate)
    if wrong:
        raise InputError(wrong)
    book, economic = run_both(estate)
    prices = release_prices(book, economic, run(estate, REPLACEMENT, book.chain))
    columns = ["Release", "Channel", "Bottles to sell", "Floor", "Book cost", "Economic cost", "Replacement cost"]
    columns += ["Target", "Target price, net", "Advised list price", "List price in force", "Margin per bottle"]
    return print_table(prices, PRICES, columns, options.json, "Nothing is left to sell, or no sales channel is named.")


def _margins(options: argparse.Namespace) -> int:
    estate, _ = read_source(options.path)
    table = margins(*run_both(estate))
    columns = ["Cuvée", "Format", "Bottles sold", "Net price", "Book cost", "Economic cost", "Margin per bottle"]
    columns += ["Average capital per bottle", "Return a year", "Rank per bottle", "Rank by return"]
    return print_table(table, MARGINS, columns, options.json, "No priced sales up to the valuation date.")


def _blend(options: argparse.Namespace) -> int:
    estate, _ = read_source(options.path)
    trials, findings = trial_blends(*run_both(estate))
    print_findings(findings, sys.stderr)
    columns = ["Trial", "Bottles", "Book per bottle at tirage", "Economic per bottle at tirage"]
    columns += ["At market value per bottle", "Reserve", "Second pressing", "Varieties", "Bounds breached"]
    print_table(trials, TRIALS, columns, options.json, "The Trial blends sheet names no lots on hand.")
    return 1 if findings else 0


def _close(options: argparse.Namespace) -> int:
    estate, package = read_source(options.path)
    frozen = close_year(estate, options.date)
    print_findings(closing_findings(estate, options.date), sys.stderr)
    tables = with_closing(estate, frozen, options.date)
    written = _write(options, package, year_end_sheets(tables))
    costs = frozen["yearend_costs"].groupby("basis")["amount"].sum()
    currency = estate.settings.currency
    print(f"Closed {options.date}: {len(frozen['yearend_stock'])} lots")
    for basis, amount in costs.items():
        print(f"  {basis}: {amount:,.2f} {currency}")
    _report(written)
    return 0


def _open_year(options: argparse.Namespace) -> int:
    estate, _ = read_source(options.path)
    following = open_year(estate, options.date)
    note = f"Opened from {options.path.name}, closed on {options.date}."
    blank_workbook(options.new_path, tables_from_estate(following), note=note)
    lots = len(following["opening_stock"])
    print(f"{options.new_path} opens with {lots} lots as closed on {options.date}. {options.path} is unchanged.")
    return 0


def _write(options: argparse.Namespace, package: Package, result_sheets: Sequence[ResultSheet]) -> Written:
    return write_results(
        package,
        options.path,
        result_sheets,
        OWNED_SHEETS,
        version=costing.__version__,
        basis="book and economic",
        beside=options.beside,
        ignore_lock=options.ignore_lock,
        strip=options.blank_old_values,
    )


def _report(written: Written) -> None:
    note(f"Results written to {written.path}." + (f" Back-up: {written.backup}." if written.backup else ""))
    if written.old_formulas:
        note("Your formulas that depend on results show old values until the workbook is recalculated:")
        for sheet, cell, formula in written.old_formulas[:20]:
            note(f"  {sheet}!{cell} {formula}")
    note(CAUTION)


if __name__ == "__main__":
    sys.exit(main())
