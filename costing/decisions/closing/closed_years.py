"""What later edits did to closed years: cell by cell, in stock, cost of goods sold and expense.

    effect of an edit = figure of the closing date by the rows of today − the same with that one edit undone

Rule: a closing keeps the text of every row that speaks of its time. Rows are the same one where their text is; the
others are matched by their keys (`decisions.changes.families`). Every cell that differs, and every row added or gone,
is undone alone, and listed where it moves book stock, cost of goods sold or expense up to the closing date, once, at
the latest closing that it moves. What is left once all are undone has a line of its own: a setting, or a closing made
by a version that kept no text of its rows.

Closed figures stay as they were: the difference belongs to the year in which the edit was made (IAS 8.42 for what is
material). What it does not do: edits that move the economic basis alone are not listed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.decisions.changes.families import matched_rows, row_keys
from costing.decisions.closing.closing import at_date, closed, row_texts, speaks_until
from costing.errors import CostingError, Finding, caution
from costing.inputs.estate import Estate, Sources, as_table
from costing.inputs.owners import both_sides, own_part
from costing.inputs.schema import sheets
from costing.model import Runs
from costing.once import asked_once
from costing.results.roll_forward import exits, expensed_at_once
from costing.results.stock import stock_values
from costing.results.ways_out import SALE

LEAST_EFFECT = 0.005  # money: less is nothing once rounded to cents
_COLUMNS = ("closed_on", "place", "as_closed", "as_now", "stock_moved", "goods_sold_moved", "expense_moved")
_KEYS = {**row_keys(), "channels": ("channel",), "cuvees": ("cuvee",)}
ADDED, GONE, OTHER = "(no such row)", "(row taken out)", "what no row explains"


@dataclass(frozen=True)
class ClosedYearEdit:
    """One change of a row of a closed year. row: position in the table of today, −1 where the row is gone; column: ""
    for a whole row; cells_then: those of the row as it was closed (empty: there was none); number: its row on the sheet
    then.
    """

    table: str
    row: int
    column: str
    cells_then: dict[str, Any]
    number: int
    place: str
    before: str
    after: str


@asked_once
def closed_year_edits(runs: Runs) -> Answer:
    """Edits of closed years that move book stock, cost of goods sold or expense at a closing: one line each."""
    estate = runs.estate
    days = sorted({pd.Timestamp(day).date() for day in estate["yearend_stock"]["closing_date"].dropna()}, reverse=True)
    rows: list[tuple[Any, ...]] = []
    listed: set[tuple[str, str, str]] = set()
    for on in days:
        for edit, effect in _effects(both_sides(estate), on):
            key = (edit.place, edit.before, edit.after) if edit.table else (str(on), "", "")
            if key not in listed:
                rows.append((pd.Timestamp(on), edit.place, edit.before, edit.after, *effect))
                listed.add(key)
    table = pd.DataFrame(rows, columns=list(_COLUMNS))
    facts = {"currency": runs.currency, "edits": str(len(table))}
    return Answer({"closed_year_edits": table}, facts=facts, empty="No edit moved a closed year.")


def closed_year_cautions(runs: Runs) -> list[Finding]:
    """A caution for every edit of a closed year, as `closed_year_edits` lists them."""
    findings = []
    names = ("stock", "cost of goods sold", "expense")
    for line in closed_year_edits(runs)["closed_year_edits"].to_dict("records"):
        amounts = (float(line["stock_moved"]), float(line["goods_sold_moved"]), float(line["expense_moved"]))
        both = zip(names, amounts, strict=True)
        moved = [f"{name} by {amount:+,.2f}" for name, amount in both if abs(amount) >= LEAST_EFFECT]
        what = f"moves {', '.join(moved)}" if moved else "can't be undone alone, so what it moves is not known"
        day, was = line["closed_on"], line["as_closed"]
        rule = f"was {was} when {day:%Y-%m-%d} was closed; the edit {what} (book, {runs.currency})."
        remedy = "Undo it, or leave it: closed figures stay, and the difference falls into the year of the edit."
        findings.append(caution(str(line["place"]), str(line["as_now"]), rule, remedy))
    return findings


def _effects(estate: Estate, on: date) -> Iterator[tuple[ClosedYearEdit, tuple[float, float, float]]]:
    """Edits since a closing that move its figures, and what each moves."""
    edits = list(edits_since(estate, on))
    frozen = closed(estate, "yearend_costs", on)
    frozen = frozen[(frozen["basis"].astype(object) == "book").to_numpy() & frozen["incurred_date"].isna().to_numpy()]
    now, frozen_value = _figures(at_date(estate, on), on), float(frozen["amount"].sum())
    for edit in edits:
        try:
            effect = now - _figures(at_date(undone(estate, [edit]), on), on)
        except CostingError:  # undone alone it makes no sense: it goes with another edit
            effect = np.full(3, np.nan)
        if not (np.abs(effect) < LEAST_EFFECT).all():
            yield edit, (float(effect[0]), float(effect[1]), float(effect[2]))
    try:
        left = _figures(at_date(undone(estate, edits), on), on)[0] - frozen_value if edits else now[0] - frozen_value
    except CostingError:
        left = now[0] - frozen_value
    if abs(left) >= LEAST_EFFECT + 1e-9 * abs(frozen_value):
        yield _unexplained(estate, on, frozen_value, frozen_value + left), (left, 0.0, 0.0)


def _unexplained(estate: Estate, on: date, frozen_value: float, present: float) -> ClosedYearEdit:
    """What no row explains: a setting, or rows whose text the closing did not keep."""
    inputs = closed(estate, "yearend_inputs", on)
    why = OTHER if inputs["content"].notna().any() else f"{OTHER} (closed by a version that kept no rows)"
    return ClosedYearEdit("", -1, "", {}, 0, f"Year-end costs, {why}", f"{frozen_value:,.2f}", f"{present:,.2f}")


def edits_since(estate: Estate, on: date) -> Iterator[ClosedYearEdit]:
    """Every cell that differs from a closing, and every row added or gone, on the sheets that money can hang on."""
    inputs = closed(estate, "yearend_inputs", on)
    inputs = inputs[inputs["content"].notna().to_numpy()]
    if not len(inputs):
        return
    contents = [json.loads(text) for text in inputs["content"].astype(str)]
    tables = np.array([content.pop("") for content in contents], dtype=object)
    for name in _KEYS:
        lines = np.flatnonzero(tables == name)
        numbers = inputs["row"].to_numpy(dtype=np.float64)[lines].astype(np.int64)
        yield from _edits_of(estate, name, on, [contents[line] for line in lines], numbers)


def _edits_of(
    estate: Estate, name: str, on: date, contents: list[dict[str, Any]], numbers: np.ndarray
) -> Iterator[ClosedYearEdit]:
    rows = np.flatnonzero(speaks_until(estate[name], on))
    present = row_texts(estate[name].iloc[rows])
    texts = [json.dumps(content, ensure_ascii=False) for content in contents]
    same_here, same_there = matched_rows(pd.DataFrame({"t": present}), pd.DataFrame({"t": texts}), ["t"])
    here, there = (
        np.setdiff1d(np.arange(n), same) for n, same in ((len(rows), same_here), (len(contents), same_there))
    )
    old = as_table(name, pd.DataFrame([contents[line] for line in there]))
    first, second = matched_rows(estate[name].iloc[rows[here]], old, _KEYS[name])
    for a, b in zip(here[first], there[second], strict=True):
        cells = json.loads(present[a])
        for column in sheets()[name].columns:
            before, after = contents[b].get(column.name), cells.get(column.name)
            if before != after:
                place = estate.place(name, int(rows[a]), column.name)
                yield ClosedYearEdit(
                    name, int(rows[a]), column.name, contents[b], int(numbers[b]), place, _said(before), _said(after)
                )
    for a in np.setdiff1d(here, here[first]):
        place = estate.place(name, int(rows[a]))
        yield ClosedYearEdit(name, int(rows[a]), "", {}, 0, place, ADDED, _row_said(json.loads(present[a])))
    for b in np.setdiff1d(there, there[second]):
        place = f"{sheets()[name].title}!{numbers[b]}"
        yield ClosedYearEdit(name, -1, "", contents[b], int(numbers[b]), place, _row_said(contents[b]), GONE)


def _said(value: Any) -> str:
    return "blank" if value is None else f"{value:,.10g}" if isinstance(value, float) else str(value)


def _row_said(cells: dict[str, Any]) -> str:
    return ", ".join(_said(value) for value in cells.values())


def undone(estate: Estate, edits: list[ClosedYearEdit]) -> Estate:
    """The estate with these edits taken back."""
    tables, sources = dict(estate.tables), dict(estate.sources)
    for name in {edit.table for edit in edits}:
        of_table = [edit for edit in edits if edit.table == name]
        frame = tables[name].astype(object)
        for edit in of_table:
            if edit.column:
                value = edit.cells_then.get(edit.column)
                dated = tables[name][edit.column].dtype.kind == "M"
                frame.loc[edit.row, edit.column] = pd.Timestamp(str(value)) if dated and value else value
        added = [edit.row for edit in of_table if not edit.column and edit.row >= 0]
        back = [edit for edit in of_table if edit.row < 0]
        frame = frame.drop(index=added)
        if back:
            frame = pd.concat([frame, as_table(name, pd.DataFrame([edit.cells_then for edit in back])).astype(object)])
        source, title = sources[name], sheets()[name].title
        sources[name] = Sources(
            np.append(np.delete(source.sheet, added), np.full(len(back), title, dtype=object)),
            np.append(np.delete(source.row, added), [edit.number for edit in back]).astype(np.int64),
            source.letters,
        )
        tables[name] = as_table(name, frame.reset_index(drop=True))
    return replace(estate, tables=tables, sources=sources)


def _figures(estate: Estate, on: date) -> np.ndarray:
    """Book stock at the end of a day; cost of goods sold and expense (exits, losses, expensed at once) until then."""
    results = Runs(own_part(estate)).book
    first = np.datetime64(int(results.chain.states.start.min(initial=0)), "D")
    left = exits(results, first, np.datetime64(on, "D"))
    sold = float(left.loc[left["way_out"] == SALE, "cost"].sum())
    at_once = float(expensed_at_once(results, first, np.datetime64(on, "D"))["amount"].sum())
    stock = float(stock_values(results, on)["value"].sum())
    return np.array([stock, sold, float(left["cost"].sum()) - sold + at_once])
