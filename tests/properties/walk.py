"""First half of the tracer: every lot cut at each of its events, from quantities alone, in exact fractions.

Rule: what a withdrawal takes of a lot's cost is quantity drawn over quantity held at that moment (moving
    weighted average). With expected output E and good output g an abnormal loss carries max(0, E − g)/E.
Conventions: within a day Sequence decides (blank: 0), then a lot is filled before it is drawn from;
    stocktakes without one come when the day is over. A lot within tolerance of zero gives all its cost to
    the withdrawal.
What it does not do: money (`tests.properties.tracer`); plans. It shares no code with `costing.graph`; it
    takes only the words of the schema and of a basis.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from typing import Any

from costing.inputs.basis import Basis
from costing.inputs.schema import operations
from costing.units import FORMATS_L

Row = dict[str, Any]
Rows = dict[str, list[Row]]
Column = tuple[str, str]
Origin = tuple[str, int, str, str]

STAGE_OF_KIND = {
    "grapes": "harvest",
    "must": "vinification",
    "wine": "vinification",
    "reserve": "reserve",
    "blend": "blending",
    "on lees": "on lees",
    "finished": "finished stock",
}
ONE, NIL = Fraction(1), Fraction(0)
TOLERANCE = Fraction(1, 2)  # litres and kilograms: the default settings


@dataclass(eq=False)
class Posting:
    """An amount on a state; worth: its value with capital at the end of the state's interval."""

    table: str
    row: int
    stage: str
    element: str
    amount: Fraction
    paid: date
    incurred: date
    accrues: list[tuple[date, date, Fraction]] = field(default_factory=list)  # money a day


@dataclass(eq=False)
class State:
    """A lot between two of its events, or the moment in which a batch passes (lot '')."""

    lot: str
    start: date
    quantity: Fraction
    kind: str
    stage: str
    unit: str
    format: str = ""
    end: date | None = None
    takes: bool = False  # opened by a draw, work in place, a loss or a gauging
    sources: list[tuple[State, Fraction]] = field(default_factory=list)
    postings: list[Posting] = field(default_factory=list)


@dataclass(eq=False)
class Work:
    """What was done to a state, and how much of each driver it took."""

    state: State
    day: date
    operation: str
    stage: str
    format: str
    driver: dict[str, Fraction]
    carried: Fraction = ONE  # part of the work on what came in that is not lost with it
    primary: bool = True


def litres(state_or_format: str) -> Fraction:
    """Litres in a bottle of that format; 1 for wine."""
    return Fraction(str(FORMATS_L[state_or_format])) if state_or_format else ONE


class Walk:
    """Phase one: the states and their shares, from quantities alone."""

    def __init__(self, rows: Rows, basis: Basis, valuation: date) -> None:
        self.rows, self.basis, self.valuation = rows, basis, valuation
        self.states: list[State] = []
        self.now: dict[str, State] = {}
        self.history: dict[str, list[State]] = defaultdict(list)
        self.works: list[Work] = []
        self.loads: dict[str, State] = {}
        self.splits: list[tuple[State, State, str, int, Row]] = []
        self.batches: dict[tuple[str, int], State] = {}
        self.lost: list[tuple[State, Fraction]] = []
        self.allowance: dict[str, list[Fraction]] = {}
        self.norms = {
            (row["applies_to"], row["time_base"]): Fraction(row["percent"]) / 100 for row in rows.get("loss_norms", [])
        }
        self.unit_of: dict[str, tuple[str, str]] = {}
        for what in self.ordered():
            getattr(self, "do_" + what[0])(*what[1:])
        for state in self.now.values():
            state.end = valuation

    # -- order

    def ordered(self) -> list[tuple[Any, ...]]:
        """Every event, first to happen first, as (name, row number, row)."""
        todo: dict[tuple[date, float], list[tuple[Any, ...]]] = defaultdict(list)
        for table in ("opening_stock", "deliveries", "movements", "tirage", "disgorgements", "dispatches"):
            for number, row in enumerate(self.rows.get(table, [])):
                turn = float("-inf") if table == "opening_stock" else float(row.get("sequence") or 0)
                todo[row["on_date"], turn].append((table, number, row))
        loads: dict[str, list[tuple[int, Row]]] = defaultdict(list)
        for number, row in enumerate(self.rows.get("pressings", [])):
            loads[row["load"]].append((number, row))
        for load, lines in loads.items():
            first = lines[0][1]
            todo[first["on_date"], float(first.get("sequence") or 0)].append(("load", load, lines))
        for number, row in enumerate(self.rows.get("stocktakes", [])):
            turn = float("inf") if row.get("sequence") is None else float(row["sequence"])
            todo[row["on_date"], turn].append(("stocktakes", number, row))
        found = []
        for moment in sorted(todo):
            waiting = todo[moment]
            while waiting:  # whoever draws from a lot waits for everyone who fills it
                ready = next(
                    event
                    for event in waiting
                    if not any(self.fills(other) & self.draws(event) for other in waiting if other is not event)
                )
                waiting.remove(ready)
                found.append(ready)
        return found

    def draws(self, event: tuple[Any, ...]) -> set[str]:
        """Lots an event draws from."""
        if event[0] == "load":
            return {line["from_lot"] for _, line in event[2] if line.get("from_lot")}
        keys = {"stocktakes": ("lot",), "dispatches": ("release_lot",)}.get(
            event[0], ("from_lot", "wine_lot", "liqueur_lot")
        )
        return {event[2][key] for key in keys if event[2].get(key)}

    def fills(self, event: tuple[Any, ...]) -> set[str]:
        """Lots an event fills from elsewhere."""
        if event[0] == "load":
            return {line["to_lot"] for _, line in event[2] if line.get("to_lot")}
        row = event[2]
        if event[0] == "disgorgements":
            return {row["release_lot"]}
        if event[0] in ("opening_stock", "deliveries"):
            return {row["lot"]}
        to = row.get("to_lot")
        return {to} if to and to != row.get("from_lot") else set()

    # -- states

    def follow(self, lot: str, day: date, quantity: Fraction, kept: Fraction = ONE, kind: str = "") -> State:
        """The next state of a lot that keeps a share of the cost of the one before."""
        before = self.now.get(lot)
        unit, form = self.unit_of[lot]
        kind = kind or (before.kind if before else {"kg": "grapes", "L": "wine"}.get(unit, "on lees"))
        state = State(lot, day, quantity, kind, STAGE_OF_KIND[kind], unit, form)
        if before is not None:
            before.end = day
            self.accrue_allowance(before)
            if before.quantity > 0:
                state.sources.append((before, kept))
        if before is None or before.quantity == 0:
            self.allowance[lot] = [NIL, NIL]
        self.states.append(state)
        self.now[lot] = state
        self.history[lot].append(state)
        return state

    def batch(self, table: str, number: int, day: date, stage: str, quantity: Fraction) -> State:
        """The moment in which a batch passes."""
        state = State("", day, quantity, "", stage, "", end=day)
        self.states.append(state)
        self.batches[table, number] = state
        return state

    def draw(self, lot: str, day: date, quantity: Fraction) -> tuple[State, Fraction]:
        """Take a quantity out of a lot; the state that gave it and the share of it that went."""
        before = self.now[lot]
        left = before.quantity - quantity
        if abs(left) <= (NIL if before.unit == "bottles" else TOLERANCE):
            left = NIL
        assert left >= 0, f"{lot} overdrawn"
        share = ONE if left == 0 else quantity / before.quantity
        self.follow(lot, day, left, ONE - share).takes = True
        return before, share

    def passed(self, good: Fraction, expected: Fraction) -> Fraction:
        """Share of the cost that the good output of an operation carries on."""
        if good == 0:
            return NIL
        if self.basis.abnormal_loss == "survivors":
            return ONE
        return ONE - max(NIL, expected - good) / expected if expected > 0 else ONE

    def send(self, source: State, share: Fraction, to: State, carried: Fraction = ONE) -> None:
        """Pass a share of a state's cost on; what an abnormal loss carries is expensed."""
        to.sources.append((source, share * carried))
        if carried < 1:
            self.lost.append((source, share * (ONE - carried)))

    def norm(self, operation: str) -> Fraction:
        return self.norms.get((operation, "per movement"), NIL)

    def accrue_allowance(self, state: State) -> None:
        """Losses that the norm of a year allows on what a lot held over its last interval."""
        assert state.end is not None
        yearly = self.norms.get((state.stage, "per year"), NIL)
        self.allowance[state.lot][0] += yearly * state.quantity * (state.end - state.start).days / 365

    # -- events

    def do_opening_stock(self, number: int, row: Row) -> None:
        self.do_deliveries(number, {**row, "what": row["kind"]}, "opening_stock")

    def do_deliveries(self, number: int, row: Row, table: str = "deliveries") -> None:
        lot, quantity = row["lot"], Fraction(row["quantity"])
        self.unit_of.setdefault(lot, (row["unit"], row.get("format") or ""))
        held = self.now[lot].quantity if lot in self.now else NIL
        self.batches[table, number] = self.follow(lot, row["on_date"], held + quantity, kind=row["what"])

    def do_load(self, load: str, lines: list[tuple[int, Row]]) -> None:
        day = lines[0][1]["on_date"]
        inputs = [(line["from_lot"], Fraction(line["weight_kg"])) for _, line in lines if line.get("from_lot")]
        drawn = [self.draw(lot, day, kilograms) for lot, kilograms in inputs]
        weight = sum((kilograms for _, kilograms in inputs), NIL)
        batch = self.batch("load", len(self.loads), day, "pressing", weight)
        self.loads[load] = batch
        batch.sources += drawn
        must = sum((Fraction(line.get("volume_l") or 0) for _, line in lines), NIL)
        driver = {"kg": weight, "load": ONE, "litre": must}
        self.works.append(Work(batch, day, "pressing", "pressing", "", driver))
        for number, line in lines:
            if line.get("to_lot"):
                lot = line["to_lot"]
                self.unit_of.setdefault(lot, ("L", ""))
                held = self.now[lot].quantity if lot in self.now else NIL
                to = self.follow(lot, day, held + Fraction(line["volume_l"]), kind="must")
                self.splits.append((batch, to, load, number, line))

    def do_movements(self, number: int, row: Row) -> None:
        day, operation = row["on_date"], row["operation"]
        source, to = row.get("from_lot"), row.get("to_lot")
        if to and to not in self.unit_of:
            bottles = row.get("in_bottles") is not None
            own = self.unit_of.get(source, ("", ""))[1]
            self.unit_of[to] = ("bottles", row.get("format") or own) if bottles else ("L", "")
        added = Fraction(row.get("added_l") or 0)
        if not source:
            held = self.now[to].quantity
            self.follow(to, day, held + Fraction(row["in_l"]))
            return
        unit, form = self.unit_of[source]
        out = Fraction(row["out_bottles"] if unit == "bottles" else row["out_l"])
        expected = (ONE - self.norm(operation)) * out * litres(form)
        if not to:
            self.leave(number, row, out)
            return
        per_unit = litres(self.unit_of[to][1])
        given = row.get("in_bottles") if self.unit_of[to][0] == "bottles" else row.get("in_l")
        arrived = (expected + added) / per_unit if given is None else Fraction(given)
        carried = self.passed(arrived * per_unit - added, expected)
        if source == to:
            before = self.now[source]
            share = out / before.quantity
            left = before.quantity - out + arrived
            state = self.follow(source, day, left, ONE - share, operations()[operation].gives or "")
            state.takes = True
            self.send(before, share, state, carried)
        else:
            before, share = self.draw(source, day, out)
            held = self.now[to].quantity if to in self.now else NIL
            kind = operations()[operation].gives or ("" if held > 0 else before.kind)
            state = self.follow(to, day, held + arrived, kind=kind)
            self.send(before, share, state, carried)
        driver = {"litre": out * litres(form)}
        if unit == "bottles":
            driver["bottle in"] = out
        if state.unit == "bottles":
            driver["bottle out"] = arrived
        self.works.append(Work(state, day, operation, state.stage, state.format, driver, carried))

    def leave(self, number: int, row: Row, out: Fraction) -> None:
        """A loss from a lot, or an exit in bulk."""
        day, lot = row["on_date"], row["from_lot"]
        if operations()[row["operation"]].exit == "loss":
            before = self.now[lot]
            left = before.quantity - out
            left = NIL if abs(left) <= (NIL if before.unit == "bottles" else TOLERANCE) else left
            self.judge(lot, day, left)
            return
        drawn = self.draw(lot, day, out)
        batch = self.batch("movements", number, day, operations()[row["operation"]].stage, out)
        batch.sources.append(drawn)

    def judge(self, lot: str, day: date, left: Fraction) -> None:
        """A loss or gain found in a lot, judged on what the year allows."""
        before = self.now[lot]
        state = self.follow(lot, day, left)
        state.takes = before.quantity > 0
        state.sources.clear()
        accrued, used = self.allowance[lot]
        allowed = max(NIL, accrued - used)
        loss = max(NIL, before.quantity - left)
        self.allowance[lot][1] = min(used + loss, accrued)
        if before.quantity > 0:
            self.send(before, ONE, state, self.passed(left, before.quantity - allowed))

    def do_stocktakes(self, number: int, row: Row) -> None:
        self.judge(row["lot"], row["on_date"], Fraction(row["quantity"]))
        self.allowance[row["lot"]] = [NIL, NIL]

    def do_tirage(self, number: int, row: Row) -> None:
        day, form, bottles = row["on_date"], row["format"], Fraction(row["bottles"])
        liqueur = Fraction(row.get("liqueur_l") or 0)
        wine = row.get("wine_l")
        wine = bottles * litres(form) - liqueur if wine is None else Fraction(wine)
        carried = self.passed(bottles * litres(form), (ONE - self.norm("bottling")) * (wine + liqueur))
        source, share = self.draw(row["wine_lot"], day, wine)
        batch = self.batch("tirage", number, day, "tirage", bottles)
        self.send(source, share, batch, carried)
        self.unit_of.setdefault(row["to_lot"], ("bottles", form))
        held = self.now[row["to_lot"]].quantity if row["to_lot"] in self.now else NIL
        self.follow(row["to_lot"], day, held + bottles, kind="on lees").sources.append((batch, ONE))
        self.works.append(Work(batch, day, "bottling", "tirage", form, {"litre": wine, "bottle out": bottles}, carried))

    def do_disgorgements(self, number: int, row: Row) -> None:
        day, taken, good = row["on_date"], Fraction(row["bottles_in"]), Fraction(row["bottles_out"])
        carried = self.passed(good, (ONE - self.norm("disgorgement")) * taken)
        form = self.unit_of[row["from_lot"]][1]
        drawn = []
        if row.get("liqueur_lot"):
            drawn.append(self.draw(row["liqueur_lot"], day, Fraction(row["liqueur_l"])))
        source, share = self.draw(row["from_lot"], day, taken)
        batch = self.batch("disgorgements", number, day, "finishing", good)
        batch.sources += drawn
        self.send(source, share, batch, carried)
        self.unit_of.setdefault(row["release_lot"], ("bottles", form))
        held = self.now[row["release_lot"]].quantity if row["release_lot"] in self.now else NIL
        self.follow(row["release_lot"], day, held + good, kind="finished").sources.append((batch, ONE))
        driver = {"bottle in": taken, "bottle out": good, "litre": taken * litres(form)}
        self.works.append(Work(batch, day, "disgorgement", "finishing", form, driver, carried))
        if row.get("riddling"):
            self.works.append(Work(batch, day, row["riddling"], "finishing", form, driver, carried, primary=False))

    def do_dispatches(self, number: int, row: Row) -> None:
        day, sent, form = row["on_date"], Fraction(row["bottles"]), self.unit_of[row["release_lot"]][1]
        drawn = self.draw(row["release_lot"], day, sent)
        batch = self.batch("dispatches", number, day, "finished stock", sent)
        batch.sources.append(drawn)
        driver = {"litre": sent * litres(form), "bottle in": sent, "bottle out": sent}
        self.works.append(Work(batch, day, "dispatch", "finished stock", form, driver))

    # -- looking back

    def entered(self, lot: str, day: date) -> list[tuple[State, Fraction, State]]:
        """States of a lot that a cost of a day enters, the share of each, and the last state that held something.

        It falls on what is there before anything is taken; on an empty lot, on all that came in since it was empty.
        """
        known = [state for state in self.history[lot] if state.start <= day]
        taken = [place for place, state in enumerate(known) if state.start == day and state.takes]
        known = known[: taken[0] if taken else None]
        held = max(place for place, state in enumerate(known) if state.quantity > 0)
        last, since = known[held], held
        while since and known[since - 1].quantity > 0:
            since -= 1
        was = [known[since - 1].quantity if since else NIL, *(state.quantity for state in known[since:held])]
        came = [
            (state, state.quantity - quantity)
            for state, quantity in zip(known[since : held + 1], was, strict=True)
            if not state.takes and state.quantity > quantity
        ]
        if known[-1].quantity > 0:
            return [(last, ONE, last)]
        whole = sum((arrived for _, arrived in came), NIL)
        return [(state, arrived / whole, last) for state, arrived in came]
