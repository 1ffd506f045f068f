"""A running LibreOffice with a person at it, for tests: one for each process, started when first asked for."""

from __future__ import annotations

import json
import os
import queue
import secrets
import shutil
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from functools import cache
from pathlib import Path
from typing import Any

import pytest

SYSTEM_PYTHON = "/usr/bin/python3"
SECONDS = 180.0
_QUIET = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Office.Common/Misc"><prop oor:name="FirstRun" oor:op="fuse"><value>false</value></prop>
<prop oor:name="ShowTipOfTheDay" oor:op="fuse"><value>false</value></prop></item>
<item oor:path="/org.openoffice.Setup/Product"><prop oor:name="ooSetupLastVersion" oor:op="fuse">
<value>99.0</value></prop></item></oor:items>
"""


def require_libreoffice() -> str:
    """The program. A test is skipped where there is none, or fails where COSTING_NEED_OFFICE is set."""
    program = shutil.which("soffice")
    if program is None:
        assert "COSTING_NEED_OFFICE" not in os.environ, "LibreOffice is missing"
        pytest.skip("LibreOffice is not installed")
    return program


class Hand:
    """The person's hand: calls of `office_hand.Hand` by name, each with a time-out."""

    def __init__(self, pipe: str) -> None:
        script = Path(__file__).with_name("office_hand.py")
        self.process = subprocess.Popen(
            [SYSTEM_PYTHON, str(script), pipe], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        self.lines: queue.Queue[str] = queue.Queue()
        threading.Thread(target=self._listen, daemon=True).start()
        try:
            assert json.loads(self.lines.get(timeout=SECONDS)) == "ready"
        except BaseException:
            self.end()
            raise

    def _listen(self) -> None:
        assert self.process.stdout
        for line in self.process.stdout:
            self.lines.put(line)

    def __getattr__(self, name: str) -> Any:
        def call(*arguments: object) -> Any:
            assert self.process.stdin
            self.process.stdin.write(json.dumps([name, *arguments]) + "\n")
            self.process.stdin.flush()
            said = json.loads(self.lines.get(timeout=SECONDS))
            assert "answer" in said, said
            return said["answer"]

        return call

    def end(self) -> None:
        self.process.kill()
        self.process.wait(10)
        for stream in (self.process.stdin, self.process.stdout):
            assert stream
            stream.close()


class Office:
    """The program: its pipe, its process, the hand in it."""

    def __init__(self, pipe: str, process: subprocess.Popen[bytes], hand: Hand, options: list[str]) -> None:
        self.pipe, self.process, self.hand, self.options = pipe, process, hand, options


@contextmanager
def running_office(folder: Path, *, display: str = "") -> Iterator[Office]:
    """LibreOffice with a profile of its own in `folder`, in a window where a display is given."""
    program = require_libreoffice()
    has_uno = subprocess.run([SYSTEM_PYTHON, "-c", "import uno"], capture_output=True, check=False).returncode == 0
    if not has_uno:
        assert "COSTING_NEED_OFFICE" not in os.environ, "python3-uno is missing"
        pytest.skip("the system's Python has no uno (python3-uno)")
    pipe = f"costingtest{secrets.token_hex(4)}"
    user = folder / "profile" / "user"
    user.mkdir(parents=True)
    (user / "registrymodifications.xcu").write_text(_QUIET)
    options = [program, f"-env:UserInstallation={(folder / 'profile').as_uri()}", "--norestore"]
    options += [] if display else ["--headless"]
    environment = {**os.environ, **({"DISPLAY": display} if display else {})}
    command = [*options, f"--accept=pipe,name={pipe};urp;"]
    process = subprocess.Popen(command, env=environment, stderr=subprocess.DEVNULL, start_new_session=True)
    try:
        hand = Hand(pipe)
        try:
            yield Office(pipe, process, hand, options)
        finally:
            hand.end()
    finally:
        # The program is a starter and its child: both are of the session that was made for them.
        os.killpg(process.pid, 15)
        try:
            process.wait(15)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, 9)
            process.wait(15)
        shutil.rmtree(folder / "profile", ignore_errors=True)


STARTED = ExitStack()
"""Programs that run on until the tests of this process are done (`conftest.py` closes them)."""


@cache
def the_office() -> Office:
    """The LibreOffice of this process, without a window."""
    return STARTED.enter_context(running_office(Path(STARTED.enter_context(tempfile.TemporaryDirectory()))))
