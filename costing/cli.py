"""Commands: one verb, few options. Results go to stdout, notes to stderr; exit 1 on errors found, 2 on
misuse.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

import costing
from costing import garbage
from costing.commands.table import commands
from costing.ctrl_c import CtrlC
from costing.errors import CostingError, InputError, errors_in
from costing.terminal import ADVICE_IS_YOURS, counted, finish, note, print_findings

STOPPED = 130  # 128 and the number of the signal, as shells count (POSIX.1-2017, 2.8.2)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code. A fault is said in a line, and no file is left half written."""
    garbage.looked_for_seldom()
    with CtrlC() as ctrl_c:
        try:
            return _run(arguments)
        except KeyboardInterrupt:
            pass
        except Exception:  # a module whose import is cut short says that it is broken
            if not ctrl_c.is_pressed:
                raise
    note("Stopped. No file is half written.")
    return STOPPED


def _run(arguments: Sequence[str] | None) -> int:
    try:
        options = _parser().parse_args(arguments)
        try:
            return int(options.command(options))
        finally:
            finish()
    except InputError as wrong:
        print_findings(wrong.findings)
        note(f"{counted(len(errors_in(wrong.findings)), 'error')}. Nothing was written.")
        return 1
    except CostingError as wrong:
        note(str(wrong))
        return 1
    except OSError as fault:
        note(f"{fault.filename or 'A file'}: {fault.strerror or fault}. No file is half written.")
        return 1


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="costing",
        description="What each bottle of traditional-method sparkling wine really cost.",
        epilog=ADVICE_IS_YOURS,
    )
    parser.add_argument("--version", action="version", version=costing.__version__)
    verbs = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    for command in commands():
        help_line = command.what.replace("%", "%%")  # a description is shown as it stands, a help line is not
        described = f"{command.what[0].upper()}{command.what[1:]}."
        of = verbs.add_parser(
            command.verb, help=help_line, description=described, epilog=f"For example: {command.example}"
        )
        of.add_argument("path", type=Path, metavar="PATH", help=command.path)
        for option in command.options:
            of.add_argument(option.name, **option.settings)
        of.set_defaults(command=command.run)
    return parser


if __name__ == "__main__":
    sys.exit(main())
