"""An independent tracer in exact fractions: what every lot-state cost, and where a bottle's cost came from.

Rule: cost(state) = postings + Σ share · cost(source), by recursion; the origins of a state are its postings
    and its share of its sources' origins. Value with capital is the same recursion in floats, each cost
    grown from its payment day by day.
Conventions: a direct cost enters before anything is taken from its lot that day; on an empty lot
    it is shared by what came in since it was last empty. A premium stands on the arrival of its delivery. An
    operation's cost goes to the lot filled, after the move; at the press, at a tirage and at a
    disgorgement to the load or the bottles that come out; an abnormal loss takes its part of the work by what
    came in.
What it does not do: plans, escalation, places, presentations, replacement prices. It shares no code with
    `costing.graph`, `costing.money` and `costing.engine`; it takes only the words of the schema and of a
    basis.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from datetime import date, timedelta
from fractions import Fraction

from costing.inputs.basis import Basis
from tests.properties.growth import Curve
from tests.properties.walk import NIL, ONE, Posting, Row, Rows, State, Walk

Column = tuple[str, str]
Origin = tuple[str, int, str, str]
ON_WHAT_CAME_IN = ("litre", "bottle in")
FAR_PAST, YEAR = date(2000, 1, 1), 365


def price_of(row: Row, prices: list[Row]) -> tuple[Fraction, str, int] | None:
    """Price per unit of a delivery, its own or the most particular of the grape prices; its table and row."""
    if row.get("price_per_unit") is not None:
        return Fraction(row["price_per_unit"]), "deliveries", -1
    found = [
        (sum(listed.get(key) is not None for key in ("village", "variety")), number)
        for number, listed in enumerate(prices)
        if listed["vintage"] == row["on_date"].year
        and all(listed.get(key) in (None, row.get(key)) for key in ("village", "variety"))
    ]
    if row["what"] != "grapes" or not found:
        return None
    best = prices[max(found)[1]]
    return Fraction(best["price_per_kg"]) + Fraction(best["premium_per_kg"]), "grape_prices", max(found)[1]


def _litres(row: Row) -> Fraction:
    return Fraction(row["volume_l"])


def _sales(row: Row) -> Fraction:
    return _litres(row) * Fraction(row.get("value_per_l") or 0)


WEIGHTS: dict[str, Callable[[Row], Fraction]] = {
    "volume": _litres,
    "weight": lambda row: Fraction(row["fraction_weight_kg"]),
    "sales value": _sales,
    "nrv": lambda row: max(NIL, _sales(row) - _litres(row) * Fraction(row.get("cost_to_complete_per_l") or 0)),
    "constant margin": _sales,
    "fixed": lambda row: Fraction(row["fixed_share"]),
}


class Tracer(Walk):
    """Phase two: money on the states of a walk; phase three: cost, value and origins."""

    def __init__(self, rows: Rows, basis: Basis, valuation: date) -> None:
        super().__init__(rows, basis, valuation)
        self.expensed: list[Posting] = []
        self.elements = {"on lees": "bottles", "finished": "bottles", "grapes": "grapes"}
        self.buy()
        self.pay_directly()
        self.charge_work()
        self.charge_time()
        self.split()
        key = {"none": "", "borrowing": "borrowing_rate", "hurdle": "hurdle_rate"}[basis.capital]
        listed = [(row["from_date"], float(row[key]) / 100) for row in rows["interest_rates"]] if key else []
        flat = basis.rate if basis.rate is not None else 0.0
        if not listed or basis.rate is not None:
            listed = [(FAR_PAST, flat)]
        self.curve = Curve(listed, FAR_PAST, (valuation - FAR_PAST).days + 4 * YEAR)

    # -- postings

    def post(self, state: State | None, posting: Posting) -> None:
        (self.expensed if state is None else state.postings).append(posting)

    def buy(self) -> None:
        """Opening costs, deliveries in their instalments, premiums."""
        family = "book" if self.basis.capital == "none" else "economic"
        opened = {
            self.rows["opening_stock"][number]["lot"]: state
            for (table, number), state in self.batches.items()
            if table == "opening_stock"
        }
        for number, row in enumerate(self.rows.get("opening_costs", [])):
            if row.get("basis") in (None, family):
                state = opened[row["lot"]]
                stage, element = row.get("stage") or state.stage, row.get("element") or "overhead"
                paid = row.get("mean_payment_date") or state.start
                self.post(
                    state,
                    Posting("opening_costs", number, stage, element, Fraction(row["amount"]), paid, state.start),
                )
        for number, row in enumerate(self.rows.get("deliveries", [])):
            state, day = self.batches["deliveries", number], row["on_date"]
            element = self.elements.get(row["what"], "must and wine")
            priced = price_of(row, self.rows.get("grape_prices", []))
            growing = row.get("growing_cost_per_unit")
            own = growing is not None and (self.basis.own_grapes == "growing cost" or priced is None)
            price, table, where = (Fraction(growing), "deliveries", -1) if own else priced or (NIL, "deliveries", -1)
            amount = price * Fraction(row["quantity"])
            for share, paid in self.instalments(row, own):
                posting = Posting(
                    table, number if where < 0 else where, state.stage, element, amount * share, paid, day
                )
                self.post(state, posting)
            if row.get("premium_per_unit") and not own:
                when = row.get("premium_date") or day
                amount = Fraction(row["premium_per_unit"]) * Fraction(row["quantity"])
                self.post(state, Posting("deliveries", number, state.stage, element, amount, when, when))

    def instalments(self, row: Row, own: bool) -> Iterable[tuple[Fraction, date]]:
        """Shares and days of payment."""
        if own or not row.get("terms"):
            yield ONE, row["on_date"]
            return
        for line in self.rows["terms"]:
            if line["terms"] == row["terms"]:
                later = row["on_date"] + timedelta(days=line.get("days_after") or 0)
                yield Fraction(line["share"]) / 100, line.get("fixed_date") or later

    def pay_directly(self) -> None:
        """Costs rows."""
        for number, row in enumerate(self.rows.get("costs", [])):
            day = row["on_date"]
            for state, share, held in self.entered(row["lot"], day):
                stage, paid = row.get("stage") or held.stage, row.get("paid_date") or day
                amount = Fraction(row["amount"]) * share
                self.post(state, Posting("costs", number, stage, row["element"], amount, paid, day))

    @staticmethod
    def series(rows: list[Row], *keys: str) -> list[list[tuple[int, Row]]]:
        """Rows that follow one another: those alike in `keys`, by date."""
        found: dict[tuple[object, ...], list[tuple[int, Row]]] = defaultdict(list)
        for number, row in enumerate(rows):
            found[tuple(row.get(key) for key in keys)].append((number, row))
        return [sorted(listed, key=lambda entry: entry[1]["from_date"]) for listed in found.values()]

    def charge_work(self) -> None:
        """Operation rates, dry goods and pools whose driver is a quantity that moves."""
        keys = ("driver", "operation", "stage", "format", "element")
        for rates in self.series(self.rows.get("operation_rates", []), *keys):
            first = rates[0][1]
            for work in self.works:
                if (
                    work.operation == first["operation"]
                    and first.get("stage") in (None, work.stage)
                    and first.get("format") in (None, work.format)
                ):
                    self.charge(
                        work.state,
                        work.stage,
                        work.day,
                        rates,
                        "operation_rates",
                        "amount",
                        work.driver.get(first["driver"], NIL),
                        work.carried if first["driver"] in ON_WHAT_CAME_IN else ONE,
                    )
        for rates in self.series(self.rows.get("dry_goods", []), "stage", "item", "format", "element"):
            first = rates[0][1]
            operation = "bottling" if first["stage"] == "tirage" else "disgorgement"
            for work in self.works:
                if work.operation == operation and first.get("format") in (None, work.format):
                    pieces = work.driver["bottle out"] * Fraction(first["quantity_per_bottle"])
                    self.charge(work.state, first["stage"], work.day, rates, "dry_goods", "unit_price", pieces)
        for number, pool in enumerate(self.rows.get("pools", [])):
            if not pool["driver"].endswith("-year"):
                works = [
                    work for work in self.works
                    if work.primary and work.driver.get(pool["driver"])
                    and pool.get("stage") in (None, work.stage)
                    and pool["from_date"] <= work.day <= pool["to_date"]
                ]  # fmt: skip
                rate = self.pool_rate(number, pool, sum((work.driver[pool["driver"]] for work in works), NIL))
                for work in works:
                    carried = work.carried if pool["driver"] in ON_WHAT_CAME_IN else ONE
                    for to, part in ((work.state, carried), (None, ONE - carried)):
                        amount = rate * work.driver[pool["driver"]] * part
                        self.post(to, Posting("pools", number, work.stage, pool["element"], amount, work.day, work.day))

    def charge(
        self,
        state: State,
        stage: str,
        day: date,
        rates: list[tuple[int, Row]],
        table: str,
        column: str,
        quantity: Fraction,
        carried: Fraction = ONE,
    ) -> None:
        """Charge a quantity at the rate of the day."""
        known = [(number, row) for number, row in rates if row["from_date"] <= day]
        if known and quantity:
            number, row = known[-1]
            element = row.get("element") or "dry goods"
            for to, part in ((state, carried), (None, ONE - carried)):
                amount = Fraction(row[column]) * quantity * part
                self.post(to, Posting(table, number, stage, element, amount, day, day))

    def pool_rate(self, number: int, pool: Row, used: Fraction) -> Fraction:
        """Rate of the part of a pool's period that is past; what nothing absorbs is expensed."""
        whole = (pool["to_date"] - pool["from_date"]).days + 1
        past = min(max((self.valuation - pool["from_date"]).days + 1, 0), whole)
        amount, part = Fraction(pool["amount"]), Fraction(past, whole)
        capacity = Fraction(pool.get("normal_capacity") or 0)
        if capacity and past and not pool["driver"].endswith("-year"):
            part = Fraction(1)  # what happens belongs to its season, not to its days
        base = max(capacity * part, used)
        rate = amount * part / base if base else NIL
        last = pool["to_date"]
        self.post(None, Posting("pools", number, pool["stage"], pool["element"], amount - rate * used, last, last))
        return rate

    def charge_time(self) -> None:
        """Storage and pools by litre-years and bottle-years."""
        keys = ("driver", "operation", "stage", "format", "element")
        for rates in self.series(self.rows.get("operation_rates", []), *keys):
            first = rates[0][1]
            if first["operation"] != "storage":
                continue
            ends = [row["from_date"] for _, row in rates[1:]] + [date.max]
            for (number, row), until in zip(rates, ends, strict=True):
                for state, start, end in self.held(first, row["from_date"], until):
                    self.accrue(
                        state,
                        start,
                        end,
                        "operation_rates",
                        number,
                        first["element"],
                        Fraction(row["amount"]),
                    )
        for number, pool in enumerate(self.rows.get("pools", [])):
            if pool["driver"].endswith("-year"):
                # stock is dated at the end of its day, so a year runs from one 31 December to the next
                held = list(self.held(pool, pool["from_date"] - timedelta(days=1), pool["to_date"]))
                used = sum((state.quantity * (end - start).days / YEAR for state, start, end in held), NIL)
                rate = self.pool_rate(number, pool, used)
                for state, start, end in held:
                    self.accrue(state, start, end, "pools", number, pool["element"], rate)

    def held(self, charge: Row, since: date, until: date) -> Iterable[tuple[State, date, date]]:
        """States that a charge for time falls on, and from when to when."""
        unit = "bottles" if charge["driver"] == "bottle-year" else "L"
        for state in self.states:
            assert state.end is not None
            start, end = max(state.start, since), min(state.end, until)
            if (
                state.lot and state.unit == unit and state.quantity > 0 and start < end
                and charge.get("stage") in (None, state.stage)
                and charge.get("format") in (None, state.format)
            ):  # fmt: skip
                yield state, start, end

    def accrue(self, state: State, start: date, end: date, table: str, row: int, element: str, rate: Fraction) -> None:
        """Post a charge for time; in a stage whose storage is no cost of the wine it is expensed."""
        money = rate * state.quantity / YEAR
        posting = Posting(
            table, row, state.stage, element, money * (end - start).days, start, start, [(start, end, money)]
        )
        self.post(state if state.stage in self.basis.storage_stages else None, posting)

    def split(self) -> None:
        """Shares of each press load and what its by-product brings."""
        by_load: dict[str, list[tuple[State, State, int, Row]]] = defaultdict(list)
        for batch, to, load, number, line in self.splits:
            by_load[load].append((batch, to, number, line))
        for lines in by_load.values():
            rows = [line for *_, line in lines]
            method = self.basis.split_method or rows[0].get("split_method") or "volume"
            weights = [WEIGHTS[method](row) for row in rows]
            if not sum(weights):
                weights = [WEIGHTS["volume"](row) for row in rows]
            separable = [_litres(row) * Fraction(row.get("cost_to_complete_per_l") or 0) for row in rows]
            for (batch, to, number, row), weight, cost in zip(lines, weights, separable, strict=True):
                share = weight / sum(weights)
                to.sources.append((batch, share))
                if method == "constant margin":
                    day, moved = row["on_date"], share * sum(separable) - cost
                    self.post(to, Posting("pressings", number, "pressing", "pressing", moved, day, day))
        for number, row in enumerate(self.rows.get("pressings", [])):
            if row.get("credit") and self.basis.by_product == "at split":
                state, credit = self.loads[row["load"]], -Fraction(row["credit"])
                self.post(
                    state,
                    Posting(
                        "pressings",
                        number,
                        "pressing",
                        "by-product credit",
                        credit,
                        row["on_date"],
                        row["on_date"],
                    ),
                )

    # -- cost, value, origins

    def costs(self) -> dict[State, dict[Column, Fraction]]:
        """Cost of every state at the end of its interval, by stage and element."""
        found: dict[State, dict[Column, Fraction]] = {}
        for state in self.states:  # sources stand before what they fill
            total: dict[Column, Fraction] = defaultdict(Fraction)
            for posting in state.postings:
                total[posting.stage, posting.element] += posting.amount
            for source, share in state.sources:
                for column, amount in found[source].items():
                    total[column] += share * amount
            found[state] = total
        return found

    def worth(self, posting: Posting, end: date) -> float:
        """A posting with its capital at the end of its state's interval."""
        if posting.accrues:
            return self.curve.worth([(since, until, float(money)) for since, until, money in posting.accrues], end)
        return float(posting.amount) * self.curve.growth(posting.paid, end)

    def values(self) -> dict[State, float]:
        """Value with capital of every state at the end of its interval."""
        found: dict[State, float] = {}
        for state in self.states:
            assert state.end is not None
            grown = self.curve.growth(state.start, state.end)
            found[state] = sum(self.worth(posting, state.end) for posting in state.postings)
            found[state] += grown * sum(float(share) * found[source] for source, share in state.sources)
        return found

    def weights(self, of: State) -> dict[State, tuple[Fraction, float]]:
        """Share of every state's cost that is in the end of `of`, and what one unit of its value became."""
        plain: dict[State, Fraction] = defaultdict(Fraction, {of: ONE})
        grown: dict[State, float] = defaultdict(float, {of: 1.0})
        for state in reversed(self.states):
            if state in plain:
                assert state.end is not None
                growth = self.curve.growth(state.start, state.end)
                for source, share in state.sources:
                    plain[source] += share * plain[state]
                    grown[source] += float(share) * growth * grown[state]
        return {state: (weight, grown[state]) for state, weight in plain.items()}

    def origins(self, of: State) -> dict[Origin, tuple[Fraction, float]]:
        """Own amount and amount with capital of everything in the end of a state."""
        found: dict[Origin, tuple[Fraction, float]] = defaultdict(lambda: (NIL, 0.0))
        for state, (weight, grown) in self.weights(of).items():
            assert state.end is not None
            for posting in state.postings:
                key = (posting.table, posting.row, posting.stage, posting.element)
                own, with_capital = found[key]
                found[key] = (
                    own + weight * posting.amount,
                    with_capital + grown * self.worth(posting, state.end),
                )
        return dict(found)

    def lost_cost(self) -> Fraction:
        """Cost that abnormal and whole losses took out of the wine."""
        costs = self.costs()
        return sum((share * sum(costs[source].values(), NIL) for source, share in self.lost), NIL)

    def posted(self) -> Fraction:
        """Every amount posted, expensed at once or not."""
        inside = (posting.amount for state in self.states for posting in state.postings)
        return sum(inside, NIL) + sum((posting.amount for posting in self.expensed), NIL)
