"""Cost per bottle of every release, on both bases, and its build-up by stage and element.

    stages of a release add up to its economic cost; lines of a build-up add up to the total of its release

What it does not do: compute a cost (`costing.results.costs`), or price a release.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.graph.arrays import STAGES
from costing.model import Runs
from costing.once import asked_once
from costing.results.costs import PER_BOTTLE_DECIMALS, build_up, by_cuvee, cost_per_bottle
from costing.results.coverage import coverage
from costing.results.results import Results
from costing.results.rounding import rounded_rows
from costing.units import FORMATS_L, STANDARD_BOTTLE_L

SAID = (
    "Book: no capital, storage until disgorgement, abnormal losses expensed. Economic: capital at the hurdle rate, "
    "survivors bear all losses, own grapes at transfer price."
)


@asked_once
def costs(runs: Runs) -> Answer:
    """The latest release of each cuvée and format, every release, and the build-up of each by stage and element."""
    tables = {"latest_costs": _latest(runs), "cost_per_bottle": _every(runs), "cost_build_up": _build_up(runs)}
    return Answer(tables, says=(SAID,), facts=runs.facts, empty=f"No bottles are disgorged by {runs.date}.")


def _latest(runs: Runs) -> pd.DataFrame:
    """Latest release made of each cuvée and format; its stages per 75 cl, rounded so that they add up."""
    book, economic = by_cuvee(runs.book), by_cuvee(runs.economic)
    stages = [column for column in economic.columns if column in STAGES]
    scale = STANDARD_BOTTLE_L / economic["format"].map(FORMATS_L).astype(float).to_numpy()
    lines, total = rounded_rows(economic[stages].to_numpy(dtype=float) * scale[:, np.newaxis], PER_BOTTLE_DECIMALS)
    frame = _both(runs.economic, book, economic)
    frame["cuvee_format"] = frame["cuvee"] + " " + frame["format"]
    frame["economic_per_75cl"] = total
    return frame.assign(**{f"stage:{stage}": lines[:, column] for column, stage in enumerate(stages)})


def _every(runs: Runs) -> pd.DataFrame:
    book, economic = cost_per_bottle(runs.book), cost_per_bottle(runs.economic)
    stages = [column for column in economic.columns if column in STAGES]
    frame = _both(runs.economic, book, economic)
    return frame.assign(**{f"stage:{stage}": economic[stage] for stage in stages})


def _both(results: Results, book: pd.DataFrame, economic: pd.DataFrame) -> pd.DataFrame:
    """Who, when and how many, cost on both bases, and what it leaves out."""
    frame = book[["release", "cuvee", "format", "disgorged", "planned", "months_on_lees", "bottles"]].copy()
    frame["status"] = np.where(frame.pop("planned"), "planned", "made")
    frame["book_per_bottle"], frame["economic_per_bottle"] = book["per_bottle"], economic["per_bottle"]
    frame["book_per_75cl"], frame["economic_per_75cl"] = book["per_75cl"], economic["per_75cl"]
    return frame.assign(coverage=coverage(results, list(economic["release"])))


def _build_up(runs: Runs) -> pd.DataFrame:
    keys = ["release", "cuvee", "format", "stage", "element"]
    parts = [
        build_up(results).rename(columns={"amount": f"{name}_amount", "per_bottle": f"{name}_per_bottle"})
        for name, results in (("book", runs.book), ("economic", runs.economic))
    ]
    both = parts[0].merge(parts[1], on=keys, how="outer")
    both = both.assign(_stage=pd.Index(STAGES).get_indexer(pd.Index(both["stage"])))
    both = both.sort_values(["release", "_stage", "element"], ignore_index=True).drop(columns="_stage")
    amounts = [column for column in both.columns if column not in keys]
    return both.assign(**{column: both[column].fillna(0.0) for column in amounts})
