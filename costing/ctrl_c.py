"""Ctrl-C, remembered: the exception may come up in code that drops it, or turns it into another.

Compiled code that imports a module does both, and so does a callback of another program.
"""

from __future__ import annotations

import signal
import threading
from types import FrameType
from typing import Any


class CtrlC:
    """Knows from its start to its end whether Ctrl-C was pressed, which raises KeyboardInterrupt as always.

    Where somebody else has taken the signal, or outside the main thread, it knows of nothing.
    """

    def __init__(self) -> None:
        self.is_pressed = False
        self._before: Any = None

    def __enter__(self) -> CtrlC:
        if threading.current_thread() is threading.main_thread():
            before = signal.getsignal(signal.SIGINT)
            if before is signal.default_int_handler or isinstance(getattr(before, "__self__", None), CtrlC):
                self._before = signal.signal(signal.SIGINT, self._press)
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)

    def _press(self, _number: int, _frame: FrameType | None) -> None:
        self.is_pressed = True
        raise KeyboardInterrupt

    def raise_if_pressed(self) -> None:
        """Raise KeyboardInterrupt where it was pressed before."""
        if self.is_pressed:
            raise KeyboardInterrupt
