"""Result sheets of origins: every posting behind the latest release of each cuvée, what it is made of, one
basis to another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pandas as pd

from costing.inputs.basis import BOOK, ECONOMIC, Basis
from costing.results.bridge import bridge
from costing.results.composition import composition, coverage
from costing.results.costs import by_cuvee
from costing.results.origins import origins
from costing.results.results import Results
from costing.results.rounding import largest_remainder
from costing.workbook.write import ResultSheet, ResultTable

SMALL = 1e-5
"""Lines below this part of a release are shown as one."""

COLUMNS = {
    "release": "Release",
    "place": "Where",
    "incurred": "Incurred",
    "paid": "Paid",
    "lot": "Lot",
    "supplier": "Supplier",
    "village": "Village",
    "variety": "Variety",
    "vintage": "Vintage",
    "stage": "Stage",
    "element": "Element",
    "amount": "Whole amount",
    "own": "Share of it",
    "capital": "Capital",
    "total": "Total",
}


def main_releases(results: Results) -> list[str]:
    """Latest release of each cuvée: that of the format with the most bottles."""
    latest = by_cuvee(results).sort_values("bottles", ascending=False).drop_duplicates("cuvee")
    return sorted(latest["release"].astype(str))


def origins_table(results: Results, release: str) -> pd.DataFrame:
    """Origins of a release in cents, small lines as one; the totals add up to its cost in cents."""
    lines = origins(results, release)
    small = lines["total"].abs() < SMALL * lines["total"].sum()
    rest = lines.loc[small, ["amount", "own", "capital", "total"]].sum()
    kept = lines[~small]
    if small.any():
        row: dict[str, object] = {
            **{column: "" for column in COLUMNS if column not in ("incurred", "paid")},
            **{str(name): amount for name, amount in rest.items()},
            "lot": f"{int(small.sum())} smaller lines",
            "incurred": lines.loc[small, "incurred"].min(),
            "paid": lines.loc[small, "paid"].max(),
        }
        kept = pd.concat([kept, pd.DataFrame([row])], ignore_index=True)
    kept = kept.assign(
        release=release, total=largest_remainder(kept["total"].to_numpy(dtype=float), 2), own=kept["own"].round(2)
    )
    kept["capital"] = (kept["total"] - kept["own"]).round(2)
    kept["amount"] = kept["amount"].astype(float).round(2)
    return kept[list(COLUMNS)].rename(columns=COLUMNS)


def origin_sheets(economic: Results, runs: Callable[[Basis], Results], *, links: bool) -> Iterator[ResultSheet]:
    """Sheets Origins, Composition and Bridge, one by one. runs: results of the estate on any basis; links: to
    cells of this workbook.
    """
    chosen = main_releases(economic)
    if not chosen:
        return
    currency = economic.estate.settings.currency
    yield _origins(economic, chosen, currency, links=links)
    yield _composition(economic, chosen)
    yield _bridge(runs, chosen, currency)


def _origins(economic: Results, chosen: list[str], currency: str, *, links: bool) -> ResultSheet:
    table = pd.concat([origins_table(economic, release) for release in chosen], ignore_index=True)
    formats = {
        "Incurred": "date",
        "Paid": "date",
        **dict.fromkeys(("Whole amount", "Share of it", "Capital", "Total"), "money"),
    }
    return ResultSheet(
        "Origins",
        f"Where the economic cost of the latest releases came from ({currency})",
        ("Each line is a cell, or a rate over the time a lot was kept; lines of a release add up to its cost.",),
        (
            ResultTable(
                "origins", table, formats, ("Share of it", "Capital", "Total"), {"Where": "Where"} if links else {}
            ),
        ),
    )


def _composition(economic: Results, chosen: list[str]) -> ResultSheet:
    made_of = composition(economic, chosen)
    made_of.columns = pd.Index(["Release", "Attribute", "Name", "Share"])
    said = pd.DataFrame({"Release": chosen, "Coverage": coverage(economic, chosen)})
    return ResultSheet(
        "Composition",
        "What the latest releases are made of, by quantity",
        ("Vintages, varieties and villages add up to 100 %; litres of sugar and liqueur are counted apart.",),
        (
            ResultTable("coverage", said, title="How much of the cost is known"),
            ResultTable("composition", made_of, {"Share": "percent"}, title="Composition"),
        ),
    )


def _bridge(runs: Callable[[Basis], Results], chosen: list[str], currency: str) -> ResultSheet:
    parts = [bridge(runs, BOOK, ECONOMIC, release).assign(release=release) for release in chosen]
    table = pd.concat(parts, ignore_index=True)[["release", "line", "amount", "per_unit"]]
    table.columns = pd.Index(["Release", "Line", "Amount", "Per bottle"])
    return ResultSheet(
        "Bridge",
        f"From book cost to economic cost, one choice at a time ({currency})",
        ("Choices are replaced in the order of the lines; another order would give other lines with the same sum.",),
        (ResultTable("bridge", table, {"Amount": "money", "Per bottle": "money4"}),),
    )
