"""LibreOffice as a program that has a workbook open: the near end of `office_side`.

Rule: the module `uno` belongs to the Python that LibreOffice was installed with, so that end runs as a
process of its own; the two talk in lines of JSON, and no answer is waited for longer than a time-out. That process
is in a session of its own, where neither Ctrl-C nor a closed terminal reaches it, and is never killed: when this end
ends, in whatever way, it resumes the document and ends by itself.
LibreOffice listens on a named pipe of this machine (never on a network) once the user has started it with
`listening()`; given again while it runs, that makes the running program listen.

What it does not do: start or end LibreOffice; tell TRUE from 1, which LibreOffice holds alike.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import os
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
from costing.workbook.file.scan import MAX_CELLS
from costing.workbook.file.stale import STALE
from costing.workbook.live.opened import NotOpenError, OpenSheet
from costing.workbook.pages.pages import Page, PlacedTable, RowEdit, link_columns

PIPE = "costing"
TIMEOUT_SECONDS = 60.0
CLOSING_SECONDS = 5.0
_SPELLING = re.compile(r"""\"(?:[^"]|"")*\"|'(?:[^']|'')*'!|,|\b(?:TRUE|FALSE)\b(?!\()""")
_WAS_LOCKED = (
    "An earlier link was ended in the middle of a refresh and had left the window locked; it is free again. "
    "Result sheets may be partly old until the next refresh is done."
)
# On Windows the console's Ctrl-C and its closing reach every process of that console.
_A_CONSOLE_OF_ITS_OWN: int = getattr(subprocess, "CREATE_NO_WINDOW", 0)
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
        self._tables: dict[str, list[PlacedTable]] = {}
        self._start()
        titles = [column.title for sheet in sheets().values() for column in sheet.columns if column.type == "percent"]
        try:
            plain = sorted({title.partition("(")[0].strip().casefold() for title in titles})
            there = self._ask("attach", pipe, str(path), plain, MAX_CELLS, f'="{STALE}"')
        except WorkbookError as fault:
            self.close()
            raise NotOpenError(str(fault)) from fault
        self._program, self.saves_itself = str(there["program"]), bool(there["saves_itself"])
        self.date_1904 = bool(there["date_1904"])
        self.remarks = [_WAS_LOCKED] if there["was_locked"] else []

    def _start(self) -> None:
        """Start the far end under the first Python that has LibreOffice's module."""
        script = Path(__file__).with_name("office_side.py")
        for python in (*PYTHONS, sys.executable):
            if not Path(python).exists():
                continue
            self._process = subprocess.Popen(
                [python, "-I", str(script)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                start_new_session=True,
                creationflags=_A_CONSOLE_OF_ITS_OWN,
            )
            self._is_closed = False
            self._requests: queue.Queue[bytes | None] = queue.Queue()
            self._answers: queue.Queue[bytes | None] = queue.Queue()
            for work, lines in ((_feed, self._requests), (_listen, self._answers)):
                threading.Thread(target=work, args=(self._process, lines), daemon=True).start()
            with contextlib.suppress(WorkbookError):
                self._answer()
                return
            self.close()
        msg = "no Python with LibreOffice's module uno is installed (on Debian: apt-get install python3-uno)"
        raise NotOpenError(msg)

    def _ask(self, *request: Any) -> Any:
        self._send(*request)
        return self._answer()

    def _ask_all(self, requests: Iterable[Sequence[Any]]) -> Iterator[Any]:
        """Answers to several requests, taken apart while the program works on. The first fault is raised after all."""
        waiting, faults = 0, []
        try:
            for request in requests:
                self._send(*request)
                waiting += 1
            while waiting and not self._is_closed:
                waiting -= 1
                try:
                    answer = self._answer()
                except WorkbookError as fault:
                    faults.append(fault)
                    continue
                yield answer
        except KeyboardInterrupt:
            self.close()
            raise
        finally:
            while waiting and not self._is_closed:  # a request could not be made, or nobody takes the answers any more
                waiting -= 1
                with contextlib.suppress(WorkbookError):
                    self._answer()
        if faults:
            raise faults[0]

    def _send(self, *request: Any) -> None:
        if self._is_closed:
            msg = "The link to LibreOffice is closed. Start it again."
            raise WorkbookError(msg)
        self._requests.put(json.dumps(request).encode() + b"\n")

    def _answer(self) -> Any:
        try:
            line = self._answers.get(timeout=self._timeout)
        except queue.Empty:
            self.close()
            msg = f"LibreOffice has not answered for {self._timeout:.0f} seconds. Close its open dialogs; link again."
            raise WorkbookError(msg) from None
        if line is None:
            self.close()
            msg = "The link to LibreOffice broke off. Start it again."
            raise WorkbookError(msg)
        answer = json.loads(line)
        if "fault" in answer:
            raise WorkbookError(answer["fault"])
        return answer["answer"]

    def close(self) -> None:
        """End the link. The far end resumes the document and ends, at the latest when LibreOffice answers again."""
        if self._is_closed:
            return
        self._is_closed = True
        with contextlib.suppress(queue.Empty):
            while True:
                self._requests.get_nowait()
        self._requests.put(None)
        try:
            self._process.wait(CLOSING_SECONDS)
        except subprocess.TimeoutExpired:  # killed now, it would leave the window locked
            threading.Thread(target=self._process.wait, daemon=True).start()

    def who(self) -> str:
        """Program and workbook, for a person."""
        return f"{self._program}: {self._path.name}"

    def is_open(self) -> bool:
        """Whether the workbook is still open there. WorkbookError where the link itself has ended."""
        return bool(self._ask("is_open"))

    def titles(self) -> list[str]:
        """Titles of its worksheets in the order of their tabs, as they are now."""
        survey = self._ask("survey")
        self._tables = {title: [] for title in survey["titles"]}
        for name, title, top, left, bottom, right, totals in survey["tables"]:
            self._tables[title].append(PlacedTable(name, top, left, bottom, right, totals))
        return list(survey["titles"])

    def tables(self, title: str) -> list[PlacedTable]:
        """Tables on a sheet, as they were at the last call of `titles`."""
        return self._tables.get(title, [])

    def is_marked(self, title: str) -> bool:
        """Whether the sheet bears the mark of a result sheet, with its present title."""
        return bool(self._ask("is_marked", title))

    def is_protected(self, title: str) -> bool:
        """Whether the sheet is protected."""
        return bool(self._ask("is_protected", title))

    def read_table(self, title: str) -> OpenSheet:
        """Cells of a sheet. A sheet too large to be read comes as the one cell that makes it so."""
        return next(self.read_tables([title]))

    def read_tables(self, titles: Sequence[str]) -> Iterator[OpenSheet]:
        """Cells of sheets, one after the other; the program reads on while they are taken apart here."""
        yield from map(self._sheet, self._ask_all(("read", title) for title in titles))

    def _sheet(self, answer: Mapping[str, Any]) -> OpenSheet:
        if "rows" not in answer:
            return OpenSheet([], too_far=(answer["width"], answer["height"]))
        left, width = answer["left"], answer["left"] + len(answer["rows"][0])
        rows: list[list[Any]] = [[None] * width for _ in range(answer["top"])]
        rows += [[None] * left + [None if cell == "" else cell for cell in row] for row in answer["rows"]]
        zero = dt.datetime(*answer["day_zero"])
        for first, top, last, bottom in answer["dates"]:
            for row in rows[top : bottom + 1]:
                for column in range(first, last + 1):
                    if isinstance(row[column], float):
                        row[column] = zero + dt.timedelta(days=row[column])
        errors = tuple((column + 1, row + 1, text) for column, row, text in answer["errors"])
        while rows and len(rows) > max((row for _, row, _ in errors), default=0) and not any(map(_is_filled, rows[-1])):
            rows.pop()
        percents = {
            (column + 1, row + 1)
            for first, top, last, bottom in answer["percents"]
            for column in range(first, last + 1)
            for row in range(top, bottom + 1)
        }
        return OpenSheet(rows, errors, frozenset(percents), answer["filled"], day_zero=zero)

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
        try:
            self._ask("pause")
            yield
        except Exception:
            with contextlib.suppress(WorkbookError):  # what went wrong inside is what is told
                self._ask("resume", True)
            raise
        except BaseException:  # Ctrl-C, after which requests and answers are out of step
            self.close()
            raise
        self._ask("resume", False)


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
    runs: list[tuple[int, int, list[str]]] = []
    for row, column in sorted(page.formulas):
        formula = office_formula(page.formulas[row, column])
        last = runs[-1] if runs else None
        if last and last[0] == row and last[1] + len(last[2]) == column:
            last[2].append(formula)
        else:
            runs.append((row, column, [formula]))
    return runs


def office_formula(formula: str) -> str:
    """Formula in Excel's English spelling, as LibreOffice's own: `'A b'!C1,TRUE` is `$'A b'.C1;TRUE()`."""

    def respelt(match: re.Match[str]) -> str:
        text = match[0]
        if text.startswith("'"):
            return f"${text[:-1]}."
        return {",": ";", "TRUE": "TRUE()", "FALSE": "FALSE()"}.get(text, text)

    return _SPELLING.sub(respelt, formula)


def _bare(cell: Any) -> str | float:
    """Value as LibreOffice takes it: texts and numbers, an empty text for a blank cell."""
    if cell is None:
        return ""
    return cell if isinstance(cell, str) else float(cell)


def _feed(process: subprocess.Popen[bytes], requests: queue.Queue[bytes | None]) -> None:
    """Pass requests on until there is None; a far end that does not read holds up this thread alone."""
    if process.stdin is not None:
        with contextlib.suppress(OSError), process.stdin:
            for line in iter(requests.get, None):
                rest = memoryview(line)
                while rest:
                    rest = rest[os.write(process.stdin.fileno(), rest) :]


def _listen(process: subprocess.Popen[bytes], answers: queue.Queue[bytes | None]) -> None:
    if process.stdout is not None:
        with contextlib.suppress(OSError), process.stdout:
            for line in process.stdout:
                answers.put(line)
    answers.put(None)
