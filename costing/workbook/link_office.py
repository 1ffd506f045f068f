"""LibreOffice as a program that has a workbook open: the near end of `office_side`.

Rule: the module `uno` belongs to the Python that LibreOffice was installed with, so that end runs as a
process of its own; the two talk in lines of JSON, and no answer is waited for longer than a time-out.
LibreOffice listens on a named pipe of this machine (never on a network) once the user has started it with
`listening()`; given again while it runs, that makes the running program listen.

What it does not do: start or end LibreOffice; tell TRUE from 1, which LibreOffice holds alike.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import queue
import re
import subprocess
import sys
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from costing.errors import WorkbookError
from costing.inputs.schema import sheets
from costing.workbook.opened import NotOpenError, OpenSheet
from costing.workbook.pages import Page, PlacedTable, RowEdit, link_columns
from costing.workbook.scan import MAX_CELLS

PIPE = "costing"
TIMEOUT_SECONDS = 60.0
_SPELLING = re.compile(r"""\"(?:[^"]|"")*\"|'(?:[^']|'')*'!|,|\b(?:TRUE|FALSE)\b(?!\()""")
PYTHONS = (
    "/usr/bin/python3",
    "/usr/lib/libreoffice/program/python",
    "/Applications/LibreOffice.app/Contents/Resources/python",
    r"C:\Program Files\LibreOffice\program\python.exe",
)


def listening(path: Path, pipe: str = PIPE) -> str:
    """Return the command line that opens the workbook in a LibreOffice that can be linked to."""
    return f'soffice "--accept=pipe,name={pipe};urp;" "{path}"'


class OfficeWorkbook:
    """A workbook open in LibreOffice. NotOpenError where it isn't, or LibreOffice can't be reached."""

    def __init__(self, path: Path, pipe: str = PIPE, timeout: float = TIMEOUT_SECONDS) -> None:
        self._path, self._timeout = path, timeout
        self._answers: queue.Queue[str | None] = queue.Queue()
        self._tables: dict[str, list[PlacedTable]] = {}
        self._process = self._started()
        titles = [column.title for sheet in sheets().values() for column in sheet.columns if column.type == "percent"]
        try:
            plain = sorted({title.partition("(")[0].strip().casefold() for title in titles})
            self._program = str(self._ask("attach", pipe, str(path), plain, MAX_CELLS))
        except WorkbookError as fault:
            self.close()
            raise NotOpenError(str(fault)) from fault

    def _started(self) -> subprocess.Popen[str]:
        script = Path(__file__).with_name("office_side.py")
        for python in (*PYTHONS, sys.executable):
            if not Path(python).exists():
                continue
            process = subprocess.Popen(
                [python, "-I", str(script)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
            )
            self._answers = queue.Queue()
            threading.Thread(target=_listen, args=(process, self._answers), daemon=True).start()
            with contextlib.suppress(WorkbookError):
                self._process = process
                self._answer()
                return process
            self.close()
        msg = "no Python with LibreOffice's module uno is installed (on Debian: apt-get install python3-uno)"
        raise NotOpenError(msg)

    def _ask(self, *request: Any) -> Any:
        self._send(*request)
        return self._answer()

    def _ask_all(self, requests: Iterable[Sequence[Any]]) -> Iterator[Any]:
        """Answers to several requests; the program works on while each is taken apart. The first fault is raised
        once all have answered.
        """
        waiting, faults = 0, []
        try:
            for request in requests:
                self._send(*request)
                waiting += 1
            while waiting and self._process.poll() is None:
                waiting -= 1
                try:
                    answer = self._answer()
                except WorkbookError as fault:
                    faults.append(fault)
                    continue
                yield answer
        finally:
            while waiting and self._process.poll() is None:  # a request could not be made, or nobody listens any more
                waiting -= 1
                with contextlib.suppress(WorkbookError):
                    self._answer()
        if faults:
            raise faults[0]

    def _send(self, *request: Any) -> None:
        if self._process.stdin is None or self._process.poll() is not None:
            msg = "The link to LibreOffice is closed. Start it again."
            raise WorkbookError(msg)
        with contextlib.suppress(BrokenPipeError):
            self._process.stdin.write(json.dumps(request) + "\n")
            self._process.stdin.flush()

    def _answer(self) -> Any:
        try:
            line = self._answers.get(timeout=self._timeout)
        except queue.Empty:
            self.close()
            msg = f"LibreOffice has not answered for {self._timeout:.0f} seconds. Close its open dialogs; link again."
            raise WorkbookError(msg) from None
        if line is None:
            msg = "the link to LibreOffice broke off."
            raise WorkbookError(msg)
        answer = json.loads(line)
        if "fault" in answer:
            raise WorkbookError(answer["fault"])
        return answer["answer"]

    def close(self) -> None:
        """End the other end of the link; LibreOffice and the workbook stay as they are."""
        process = self._process
        process.kill()
        process.wait(10)
        for stream in (process.stdin, process.stdout):
            if stream:
                with contextlib.suppress(OSError):
                    stream.close()

    def who(self) -> str:
        """Program and workbook, for a person."""
        return f"{self._program}: {self._path.name}"

    def is_open(self) -> bool:
        """Whether the workbook is still open there."""
        try:
            return bool(self._ask("is_open"))
        except WorkbookError:
            return False

    def titles(self) -> list[str]:
        """Titles of its worksheets in the order of their tabs, as they are now."""
        found = self._ask("survey")
        self._tables = {title: [] for title in found["titles"]}
        for name, title, top, left, bottom, right, totals in found["tables"]:
            self._tables[title].append(PlacedTable(name, top, left, bottom, right, totals))
        return list(found["titles"])

    def tables(self, title: str) -> list[PlacedTable]:
        """Tables on a sheet, as they were at the last call of `titles`."""
        return self._tables.get(title, [])

    def is_marked(self, title: str) -> bool:
        """Whether the sheet bears the mark of a result sheet, with its present title."""
        return bool(self._ask("is_marked", title))

    def read_table(self, title: str) -> OpenSheet:
        """Cells of a sheet. A sheet too large to be read comes as the one cell that makes it so."""
        return next(self.read_tables([title]))

    def read_tables(self, titles: Sequence[str]) -> Iterator[OpenSheet]:
        """Cells of sheets, one after the other; the program reads on while they are taken apart here."""
        yield from map(self._sheet, self._ask_all(("read", title) for title in titles))

    def _sheet(self, found: Mapping[str, Any]) -> OpenSheet:
        if "rows" not in found:
            return OpenSheet([], too_far=(found["width"], found["height"]))
        left, width = found["left"], found["left"] + len(found["rows"][0])
        rows: list[list[Any]] = [[None] * width for _ in range(found["top"])]
        rows += [[None] * left + [None if cell == "" else cell for cell in row] for row in found["rows"]]
        zero = dt.datetime(*found["day_zero"])
        for first, top, last, bottom in found["dates"]:
            for row in rows[top : bottom + 1]:
                for column in range(first, last + 1):
                    if isinstance(row[column], float):
                        row[column] = zero + dt.timedelta(days=row[column])
        errors = tuple((column + 1, row + 1, text) for column, row, text in found["errors"])
        while rows and len(rows) > max((row for _, row, _ in errors), default=0) and not any(map(_is_filled, rows[-1])):
            rows.pop()
        percents = {
            (column + 1, row + 1)
            for first, top, last, bottom in found["percents"]
            for column in range(first, last + 1)
            for row in range(top, bottom + 1)
        }
        return OpenSheet(rows, errors, frozenset(percents), found["filled"])

    def write_tables(self, plans: Iterable[tuple[Page, Sequence[RowEdit], bool]]) -> None:
        """Edit rows of each page, then set all its cells; where the plan says so, formats and tables as well."""
        requests = (
            ("write", _described(page, styled), [[edit.row, edit.count] for edit in edits], styled)
            for page, edits, styled in plans
        )
        for _ in self._ask_all(requests):
            pass

    def mark_stale(self, titles: Sequence[str], formula: str) -> None:
        """Put the formula into the cell of these sheets that says whether they are old."""
        if titles:
            self._ask("mark_stale", list(titles), formula)

    @contextlib.contextmanager
    def paused(self) -> Iterator[None]:
        """Neither redraw nor recalculate inside."""
        self._ask("pause")
        try:
            yield
        finally:
            self._ask("resume")


def _described(page: Page, styled: bool) -> dict[str, Any]:
    """A page as the far end takes it; its look only where it is to be set."""
    described: dict[str, Any] = {
        "name": page.name,
        "rows": [[_bare(cell) for cell in row] for row in page.rows],
        "formulas": _formula_rows(page),
        "links": link_columns(page, ";"),
        "tables": [[t.name, t.top, t.left, t.bottom, t.right, t.totals] for t in page.tables],
    }
    if styled:
        described |= {
            "styled": [[s.top, s.left, s.bottom, s.right, dict(s.form)] for s in page.styled],
            "widths": list(page.widths.items()),
            "heights": list(page.heights.items()),
        }
    return described


def _is_filled(cell: Any) -> bool:
    return cell is not None


def _formula_rows(page: Page) -> list[tuple[int, int, list[str]]]:
    """Formulas side by side together: row, first column, formulas in LibreOffice's spelling."""
    found: list[tuple[int, int, list[str]]] = []
    for row, column in sorted(page.formulas):
        formula = office_formula(page.formulas[row, column])
        last = found[-1] if found else None
        if last and last[0] == row and last[1] + len(last[2]) == column:
            last[2].append(formula)
        else:
            found.append((row, column, [formula]))
    return found


def office_formula(formula: str) -> str:
    """Formula in Excel's English spelling, as LibreOffice's own: `'A b'!C1,TRUE` is `$'A b'.C1;TRUE()`."""

    def respelt(found: re.Match[str]) -> str:
        text = found[0]
        if text.startswith("'"):
            return f"${text[:-1]}."
        return {",": ";", "TRUE": "TRUE()", "FALSE": "FALSE()"}.get(text, text)

    return _SPELLING.sub(respelt, formula)


def _bare(cell: Any) -> str | float:
    """Value as LibreOffice takes it: texts and numbers, an empty text for a blank cell."""
    if cell is None:
        return ""
    return cell if isinstance(cell, str) else float(cell)


def _listen(process: subprocess.Popen[str], answers: queue.Queue[str | None]) -> None:
    if process.stdout is not None:
        with contextlib.suppress(ValueError, OSError):
            for line in process.stdout:
                answers.put(line)
    answers.put(None)
