"""`costing link` at a terminal of its own, for tests: what is typed there, Ctrl-C among it, and its closing."""

from __future__ import annotations

import contextlib
import os
import pty
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

CTRL_C = b"\x03"
_COMMAND = """
import fcntl, functools, signal, sys, termios
signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored where the tests run in the background of a shell
signal.signal(signal.SIGHUP, signal.SIG_DFL)  # ignored under nohup
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
from costing.cli import main
from costing.commands import records
records.link = functools.partial(records.link, pipe=sys.argv[1])
sys.exit(main(["link", *sys.argv[2:]]))
"""


class Terminal:
    """A running `costing link`, the only command of a terminal window."""

    def __init__(self, path: Path, pipe: str, *options: str) -> None:
        self._screen, behind = pty.openpty()
        self.process = subprocess.Popen(
            [sys.executable, "-c", _COMMAND, pipe, str(path), *options],
            stdin=behind,
            stdout=behind,
            stderr=behind,
            start_new_session=True,
        )
        os.close(behind)
        self.said = ""
        self._reading = threading.Thread(target=self._listen, daemon=True)
        self._reading.start()

    def _listen(self) -> None:
        with contextlib.suppress(OSError):  # the far side of a terminal that ended
            while part := os.read(self._screen, 4096):
                self.said += part.decode("utf-8", "replace")

    def wait_for(self, text: str, seconds: float = 60.0) -> float:
        """Wait until it says so; return the time of day."""
        until = time.monotonic() + seconds
        while text not in self.said:
            assert time.monotonic() < until, f"{text!r} not in {self.said!r}"
            time.sleep(0.005)
        return time.monotonic()

    def type(self, keys: bytes) -> None:
        os.write(self._screen, keys)

    def kill(self) -> None:
        """End the command as the machine does it when memory is short: at once, without a word."""
        self.process.kill()

    def hang_up(self) -> None:
        """Close the window: every process of the terminal is told, as by the kernel."""
        os.killpg(self.process.pid, signal.SIGHUP)

    def ended(self, seconds: float = 60.0) -> int:
        """Wait for the end of the command; return its exit code."""
        code = self.process.wait(seconds)
        self._reading.join(5)
        return code

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(10)
        self._reading.join(5)
        os.close(self._screen)
