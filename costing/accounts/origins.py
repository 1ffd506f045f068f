"""Where a cost came from, cell by cell, what it is made of, and how one basis becomes the other.

Conventions: lines below `SMALL` of a release are shown as one; totals add up to the cost in cents.
"""

from __future__ import annotations

import pandas as pd

from costing.answers.answer import MOST_SERIES, Answer
from costing.answers.steps import steps
from costing.inputs.basis import ECONOMIC, Basis
from costing.model import Runs
from costing.once import asked_once
from costing.results.bridge import bridge
from costing.results.bridge import bridge_steps as steps_between
from costing.results.composition import composition
from costing.results.costs import by_cuvee
from costing.results.coverage import coverage
from costing.results.origins import grouped_origins, origins
from costing.results.results import Results
from costing.results.rounding import largest_remainder

SMALL = 1e-5
LEAST_SHARE = 0.0005
OTHERS = "others"
_PICTURES = {"vintage": "composition_vintages", "variety": "composition_varieties", "village": "composition_villages"}
_AMOUNTS = ["whole_amount", "own_share", "capital", "total"]
_TEXTS = ["lot", "supplier", "village", "variety", "vintage", "stage", "element", "place"]


def main_releases(results: Results) -> list[str]:
    """Latest release of each cuvée: that of the format with the most bottles."""
    latest = by_cuvee(results).sort_values("bottles", ascending=False).drop_duplicates("cuvee")
    return sorted(latest["release"].astype(str))


@asked_once
def origins_of_latest(runs: Runs) -> Answer:
    """Postings behind the latest release of each cuvée, and its book cost turned into its economic cost."""
    chosen = main_releases(runs.economic)
    facts, empty = {"currency": runs.currency}, "No bottles are disgorged yet."
    if not chosen:
        return Answer({"origins": pd.DataFrame(columns=["release"])}, facts=facts, empty=empty)
    parts = [bridge(runs.on, runs.book.basis, ECONOMIC, release).assign(release=release) for release in chosen]
    bridged = pd.concat(parts, ignore_index=True).rename(columns={"per_unit": "per_bottle"})
    tables = {
        "origins": pd.concat([_in_cents(runs.economic, release) for release in chosen], ignore_index=True),
        "bridge": bridged,
        "bridge_steps": pd.concat([_steps(part) for part in parts], ignore_index=True),
    }
    return Answer(tables, facts=facts, empty=empty)


@asked_once
def made_of_latest(runs: Runs) -> Answer:
    """What the latest release of each cuvée is made of, line by line, and how much of its cost is known."""
    chosen, empty = main_releases(runs.economic), "No bottles are disgorged yet."
    if not chosen:
        return Answer({"composition": pd.DataFrame(columns=["release"])}, empty=empty)
    made_of = composition(runs.economic, chosen).rename(columns={"lot": "release"})
    tables = {
        "coverage": pd.DataFrame({"release": chosen, "coverage": coverage(runs.economic, chosen)}),
        "composition": made_of,
        **{table: _beside(made_of, attribute) for attribute, table in _PICTURES.items()},
    }
    return Answer({name: table for name, table in tables.items() if len(table)}, empty=empty)


def _beside(made_of: pd.DataFrame, attribute: str) -> pd.DataFrame:
    """Releases by their shares of one attribute, the largest of them each in a column, the others together."""
    part = made_of[made_of["attribute"] == attribute]
    large = part.groupby("name")["share"].sum().nlargest(MOST_SERIES - 1).index
    name = part["name"].where(part["name"].isin(large), OTHERS)
    wide = part.assign(name=name).pivot_table("share", "release", "name", aggfunc="sum", fill_value=0.0)
    ordered = sorted(wide.columns, key=lambda column: (column == OTHERS, column))
    return wide[ordered].add_prefix("made_of:").rename_axis(None, axis=1).reset_index()


def _steps(line: pd.DataFrame) -> pd.DataFrame:
    """The bridge of one release per bottle, as steps."""
    ends = [position in (0, len(line) - 1) for position in range(len(line))]
    return steps(list(line["line"]), list(line["per_unit"]), ends).assign(release=line["release"].iloc[0])


def bases_behind(runs: Runs) -> list[Basis]:
    """Every basis that the bridges run, so that all can be made at once."""
    return [basis for _, basis in steps_between(runs.book.basis, ECONOMIC, runs.book)]


def origins_of(runs: Runs, release: str, basis: Basis = ECONOMIC) -> Answer:
    """Where the cost of one release, or of a lot on hand, came from: by stage, element, supplier, village and vintage,
    every line, and what it is made of. CostingError with the nearest name where there is no such lot.
    """
    results = runs.on(basis)
    lines = origins(results, release)
    parts = []
    for by in ("stage", "element", "supplier", "village", "vintage"):
        grouped = grouped_origins(lines.replace({by: {"": "not a delivery"}}), [by]).sort_values(
            "total", ascending=False
        )
        parts.append(grouped.rename(columns={by: "name", "own": "own_share"}).assign(attribute=by))
    made_of = composition(results, [release]).rename(columns={"lot": "release"})
    tables = {
        "origins_grouped": pd.concat(parts, ignore_index=True),
        "composition": made_of[made_of["share"] > LEAST_SHARE].reset_index(drop=True),
        "origins": _named(lines).assign(release=release),
    }
    total = float(lines["total"].sum())
    says = (
        f"{release}: {total:,.2f} {runs.currency} on the {basis.name} basis, from {len(lines):,} postings.",
        f"Coverage: {coverage(results, [release])[0]}",
    )
    return Answer(tables, says=says, facts={"currency": runs.currency, "release": release})


def _named(lines: pd.DataFrame) -> pd.DataFrame:
    known = lines.rename(columns={"amount": "whole_amount", "own": "own_share"})
    return known[[name for name in known.columns if name in (*_TEXTS, *_AMOUNTS, "incurred", "paid")]]


def _in_cents(results: Results, release: str) -> pd.DataFrame:
    """Origins of a release in cents, small lines as one."""
    lines = _named(origins(results, release))
    small = lines["total"].abs() < SMALL * lines["total"].sum()
    kept = lines[~small]
    if small.any():
        row: dict[str, object] = dict.fromkeys(_TEXTS, "")
        row |= {str(name): amount for name, amount in lines.loc[small, _AMOUNTS].sum().items()}
        row |= {"lot": f"{int(small.sum())} smaller lines"}
        row |= {"incurred": lines.loc[small, "incurred"].min(), "paid": lines.loc[small, "paid"].max()}
        kept = pd.concat([kept, pd.DataFrame([row])], ignore_index=True)
    total, own = largest_remainder(kept["total"].to_numpy(dtype=float), 2), kept["own_share"].round(2)
    whole = kept["whole_amount"].astype(float).round(2)
    return kept.assign(release=release, total=total, own_share=own, capital=(total - own).round(2), whole_amount=whole)
