"""What is asked of XlsxWriter while a workbook is written, in few lines: how sheets look, print and help to fill in.
`python -m tests.workbook.looks` keeps anew what `looks_of_*.csv` say.

Rule: a line per sheet and kind of call says how often, and a digest of what was handed over; a chart has a line of its
    own. Figures are left out but of drawn sheets, since the kept answers hold them, but not where they stand.
"""

from __future__ import annotations

import csv
import datetime as dt
import hashlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xlsxwriter

from costing.answers.answer import Answer
from costing.commands.records import answers_of_run
from costing.decisions.changes.futures import futures
from costing.decisions.changes.sensitivity import sensitivity
from costing.decisions.changes.uncertainty_tables import forecast_answer
from costing.decisions.filling.offers import offers
from costing.decisions.filling.spring_tirage import tirage
from costing.house import House
from costing.model import Runs
from costing.workbook.blank.blank import blank_bytes
from costing.workbook.blank.contents import tables_from_csv
from costing.workbook.file.long_tables import LongTable
from costing.workbook.pages.answer_sheets import result_sheets
from costing.workbook.pages.pages import pages
from costing.workbook.pages.result_sheet import ResultSheet, RunStamp
from costing.workbook.pages.write import lay_out
from tests.golden.questions import ESTATES
from tests.workbook.drawn_sheets import charted, drawn_sheets

FOLDER = Path(__file__).parent
EACH_SHEET = FOLDER.parent / "inputs/small_estate"
COLUMNS = ("sheet", "call", "times", "words")
CHARTED = "charted"
DRAWN = (*map(str, range(8)), CHARTED)
Line = tuple[str, ...]


class _Said:
    """Takes any call of its kind and keeps it in words. whole: with the figures."""

    def __init__(self, whole: bool = False) -> None:
        self.calls: list[tuple[str, str]] = []
        self.whole = whole

    def __getattr__(self, name: str) -> Any:
        def call(*given: Any, **named: Any) -> None:
            plain = [_words(one, self.whole) for one in given]
            if name in ("write_number", "write_formula") and not self.whole:
                plain[2:] = ["figure" if isinstance(one, (float, np.floating)) else _words(one) for one in given[2:]]
            if name == "insert_chart":
                chart = given[2]
                name_of = dict(chart.calls)["set_title"].partition("name=")[2].partition(";")[0]
                self.calls.append((f"chart '{name_of}'", _words(chart)))
                plain[2] = name_of
            self.calls.append((name, _words([*plain, named], self.whole)))

        return call


class _Format(_Said):
    """A format; its number format is asked for."""

    def __init__(self, form: Mapping[str, Any]) -> None:
        super().__init__()
        self.words = str(_words(form))
        self.num_format = form.get("num_format", "General")


class Writer(_Said):
    """In the place of an XlsxWriter workbook."""

    date_1904 = False

    def __init__(self, *_: object, whole: bool = False, **__: object) -> None:
        super().__init__(whole)
        self.sheets: dict[str, _Said] = {}

    def add_worksheet(self, name: str, *_: object) -> _Said:
        return self.sheets.setdefault(name, _Said(self.whole))

    def add_format(self, form: Mapping[str, Any]) -> _Format:
        return _Format(form)

    def add_chart(self, kind: Mapping[str, Any]) -> _Said:
        chart = _Said(self.whole)
        chart.calls.append(("kind", _words(kind)))
        return chart

    def lines(self, further: Iterable[tuple[str, str, str]] = ()) -> list[Line]:
        """Of every sheet and of the workbook itself. further: sheet, kind and words of what else was said."""
        of_sheets = [(name, *call) for name, sheet in {"": self, **self.sheets}.items() for call in sheet.calls]
        said: dict[tuple[str, str], list[str]] = {}
        for sheet, kind, words in (*of_sheets, *further):
            said.setdefault((sheet, kind), []).append(words)
        return [
            (*key, str(len(words)), hashlib.sha256("\n".join(sorted(words)).encode()).hexdigest()[:10])
            for key, words in said.items()
        ]


def _words(given: Any, whole: bool = False) -> Any:
    if given is None or isinstance(given, str):
        return str(given)
    if isinstance(given, _Format):
        return given.words
    if isinstance(given, _Said):
        return "; ".join(f"{name} {words}" for name, words in given.calls)
    if isinstance(given, (float, np.floating)):
        return f"{float(given):.6g}"
    if isinstance(given, Mapping):
        figures = () if whole else ("_data", "total_value")
        shown = {key: _words(value, whole) for key, value in given.items() if not str(key).endswith(figures)}
        return " ".join(f"{key}={words};" for key, words in sorted(shown.items(), key=str))
    if is_dataclass(given):
        return f"({', '.join(str(_words(getattr(given, one.name), whole)) for one in fields(given))})"
    if isinstance(given, (list, tuple)):
        return f"({', '.join(str(_words(one, whole)) for one in given)})"
    return str(given)


def looks_of_results(sheets: Sequence[ResultSheet]) -> list[Line]:
    """How result sheets look."""
    writer = Writer()
    long = lay_out(writer, sheets, None, None)
    return writer.lines((sheets[table.sheet].name, "filled in later", _later(table)) for table in long)


def _later(table: LongTable, whole: bool = False) -> str:
    links = [(position, sum(place is not None for place in places)) for position, places in table.links.items()]
    cells = table.columns if whole else [len(cells) for cells in table.columns]
    return str(_words([table.first_row, len(table.columns), cells, links]))


def looks_of_drawn(seed: str) -> list[Line]:
    """How drawn sheets look; every other seed in a workbook that counts its days from 1904."""
    sheets = charted() if seed == CHARTED else drawn_sheets(int(seed))
    writer = Writer(whole=True)
    writer.date_1904 = seed != CHARTED and int(seed) % 2 == 1
    stamp = RunStamp(dt.datetime(2025, 7, 1, 9, 5), "1.0", "book", "0f")
    long = lay_out(writer, sheets, stamp, ("=1", ""))
    lines = writer.lines((sheets[table.sheet].name, "filled in later", _later(table, True)) for table in long)
    shown = [(f"{seed} {sheet}", *line) for sheet, *line in lines]
    for page in pages(sheets, stamp, ("=1", ""), date_1904=writer.date_1904):
        parts = {name: _words([page.name, getattr(page, name)], True) for name in page.__dataclass_fields__}
        digests = {name: hashlib.sha256(str(words).encode()).hexdigest()[:10] for name, words in parts.items()}
        shown += [(f"{seed} {page.name}", f"page {name}", "1", digest) for name, digest in digests.items()]
    return shown


def looks_of_inputs() -> list[Line]:
    """How a workbook with rows on every sheet looks before a run."""
    writer = Writer()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(xlsxwriter, "Workbook", lambda *_: writer)
        blank_bytes(tables_from_csv(EACH_SHEET), note="An invented estate.")
    return writer.lines()


def differences(kept: str, now: Iterable[Line], seed: str = "") -> list[str]:
    """Sheets and calls that differ from what is kept of results, inputs or the drawn sheets of a seed."""
    was = dict(_keyed(line for line in _kept(kept) if line[0].startswith(f"{seed} " if seed else "")))
    found = dict(_keyed(now))
    either = sorted(was.keys() | found.keys())
    return [f"{sheet}: {call}" for sheet, call in either if was.get((sheet, call)) != found.get((sheet, call))]


def _keyed(lines: Iterable[Line]) -> Iterator[tuple[tuple[str, str], Line]]:
    return (((line[0], line[1]), line[2:]) for line in lines)


def _kept(kept: str) -> list[Line]:
    with (FOLDER / f"looks_of_{kept}.csv").open(encoding="utf-8", newline="") as file:
        return [tuple(line) for line in csv.reader(file)][1:]


def main() -> None:
    """Keep anew how sheets look."""
    sheets = sheets_of_everything(Runs(ESTATES["demo"]()))
    drawn = [line for seed in DRAWN for line in looks_of_drawn(seed)]
    for kept, lines in (("results", looks_of_results(sheets)), ("inputs", looks_of_inputs()), ("drawn", drawn)):
        with (FOLDER / f"looks_of_{kept}.csv").open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, lineterminator="\n").writerows([COLUMNS, *lines])


def answers_of_everything(runs: Runs) -> list[Answer]:
    """Every answer of which a run or a command of its own writes sheets; futures are two of its scenarios."""
    two = House(runs.estate).replace(scenarios=lambda own: own[own["scenario"].isin(own["scenario"].unique()[:2])])
    more = [sensitivity(runs), tirage(runs), offers(runs), futures(two.runs)]
    return [*answers_of_run(runs, []), *more, forecast_answer(runs, 50)]


def sheets_of_everything(runs: Runs) -> list[ResultSheet]:
    """The sheets of all of them."""
    return result_sheets(answers_of_everything(runs))


if __name__ == "__main__":
    main()
