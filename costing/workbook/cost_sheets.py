"""Result sheets of a run: the check of the run, cost per bottle, its build-up, findings."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from costing.answers.charts import Chart
from costing.errors import Finding
from costing.graph.arrays import STAGES
from costing.results.composition import coverage
from costing.results.costs import PER_BOTTLE_DECIMALS, build_up, by_cuvee, cost_per_bottle, releases
from costing.results.results import Results
from costing.results.rounding import rounded_rows
from costing.workbook.write import ResultSheet, ResultTable

CAUTION = (
    "Decision support, not accounting, tax or legal advice: the book basis follows your local standard, to be "
    "confirmed with a licensed professional."
)
BASES_NOTE = (
    "Book: no capital, storage until disgorgement, abnormal losses expensed. Economic: capital at the hurdle rate, "
    "survivors bear all losses, own grapes at transfer price."
)


def cost_sheets(book: Results, economic: Results, cautions: Sequence[Finding]) -> list[ResultSheet]:
    """Sheets of a run on both bases."""
    return [
        _run_check(book, economic, cautions),
        _cost_per_bottle(book, economic),
        _build_up(book, economic),
    ]


def per_bottle(book: Results, economic: Results, *, latest: bool = False) -> pd.DataFrame:
    """Releases on both bases: who, when, how many, cost per bottle and per 75 cl, what that leaves out; economic
    cost by stage.

    latest: only the latest release made of each cuvée and format.
    """
    table = by_cuvee if latest else cost_per_bottle
    mine, theirs = table(book), table(economic)
    stages = [column for column in theirs.columns if column in STAGES]
    status = np.where(mine["planned"], "planned", "made")
    frame = pd.DataFrame(
        {
            "Cuvée": mine["cuvee"],
            "Format": mine["format"],
            "Release": mine["release"],
            "Disgorged": mine["disgorged"],
            "Status": status,
            "Months on lees": mine["months_on_lees"],
            "Bottles": mine["bottles"],
            "Book per bottle": mine["per_bottle"],
            "Economic per bottle": theirs["per_bottle"],
            "Book per 75 cl": mine["per_75cl"],
            "Economic per 75 cl": theirs["per_75cl"],
            "Coverage": coverage(economic, list(theirs["release"])),
        }
    )
    for stage in stages:
        frame[_title(stage)] = theirs[stage]
    return frame


def releases_on_both(book: Results, economic: Results) -> pd.DataFrame:
    """Every release on both bases, unrounded: costs per bottle, and `stage: harvest` and so on of the economic
    one.
    """
    mine, theirs = releases(book), releases(economic)
    bottles = theirs["bottles"].to_numpy()
    stages = [column for column in theirs.columns if column in STAGES]
    frame = theirs.drop(columns=["total", "bottle_l", *stages])
    frame["book_per_bottle"] = mine["total"].to_numpy() / bottles
    frame["economic_per_bottle"] = theirs["total"].to_numpy() / bottles
    for stage in stages:
        frame[f"stage: {stage}"] = theirs[stage].to_numpy() / bottles
    return frame.assign(coverage=coverage(economic, list(theirs["release"])))


def _title(stage: str) -> str:
    return stage[0].upper() + stage[1:]


def _cost_per_bottle(book: Results, economic: Results) -> ResultSheet:
    every = per_bottle(book, economic)
    latest = _build_up_of_latest(economic)
    currency = book.estate.settings.currency
    formats = {
        "Disgorged": "date",
        "Months on lees": "integer",
        "Bottles": "integer",
        **dict.fromkeys(every.columns[7:].drop("Coverage"), "money4"),
    }
    stages = tuple(column for column in latest.columns if column not in ("Latest release", "Per 75 cl"))
    return ResultSheet(
        "Cost per bottle",
        f"Cost per bottle of every release ({currency})",
        (BASES_NOTE, "The stage columns are economic cost and add up to Economic per bottle.", CAUTION),
        (
            ResultTable(
                "build_up_by_cuvee",
                latest,
                dict.fromkeys(latest.columns[1:], "money4"),
                title="Economic cost per 75 cl of the latest release of each cuvée and format, by stage",
            ),
            ResultTable("cost_per_bottle", every, formats, ("Bottles",), title="Every release"),
        ),
        (
            Chart(
                "stacked column",
                "Cost per 75 cl by stage, economic, latest release",
                "build_up_by_cuvee",
                "Latest release",
                stages,
                "Cuvée and format",
                f"{currency} per 75 cl",
            ),
        )
        if len(latest) and stages
        else (),
    )


def _build_up_of_latest(economic: Results) -> pd.DataFrame:
    latest = by_cuvee(economic)
    stages = [column for column in latest.columns if column in STAGES]
    scale = np.divide(
        latest["per_75cl"].to_numpy(),
        latest["per_bottle"].to_numpy(),
        out=np.ones(len(latest)),
        where=latest["per_bottle"].to_numpy() != 0,
    )
    lines, total = rounded_rows(latest[stages].to_numpy(dtype=float) * scale[:, np.newaxis], PER_BOTTLE_DECIMALS)
    frame = pd.DataFrame({"Latest release": latest["cuvee"] + " " + latest["format"]})
    for column, stage in enumerate(stages):
        frame[_title(stage)] = lines[:, column]
    frame["Per 75 cl"] = total
    return frame


def _build_up(book: Results, economic: Results) -> ResultSheet:
    keys = ["release", "cuvee", "format", "stage", "element"]
    both = build_up(book).merge(build_up(economic), on=keys, how="outer", suffixes=("_book", "_economic"))
    both = both.assign(_stage=pd.Index(STAGES).get_indexer(pd.Index(both["stage"])))
    both = both.sort_values(["release", "_stage", "element"], ignore_index=True).drop(columns="_stage")
    amounts = ["amount_book", "amount_economic", "per_bottle_book", "per_bottle_economic"]
    both[amounts] = both[amounts].fillna(0.0)
    both = both.rename(
        columns={
            "release": "Release",
            "cuvee": "Cuvée",
            "format": "Format",
            "stage": "Stage",
            "element": "Element",
            "amount_book": "Book amount",
            "amount_economic": "Economic amount",
            "per_bottle_book": "Book per bottle",
            "per_bottle_economic": "Economic per bottle",
        }
    )
    formats = {
        "Book amount": "money",
        "Economic amount": "money",
        "Book per bottle": "money4",
        "Economic per bottle": "money4",
    }
    return ResultSheet(
        "Cost build-up",
        f"Every release by stage and cost element ({book.estate.settings.currency})",
        ("Amounts are rounded once per line so that the lines of a release add up to its total.",),
        (ResultTable("cost_build_up", both, formats, ("Book amount", "Economic amount")),),
    )


def _run_check(book: Results, economic: Results, cautions: Sequence[Finding]) -> ResultSheet:
    mine, theirs = book.reconciliation(), economic.reconciliation()
    identity = pd.DataFrame(
        {
            "Line": mine["line"],
            "Book": mine["amount"].round(2) + 0.0,
            "Economic": theirs["amount"].round(2) + 0.0,
        }
    )
    now, last = (np.datetime64(day, "D") for day in (book.chain.valuation_day, book.chain.horizon_day))
    found = pd.DataFrame(
        [(one.place, one.value, one.rule, one.remedy) for one in cautions],
        columns=["Where", "What stands there", "What is doubtful", "What to do"],
    )
    return ResultSheet(
        "Run check",
        "Does the run add up, and what is doubtful",
        (
            "Cost in + capital charged = stock + cost of goods sold and other exits + expensed. A run that does not "
            "close is never written.",
            f"All records count here, planned ones to {last} included; Stock value and Roll-forward stand at {now}.",
            BASES_NOTE,
            CAUTION,
        ),
        (
            ResultTable("run_identity", identity, {"Book": "money", "Economic": "money"}, title="Reconciliation"),
            ResultTable("findings", found, {}, (), {"Where": "Where"}, title=f"Cautions: {len(found)}"),
        ),
    )
