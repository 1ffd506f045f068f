"""A generated ledger with the shape of a real house, at any size. Invented figures.

Rule: one line of cellar work (four press loads a year, five vats, three tirages, seven disgorgements, five
    ways out) repeated over harvests and over parallel lines. Eight lines share one reserve vat and one
    liqueur vat, and every blend also draws on the reserve of the next group, so that the whole house hangs
    together and some lots have hundreds of states.
Conventions: a movement is a row that takes a quantity from lots and puts it into lots: a fraction of a press
    load, a row of Movements, a tirage, a disgorgement, a dispatch. Deliveries and stocktakes come on top.
    Columns carry their displayed headers.
What it does not do: plans, transfers between formats, bought-in bottles (the random estates of the property
    tests have them).
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from costing.array_types import Days, Floats, Names
from tests.benchmarks.tables import joined, prices, settings, titled, until

LINES_A_GROUP = 8
FIRST_HARVEST = 2012
MOST_HARVESTS = 10
SMALLEST = 200
LAST_DAY = np.datetime64("2025-12-31", "D")


FLOW_SHEETS = ("pressings", "movements", "tirage", "disgorgements", "dispatches")


def count_movements(tables: dict[str, pd.DataFrame]) -> int:
    """Rows that take a quantity from a lot and put it into another, or out of the house."""
    return sum(len(tables[sheet]) for sheet in FLOW_SHEETS)


def ledger(n_movements: int, seed: int = 0) -> dict[str, pd.DataFrame]:
    """Tables of a house with `n_movements` movements (at least 200).

    Keys are library sheet names, columns displayed headers. The ledger ends on the day of the last movement.
    """
    if n_movements < SMALLEST:
        message = f"a house needs at least {SMALLEST} movements to have its shape, not {n_movements}"
        raise ValueError(message)
    harvests = next((h for h in range(2, MOST_HARVESTS) if _size(h, 1, seed) >= n_movements), MOST_HARVESTS)
    lines = -(-n_movements // _size(harvests, 1, seed))
    while _size(harvests, lines, seed) < n_movements:  # lines of a full group have a little less upkeep each
        lines += 1
    return _cut(_House(harvests, lines, np.random.default_rng(seed)).tables(), n_movements)


def _size(harvests: int, lines: int, seed: int) -> int:
    return count_movements(_House(harvests, lines, np.random.default_rng(seed)).tables())


def _cut(tables: dict[str, pd.DataFrame], n_movements: int) -> dict[str, pd.DataFrame]:
    """The ledger up to the day that reaches that many movements, less the last dispatches too many."""
    moved = np.sort(np.concatenate([tables[sheet]["Date"].to_numpy() for sheet in FLOW_SHEETS]))
    last = moved[n_movements - 1]
    cut = {sheet: until(table, last) for sheet, table in tables.items()}
    spare = count_movements(cut) - n_movements
    order = cut["dispatches"].sort_values("Date", kind="stable").index
    cut["dispatches"] = cut["dispatches"].drop(order[len(order) - spare :]).reset_index(drop=True)
    return cut | settings(last.astype("datetime64[D]"))


def _day(year: int, month: int, day: int) -> np.datetime64:
    return np.datetime64(f"{year:04d}-{month:02d}-{day:02d}", "D")


class _House:
    """Writes the rows of every line at once, step after step of the cellar year, and keeps the balances."""

    def __init__(self, harvests: int, lines: int, rng: np.random.Generator) -> None:
        self.rng, self.lines, self.harvests = rng, lines, harvests
        self.line = np.arange(lines)
        self.group = self.line // LINES_A_GROUP
        self.groups = int(self.group[-1]) + 1
        self.rows: dict[str, list[dict[str, object]]] = defaultdict(list)
        self.in_reserve = np.full(self.groups, 60_000.0)
        self.liqueur = np.full(self.groups, 4_000.0)

    def tables(self) -> dict[str, pd.DataFrame]:
        """Every table."""
        self.open()
        for harvest in range(FIRST_HARVEST, FIRST_HARVEST + self.harvests):
            vats = self.make_wine(harvest)
            stacks = self.blend_and_bottle(harvest, vats)
            for stack in stacks:
                self.age_and_sell(harvest, *stack)
        found = {sheet: joined(rows) for sheet, rows in self.rows.items()}
        found = {sheet: until(table, LAST_DAY) for sheet, table in found.items()}
        return found | settings(LAST_DAY) | prices(FIRST_HARVEST, self.harvests)

    # -- names and days

    def name(self, what: str, harvest: int) -> Names:
        """Lot names of one kind, one for each line."""
        return np.array([f"{what}{harvest % 100:02d}-{line:04d}" for line in range(self.lines)], dtype=object)

    def shared(self, what: str, group: NDArray[np.int64]) -> Names:
        """Lot names that the lines of a group share."""
        return np.array([f"{what}-{number:03d}" for number in range(self.groups)], dtype=object)[group]

    def days(self, start: np.datetime64, spread: int) -> Days:
        """A day for each line within `spread` days of a start."""
        return start + self.rng.integers(0, spread, self.lines)

    def uniform(self, low: float, high: float, digits: int = 1) -> Floats:
        """One rounded draw for each line."""
        return np.round(self.rng.uniform(low, high, self.lines), digits)

    def row(self, sheet: str, **columns: object) -> None:
        """Write one row for each line; keyword names are the displayed headers with `_` for blanks."""
        self.rows[sheet].append(titled(columns))

    def move(
        self,
        day: object,
        operation: str,
        source: object,
        out: object,
        to: object,
        arrived: object,
        **more: object,
    ) -> None:
        """Write one movement of wine for each line."""
        self.row(
            "movements",
            Date=day,
            Operation=operation,
            From_lot=source,
            out_l=out,
            To_lot=to,
            in_l=arrived,
            **more,
        )

    # -- the cellar year

    def open(self) -> None:
        """Stock when the records begin: the reserve and the liqueur of each group."""
        first = _day(FIRST_HARVEST, 1, 1)
        group = np.arange(self.groups)
        for what, kind, litres, cost in (
            ("RES", "reserve", 60_000.0, 290_000.0),
            ("LIQ", "wine", 4_000.0, 14_000.0),
        ):
            lot = self.shared(what, group)
            self.row("opening_stock", Date=first, Lot=lot, Kind=kind, Quantity=litres, Unit="L")
            self.row(
                "opening_costs",
                Lot=lot,
                Stage="vinification",
                Element="must and wine",
                Amount=cost,
                paid=first - 60,
            )

    def make_wine(self, harvest: int) -> list[tuple[Names, Floats]]:
        """Harvest to clear base wine: five vats in each line, the fifth from the second pressings."""
        picked = self.days(_day(harvest, 9, 3), 12)
        second, second_l = self.name("MT", harvest), np.zeros(self.lines)
        vats: list[tuple[Names, Floats]] = []
        for load, method in enumerate(("volume", "nrv", "sales value", "constant margin")):
            grapes, must = self.name(f"G{load}-", harvest), self.name(f"M{load}-", harvest)
            press, kg = self.name(f"P{load}-", harvest), self.uniform(3_000, 4_000, 0)
            day = picked + load % 3
            grower = {
                "Village": ("Amblencourt", "Vernoy")[load % 2],
                "Variety": ("Chardonnay", "Pinot noir")[load // 2],
            }
            if load == 3:
                money = {"price": 6.5, "Growing cost per unit": 4.1}
            else:
                premium = (
                    {"Final premium per unit": 0.15, "Premium date": _day(harvest + 1, 3, 20)} if load == 1 else {}
                )
                money = {
                    "price": self.uniform(5.8, 7.2, 2),
                    "Supplier": f"Grower {load}",
                    "Terms": "quarterly",
                    **premium,
                }
            self.row("deliveries", Date=day, Lot=grapes, What="grapes", Quantity=kg, Unit="kg", **grower, **money)
            first_l, taille_l = np.round(kg * 0.5125, 1), np.round(kg * 0.125, 1)
            common = {"Date": day, "Load": press, "split": method}
            self.row(
                "pressings", **common, From_lot=grapes, kg=kg, Fraction="first", must_l=first_l, To_lot=must,
                value=14.0, complete=0.8,
            )  # fmt: skip
            self.row(
                "pressings",
                **common,
                Fraction="second",
                must_l=taille_l,
                To_lot=second,
                value=10.0,
                complete=1.2,
            )
            self.row("pressings", **common, Fraction="by-product", credit=60.0)
            self.row(
                "costs",
                incurred=day,
                paid_on=day + 30,
                Lot=grapes,
                Stage="pressing",
                Element="pressing",
                Amount=np.round(kg * 0.6, 2),
            )
            second_l += taille_l
            vats.append(self.ferment(harvest, load, must, first_l, day + 1))
        vats.append(self.ferment(harvest, 4, second, second_l, np.full(self.lines, _day(harvest, 9, 20))))
        return self.clarify(harvest, self.top_up(harvest, vats))

    def ferment(self, harvest: int, vat: int, must: Names, litres: Floats, day: Days) -> tuple[Names, Floats]:
        """Settle and ferment one must."""
        settled, wine = self.name(f"S{vat}-", harvest), self.name(f"V{vat}-", harvest)
        clear = np.round(litres * self.rng.uniform(0.965, 0.985, self.lines), 1)
        self.move(day, "settling", must, litres, settled, clear)
        if vat == 0:
            sugar = np.round(clear * 0.004, 1)
            self.move(day + 1, "enrichment", None, None, settled, sugar, added_l=sugar)
            clear = np.round(clear + sugar, 1)
        added = np.round(clear * 0.003, 1)
        made = np.round((clear + added) * self.rng.uniform(0.975, 0.99, self.lines), 1)
        self.move(day + 3, "fermentation", settled, clear, wine, made, added_l=added)
        return wine, made

    def top_up(self, harvest: int, vats: list[tuple[Names, Floats]]) -> list[tuple[Names, Floats]]:
        """Rack, then keep vats full from their neighbours and back again: loops in time."""
        racked = [
            self.rack(vats[vat], "racking", self.name(f"W{vat}-", harvest), self.days(_day(harvest, 11, 1), 9))
            for vat in range(5)
        ]
        held = [litres.copy() for _, litres in racked]
        pairs = [(0, 1), (1, 0), (2, 3), (3, 2), (1, 4), (4, 2), (2, 1), (3, 0)]
        for step, (source, to) in enumerate(pairs):
            litres = self.uniform(20, 60)
            day = self.days(_day(harvest, 11, 12) + 5 * step, 4)
            self.move(day, "topping up", racked[source][0], litres, racked[to][0], litres)
            held[source] -= litres
            held[to] += litres
        for vat in (0, 2):
            self.move(_day(harvest, 12, 29), "tasting samples", racked[vat][0], 1.5, None, None)
            held[vat] -= 1.5
        for vat in range(5):
            gauged = np.round(held[vat] * self.rng.uniform(0.994, 1.0005, self.lines), 1)
            self.row("stocktakes", Date=_day(harvest, 12, 31), Lot=racked[vat][0], measured=gauged)
            held[vat] = gauged
        return [(lot, np.round(litres, 1)) for (lot, _), litres in zip(racked, held, strict=True)]

    def rack(self, vat: tuple[Names, Floats], operation: str, to: Names, day: Days) -> tuple[Names, Floats]:
        """Move a whole vat into another."""
        lot, litres = vat
        arrived = np.round(litres * self.rng.uniform(0.988, 0.999, self.lines), 1)
        self.move(day, operation, lot, litres, to, arrived)
        return to, arrived

    def clarify(self, harvest: int, vats: list[tuple[Names, Floats]]) -> list[tuple[Names, Floats]]:
        """Fine each vat and put a part of two into the group's reserve."""
        start = _day(harvest + 1, 1, 5)
        clear = [
            self.rack(vats[vat], "fining and filtration", self.name(f"X{vat}-", harvest), self.days(start, 10))
            for vat in range(5)
        ]
        for vat, share in ((1, 0.12), (2, 0.20)):
            lot, litres = clear[vat]
            kept = np.round(litres * share, 1)
            self.move(
                self.days(_day(harvest + 1, 1, 18), 8),
                "to reserve",
                lot,
                kept,
                self.shared("RES", self.group),
                kept,
            )
            np.add.at(self.in_reserve, self.group, kept)
            clear[vat] = (lot, np.round(litres - kept, 1))
        return clear

    def blend_and_bottle(
        self, harvest: int, vats: list[tuple[Names, Floats]]
    ) -> list[tuple[str, Names, str, NDArray[np.int64], Days]]:
        """Two blends and three tirages: the brut in bottles and magnums, the prestige in bottles."""
        year = harvest + 1
        brut, prestige = self.name("B", harvest), self.name("PR", harvest)
        brut_l, prestige_l = np.zeros(self.lines), np.zeros(self.lines)
        day = self.days(_day(year, 2, 3), 5)
        for vat, share in ((0, 0.4), (3, 0.4)):
            lot, litres = vats[vat]
            part = np.round(litres * share, 1)
            self.move(day, "blending", lot, part, prestige, part, cuvee="Prestige")
            prestige_l += part
            vats[vat] = (lot, np.round(litres - part, 1))
        day = self.days(_day(year, 2, 10), 10)
        for lot, litres in vats:
            self.move(day, "blending", lot, litres, brut, litres, cuvee="Brut")
            brut_l += litres
        for group in (self.group, (self.group + 1) % self.groups):
            part = np.round(0.15 * self.in_reserve / LINES_A_GROUP, 1)
            self.move(day, "blending", self.shared("RES", group), part[group], brut, part[group])
            brut_l += part[group]
            self.in_reserve -= part * np.bincount(group, minlength=self.groups)
        self.upkeep(year)
        self.move(_day(year, 3, 1), "loss", brut, 5.0, None, None)
        brut_l -= 5.0
        stacks = []
        for what, wine, litres, share, size, name, day in (
            ("TM", brut, brut_l, 0.15, 1.5, "magnum", self.days(_day(year, 4, 1), 8)),
            ("TB", brut, brut_l, 0.85, 0.75, "bottle", self.days(_day(year, 4, 10), 8)),
            ("TP", prestige, prestige_l, 1.0, 0.75, "bottle", self.days(_day(year, 4, 20), 8)),
        ):
            used = np.round(litres * 0.15, 1)
            if share != 0.15:
                used = np.round(litres - used, 1) if share == 0.85 else np.round(litres, 1)
            liqueur = np.round(used * 0.05, 1)
            filled = np.floor((used + liqueur) * 0.994 / size).astype(np.int64)
            cuvee, stack = ("Prestige" if what == "TP" else "Brut"), self.name(what, harvest)
            self.row(
                "tirage", Date=day, cuvee=cuvee, Bottle_lot=stack, Wine_lot=wine, wine_l=used,
                liqueur_l=liqueur, sugar=24.0, Format=name, bottles=filled, Location="Cellar 2",
            )  # fmt: skip
            stacks.append((what, stack, name, filled, day))
        return stacks

    def upkeep(self, year: int) -> None:
        """Gauge each reserve, empty it into another vat, fill it again; take in new liqueur."""
        group = np.arange(self.groups)
        reserve = self.shared("RES", group)
        gauged = np.round(self.in_reserve * 0.997, 1)
        self.row("stocktakes", Date=_day(year, 5, 31), Lot=reserve, measured=gauged)
        self.move(_day(year, 6, 5), "reserve upkeep", reserve, gauged, self.shared("RW", group), gauged)
        self.move(_day(year, 6, 9), "reserve upkeep", self.shared("RW", group), gauged, reserve, gauged)
        self.in_reserve = gauged
        self.row(
            "deliveries", Date=_day(year, 1, 15), Lot=self.shared("LIQ", group), What="wine",
            Supplier="Liqueur maker", Quantity=1_500.0, Unit="L", price=4.2, Terms="month end",
        )  # fmt: skip

    def age_and_sell(
        self, harvest: int, what: str, stack: Names, size: str, filled: NDArray[np.int64], day: Days
    ) -> None:
        """Count the stack every year, disgorge it in several releases, send each release out by five ways."""
        held = filled.copy()
        months = {"TB": (23, 29, 35), "TM": (30, 42), "TP": (42, 54)}[what]
        year = harvest + 1
        for turn, month in enumerate(months):
            start = (np.datetime64(f"{year}-04", "M") + month).astype("datetime64[D]")
            while _day(year, 12, 31) < start:
                held = held - self.rng.integers(0, 1 + np.maximum(1, held // 200))
                self.row("stocktakes", Date=_day(year, 12, 31), Lot=stack, measured=held)
                year += 1
            part = held if turn + 1 == len(months) else held // (len(months) - turn)
            good = part - self.rng.integers(0, 1 + np.maximum(1, part // 90))
            release = self.name(f"D{what[1]}{turn}-", harvest)
            disgorged = self.days(start, 20)
            liqueur = np.round(good * (0.008 if size == "bottle" else 0.016), 1)
            self.row(
                "disgorgements", Date=disgorged, Release_lot=release, From_lot=stack, bottles_in=part,
                bottles_out=good, Riddling="machine riddling", dosage=8.0,
                Liqueur_lot=self.shared("LIQ", self.group), liqueur_l=liqueur,
            )  # fmt: skip
            held = held - part
            self.send_out(release, good, disgorged)

    def send_out(self, release: Names, bottles: NDArray[np.int64], day: Days) -> None:
        """Dispatch four fifths of a release over a year."""
        for way, (channel, share) in enumerate(
            (
                ("Samples", 0.01),
                ("Trade", 0.35),
                ("Export", 0.25),
                ("Cellar door", 0.15),
                ("Hospitality", 0.02),
            )
        ):
            gone = day + 60 + 45 * way + self.rng.integers(0, 30, self.lines)
            self.row(
                "dispatches", Date=gone, Release_lot=release,
                Channel=channel, bottles=np.floor(bottles * share) + 1,
                **({} if channel in ("Samples", "Hospitality") else {"Net price": self.uniform(15, 30, 2)}),
            )  # fmt: skip
