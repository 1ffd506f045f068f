"""A far end of the link to LibreOffice that only answers what it was given, for tests of the near end."""

from __future__ import annotations

import io
import json
import os
import sys
import threading
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from costing.workbook.live import link_office
from costing.workbook.live.link_office import OfficeWorkbook

TAKEN = 1_000
THERE = {"program": "LibreOffice 24", "saves_itself": False, "date_1904": True, "was_locked": False}
READ = {
    "rows": [["Lot", "On", ""], ["A", 45000.0, 0.5], ["", "", ""], ["", "", ""]],
    "left": 1,
    "top": 1,
    "day_zero": [1899, 12, 30],
    "dates": [[2, 1, 2, 3]],
    "percents": [[3, 2, 3, 3]],
    "errors": [[1, 3, "#REF!"]],
    "filled": 4,
}


class Pipe:
    """What is written to the far end, some bytes at a time as a full pipe takes them. Its number is that of a real
    file, which swallows what a thread writes once its test has ended and `os.write` is itself again.
    """

    def __init__(self) -> None:
        self.written = b""
        self.is_closed = threading.Event()
        self._number = os.open(os.devnull, os.O_WRONLY)
        _PIPES[self._number] = self

    def fileno(self) -> int:
        return self._number

    @staticmethod
    def write(number: int, line: memoryview) -> int:
        """In the place of `os.write`."""
        _PIPES[number].written += bytes(line[:TAKEN])
        return min(len(line), TAKEN)

    def __enter__(self) -> Pipe:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._number)
        self.is_closed.set()


_PIPES: dict[int, Pipe] = {}


class Process:
    """A process whose answers are known beforehand."""

    def __init__(self, answers: list[Any]) -> None:
        lines = [answer if isinstance(answer, bytes) else json.dumps(answer).encode() + b"\n" for answer in answers]
        self.stdout = io.BytesIO(b"".join(lines))
        self.stdin = Pipe()
        self.waited: list[float | None] = []

    def wait(self, timeout: float | None = None) -> int:
        assert self.stdin.is_closed.wait(5)
        self.waited.append(timeout)
        return 0


class FarEnd:
    """A workbook linked to such a process."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *answers: Any, first: Any = None) -> None:
        given = [{"answer": "ready"}, {"answer": THERE} if first is None else first]
        self.process = Process([*given, *(one if "fault" in one else {"answer": one["answer"]} for one in answers)])
        self.started: list[tuple[list[str], dict[str, Any]]] = []

        def start(command: list[str], **options: Any) -> Process:
            self.started.append((command, options))
            return self.process

        monkeypatch.setattr(link_office.subprocess, "Popen", start)
        monkeypatch.setattr(link_office, "os", SimpleNamespace(write=Pipe.write))
        monkeypatch.setattr(link_office, "PYTHONS", ("/no/such/python", sys.executable))
        self.workbook = OfficeWorkbook(Path("/estate/demo.xlsx"), "pipe", timeout=2.0)

    def closed(self) -> list[list[Any]]:
        """What was asked, once nothing more is."""
        while not self.workbook._requests.empty():
            time.sleep(0.001)
        self.workbook.close()
        return [json.loads(line) for line in self.process.stdin.written.splitlines()]


def answer(given: Any) -> dict[str, Any]:
    return {"answer": given}
