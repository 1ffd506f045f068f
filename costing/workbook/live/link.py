"""The live link: read the inputs of an open workbook, refresh its result sheets in place, again and again.

Rule: what is read is what the program shows now, saved or not. Results go into the library's own sheets of the
open workbook; where the inputs have errors, the sheet `Run check` lists them with links to their cells, and
the other result sheets keep what they held and say STALE. Saving stays the user's, or that of a program that
saves by itself, which is said.

Conventions: nothing is written while the inputs are the same as at the last refresh, so a workbook just saved
stays saved. A refresh happens at once, then on Enter, and with `watch` on every save of the file.

What it does not do: start a spreadsheet program, or draw charts on sheets that it has to make.
"""

from __future__ import annotations

import contextlib
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TextIO

import pandas as pd

from costing.accounts.check import finding_table
from costing.answers.answer import Answer
from costing.ctrl_c import CtrlC
from costing.errors import ERROR, CostingError, Finding, InputError, WorkbookError, errors_in
from costing.inputs.raw import RawTable
from costing.workbook.file.replace import lock_holder
from costing.workbook.file.stale import STALE, stale_formula
from costing.workbook.live.link_excel import ExcelWorkbook
from costing.workbook.live.link_office import PIPE, OfficeWorkbook, listening
from costing.workbook.live.opened import NotOpenError, read_open, write_open
from costing.workbook.pages.pages import Page, pages
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable, RunStamp

POLL_SECONDS = 0.3
AUTOSAVE = "The link saves nothing; the program's own AutoSave does."
FINDINGS_SHEET = "Run check"
Refresh = Callable[[Sequence[RawTable]], Iterable[ResultSheet]]
"""Raw tables -> result sheets, which may be made one by one; InputError at once, before the first is made."""


@dataclass
class Refresher:
    """One open workbook, refreshed as often as asked; remembers what it has shown."""

    workbook: ExcelWorkbook | OfficeWorkbook
    refresh: Refresh
    is_under_way: bool = False
    _inputs: str = ""
    _shown: dict[str, Page] = field(default_factory=dict)

    def __call__(self) -> str:
        """Refresh once; return a line on what happened. WorkbookError where the program refuses."""
        self.is_under_way = True  # and stays so where Ctrl-C ends it
        try:
            line = self._refresh()
        except Exception:
            self.is_under_way = False
            raise
        self.is_under_way = False
        return line

    def _refresh(self) -> str:
        started = time.perf_counter()
        tables, counts, inputs = read_open(self.workbook)
        if inputs == self._inputs:
            return "The inputs are as they were; nothing was written."
        findings: list[Finding] = []
        sheets: Iterable[ResultSheet]
        try:
            sheets = self.refresh(tables)
        except InputError as wrong:
            findings = wrong.findings
            sheets = [findings_sheet(findings)]
        stamp, stale = RunStamp.now(inputs), stale_formula(counts)
        laid_out = pages(list(sheets), stamp, stale, date_1904=self.workbook.date_1904)
        protected = write_open(
            self.workbook,
            laid_out,
            is_outgrown=self._is_outgrown,
            # The formula of a sheet sees numbers and filled cells alone; with errors the others are old for certain.
            others_stale=f'="{STALE}"' if findings else "",
        )
        written = [page for page in laid_out if page.name not in protected]
        changed = [page for page in written if not page.same_content(self._shown.get(page.name))]
        self._shown |= {page.name: page for page in written}
        self._inputs = "" if protected else inputs  # taken off its protection, a sheet is written at the next refresh
        kept = _kept(protected)
        seconds = time.perf_counter() - started
        if findings:
            first = next(iter(errors_in(findings)))
            number = len(errors_in(findings))
            return f"{number} error{'s' * (number > 1)}, listed on sheet '{FINDINGS_SHEET}'; the first: {first}{kept}"
        saving = AUTOSAVE if self.workbook.saves_itself else "Nothing was saved."
        count = f"{len(written)} sheet{'s' * (len(written) != 1)}"
        return f"{count} refreshed in {seconds:.2f} s, {len(changed)} of them changed. {saving}{kept}"

    def _is_outgrown(self, page: Page) -> bool:
        """Whether columns must be set anew: texts of findings are longer than what may have stood there before;
        of other pages not yet shown the file's own columns are kept.
        """
        before = self._shown.get(page.name)
        return page.name == FINDINGS_SHEET if before is None else before.widths != page.widths


def _kept(protected: Sequence[str]) -> str:
    """Sentence on sheets that could not be written, none for none."""
    if not protected:
        return ""
    names = ", ".join(f"'{title}'" for title in protected)
    what = "is protected and keeps what it held" if len(protected) == 1 else "are protected and keep what they held"
    return f" {names} {what}: take the protection off, then refresh again."


def findings_sheet(findings: Sequence[Finding]) -> ResultSheet:
    """Return the sheet that lists what is wrong in the inputs, each with a link to its cell, errors first."""
    in_order = sorted(findings, key=lambda finding: finding.severity != ERROR)
    shown = [replace(finding, rule=f"{finding.severity}: {finding.rule}") for finding in in_order]
    frame = Answer({"findings": finding_table(shown)}).under_headers("findings")
    place = str(frame.columns[0])
    return ResultSheet(
        FINDINGS_SHEET,
        "The inputs have errors: nothing was computed",
        tables=(
            ResultTable(
                "run_identity", pd.DataFrame(columns=["Line", "Book", "Economic"], dtype=object), title="Reconciliation"
            ),
            ResultTable("findings", frame, links={place: place}, title=f"Errors: {len(errors_in(findings))}"),
        ),
        says=("The other result sheets show the last run that went through.",),
    )


def attach(path: Path, pipe: str = PIPE) -> ExcelWorkbook | OfficeWorkbook:
    """Return the workbook as it is open in Excel or LibreOffice. NotOpenError with one line on what to do."""
    if not path.is_file():
        msg = f"{path} does not exist. Name the workbook that is open; `costing new {path}` makes one."
        raise WorkbookError(msg)
    path = path.resolve()
    holder = lock_holder(path)
    ways: list[Callable[[], ExcelWorkbook | OfficeWorkbook]] = [
        lambda: ExcelWorkbook(path),
        lambda: OfficeWorkbook(path, pipe),
    ]
    if holder.startswith("LibreOffice"):
        ways.reverse()  # whoever works in LibreOffice need not have xlwings loaded, nor Excel asked
    reasons = []
    for way in ways:
        try:
            return way()
        except NotOpenError as fault:
            reasons.append(str(fault))
    there = f" A lock file says that it is open ({holder})." if holder else ""
    msg = (
        f"{path.name} is not open where it can be reached: {'; '.join(reasons)}.{there} "
        f"Open it in Excel, or in LibreOffice with: {listening(path, pipe)}"
    )
    raise NotOpenError(msg)


def link(
    path: Path,
    refresh: Refresh,
    *,
    watch: bool = False,
    say: Callable[[str], None] = print,
    keyboard: TextIO | None = None,
    pipe: str = PIPE,
) -> None:
    """Attach to the open workbook, refresh it, and go on with it until it is closed or the user ends it.

    refresh: raw tables -> result sheets, or InputError. watch: again on each save. keyboard: lines that ask for
    a refresh (an empty one) or the end (`q`); the terminal where there is one. Without `watch` and without a
    keyboard it refreshes once. WorkbookError with one line where nothing is open; refusals later on are
    said and the link stays.
    """
    if keyboard is None and sys.stdin is not None and sys.stdin.isatty():
        keyboard = sys.stdin
    workbook: ExcelWorkbook | OfficeWorkbook | None = None
    refresher: Refresher | None = None
    is_ended = False
    with CtrlC() as ctrl_c:
        try:
            workbook = attach(path, pipe)
            refresher = Refresher(workbook, refresh)
            say(f"Linked to {workbook.who()}.")
            for remark in workbook.remarks:
                say(remark)
            say(refresher())
            ctrl_c.raise_if_pressed()
            if not watch and keyboard is None:
                return
            ways = [*(["Enter"] if keyboard else []), *(["each save"] if watch else [])]
            say(f"Refreshing on {' and on '.join(ways)}; ends with {'q or ' if keyboard else ''}Ctrl-C.")
            _go_on(path, workbook, refresher, watch, keyboard, say, ctrl_c)
        except KeyboardInterrupt:
            is_ended = True
        finally:
            if workbook:
                workbook.close()
    if is_ended:
        say("The link has ended; the workbook is still open, with its unsaved changes.")
        if refresher and refresher.is_under_way:
            say("A refresh was under way: result sheets that say STALE may be partly old. Link again to refresh them.")


def _go_on(
    path: Path,
    workbook: ExcelWorkbook | OfficeWorkbook,
    refresher: Refresher,
    watch: bool,
    keyboard: TextIO | None,
    say: Callable[[str], None],
    ctrl_c: CtrlC,
) -> None:
    typed = _lines(keyboard) if keyboard else None
    saved = _saved(path)
    while True:
        ctrl_c.raise_if_pressed()
        asked = False
        line = None
        if typed is None:
            time.sleep(POLL_SECONDS)
        else:
            with contextlib.suppress(queue.Empty):
                line = typed.get(timeout=POLL_SECONDS)
        if line is not None:
            if line.strip().casefold() in ("q", "quit") or (not line and not watch):
                return
            typed = typed if line else None  # the end of the keyboard leaves the watching of saves
            asked = bool(line)
        now = _saved(path)
        if watch and now != saved and now is not None:
            time.sleep(POLL_SECONDS)
            if _saved(path) == now:  # a save under way changes the file more than once
                saved, asked = now, True
        if asked:
            try:
                say(refresher())
            except CostingError as fault:
                say(str(fault))
        try:
            is_open = workbook.is_open()
        except WorkbookError:
            say("The link has ended; the workbook is as it was left in the program.")
            return
        if not is_open:
            say("The workbook was closed; the link has ended.")
            return


def _saved(path: Path) -> tuple[int, int] | None:
    """When the file was last written, and its size; None while it is being replaced."""
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_mtime_ns, status.st_size


def _lines(keyboard: TextIO) -> queue.Queue[str]:
    """Lines as they are typed, an empty text at the end."""
    typed: queue.Queue[str] = queue.Queue()

    def listen() -> None:
        for line in keyboard:
            typed.put(line)
        typed.put("")

    threading.Thread(target=listen, daemon=True).start()
    return typed
