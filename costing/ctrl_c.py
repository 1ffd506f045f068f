"""Ctrl-C, remembered: the exception may come up in code that drops it, or turns it into another.

Compiled code that imports a module does both, and so does a callback of another program. Python itself drops it where
it comes up while an object, such as the lock of a module, is let go; it then comes up again a moment later.
"""

from __future__ import annotations

import _thread
import signal
import sys
import threading
from types import FrameType
from typing import Any

_A_MOMENT = 0.05


class CtrlC:
    """Knows from its start to its end whether Ctrl-C was pressed, which raises KeyboardInterrupt as always.

    Where somebody else has taken the signal, or outside the main thread, it knows of nothing.
    """

    def __init__(self) -> None:
        self.is_pressed = False
        self._before: Any = None
        self._say_dropped = sys.unraisablehook

    def __enter__(self) -> CtrlC:
        if threading.current_thread() is threading.main_thread():
            before = signal.getsignal(signal.SIGINT)
            if before is signal.default_int_handler or isinstance(getattr(before, "__self__", None), CtrlC):
                self._before = signal.signal(signal.SIGINT, self._press)
                self._say_dropped, sys.unraisablehook = sys.unraisablehook, self._drop
        return self

    def __exit__(self, *_: object) -> None:
        if self._before is not None:
            signal.signal(signal.SIGINT, self._before)
            sys.unraisablehook = self._say_dropped

    def _drop(self, dropped: sys.UnraisableHookArgs) -> None:
        if dropped.exc_type is KeyboardInterrupt:
            again = threading.Timer(_A_MOMENT, self._press_again)
            again.daemon = True
            again.start()
        else:
            self._say_dropped(dropped)

    def _press_again(self) -> None:
        if signal.getsignal(signal.SIGINT) == self._press:
            _thread.interrupt_main()

    def _press(self, _number: int, _frame: FrameType | None) -> None:
        self.is_pressed = True
        raise KeyboardInterrupt

    def raise_if_pressed(self) -> None:
        """Raise KeyboardInterrupt where it was pressed before."""
        if self.is_pressed:
            raise KeyboardInterrupt
