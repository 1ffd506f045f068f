"""Every figure and sentence of whole answers, beside what `kept/` says of them: `python -m tests.golden.as_kept` writes
it anew.

Rule: a column of a table is kept as the sum of its numbers, a second sum in which each row counts by its place, and a
    digest of its words and gaps; so are an answer's sentences, findings, titles and charts, and on further bases whole
    tables. A line that changes names its table and column.
What it does not do: say that a figure is right. The worked cases and `tests/published` do; this says that a figure
    moved which nobody meant to move. Read the lines that change before keeping them.
"""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.text import text_answer
from costing.errors import InputError
from costing.model import Runs
from costing.report.pictures import flow_picture
from costing.results.cost_flow import CostFlow
from tests.golden.questions import ALIKE, ANSWERS, DRAWN, ESTATES, FOR_OTHERS, LATER, QUICK

KEPT = Path(__file__).with_name("kept")
COLUMNS = ("answer", "table", "column", "total", "by_place", "words")
_NO_NUMBER = re.compile(r"\b(nan|NaN|NaT|inf)\b")
WITHIN = 1e-11
"""Of the absolute sum of a column: what the order of additions may move."""


Line = dict[str, str | float]


def lines_of(name: str, runs: Runs, given: Answer | None = None, *, whole: bool = False) -> list[tuple[Line, float]]:
    """Lines of one answer, each with what its sums may differ by; of a question that is refused, its findings. whole:
    one line for a table.
    """
    try:
        answer = {**ANSWERS, **LATER}[name](runs) if given is None else given
    except InputError as refused:
        return [(_line(name, "", "findings", [str(one) for one in refused.findings]), 0.0)]
    if isinstance(answer, str):
        parts = answer.split("<section>")
        return [(_line(name, "", f"part {number}", part.split("><")), 0.0) for number, part in enumerate(parts)]
    if isinstance(answer, Mapping):
        return [line for table, frame in answer.items() for line in _columns(name, table, _as_one(frame))]
    said: dict[str, list[str]] = {
        "says": list(answer.says),
        "findings": [str(finding) for finding in answer.findings],
        "titles": [answer.title(table) for table in answer.tables],
        "charts": [repr(chart) for chart in answer.charts],
        "in a terminal": text_answer(answer, list(answer.tables), width=100).splitlines(),
        "in a notebook": answer._repr_html_().splitlines(),
    }
    assert not any(_NO_NUMBER.search(text) for words in said.values() for text in words), f"{name} says nan"
    found = [(_line(name, "", part, words), 0.0) for part, words in said.items()]
    tables = {table: _as_one(frame) if whole else frame for table, frame in answer.tables.items()}
    return [*found, *(line for table, frame in tables.items() for line in _columns(name, table, frame))]


def _as_one(frame: pd.DataFrame) -> pd.DataFrame:
    """All cells of a table, row after row, and its headers, in one column."""
    return pd.DataFrame({"": [*map(str, frame.columns), *frame.to_numpy(dtype=object).ravel().tolist()]})


def _columns(name: str, table: str, frame: pd.DataFrame) -> Iterator[tuple[Line, float]]:
    weights = 1.0 + np.cos(np.arange(1, len(frame) + 1))
    for column in frame.columns:
        cells = [_number_and_words(cell) for cell in frame[column].tolist()]
        numbers = np.array([number for number, _ in cells], dtype=np.float64)
        sums = float(numbers.sum()), float(numbers @ weights)
        yield _line(name, table, str(column), [words for _, words in cells], *sums), WITHIN * np.abs(numbers).sum()


def _line(name: str, table: str, column: str, words: list[str], total: float = 0.0, by_place: float = 0.0) -> Line:
    digest = hashlib.sha256("\n".join(words).encode()).hexdigest()[:12]
    return dict(zip(COLUMNS, (name, table, column, total, by_place, f"{len(words)} {digest}"), strict=True))


def _number_and_words(cell: object) -> tuple[float, str]:
    if cell is None or cell is pd.NaT or (isinstance(cell, float) and np.isnan(cell)):
        return 0.0, "-"
    if isinstance(cell, (int, float, np.number)) and not isinstance(cell, bool) and np.isfinite(float(cell)):
        return float(cell), "-0" if cell == 0 and np.signbit(float(cell)) else ""
    return 0.0, str(cell)


def differences(kept: str, names: Iterable[str], runs: Runs, given: Answer | None = None) -> list[str]:
    """What differs from what is kept of these answers of an estate: table and column, and both figures. given: the
    answer, where it has been asked for.
    """
    now = {
        _key(line): (line, within)
        for name in names
        for line, within in lines_of(name, runs, given, whole=kept in DRAWN)
    }
    answers = {key[0] for key in now}
    with (KEPT / f"{kept}.csv").open(encoding="utf-8", newline="") as file:
        was = {_key(line): line for line in csv.DictReader(file) if line["answer"] in answers}
    found = [f"{' '.join(key)}: {'new' if key in now else 'gone'}" for key in now.keys() ^ was.keys()]
    for key in now.keys() & was.keys():
        line, within = now[key]
        found += [
            f"{' '.join(key)}: {column} {line[column]}, kept {was[key][column]}"
            for column in ("total", "by_place")
            if not abs(float(line[column]) - float(was[key][column])) <= within + 1e-7
        ]
        if line["words"] != was[key]["words"]:
            found.append(f"{' '.join(key)}: other words, gaps or number of rows")
    return sorted(found)


def _key(line: Mapping[str, str | float]) -> tuple[str, ...]:
    return tuple(str(line[part]) for part in COLUMNS[:3])


PICTURE = KEPT / "flow_picture.svg"


def picture() -> str:
    """The flow of cost of an invented house, element by element on a line: flows and places too small to see and flows
    that lead back, names too long, all kinds of goods.
    """
    places = [
        ("grapes", "", 90_000.0, 0.0),
        ("must", "", 5_000.0, 2_000.0),
        ("wine", "", 900.0, 9_000.0),
        ("reserve", "", 14_000.0, 11_000.0),
        ("blend", "", -50.0, 150.0),
        ("on lees", "Brut", 10_000.0, 30_000.0),
        ("on lees", "Cuvée of the Long-Winded", 1_000.0, 0.0),
        ("on lees", "Little", 260.0, 255.0),
        ("finished", "Brut", 9_000.0, 7_000.0),
        ("finished", "Cuvée of the Long-Winded", 3_400.0, 3_000.0),
        ("finished", "Little", 1_500.0, 1_500.0),
    ]
    passed = [
        ("grapes", "", "must", "", 90_000.0),
        ("must", "", "wine", "", 93_000.0),
        ("wine", "", "reserve", "", 6_000.0),
        ("wine", "", "blend", "", 78_000.0),
        ("reserve", "", "blend", "", 9_000.0),
        ("blend", "", "wine", "", 120.0),
        ("blend", "", "on lees", "Brut", 70_000.0),
        ("blend", "", "on lees", "Cuvée of the Long-Winded", 16_000.0),
        ("on lees", "Brut", "finished", "Brut", 50_000.0),
        ("on lees", "Cuvée of the Long-Winded", "finished", "Cuvée of the Long-Winded", 17_000.0),
        ("on lees", "Little", "finished", "Little", 200.0),
        ("finished", "Brut", "sold", "", 52_000.0),
        ("finished", "Cuvée of the Long-Winded", "sold", "", 17_000.0),
        ("finished", "Little", "sold", "", -3.0),
        ("must", "", "blend", "", 0.0),
        ("wine", "", "other exits and losses", "", 900.0),
        ("finished", "Cuvée of the Long-Winded", "other exits and losses", "", 400.0),
    ]
    flow = CostFlow(
        pd.DataFrame(places, columns=["kind", "cuvee", "added", "stock"]),
        pd.DataFrame(passed, columns=["from_kind", "from_cuvee", "to_kind", "to_cuvee", "amount"]),
    )
    return flow_picture(flow, "EUR").replace("><", ">\n<") + "\n"


def runs_of(kept: str) -> Runs:
    """Results of one of the estates whose answers are kept."""
    return Runs(ESTATES[kept]())


def main() -> None:
    """Write what the answers are now."""
    PICTURE.write_text(picture(), "utf-8")
    for kept in ESTATES:
        runs = runs_of(kept)
        with (KEPT / f"{kept}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
            writer.writeheader()
            asked = {**dict.fromkeys(DRAWN, ALIKE), **QUICK, "works_for_others": FOR_OTHERS}
            for line, _ in (
                line for name in asked.get(kept, ANSWERS) for line in lines_of(name, runs, whole=kept in DRAWN)
            ):
                writer.writerow({**line, "total": f"{line['total']:.14g}", "by_place": f"{line['by_place']:.14g}"})


if __name__ == "__main__":
    main()
