"""Rules across rows and tables, one function each."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from costing.errors import Finding
from costing.inputs.estate import Estate

Check = Callable[[Estate, frozenset[str]], Iterator[Finding]]
CHECKS: tuple[Check, ...] = ()


def run_checks(estate: Estate, spoilt: frozenset[str] = frozenset()) -> Iterator[Finding]:
    """Findings of every rule; tables in `spoilt` could not be read in full and are left out of rules that would blame their rows."""
    for check in CHECKS:
        yield from check(estate, spoilt)
