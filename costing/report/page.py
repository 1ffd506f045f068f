"""The report: one self-contained page for a browser, without scripts and without anything from elsewhere; printed,
a few sheets of paper.

Build-up of each cuvée, the flow of cost from grapes to bottles, why the latest bottle costs what it does, margins,
prices, verdicts, how sure the figures are, findings, cautions. Each part is a table that the library has already;
parts with nothing to say are left out.

What it does not do: compute a figure of its own, or write a file.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from html import escape

import numpy as np
import pandas as pd

from costing.accounts.check import policy_table
from costing.answers.answer import Answer
from costing.answers.page import html_table as answer_table
from costing.decisions.changes.years import between_releases, pairs_of_years
from costing.decisions.plan.ageing_tables import hold_or_release_tables
from costing.decisions.prices.margins import MARGINS, margins
from costing.decisions.prices.price_tables import PRICES, next_of_each
from costing.errors import Finding, errors_in
from costing.files import Kind
from costing.graph.arrays import STAGES
from costing.report.pictures import flow_picture, stacked_bars
from costing.results.cost_flow import cost_flow
from costing.results.costs import by_cuvee
from costing.results.coverage import coverage
from costing.results.results import Results
from costing.results.stock import stock_values

TITLE = "What each bottle cost"
BEGINS = f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{TITLE}</title>'
REPORT = Kind((".html", ".htm"), BEGINS.encode())
"""A report as a file: it replaces an earlier one, and nothing else."""
CAUTIONS = (
    "Decision support, not accounting, tax or legal advice. The book basis, excise and labelling follow the local "
    "standard, appellation and tax rules: confirm them with a licensed professional.",
    "Rule sets of place carry a date and a source; the rules in force are those of the place, not of this page.",
    "Tirage sugar sets bottle pressure: above what the bottle is rated for, bottles burst. Follow the glassmaker's "
    "rating and an oenologist.",
    "A planned release is costed like a made one, at planned quantities and today's rates with their yearly change.",
)
PRICES_SHOWN = (
    "release",
    "channel",
    "floor",
    "book",
    "economic",
    "selling",
    "target_price",
    "advised_list",
    "list_price",
    "margin",
)
_MARGIN_NOTE = (
    "<p class='under'>Margin per bottle = net price, after discount and commission − selling cost − book cost.</p>"
)
_PRICE_NOTE = (
    "<p class='under'>The next release is the first one planned, else the latest one made. Margin per bottle is what "
    "the list price leaves after discount, commission, selling cost (work at dispatch and presentation included) "
    "and book cost.</p>"
)
_STYLE = """
:root{color-scheme:light}*{box-sizing:border-box}
body{margin:0 auto;max-width:1180px;padding:26px 30px;color:#2B2B2B;background:#fff;
font:14px/1.45 "Segoe UI","Helvetica Neue",Arial,"DejaVu Sans",sans-serif}
h1{font-size:25px;margin:0 0 2px;color:#6E3B47}h2{font-size:17px;margin:30px 0 8px;color:#6E3B47;
border-bottom:1px solid #D9D0D3;padding-bottom:3px}
h3{font-size:13.5px;margin:10px 0 4px}.pairs{display:grid;grid-template-columns:1fr 1fr;gap:6px 22px}
.pairs div{break-inside:avoid}p{margin:6px 0}.under,.stamp{color:#6B6B6B;font-size:12.5px}
table{border-collapse:collapse;width:100%;font-size:12.5px;font-variant-numeric:tabular-nums}
th{background:#6E3B47;color:#fff;text-align:left;padding:4px 7px;font-weight:600;vertical-align:bottom}
td:first-child{white-space:nowrap}td{padding:3px 7px;border-bottom:1px solid #E8E1E3;vertical-align:top}
td.n,th.n{text-align:right}td.d{white-space:nowrap}tr.total td{font-weight:600;border-top:1px solid #6E3B47}
svg{width:100%;height:auto;display:block;margin:6px 0;font-family:inherit}
ul{margin:6px 0;padding-left:20px}li{margin:2px 0}.caution{color:#9A4B00}
.figures{display:flex;flex-wrap:wrap;gap:10px;margin:14px 0}
.figures div{border:1px solid #D9D0D3;border-radius:4px;padding:8px 14px;min-width:150px}
.figures b{display:block;font-size:19px;color:#6E3B47}
@page{size:A4;margin:11mm}
@media print{body{padding:0;max-width:none;zoom:.66}h2,h3{break-after:avoid}svg,tr,.figures{break-inside:avoid}
thead{display:table-header-group}}
"""


def report_html(
    book: Results,
    economic: Results,
    findings: Sequence[Finding] = (),
    *,
    stamp: str = "",
    prices: pd.DataFrame | None = None,
    drawn: Answer | None = None,
) -> str:
    """The page as text.

    book, economic: results of one estate; findings: of the run; stamp: when and by which version; prices:
    `release_prices` of the estate; drawn: its forecast.
    """
    currency = economic.estate.settings.currency
    day = np.datetime64(book.chain.valuation_day, "D")
    parts = [
        f"<h1>{TITLE}</h1><p class='stamp'>Valued on {day}, amounts in {escape(currency)}. {escape(stamp)}</p>",
        _key_figures(book, economic),
        _build_up(book, economic),
        _flow(economic),
        _why(economic),
        _margins(book, economic),
        _prices(prices),
        _verdicts(economic),
        _drawn(drawn),
        _findings(findings),
        _policies(book),
        "<section><h2>Cautions</h2><ul>" + "".join(f"<li>{escape(one)}</li>" for one in CAUTIONS) + "</ul></section>",
    ]
    return (
        f"{BEGINS}"
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{_STYLE}</style></head>'
        f"<body>{''.join(parts)}</body></html>\n"
    )


def html_table(frame: pd.DataFrame, formats: Mapping[str, str], total: bool = False) -> str:
    """Table of a frame. formats: column -> format of its numbers (`,.2f`, `.1%`), or `date`; total: last row is one."""
    if not len(frame):
        return ""
    head = "".join(f"<th{_right(name in formats)}>{escape(str(name))}</th>" for name in frame.columns)
    body = []
    for at, line in enumerate(frame.itertuples(index=False)):
        cells = "".join(
            f"<td{_class(value, str(name) in formats)}>{escape(_shown(value, formats.get(str(name), '')))}</td>"
            for name, value in zip(frame.columns, line, strict=True)
        )
        body.append(f"<tr{' class=total' if total and at == len(frame) - 1 else ''}>{cells}</tr>")
    return f"<table><thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table>"


def _right(number: bool) -> str:
    return " class=n" if number else ""


def _class(value: object, number: bool) -> str:
    return " class=d" if isinstance(value, pd.Timestamp) else _right(number)


def _shown(value: object, form: str) -> str:
    if value is None or (not isinstance(value, str) and pd.isna(value)):  # type: ignore[call-overload]
        return ""
    if isinstance(value, pd.Timestamp):
        return str(value.date())
    return format(value, form) if form and form != "date" else str(value)


def _section(heading: str, *content: str) -> str:
    if not any(content):
        return ""
    return f"<section><h2>{escape(heading)}</h2>{''.join(content)}</section>"


def _key_figures(book: Results, economic: Results) -> str:
    boxes = [
        (f"{stock_values(book)['value'].sum():,.0f}", "stock at book cost"),
        (f"{stock_values(economic)['value'].sum():,.0f}", "stock with its capital"),
        (f"{economic.solution.capital.sum():,.0f}", "capital charged, plans included"),
        (f"{max(abs(one.reconciliation()['amount'].iloc[-1]) for one in (book, economic)):.2f}", "left unreconciled"),
    ]
    return "<div class='figures'>" + "".join(f"<div><b>{escape(a)}</b>{escape(b)}</div>" for a, b in boxes) + "</div>"


def _build_up(book: Results, economic: Results) -> str:
    mine, theirs = by_cuvee(book), by_cuvee(economic)
    if not len(theirs):
        return ""
    stages = [stage for stage in STAGES if stage in theirs.columns]
    shown = theirs.assign(
        Bottle=[_label(*one) for one in zip(theirs["cuvee"], theirs["format"], strict=True)],
    )
    for stage in stages:
        shown[stage] = shown[stage] * shown["per_75cl"] / shown["per_bottle"]
    both = pd.DataFrame(
        {
            "Cuvée": theirs["cuvee"],
            "Format": theirs["format"],
            "Release": theirs["release"],
            "Disgorged": theirs["disgorged"],
            "Months on lees": theirs["months_on_lees"],
            "Bottles": theirs["bottles"],
            "Book per bottle": mine["per_bottle"],
            "Economic per bottle": theirs["per_bottle"],
            "Economic per 75 cl": theirs["per_75cl"],
            "Coverage": coverage(economic, list(theirs["release"])),
        }
    )
    money = dict.fromkeys(("Book per bottle", "Economic per bottle", "Economic per 75 cl"), ",.2f")
    bars = stacked_bars(
        shown, "Bottle", stages, f"{economic.estate.settings.currency} per 75 cl, economic cost by stage", "per_75cl"
    )
    table = html_table(both, {**money, "Months on lees": ".0f", "Bottles": ",.0f"})
    return _section("Build-up of the latest release of each cuvée", bars, table)


def _label(cuvee: object, bottle_format: object) -> str:
    return str(cuvee) if bottle_format == "bottle" else f"{cuvee}, {bottle_format}"


def _flow(economic: Results) -> str:
    return _section("From grapes to bottles", flow_picture(cost_flow(economic), economic.estate.settings.currency))


def _why(economic: Results) -> str:
    parts = []
    for cuvee, first, second in pairs_of_years(economic):
        shown = ("what_moved", "figure_before", "figure_after", "change_per_bottle", "behind_it")
        parts.append(
            (cuvee, first, second, answer_table("why_by_year", between_releases(economic, first, second), shown))
        )
    if not parts:
        return ""
    blocks = [
        f"<h3>{escape(cuvee)}: {escape(first)} to {escape(second)}</h3>{lines}" for cuvee, first, second, lines in parts
    ]
    return _section(
        "Why the latest bottle costs what it does",
        f"<div class='pairs'>{''.join(f'<div>{one}</div>' for one in blocks)}</div>",
    )


def _margins(book: Results, economic: Results) -> str:
    table = margins(book, economic)
    names = [
        "cuvee",
        "format",
        "margin_total",
        "of_all",
        "margin",
        "rate",
        "bottles",
        "net_price",
        "selling",
        "book_cost",
    ]
    names += ["economic_cost", "margin_percent", "per_kilo", "per_bottle_year", "capital"]
    shown = table[[name for name in names if name in table.columns]].rename(columns=MARGINS)
    formats = {MARGINS[name]: ",.2f" for name in names[2:]}
    formats |= {MARGINS[name]: ",.0f" for name in ("margin_total", "bottles")}
    formats |= {MARGINS[name]: ".1%" for name in ("of_all", "margin_percent", "rate")}
    return _section("Margins of what was sold", html_table(shown, formats), _MARGIN_NOTE if len(shown) else "")


def _prices(prices: pd.DataFrame | None) -> str:
    if prices is None or not len(prices):
        return ""
    shown = next_of_each(prices)[list(PRICES_SHOWN)].rename(columns=PRICES)
    formats = {name: ",.2f" for name in shown.columns if pd.api.types.is_float_dtype(shown[name])}
    return _section("Prices of the next release, by channel", html_table(shown, formats), _PRICE_NOTE)


def _verdicts(economic: Results) -> str:
    table, _, _ = hold_or_release_tables(economic)
    names = ("lot", "verdict", "gain", "bottles", "months_on_lees", "best_release_date", "reason")
    return _section("Hold or release", answer_table("hold_or_release", table, names))


def _drawn(drawn: Answer | None) -> str:
    if drawn is None or not len(drawn.main):
        return ""
    costs = drawn["costs_drawn"]
    costs = costs[~costs["planned"].astype(bool) & (costs["basis"] == "economic")]
    notes = drawn["draws_notes"].itertuples(index=False)
    return _section(
        "How sure the figures are",
        *(f"<p>{escape(sentence)}</p>" for sentence in drawn.says),
        answer_table("costs_drawn", costs),
        answer_table("verdicts_drawn", drawn["verdicts_drawn"]),
        answer_table("doubt_by_cuvee", drawn["doubt_by_cuvee"], caption=drawn.title("doubt_by_cuvee")),
        "<p class='under'>" + escape(". ".join(f"{what}: {value}" for what, value in notes)) + ".</p>",
    )


def _policies(book: Results) -> str:
    table = policy_table(book.estate).drop(columns="policy_setting")
    return f"<section><h2>Policies of the books</h2>{answer_table('policies', table)}</section>"


def _findings(findings: Iterable[Finding]) -> str:
    every = list(findings)
    wrong = errors_in(every)
    listed = "".join(
        f"<li class='{'caution' if one.severity == 'caution' else 'error'}'>{escape(str(one))}</li>" for one in every
    )
    said = f"<p>{len(wrong)} errors, {len(every) - len(wrong)} cautions.</p>"
    return _section("Findings", said, f"<ul>{listed}</ul>" if listed else "")
