"""Seeded slips as people make them over an estate's rows, and the rounds of `check` until all of them are mended.

Kinds (common practice, no source): a unit that is another column's, a figure in a larger unit, a name misspelt, more
drawn than is there, a date that is none or of another year, a blank where something must stand, a word that no list
holds, text for a figure. A slip counts as told where a finding names its row, or the lot that it fails to fill; told
slips are put right, the others stay for the next round.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from costing.decisions.cautions import cautions_of
from costing.errors import Finding, InputError
from costing.inputs.load import read_frames
from costing.inputs.schema import sheets
from costing.model import Runs, loaded

Frames = dict[str, pd.DataFrame]


@dataclass(frozen=True)
class Slip:
    """One wrong cell: where it stands, what was meant."""

    kind: str
    table: str
    row: int
    column: str
    typed: Any
    meant: Any

    @property
    def place(self) -> str:
        """Sheet and row, as findings say them."""
        return f"{sheets()[self.table].title}!{self.row + 2}"


Way = Callable[[random.Random, Any], Any]


def _misspelt(dice: random.Random, name: Any) -> str:
    text = str(name)
    ways = [text[:-1] + text[-1] * 2, text.replace("-", " ", 1), text[0] + text[2:]]
    return dice.choice([way for way in ways if way != text])


DRAWN = "a lot misspelt where it is drawn from"
WAYS: dict[str, tuple[Way, tuple[tuple[str, str], ...]]] = {
    "a unit of another column": (
        lambda _, figure: f"{figure:g} kg",
        (("movements", "out_l"), ("pressings", "volume_l"), ("tirage", "wine_l")),
    ),
    DRAWN: (
        _misspelt,
        (("movements", "from_lot"), ("tirage", "wine_lot"), ("disgorgements", "from_lot"), ("pressings", "from_lot")),
    ),
    "a lot misspelt where it is filled": (_misspelt, (("movements", "to_lot"), ("pressings", "to_lot"))),
    "a channel misspelt": (_misspelt, (("dispatches", "channel"),)),
    "more drawn than is there": (
        lambda _, figure: figure * 10,
        (("movements", "out_l"), ("dispatches", "bottles"), ("disgorgements", "bottles_in")),
    ),
    "a date that is none": (
        lambda dice, day: dice.choice([f"31.02.{day:%Y}", f"{day:%d}.{day:%m}", f"{day:%Y}-13-{day:%d}"]),
        (("movements", "on_date"), ("dispatches", "on_date"), ("deliveries", "on_date"), ("costs", "on_date")),
    ),
    "a date years too early": (
        lambda dice, day: day - pd.DateOffset(years=dice.choice([5, 10])),
        (("disgorgements", "on_date"), ("tirage", "on_date")),
    ),
    "a blank": (
        lambda _, __: None,
        (("movements", "on_date"), ("dispatches", "bottles"), ("deliveries", "quantity"), ("costs", "amount")),
    ),
    "a word that no list holds": (
        lambda _, word: f"{word[:-2]}",
        (("movements", "operation"), ("pressings", "fraction"), ("pools", "driver")),
    ),
    "text for a figure": (
        lambda _, figure: f"about {figure:g}",
        (("movements", "out_l"), ("costs", "amount"), ("dry_goods", "unit_price")),
    ),
}


def slips(frames: Mapping[str, pd.DataFrame], seed: int, each: int = 1) -> list[Slip]:
    """Slips of every kind, `each` of a kind, no two in one row."""
    dice, taken, made = random.Random(seed), set[tuple[str, int]](), list[Slip]()
    for kind, (way, cells) in WAYS.items():
        for _ in range(each):
            table, column = dice.choice(cells)
            given = frames[table][column].dropna()
            if kind == "more drawn than is there":
                given = given[given > given.median()]
            if kind == "a lot misspelt where it is filled":
                drawn = pd.concat([frames[sheet][name] for sheet, name in WAYS[DRAWN][1]])
                given = given[given.isin(drawn) & ~given.duplicated(keep=False)]
            row = dice.choice([at for at in given.index.tolist() if (table, at) not in taken])
            taken.add((table, row))
            made.append(Slip(kind, table, row, column, way(dice, given[row]), given[row]))
    return made


def with_slips(frames: Mapping[str, pd.DataFrame], made: Iterable[Slip]) -> Frames:
    """The estate with those cells as they were typed."""
    typed = {name: frame.astype(object) for name, frame in frames.items()}
    for slip in made:
        typed[slip.table].loc[slip.row, slip.column] = slip.typed
    return typed


def told(finding: Finding) -> set[str]:
    """Rows that a finding names, with its place and in its words."""
    text = f"{finding.place} {finding.rule} {finding.remedy}"
    return {f"{sheet.strip()}!{row}" for sheet, row in re.findall(r"([A-Z][\w é-]*?)!(?:[A-Z]{0,2})(\d+)", text)}


def check(frames: Mapping[str, pd.DataFrame]) -> list[Finding]:
    """What one round of `check` says."""
    try:
        return cautions_of(Runs(loaded(read_frames(frames), settings_required=False)))
    except InputError as refused:
        return refused.findings


def rounds(frames: Mapping[str, pd.DataFrame], made: Iterable[Slip]) -> Iterator[tuple[list[Slip], list[Finding]]]:
    """Round by round the slips that were told, and what was said; ends when nothing of them is left, or untold."""
    left = list(made)
    while left:
        findings = check(with_slips(frames, left))
        rows = {row for finding in findings for row in told(finding)}
        missed = {finding.value for finding in findings if finding.rule == "is no known lot."}
        mended = [slip for slip in left if slip.place in rows or slip.meant in missed]
        yield mended, findings
        if not mended:
            return
        left = [slip for slip in left if slip not in mended]
