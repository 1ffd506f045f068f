"""What a person reads in a terminal: findings, notes; tables are `answers.text`."""

from __future__ import annotations

import codecs
import contextlib
import os
import re
import sys
from collections.abc import Iterator, Sequence
from typing import Any

from costing.errors import CostingError, Finding

ADVICE_IS_YOURS = (
    "Decision support, not accounting, tax or legal advice: the book basis follows your local standard, to be "
    "confirmed with a licensed professional."
)


def print_findings(findings: Sequence[Finding], stream: Any = None) -> None:
    """Print findings, one a line, on stderr or where told."""
    for finding in findings:
        tell(f"{finding.severity}: {finding}", stream or sys.stderr)


def counted(number: int, noun: str) -> str:
    """Say "1 error" or "2 errors"."""
    return f"{number:,} {noun}" + ("" if number == 1 else "s")


def note(text: str) -> None:
    """Print a line beside the results, on stderr."""
    tell(text, sys.stderr)


def tell(text: str, stream: Any = None) -> None:
    r"""Print a text, on stdout or where told; what can't be shown there takes nothing from what the command does.

    Control codes from the input never reach the terminal, and a sign that the output has no code for is escaped, both
    as `\u001b`, which JSON reads too. Once nobody reads any more the rest is left out; what the output could not take
    for another reason is said by `finish`.
    """
    stream = stream or sys.stdout
    encoding = getattr(stream, "encoding", None) or "utf-8"
    line = _CONTROL.sub(lambda sign: _escaped(sign[0]), text)
    with _kept_going(stream):
        print(line.encode(encoding, _ESCAPING).decode(encoding), file=stream)


def finish() -> None:
    """Send what was printed on its way. CostingError where it could not be written."""
    for stream in (sys.stdout, sys.stderr):
        with _kept_going(stream):
            if stream is not None:
                stream.flush()
    if _failed:
        msg = f"What was to be printed could not be written ({_failed.pop()}); files were written as said."
        raise CostingError(msg)


_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
_ESCAPING = "costing.escaped"
_failed: list[str] = []


def _escaped(text: str) -> str:
    units = text.encode("utf-16-be", "surrogatepass")
    return "".join(f"\\u{units[position]:02x}{units[position + 1]:02x}" for position in range(0, len(units), 2))


def _escape_fault(fault: UnicodeError) -> tuple[str, int]:
    if not isinstance(fault, UnicodeEncodeError):
        raise fault
    return _escaped(fault.object[fault.start : fault.end]), fault.end


codecs.register_error(_ESCAPING, _escape_fault)


@contextlib.contextmanager
def _kept_going(stream: Any) -> Iterator[None]:
    """Leave out what a stream no longer takes."""
    try:
        yield
    except BrokenPipeError:  # the reader of a pipe, `head` for one, has seen enough
        _silence(stream)
    except OSError as fault:
        _failed[:] = [str(fault.strerror or fault)]
        _silence(stream)


def _silence(stream: Any) -> None:
    """Send the rest to nobody: at its end Python would try once more to write what waits in the stream."""
    with contextlib.suppress(OSError, ValueError, AttributeError):
        nobody = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nobody, stream.fileno())
        os.close(nobody)
