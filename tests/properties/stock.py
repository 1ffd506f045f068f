"""Lots of a random cellar: exact balances, choices, and the rows written so far.

Conventions: rows are dictionaries by library column name; quantities are `Fraction`s that a float prints
    exactly (litres to tenths unless a norm made them). Every lot keeps one kind, so that its stage never
    depends on what filled it last. A lot never gives more than it holds, but for what a person misreads:
    less than half a litre.
What it does not do: the cellar's work (`tests.properties.cellar`).
"""

from __future__ import annotations

import random
from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

Row = dict[str, object]

FORMATS = {
    "half": Fraction(3, 8),
    "bottle": Fraction(3, 4),
    "magnum": Fraction(3, 2),
    "jeroboam": Fraction(3),
}
NORMS = {
    "settling": Fraction(3, 100),
    "fermentation": Fraction(2, 100),
    "racking": Fraction(1, 100),
    "topping up": Fraction(1, 200),
    "blending": Fraction(1, 200),
    "bottling": Fraction(1, 100),
    "disgorgement": Fraction(3, 200),
    "decanting": Fraction(1, 100),
    "re-bulking": Fraction(2, 100),
}
LETTERS = {
    "grapes": "G",
    "must": "M",
    "wine": "V",
    "reserve": "R",
    "blend": "B",
    "on lees": "T",
    "finished": "D",
}
FEATURES = (
    "opening", "bought in", "losses", "gains", "additions", "blank in", "in place", "loss rows",
    "stocktakes", "bulk exits", "back to wine", "decanting", "numbered days", "refills",
    "late costs", "instalments", "premiums", "own grapes", "splits", "credits", "rates", "storage",
    "dry goods", "pools", "yearly norms", "dated rates",
)  # fmt: skip


@dataclass
class Lot:
    """What lies in one lot."""

    name: str
    kind: str
    quantity: Fraction
    born: date
    format: str = ""
    cuvee: str = ""

    @property
    def in_bottles(self) -> bool:
        return self.kind in ("on lees", "finished")

    @property
    def litres_per_unit(self) -> Fraction:
        return FORMATS[self.format] if self.in_bottles else Fraction(1)


class Stock:
    """Lots, balances and rows so far."""

    def __init__(self, rng: random.Random, features: frozenset[str]) -> None:
        self.rng, self.features = rng, features
        self.rows: dict[str, list[Row]] = defaultdict(list)
        self.lots: dict[str, Lot] = {}
        self.today = date(2019, 9, 1)
        self.sequence: int | None = None

    # -- choosing

    def on(self, feature: str, chance: float = 1.0) -> bool:
        return feature in self.features and self.rng.random() < chance

    def amount(self, low: float, high: float, digits: int = 1) -> Fraction:
        return Fraction(round(self.rng.uniform(low, high) * 10**digits), 10**digits)

    def pick(self, *kinds: str, least: int = 5, but: str = "") -> Lot | None:
        found = [lot for lot in self.lots.values() if lot.kind in kinds and lot.quantity >= least and lot.name != but]
        return self.rng.choice(found) if found else None

    def part(self, lot: Lot, whole: float = 0.3) -> Fraction:
        """Quantity to draw: some of the lot, or all of it as a person would read it off (to a tenth)."""
        digits = 0 if lot.in_bottles else 1
        all_of_it = Fraction(round(lot.quantity * 10**digits), 10**digits)
        share = self.rng.uniform(0.05, 0.85)
        some = Fraction(int(lot.quantity * Fraction(share) * 10**digits), 10**digits)
        if self.rng.random() < whole or some <= 0 or all_of_it - some < 2:
            return all_of_it
        return some

    def target(self, kind: str, source: str) -> Lot:
        """A lot of that kind to fill: a new one, one that holds some, or an empty one."""
        pick, old = self.rng.random(), self.pick(kind, least=1, but=source)
        if old is not None and pick < 0.5:
            return old
        empty = [lot for lot in self.lots.values() if lot.kind == kind and lot.quantity == 0 and lot.name != source]
        if empty and "refills" in self.features and pick < 0.65 and self.sequence is None:
            return self.rng.choice(empty)
        return self.new(kind)

    def new(self, kind: str, bottle_format: str = "", cuvee: str = "") -> Lot:
        lot = Lot(f"{LETTERS[kind]}{len(self.lots) + 1:03d}", kind, Fraction(0), self.today, bottle_format, cuvee)
        self.lots[lot.name] = lot
        return lot

    # -- writing

    def write(self, sheet: str, **row: object) -> None:
        self.rows[sheet].append({"on_date": self.today, "sequence": self.sequence, **row})

    def take(self, lot: Lot, quantity: Fraction) -> None:
        lot.quantity -= quantity
        if abs(lot.quantity) <= (0 if lot.in_bottles else Fraction(1, 2)):
            lot.quantity = Fraction(0)
        if lot.quantity < 0:
            message = f"{lot.name} is overdrawn"
            raise ValueError(message)

    def put(self, lot: Lot, quantity: Fraction) -> None:
        if lot.quantity == 0:
            lot.born = min(lot.born, self.today)
        lot.quantity += quantity

    def survivors(self, quantity: Fraction, operation: str, digits: int = 1) -> Fraction:
        """Good output of an operation: no loss, a normal one, an abnormal one or a gain."""
        mood, norm = self.rng.random(), NORMS.get(operation, Fraction(0))
        if self.on("losses") and mood < 0.35:
            quantity *= 1 - norm * Fraction(round(mood * 200), 100)
        elif self.on("losses") and mood < 0.5:
            quantity *= Fraction(round(100 * self.rng.uniform(0.8, 0.97)), 100)
        elif self.on("gains") and mood < 0.56 and operation != "bottling":
            quantity *= Fraction(102, 100)
        return Fraction(int(quantity * 10**digits), 10**digits)

    def next_moment(self) -> None:
        """Another day, or the next number on the same one."""
        if self.sequence is not None:
            self.sequence += 1
        else:
            self.today += timedelta(days=self.rng.randint(1, 20))
