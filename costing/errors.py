"""Findings and exceptions: everything the library says about what is wrong or doubtful.

A finding names a place (`Movements!F17`), the value met there, the rule it breaks and the remedy. Errors stop
a run, cautions do not. Findings are collected and shown all at once; an exception carries them to the edge of
the library.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass

ERROR = "error"
CAUTION = "caution"


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing wrong or doubtful in the input.

    place: `Sheet!cell`, `Sheet!row` or `Sheet`; value: what stands there; rule: what it breaks, short; remedy: what
    to do; source: where a rule that is not ours is written, with its date and what is doubtful of it.
    """

    place: str
    value: str
    rule: str
    remedy: str
    severity: str = ERROR
    source: str = ""

    def __str__(self) -> str:
        """Place, value, rule, remedy and source in one line."""
        shown = f" '{self.value}'" if self.value else ""
        source = f" Source: {self.source}." if self.source else ""
        return f"{self.place}:{shown} {self.rule} {self.remedy}{source}".strip()

    def as_dict(self) -> dict[str, str]:
        """Plain dictionary, for JSON and data frames."""
        return asdict(self)


def caution(place: str, value: str, rule: str, remedy: str, source: str = "") -> Finding:
    """A finding that does not stop a run."""
    return Finding(place, value, rule, remedy, CAUTION, source)


FIRST_PLACES = 5


def also(places: Sequence[str], count: int | None = None) -> str:
    """Sentence on further places of the same fault, none for none: how many, and the first ones.

    count: how many there are in all, where `places` holds but the first.
    """
    count = len(places) if count is None else count
    if not count:
        return ""
    cells = f"{count:,} more cells are" if count > 1 else "1 more cell is"
    dots = ", …" if count > FIRST_PLACES else ""
    return f" {cells} like it: {', '.join(places[:FIRST_PLACES])}{dots}."


def errors_in(findings: Iterable[Finding]) -> list[Finding]:
    """Those findings that stop a run."""
    return [finding for finding in findings if finding.severity == ERROR]


class CostingError(Exception):
    """Anything the library refuses to do; the message is one line for a person."""


class InputError(CostingError):
    """The estate has errors. `findings` holds every one of them, and the cautions; `readable` what of the estate can
    be read all the same (`inputs.readable.Readable`), if anything.
    """

    def __init__(self, findings: list[Finding], readable: object = None) -> None:
        self.findings = findings
        self.readable = readable
        count = len(errors_in(findings))
        super().__init__(f"{count} error{'s' if count != 1 else ''} in the input; the first: {errors_in(findings)[0]}")


class IdentityError(CostingError):
    """Cost in plus capital does not equal stock, cost of goods sold and expenses: the run is void."""


class WorkbookError(CostingError):
    """A file that can't be read or must not be written; the message says why and what to do."""


def nearest(word: str, known: Iterable[str]) -> str:
    """Return "Did you mean 'x'?" for the closest known spelling, or an empty string."""
    by_folded = {name.casefold(): name for name in known}
    close = difflib.get_close_matches(word.casefold(), list(by_folded), n=1, cutoff=0.6)
    return f"Did you mean '{by_folded[close[0]]}'?" if close else ""
