"""What is made of estates once they are read: by currency, owner and date, what is left where some is refused."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from costing.errors import Finding, InputError
from costing.inputs.currencies import in_estate_currency
from costing.inputs.estate import as_table, harvest_years, vintages
from costing.inputs.fingerprint import fingerprint
from costing.inputs.frames import frames_of
from costing.inputs.grape_prices import with_premiums
from costing.inputs.in_force import row_in_force, rows_in_force, series_of
from costing.inputs.load import load, read_frames
from costing.inputs.owners import both_sides, kept_for_others, own_part, rows_in_whole
from costing.inputs.pool_checks import with_subsidies
from costing.inputs.raw import Linked, RawTable
from costing.inputs.readable import readable
from costing.inputs.rows import Rows
from costing.inputs.schema import sheets
from tests.inputs.drawn_rows import drawn
from tests.inputs.planted import estate_of, frames
from tests.inputs.readings_of_sheets import MOVE, raw

_STOCK = raw("Opening stock", [{"Date": "2024-01-01", "Lot": "A", "Kind": "wine", "Quantity": "1000", "Unit": "L"}])
_GOODS = ("movements", "deliveries", "costs", "tirage", "pressings")


def _digest(tables: Mapping[str, pd.DataFrame]) -> str:
    words = "".join(f"{name} {frame.astype(object).to_numpy().tolist()}" for name, frame in sorted(tables.items()))
    return hashlib.sha256(words.encode()).hexdigest()[:12]


def tables_of_drawn_rows() -> Iterator[str]:
    """Drawn rows in the estate's currency, with premiums and subsidies, by owner, typed again; rows in force."""
    for seed in range(2):
        estate = drawn(seed)
        steps = {"money": in_estate_currency(estate), "premiums": with_premiums(estate), "own": own_part(estate)}
        steps |= {"own with premiums": own_part(steps["premiums"])}
        steps |= {"both": both_sides(steps["own"])}
        if theirs := kept_for_others(steps["own"]):
            steps["theirs"] = theirs
        for step, of in steps.items():
            for table in ("deliveries", "costs", "pressings", "dispatches", "opening_stock"):
                places = [of.place(table, row, column) for row in range(len(of[table])) for column in of[table]]
                digest = hashlib.sha256(" ".join(places).encode()).hexdigest()[:12]
                typed = [
                    of.unit_typed(table, row, "quantity") for row in range(len(of[table])) if "quantity" in of[table]
                ]
                yield f"{seed} {step} {table}: {len(of[table])} rows {_digest({table: of[table]})} {digest} {typed}"
        owners = sorted(steps["own"].others.owner.items()) if steps["own"].others else None
        table, row = np.arange(len(sheets())), np.arange(len(sheets())) % 3
        yield f"{seed} owners {owners} {rows_in_whole(steps['own'], table, row).tolist()}"
        yield f"{seed} subsidies {with_subsidies(estate['pools'])['normal_capacity'].tolist()}"
        yield f"{seed} typed {_digest(frames_of(estate))}"
        yield f"{seed} harvest {vintages(estate['deliveries']).tolist()} {harvest_years(estate['deliveries']).tolist()}"
        since = estate["pools"]["from_date"].to_numpy().astype("datetime64[D]").astype(np.int64)
        codes = [estate["pools"][name].cat.codes.to_numpy() for name in ("pool", "stage")]
        series = list(series_of(codes, since))
        days = np.array([19722, 19723, 19905, 19906, 20089])
        held = [row_in_force(rows, since, days).tolist() for rows in series]
        here = rows_in_force(estate["pools"][["pool", "stage"]], since, 19905).tolist()
        yield f"{seed} in force {[rows.tolist() for rows in series]} {held} {here}"
    odd = pd.DataFrame({"lot": ["", None, "B", 7], "quantity": ["5", "x", None, 2.5], "on_date": ["2024-01-01"] * 4})
    yield str(as_table("stocktakes", odd).astype(object).to_numpy().tolist())


def findings_of_many() -> Iterator[str]:
    """How many of many rows, wordings and unknown names are shown."""
    names = [f"N{number:02}" for number in range(25)]
    costs = {"Date incurred": "2024-10-01", "Element": "labour", "Amount": "5"}
    for count in (1, 5, 6, 20, 21, 22, 25):
        rows = Rows(
            load([raw("Costs", [costs | {"Lot": "A"} for _ in range(count)]), _STOCK], settings_required=False), "costs"
        )
        for rule in ("is one.", lambda row: f"is {row}.", lambda row: f"is {row % 21}."):
            for column in ("lot", None):
                found = list(rows.findings(np.ones(count, dtype=bool), column, rule, "Mend."))
                yield f"{count}: {[str(finding) for finding in found]}"
    for count in (20, 21, 25):
        said = findings_of_names([costs | {"Lot": name} for name in names[:count] * 2])
        yield f"{count} unknown: {len(said)} {said[-2:]}"


def findings_of_names(rows: list[dict[str, Any]]) -> list[str]:
    """What is said of costs of lots that nothing fills."""
    try:
        return [str(one) for one in load([raw("Costs", rows), _STOCK], settings_required=False).cautions]
    except InputError as refused:
        return [str(one) for one in refused.findings]


def what_can_be_read_of_a_refused_estate() -> Iterator[str]:
    """Rows and doubtful lots that are left where cells, rows and sheets of a small estate are wrong."""
    cells = ("Movements!A2", "Movements!C3", "Deliveries!D2", "Tirage!B2", "Costs!F2", "Pressings!C2", "Deliveries!Z2")
    findings = [Finding("Movements!C2", "", "x.", "y."), Finding("Costs!3", "", "x.", "y.")]
    estate = estate_of()
    refused = {"movements": [(np.array([1, 4]), "from_lot"), (np.array([2]), "location")]}
    refused |= {"costs": [(np.array([0]), "")], "tirage": [(np.array([0]), "bottles")]}
    cases: dict[str, tuple[tuple[str, ...], tuple[str, ...], Any]] = {
        "nothing": ((), (), {}),
        "rows": ((), (), refused),
        "a sheet of money": (("channels",), (), {}),
        "a sheet of goods": (("movements",), (), {}),
        **{cell: ((), (cell,), {}) for cell in cells},
    }
    for title, (spoilt, wrong, rows) in cases.items():
        kept = readable(replace(estate, refused=rows), spoilt, wrong, findings)
        if kept is None:
            yield f"{title}: nothing"
            continue
        counts = [len(kept.estate[table]) for table in _GOODS]
        yield f"{title}: {counts} {sorted(kept.doubtful)} {[str(finding) for finding in kept.certain(findings)]}"
    whole = [Finding(title, "", "x.", "y.") for title in ("Movements", "Channels", "Zz")]
    yield f"by sheet: {[readable(estate, (), (), [finding]) is None for finding in whole]}"


def fingerprints() -> Iterator[str]:
    """Whether a fingerprint changes with what is read: each case beside the first."""
    move = {**MOVE, "Out (L)": 100.0, "Sequence": None}
    percent = {"Applies to": "racking", "Percent (%)": 0.5, "Time base": "per movement"}
    base = raw("Movements", [move, {}, move])
    shown = np.array([True])
    linked = raw("Keller", [move], linked=Linked("movements", {"Out (L)": 100.0}, {"location": "c"}, {}))
    cases: dict[str, list[RawTable]] = {
        "the same": [raw("Movements", [move, {}, move])],
        "-0 for blank": [raw("Movements", [{**move, "Sequence": 0.0}, {}, move])],
        "a blank row less": [raw("Movements", [move, move])],
        "another title": [raw("Movements 2025", [move, {}, move])],
        "another figure": [raw("Movements", [move, {}, {**move, "Out (L)": 101.0}])],
        "in hectolitres": [raw("Movements", [{("Out (hl)" if k == "Out (L)" else k): v for k, v in move.items()}] * 2)],
        "TRUE": [raw("Movements", [{**move, "Location": True}, {}, move])],
        "FALSE": [raw("Movements", [{**move, "Location": False}, {}, move])],
        "a typed date": [raw("Movements", [{**move, "Date": pd.Timestamp("2024-10-01")}, {}, move])],
        "another typed date": [raw("Movements", [{**move, "Date": pd.Timestamp("2024-10-02")}, {}, move])],
        "percent": [raw("Loss norms", [percent])],
        "percent, shown so": [raw("Loss norms", [percent], percent_formatted={"Percent (%)": shown})],
        "percent, not shown so": [raw("Loss norms", [percent], percent_formatted={"Percent (%)": ~shown})],
        "linked": [linked],
        "linked otherwise": [
            raw("Keller", [move], linked=Linked("movements", {"Out (L)": 1.0}, {"location": "c"}, {}))
        ],
        "linked and fixed": [
            raw("Keller", [move], linked=Linked("movements", {"Out (L)": 100.0}, {"location": "d"}, {}))
        ],
        "an error": [raw("Movements", [move], findings=(Finding("Movements!A2", "#REF!", "x.", "y."),))],
        "a copy": [raw("Movements (2)", [move])],
        "another copy": [raw("Movements (2)", [{**move, "Out (L)": 1.0}])],
        "of the user's own": [raw("Notes", [move])],
        "a result": [raw("Cost build-up", [move])],
    }
    for title, tables in cases.items():
        yield f"{title}: {fingerprint(tables)}"
    yield f"both orders: {fingerprint([base, linked])} {fingerprint([linked, base])}"
    yield f"the small estate: {fingerprint(read_frames(frames()))}"
