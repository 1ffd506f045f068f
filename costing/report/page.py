"""The report: one self-contained page for a browser, without scripts and without anything from elsewhere; printed,
a few sheets of paper.

Rule: its parts are `answers/report.csv`, each a heading and tables of the answers that terminal and workbook show, with
their columns, charts and sentences. Parts with nothing to say are left out.

What it does not do: compute a figure of its own, or write a file.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from html import escape

import pandas as pd

from costing.accounts.check import out_by, run_check
from costing.accounts.costs import costs
from costing.accounts.origins import made_of_latest
from costing.accounts.over_time import over_time
from costing.accounts.stock import stock
from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.answers.kinds import written
from costing.answers.page import html_table
from costing.decisions.cautions import cautions_of
from costing.decisions.changes.uncertainty_tables import forecast_answer
from costing.decisions.changes.why import why_answer
from costing.decisions.front_page import front_page
from costing.decisions.hold_or_release import ageing
from costing.decisions.prices.margins import margins
from costing.decisions.prices.prices import prices
from costing.errors import Finding, InputError, errors_in
from costing.files import FileKind
from costing.model import Runs
from costing.report.pictures import flow_picture, stacked_bars
from costing.results.cost_flow import cost_flow, flow_lines

TITLE = "What each bottle cost"
BEGINS = f'<!DOCTYPE html><html lang="en"><head><meta charset="utf-8"><title>{TITLE}</title>'
REPORT = FileKind((".html", ".htm"), BEGINS.encode())
"""A report as a file: it replaces an earlier one, and nothing else."""
CAUTIONS = (
    "Decision support, not accounting, tax or legal advice. The book basis, excise and labelling follow the local "
    "standard, appellation and tax rules: confirm them with a licensed professional.",
    "Rule sets of place carry a date and a source; the rules in force are those of the place, not of this page.",
    "Tirage sugar sets bottle pressure: above what the bottle is rated for, bottles burst. Follow the glassmaker's "
    "rating and an oenologist.",
    "A planned release is costed like a made one, at planned quantities and today's rates with their yearly change.",
)
_STYLE = """
:root{color-scheme:light dark;--ink:#2B2B2B;--faint:#5F5F5F;--page:#fff;--wine:#6E3B47;--line:#D9D0D3;--edge:#0000}
*{box-sizing:border-box;print-color-adjust:exact;-webkit-print-color-adjust:exact}
body{margin:0 auto;max-width:1180px;padding:26px 30px;color:var(--ink);background:var(--page);
font:14px/1.45 "Segoe UI","Helvetica Neue",Arial,"DejaVu Sans",sans-serif}
h1{font-size:25px;margin:0 0 2px;color:var(--wine)}h2{font-size:17px;margin:30px 0 8px;color:var(--wine);
border-bottom:1px solid var(--line);padding-bottom:3px}
p{margin:6px 0;max-width:100ch}.under,.stamp{color:var(--faint);font-size:12.5px}
.table{overflow-x:auto;margin:10px 0}
table{border-collapse:collapse;width:100%;font-size:12.5px;font-variant-numeric:tabular-nums}
caption{text-align:left;font-weight:600;padding:4px 0}
th{text-align:left;padding:4px 7px;font-weight:600;vertical-align:bottom}
thead th{background:#6E3B47;color:#fff}
tbody th{white-space:nowrap}td,tbody th{padding:3px 7px;border-bottom:1px solid var(--line);vertical-align:top}
td.n,th.n{text-align:right}td.d{white-space:nowrap}
.picture{overflow-x:auto}svg{width:100%;min-width:960px;height:auto;display:block;margin:6px 0;font-family:inherit}
text{fill:var(--ink);stroke:var(--page);stroke-width:3px;paint-order:stroke}.faint{fill:var(--faint)}
.bars{margin:12px 0;font-size:12.5px}figcaption{font-weight:600;padding:4px 0}
.legend{display:flex;flex-wrap:wrap;gap:2px 14px;margin:0 0 6px 150px}.legend i{display:inline-block;width:11px;
height:11px;margin-right:5px;border:1px solid var(--edge)}
.bars [role=img]>div{display:grid;grid-template-columns:142px 1fr;gap:8px;margin:3px 0}
.bars [role=img]>div>span{text-align:right;overflow:hidden;text-overflow:ellipsis;white-space:nowrap}
.bars [role=img]>div>div{display:flex;padding-right:58px;line-height:19px}
.bars div>i{flex:none;height:19px;container-type:inline-size;text-align:center;font-style:normal;overflow:hidden;
border:solid var(--edge);border-width:1px 0}.bars b{font-weight:400}.bars em{font-style:normal;
padding-left:6px;margin-right:-58px}@container (max-width:38px){.bars b{display:none}}
ul{margin:6px 0;padding-left:20px}li{margin:2px 0}.caution{color:#9A4B00}
.figures{display:flex;flex-wrap:wrap;gap:10px;margin:14px 0}
.figures div{border:1px solid var(--line);border-radius:4px;padding:8px 14px;min-width:150px}
.figures b{display:block;font-size:19px;color:var(--wine)}
@media (max-width:700px){body{padding:14px 12px}.figures div{flex:1 1 45%;min-width:0}
.legend{margin-left:0}.bars [role=img]>div{grid-template-columns:1fr;gap:0;margin:5px 0}
.bars [role=img]>div>span{text-align:left}h1{font-size:21px}
caption span{position:sticky;left:0;display:inline-block;max-width:calc(100vw - 24px)}
tbody th{position:sticky;left:0;background:var(--page);white-space:normal}tbody th.d{white-space:nowrap}
td:not(.n):not(.d){min-width:7em}}
@media (prefers-color-scheme:dark){:root{--ink:#E6E1E2;--faint:#B3ABAD;--page:#1B1718;--wine:#E0A9B5;--line:#4A4043;
--edge:#8A8083}.caution{color:#E5A96B}}
@page{size:A4 landscape;margin:11mm}
@media print{:root{--ink:#2B2B2B;--faint:#5F5F5F;--page:#fff;--wine:#6E3B47;--line:#D9D0D3;--edge:#0000}
body{padding:0;max-width:none;font-size:9.5pt}table,.under,.stamp,.bars{font-size:8.2pt}.table{overflow:visible}
h2,caption,figcaption,.legend{break-after:avoid}svg{min-width:0}svg,tr,.figures,.bars{break-inside:avoid}
tbody tr:last-child{break-before:avoid}thead{display:table-header-group}.caution{color:#9A4B00}}
"""


def report_page(runs: Runs, stamp: str = "") -> str:
    """The page as text, with the forecast where figures are in doubt. stamp: when it was made and by which version.

    InputError with what is wrong in channels and prices.
    """
    findings, drawn = cautions_of(runs), None
    try:
        drawn = forecast_answer(runs)
    except InputError as wrong:  # what can't be drawn takes nothing from the other figures
        findings += [finding for finding in wrong.findings if finding not in findings]
    return page_of(runs, findings, stamp, drawn)


def page_of(runs: Runs, findings: Sequence[Finding] = (), stamp: str = "", drawn: Answer | None = None) -> str:
    """The same with these findings and this forecast, or none."""
    questions = (costs, stock, over_time, made_of_latest, why_answer, margins, prices, ageing)
    decided = [ask(runs) for ask in questions]
    answers = [front_page(runs, findings, ()), *decided, run_check(runs, findings), *([] if drawn is None else [drawn])]
    day, name = runs.date, runs.estate.settings.estate
    parts = [
        f"<h1>{escape(f'{name}: ' if name else '')}{TITLE}</h1><p class='stamp'>Valued on {day}, amounts in "
        f"{escape(runs.currency)}. {escape(stamp)}</p>",
        _key_figures(runs),
        *(_section(section, answers, runs) for section in catalogue.sections()),
        _findings(findings),
        "<section><h2>Cautions</h2><ul>"
        + "".join(f"<li>{escape(sentence)}</li>" for sentence in CAUTIONS)
        + "</ul></section>",
    ]
    return (
        f"{BEGINS}"
        f'<meta name="viewport" content="width=device-width, initial-scale=1"><style>{_STYLE}</style></head>'
        f"<body>{''.join(parts)}</body></html>\n"
    )


def _key_figures(runs: Runs) -> str:
    by_kind = stock(runs)["stock_by_kind"]
    boxes = [
        (written(by_kind["book_value"].sum(), "money total"), "stock at book cost"),
        (written(by_kind["economic_value"].sum(), "money total"), "stock with its capital"),
        (written(runs.economic.solution.capital.sum(), "money total"), "capital charged, plans included"),
        (f"{out_by(runs):.2f}", "left unreconciled"),
    ]
    return "<div class='figures'>" + "".join(f"<div><b>{escape(a)}</b>{escape(b)}</div>" for a, b in boxes) + "</div>"


def _section(section: catalogue.Section, answers: Sequence[Answer], runs: Runs) -> str:
    """A part of the page: what its answers say, their charts that are drawn here, their tables."""
    parts: list[str] = []
    for answer in answers:
        names = [name for name in section.tables if name in answer.tables and len(answer[name])]
        if names and "policies" not in names:
            parts += [f"<p>{escape(sentence)}</p>" for sentence in answer.says]
        for name in names:
            parts += _bars(answer, name)
            table = html_table(name, answer[name], caption=answer.title(name), rows=section.rows)
            parts.append(f"<div class='table'>{table}</div>")
    if "cost_flow" in section.tables:
        flow = cost_flow(runs.economic)
        picture = flow_picture(flow, runs.currency)
        parts += [picture, _behind(flow_lines(flow), runs.currency)] if picture else []
    if not any(parts):
        return ""
    return f"<section><h2>{escape(section.heading)}</h2>{''.join(parts)}</section>"


def _behind(lines: pd.DataFrame, currency: str) -> str:
    """The figures of the picture of the flow, a click away."""
    title = catalogue.table("cost_flow").title.format(currency=currency)
    table = html_table("cost_flow", lines, caption=title)
    return f"<details><summary>The figures of this picture</summary><div class='table'>{table}</div></details>"


def _bars(answer: Answer, name: str) -> Iterator[str]:
    """Stacked charts of a table, lying, so that long names stand beside their bars."""
    for chart in answer.charts:
        if chart.table == name and chart.kind == "stacked column":
            frame = chart.part(answer.under_headers(name))
            if not (frame[list(chart.series)] < 0.0).any(axis=None):
                unit, percent = f"{chart.title} ({chart.value_title})", "%" in chart.number_format
                yield stacked_bars(frame, chart.category, chart.series, unit, chart.message, percent=percent)


def _findings(findings: Iterable[Finding]) -> str:
    all_of_them = list(findings)
    wrong = errors_in(all_of_them)
    listed = "".join(map(_listed, all_of_them))
    count = f"<p>{len(wrong)} errors, {len(all_of_them) - len(wrong)} cautions.</p>"
    return f"<section><h2>Findings</h2>{count}{f'<ul>{listed}</ul>' if listed else ''}</section>"


def _listed(finding: Finding) -> str:
    """A finding as a point of a list, its source on a line of its own."""
    words = escape(str(replace(finding, source="")))
    source = f"<br><span class=under>Source: {escape(finding.source)}</span>" if finding.source else ""
    return f"<li class='{finding.severity}'>{words}{source}</li>"
