"""A published figure and what gives it here; the count of them all: `python -m tests.published.figures`.

Counted are results of a calculation that a source prints, or that follow from its inputs by its own method (worked
out). Not counted: what a law or a table only states, amounts of our own beside a paragraph of a standard, and figures
from which an input of the check was worked back. A book is one source; so is a page of documentation.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass

import pytest

import tests.published


@dataclass(frozen=True)
class Figure:
    """A stated figure, what it is of, and what finds it; digits: decimals as printed in the source.

    by_run: rows go in and `run` gives it; otherwise the function that does the step. is_worked_out: by arithmetic from
    the source's inputs, not printed there. rounded_before: what the source's roundings on the way add.
    """

    source: str
    what: str
    stated: float
    digits: int
    found: Callable[[], float]
    by_run: bool = True
    is_worked_out: bool = False
    rounded_before: float = 0.0

    def check(self) -> None:
        within = 0.5000001 * 10.0**-self.digits + self.rounded_before
        assert self.found() == pytest.approx(self.stated, rel=1e-12, abs=within)

    @property
    def name(self) -> str:
        return f"{self.source.split(',')[0]}: {self.what}"


def all_figures() -> list[Figure]:
    """Those of every module of this package; one that two checks reach counts once."""
    names = sorted(module.name for module in pkgutil.iter_modules(tests.published.__path__))
    modules = [importlib.import_module(f"tests.published.{name}") for name in names if name.startswith("test_")]
    figures = [figure for module in modules for figure in getattr(module, "FIGURES", ())]
    return list({(figure.source, figure.stated): figure for figure in figures}.values())


def counted(figures: list[Figure]) -> str:
    """A line per source: figures, through whole runs, worked out."""
    all_of = Counter(figure.source for figure in figures)
    by_run = Counter(figure.source for figure in figures if figure.by_run)
    worked_out = Counter(figure.source for figure in figures if figure.is_worked_out)
    lines = [
        f"{count:4} {by_run[source]:4} {worked_out[source]:4}  {source}" for source, count in sorted(all_of.items())
    ]
    total = f"{len(figures):4} {by_run.total():4} {worked_out.total():4}  from {len(all_of)} sources"
    return "\n".join([" all  run calc  source", *lines, total])


if __name__ == "__main__":
    print(counted(all_figures()))
