"""Excel as a program that runs: found through xlwings, which is told not to wait for ever and to end nothing.

Source: xlwings 0.37.8, `_xlwindows.py`: a call that Excel refuses (a cell is edited, a dialog is open) is made again
`N_COM_ATTEMPTS` times, without end where that is 0, as it is at first; at the interpreter's exit `cleanup` ends the
processes of Excel that xlwings does not see, other people's among them.
"""

from __future__ import annotations

import atexit
import contextlib
import importlib
import sys
from pathlib import Path
from typing import Any

from costing.errors import WorkbookError
from costing.workbook.file.package import open_package
from costing.workbook.file.sheets import is_1904, read_book
from costing.workbook.live.opened import NotOpenError

ATTEMPTS = 200


def find(path: Path) -> tuple[Any, Any]:
    """Return the running Excel and the book in it whose file is at `path`. NotOpenError, which says why."""
    # Elsewhere xlwings has nobody to talk to, unless the caller has loaded it and made an engine active.
    if not (sys.platform in ("win32", "darwin") or "xlwings" in sys.modules):
        msg = "there is no Excel on this system"
        raise NotOpenError(msg)
    try:
        engine = _xlwings().engines.active
        apps = list(engine.apps) if engine else []
    except Exception as fault:  # XlwingsError, AttributeError, ImportError, or an error of the system's own
        msg = "Excel can't be reached"
        raise NotOpenError(msg) from fault
    if not apps:
        msg = "Excel is not running"
        raise NotOpenError(msg)
    namesakes = []
    for app in apps:
        for book in _books(app):
            try:
                if is_file(book, path):
                    return app, book
            except Exception:  # an address of the web that leads to no folder here, or a dialog is open
                with contextlib.suppress(Exception):
                    namesakes += [book] * (str(book.name).casefold() == path.name.casefold())
    msg = "Excel has other workbooks open"
    if namesakes:
        msg = (
            f"Excel has a workbook named {path.name} open, but does not say from which folder of this computer. "
            "Finish the cell that is being edited; if it was opened from the web, open it from its synchronised folder"
        )
    raise NotOpenError(msg)


def _xlwings() -> Any:
    """The module, told not to wait for ever, and to leave other processes of Excel alone at its exit."""
    xlwings = importlib.import_module("xlwings")
    for name in ("xlwings._xlwindows", "xlwings._xlmac"):
        module: Any = sys.modules.get(name)
        if module is not None:
            atexit.unregister(module.cleanup)
            module.N_COM_ATTEMPTS = ATTEMPTS  # read on Windows alone
    return xlwings


def _books(app: Any) -> list[Any]:
    try:
        return list(app.books)
    except Exception:  # an Excel with a dialog open, or one that is ending
        return []


def is_file(book: Any, path: Path) -> bool:
    """Whether the book's file is at `path`. Raises what xlwings does where its address leads to no folder here."""
    # A workbook in a synchronised folder may have an address of the web, which is no path.
    return Path(str(book.fullname)).resolve() == path.resolve()


def saves_itself(book: Any) -> bool:
    """Whether AutoSave is on, where Excel tells."""
    with contextlib.suppress(Exception):  # a version without AutoSave, or a system where it can't be asked
        return book.api.AutoSaveOn is True
    return False


def counts_from_1904(book: Any, path: Path) -> bool:
    """Whether the workbook counts its days from 1904: as Excel tells on Windows, elsewhere as its file says."""
    with contextlib.suppress(Exception):  # a property of Excel on Windows alone
        return bool(book.api.Date1904)
    with contextlib.suppress(WorkbookError):
        return is_1904(read_book(open_package(path)))
    return False
