"""The best joint plan for all lots: what to put to disgorging, when and where to sell it.

    maximise  Σ PV(price·x) + Σ PV(channel·q) − Σ PV(concession) − Σ PV(finishing·d) − Σ PV(storage·L)
              − Σ PV(finished storage · waiting) − Σ PV(filling) + Σ PV(worth left)
    L[s,t] = σ·L[s,t−1] + arrivals − d[s,t]         good·d[s,t] = Σ_k x[s,t,k] + unsold[s,t]
    Σ x sold in (m,t) = Σ_c q[m,c,t],  q[m,c,t] = Σ_j steps of price ≤ share · what the market takes
    places, line, supply and credit: each with a slack, so that a plan always comes back and says what it breaks
    where tirages are free: Σ_g wine[s,g] = litres·filled[s], and for each sort of wine and spring
    kept[g,y] + in bulk[g,y] + Σ_s wine[s,g] ≤ comes[g,y] + part·kept[g,y−1] + short[g,y]

Price response: p(q) = p₀·(1 − (q/Q₀ − 1)/|e|), so the concession is p₀·q·(q/Q₀ − 1)/|e|: convex, hence steps of growing
slope, as far as a bottle more still brings money. Without an elasticity the market takes Q₀ at p₀ and no more.

Conventions: the value of a plan counts no slack: what a plan breaks stands beside its value. Worth at the margin is
that of the balance row of a lot on its first date: one bottle more.

What it does not do: read an estate, or put names to anything.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from costing.array_types import Floats
from costing.decisions.plan.facts import Facts, channel_steps, interest_on_draw, received
from costing.decisions.plan.margin import one_more_one_less
from costing.decisions.plan.programme import Programme, Solved, System

SOME, LOOSE = 1e-3, 1e-9
"""What is broken by less is kept; how much more than found what is broken may be, when it is taken as given."""
A_UNIT_OF_MONEY = 0.01
"""Penalty of a unit of money above the credit, beside that of a bottle."""


def _none() -> Floats:
    return np.zeros((0, 0))


@dataclass(frozen=True, eq=False)
class Plan:
    """One plan: bottles put to disgorging [S, T], left on lees after each date [S, T], sold by the date of disgorging
    and the steps waited [S, T, K], by market and channel [M, C, T], filled [S]; what it breaks of places [P, T], line
    [T], supply and credit [T]; debt after each date [T]; wine kept, sold in bulk and missing by sort and
    spring [G, Y], and bottled by lot and sort [S, G].
    """

    disgorged: Floats
    on_lees: Floats
    sold: Floats
    by_channel: Floats
    filled: Floats
    over_places: Floats
    over_line: Floats
    short_supply: Floats
    over_credit: Floats
    debt: Floats
    wine_kept: Floats = field(default_factory=_none)
    wine_in_bulk: Floats = field(default_factory=_none)
    wine_short: Floats = field(default_factory=_none)
    wine_in: Floats = field(default_factory=_none)

    def sold_in_step(self, facts: Facts) -> Floats:
        """Bottles sold by market and step [M, T]."""
        total = np.zeros(facts.markets.takes.shape)
        steps = facts.dates.steps
        for wait in range(self.sold.shape[2]):
            np.add.at(total[:, wait:], facts.stacks.market, self.sold[:, : steps - wait, wait])
        return total


@dataclass(frozen=True, eq=False)
class Worths:
    """What one unit more is worth: a bottle of each lot [S], a place [P, T], a bottle on the line [T], a bottle less of
    each supply promised, a bottle more of the most that is sold [R], a unit of credit [T], a bottle that each market
    takes [M, T], a litre of each sort in each spring [G, Y].
    """

    bottle: Floats
    place: Floats
    line: Floats
    supply: Floats
    supply_most: Floats
    credit: Floats
    market: Floats
    litre: Floats = field(default_factory=_none)


class Search:
    """The programme of one set of facts, where its blocks stand, and its best solution, found once.

    disgorge_as: bottles put to disgorging that stand fixed [S, T] (NaN: free); only sales are then found. start: search
    of like facts, whose solution this one starts from.
    """

    def __init__(self, facts: Facts, disgorge_as: Floats | None = None, start: Search | None = None) -> None:
        self.facts, self.start = facts, start
        self.programme = Programme()
        stacks, dates = facts.stacks, facts.dates
        self.lots, self.steps = stacks.price.shape
        self.waits = max(1, min(facts.longest_wait + 1, self.steps))
        self.reference = facts.markets.reference_price
        self.discount = dates.discount[:-1]
        self.has_credit = bool(np.isfinite(facts.limits.credit).any())
        self._bottles(disgorge_as)
        self._sales()
        self._limits()
        self._wine()
        if self.has_credit:
            self._credit()

    @cached_property
    def _found(self) -> Solved:
        return self.programme.best(start=None if self.start is None else self.start._found)

    @cached_property
    def _priced(self) -> tuple[System, Solved]:
        """The same solution with what it breaks taken as given: worths are money then, and no penalties."""
        system, best = self.programme.system(), self._found
        broken = best.amounts[self.slacks]
        if broken.max(initial=0.0) <= SOME:
            return system, best
        worth, most = system.worth.copy(), system.most.copy()
        worth[self.slacks], most[self.slacks] = 0.0, broken + LOOSE
        given = replace(system, worth=worth, most=most)
        return given, self.programme.best(given, start=best)

    def bottle_pairs(self) -> Floats:
        """What one bottle more and one bottle less of each lot is worth in the best plan [S, 2]; NaN of tirages that
        are free.
        """
        system, solved = self._priced
        pairs = np.full((self.lots, 2), np.nan)
        given = np.flatnonzero(self.facts.stacks.most == self.facts.stacks.bottles)
        pairs[given] = one_more_one_less(system, solved, solved.rows["bottles"][given])
        return pairs

    def _bottles(self, disgorge_as: Floats | None) -> None:
        programme, stacks, shape = self.programme, self.facts.stacks, (self.lots, self.steps)
        last = self.facts.dates.discount[-1]
        on_lees = ~stacks.finished[:, np.newaxis] & (np.arange(self.steps) >= stacks.arrives[:, np.newaxis])
        may = stacks.may & np.isfinite(stacks.price) & on_lees
        least, most = np.zeros(shape), np.where(may, np.inf, 0.0)
        if disgorge_as is not None:
            fixed = np.isfinite(disgorge_as) & on_lees
            least, most = np.where(fixed, disgorge_as, least), np.where(fixed, disgorge_as, most)
        cost = np.where(on_lees, np.nan_to_num(stacks.finishing), 0.0) * self.discount
        self.put_to = programme.variables("disgorged", shape, -cost, least=least, most=most)
        kept = -np.nan_to_num(stacks.storage) * self.discount
        kept[:, -1] += stacks.survival[:, -1] * stacks.worth_left * last
        self.left = programme.variables("on lees", shape, kept, most=np.where(on_lees, np.inf, 0.0))
        filling = stacks.fill_cost * self.discount[stacks.arrives]
        self.filled = programme.variables("filled", self.lots, -filling)
        balance = programme.rows("balance", shape, least=0.0, most=0.0)
        programme.put(balance, self.left)
        programme.put(balance, self.put_to)
        programme.put(balance[:, 1:], self.left[:, :-1], -stacks.survival[:, :-1])
        lees = np.flatnonzero(~stacks.finished)
        programme.put(balance[lees, stacks.arrives[lees]], self.filled[lees], -1.0)
        # a row of its own for the bottles of each lot: its worth is that of one bottle more
        count = programme.rows("bottles", self.lots, least=stacks.bottles, most=stacks.most)
        programme.put(count, self.filled)

    def _sales(self) -> None:
        programme, facts, stacks = self.programme, self.facts, self.facts.stacks
        dates, markets = facts.dates, facts.markets
        shape = (self.lots, self.steps, self.waits)
        begin, wait = np.arange(self.steps)[:, np.newaxis], np.arange(self.waits)
        sold_in = np.minimum(begin + wait, self.steps - 1)
        passed = (dates.day[sold_in] - dates.day[begin]) / 365.0
        grown = (
            np.nan_to_num(stacks.price)[:, :, np.newaxis]
            * (1.0 + stacks.price_growth[:, np.newaxis, np.newaxis]) ** passed
        )
        kept = np.nan_to_num(stacks.finished_storage) * self.discount
        until = np.concatenate([np.zeros((self.lots, 1)), np.cumsum(kept, axis=1)], axis=1)
        waiting = until[:, sold_in] - until[:, :-1, np.newaxis]
        possible = np.broadcast_to(begin + wait < self.steps, shape) & np.isfinite(stacks.price)[:, :, np.newaxis]
        worth = np.where(possible, grown * dates.sale_discount[sold_in] - waiting, 0.0)
        self.sold = programme.variables("sold", shape, worth, most=np.where(possible, np.inf, 0.0))
        to_the_end = until[:, -1:] - until[:, :-1]
        left = stacks.worth_finished[:, np.newaxis] * dates.discount[-1] - to_the_end
        self.unsold = programme.variables("unsold", (self.lots, self.steps), left)
        finished = programme.rows("finished", (self.lots, self.steps), least=0.0, most=0.0)
        programme.put(finished[:, :, np.newaxis], self.sold)
        programme.put(finished, self.unsold)
        programme.put(finished, self.put_to, -stacks.good[:, np.newaxis])
        done = np.flatnonzero(stacks.finished)
        programme.put(finished[done, 0], self.filled[done], -1.0)
        n_markets, channels = markets.channel_value.shape
        value = (markets.channel_value - 1.0)[:, :, np.newaxis] * (self.reference * dates.sale_discount)[:, np.newaxis]
        self.by_channel = programme.variables("by channel", (n_markets, channels, self.steps), value)
        total = programme.rows("sold in market", (n_markets, self.steps), least=0.0, most=0.0)
        for waited in range(self.waits):
            reach = np.arange(self.steps - waited)
            programme.put(total[stacks.market[:, np.newaxis], reach + waited], self.sold[:, reach, waited])
        programme.put(total[:, np.newaxis], self.by_channel, -1.0)
        width, slope = channel_steps(markets)
        concession = -slope * (self.reference * dates.sale_discount)[:, np.newaxis, :, np.newaxis]
        step = programme.variables("price step", width.shape, concession, most=width)
        taken = programme.rows("taken", self.by_channel.shape, least=0.0, most=0.0)
        programme.put(taken, self.by_channel)
        programme.put(taken[..., np.newaxis], step, -1.0)

    def _limits(self) -> None:
        programme, facts, limits = self.programme, self.facts, self.facts.limits
        stacks, penalty = facts.stacks, -facts.penalty
        over_places = programme.variables("over places", limits.places.shape, penalty)
        places = programme.rows("places", limits.places.shape, most=limits.places)
        programme.put(places, over_places, -1.0)
        here = np.flatnonzero(stacks.place >= 0)
        programme.put(places[stacks.place[here]], self.left[here], stacks.takes_places[here, np.newaxis])
        over_line = programme.variables("over line", self.steps, penalty)
        line = programme.rows("line", self.steps, most=limits.line)
        programme.put(line, self.put_to)
        programme.put(line, over_line, -1.0)
        short = programme.variables("short supply", len(limits.supply), penalty)
        supply = programme.rows("supply", len(limits.supply), least=limits.supply)
        programme.put(supply, short)
        at_most = programme.rows("supply at most", len(limits.supply), most=limits.supply_most)
        for number, (of, channel, year) in enumerate(
            zip(limits.supply_markets, limits.supply_channel, limits.supply_year, strict=True)
        ):
            sold = self.by_channel[of] if channel < 0 else self.by_channel[of, channel]
            for row in (supply[number], at_most[number]):
                programme.put(row, sold[..., facts.dates.year == year])
        self.slacks = np.concatenate([over_places.ravel(), over_line, short])

    def _wine(self) -> None:
        """Litres there in each spring: bottled, sold in bulk, or kept for the next."""
        wine = self.facts.wine
        if wine is None:
            return
        programme, shape, discount = self.programme, wine.comes.shape, self.discount[wine.step]
        kept = programme.variables("wine kept", shape, -wine.storage * discount, least=wine.kept_least)
        bulk = programme.variables("wine in bulk", shape, wine.bulk_price * discount, most=wine.bulk_most)
        short = programme.variables("wine short", shape, -self.facts.penalty)
        self.slacks = np.concatenate([self.slacks, short.ravel()])
        litres = programme.rows("litres", shape, most=wine.comes)  # what is neither bottled, sold nor kept is lost
        programme.put(litres, kept)
        programme.put(litres, bulk)
        programme.put(litres, short, -1.0)
        programme.put(litres[:, 1:], kept[:, :-1], -wine.kept)
        used = programme.variables("wine in", wine.most_share.shape)
        lots = np.flatnonzero(wine.spring >= 0)
        programme.put(litres[:, wine.spring[lots]], used[lots].T)
        whole = programme.rows("wine of a lot", len(lots), least=0.0, most=0.0)
        programme.put(whole[:, np.newaxis], used[lots])
        programme.put(whole, self.filled[lots], -wine.bottle_l[lots])
        share = programme.rows("share of a sort", (len(lots), shape[0]), most=0.0)
        programme.put(share, used[lots])
        programme.put(share, self.filled[lots][:, np.newaxis], -(wine.bottle_l[:, np.newaxis] * wine.most_share)[lots])

    def _credit(self) -> None:
        """What is drawn after each date, less spare cash: what it was, with interest, and what goes out, less what came
        in over the step before.
        """
        programme, facts, limits = self.programme, self.facts, self.facts.limits
        stacks = facts.stacks
        drawn = programme.variables("drawn", self.steps)
        spare = programme.variables("spare cash", self.steps)
        over = programme.variables("over credit", self.steps, -facts.penalty * A_UNIT_OF_MONEY)
        self.slacks = np.concatenate([self.slacks, over])
        owed = limits.other_outlay.copy()
        owed[0] += limits.debt
        rows = self.cash = programme.rows("cash", self.steps, least=owed, most=owed)
        programme.put(rows, drawn)
        programme.put(rows, spare, -1.0)
        programme.put(rows[1:], drawn[:-1], -interest_on_draw(facts)[:-1])
        programme.put(rows[1:], spare[:-1])
        programme.put(rows, self.put_to, -np.nan_to_num(stacks.finishing))
        programme.put(rows, self.left, -np.nan_to_num(stacks.storage))
        programme.put(rows[stacks.arrives], self.filled, -stacks.fill_cost)
        for waited in range(self.waits):
            reach = np.arange(self.steps - waited - 1)  # money of a step is there on the next date
            programme.put(rows[reach + waited + 1], self.sold[:, reach, waited], received(facts, waited)[:, reach])
        limit = programme.rows("credit", self.steps, most=limits.credit)
        programme.put(limit, drawn)
        programme.put(limit, over, -1.0)

    def plan(self) -> Plan:
        """The plan of highest value."""
        best, has_wine = self._found, self.facts.wine is not None
        nothing = np.zeros(self.steps)
        plan = Plan(
            best.amount("disgorged"),
            best.amount("on lees"),
            best.amount("sold"),
            best.amount("by channel"),
            best.amount("filled"),
            best.amount("over places"),
            best.amount("over line"),
            best.amount("short supply"),
            nothing,
            nothing,
            *(best.amount(f"wine {what}") for what in ("kept", "in bulk", "short", "in") if has_wine),
        )
        if not self.has_credit:
            return plan
        drawn = drawn_by(self.facts, plan)
        return replace(plan, debt=drawn, over_credit=np.maximum(drawn - self.facts.limits.credit, 0.0))

    def worths(self) -> Worths:
        """What one unit more of each limit is worth, what is broken taken as given."""
        _, solved = self._priced
        markets = self.facts.markets
        part, _ = channel_steps(replace(markets, takes=np.where(np.isfinite(markets.takes), 1.0, np.inf)))
        part = np.where(np.isfinite(part), part, 0.0)  # where a market takes any number, one more is worth nothing
        of_market = (solved.worth_of_most("price step") * part).sum(axis=(1, 3))
        return Worths(
            solved.worth("bottles"),
            solved.worth("places"),
            solved.worth("line"),
            -solved.worth("supply"),
            solved.worth("supply at most"),
            solved.worth("credit") if self.has_credit else np.zeros(self.steps),
            of_market,
            solved.worth("litres") if self.facts.wine is not None else _none(),
        )


def drawn_by(facts: Facts, plan: Plan) -> Floats:
    """What a plan draws on lines after each date, from its bottles alone [T]; spare cash goes first."""
    stacks, limits, steps = facts.stacks, facts.limits, facts.dates.steps
    out = limits.other_outlay + (plan.disgorged * np.nan_to_num(stacks.finishing)).sum(axis=0)
    out = out + (plan.on_lees * np.nan_to_num(stacks.storage)).sum(axis=0)
    out[0] += limits.debt
    if facts.campaigns is not None:
        out += facts.campaigns.cost * (plan.disgorged > SOME).sum(axis=0)
    np.add.at(out, stacks.arrives, plan.filled * stacks.fill_cost)
    for waited in range(plan.sold.shape[2]):
        got = (plan.sold[:, : steps - waited, waited] * received(facts, waited)).sum(axis=0)
        out[waited + 1 :] -= got[:-1]
    owed, grown = np.zeros(steps), interest_on_draw(facts)
    for step in range(steps):
        before = owed[step - 1] if step else 0.0
        owed[step] = out[step] + (before * grown[step - 1] if before > 0 else before)
    return np.maximum(owed, 0.0)


def value_of(facts: Facts, plan: Plan) -> float:
    """Value of a plan on the first date, from its bottles alone; limits that it breaks cost nothing here."""
    stacks, dates, markets = facts.stacks, facts.dates, facts.markets
    steps = dates.steps
    discount, reference = dates.discount[:-1], markets.reference_price
    value = -float((plan.disgorged * np.nan_to_num(stacks.finishing) * discount).sum())
    value -= float((plan.on_lees * np.nan_to_num(stacks.storage) * discount).sum())
    if facts.campaigns is not None:
        value -= float(((plan.disgorged > SOME) * facts.campaigns.cost * discount).sum())
    value -= float((plan.filled * stacks.fill_cost * discount[stacks.arrives]).sum())
    if (wine := facts.wine) is not None:
        of_wine = plan.wine_in_bulk * wine.bulk_price - plan.wine_kept * wine.storage
        value += float((of_wine * discount[wine.step]).sum())
    value += float((stacks.survival[:, -1] * plan.on_lees[:, -1] * stacks.worth_left).sum() * dates.discount[-1])
    stored = np.cumsum(np.nan_to_num(stacks.finished_storage) * discount, axis=1)
    stored = np.concatenate([np.zeros((len(stored), 1)), stored], axis=1)  # up to each date
    for wait in range(plan.sold.shape[2]):
        last = steps - wait
        kept = stored[:, wait:steps] - stored[:, :last]
        value += float((plan.sold[:, :last, wait] * (received(facts, wait) * dates.sale_discount[wait:] - kept)).sum())
    finished = plan.disgorged * stacks.good[:, np.newaxis]
    finished[stacks.finished, 0] += plan.filled[stacks.finished]
    left = stacks.worth_finished[:, np.newaxis] * dates.discount[-1] - (stored[:, -1:] - stored[:, :-1])
    value += float(((finished - plan.sold.sum(axis=2)) * left).sum())
    extra = (markets.channel_value - 1.0)[:, :, np.newaxis] * (reference * dates.sale_discount)[:, np.newaxis]
    value += float((plan.by_channel * extra).sum())
    width, slope = channel_steps(markets)
    before = np.concatenate([np.zeros_like(width[..., :1]), np.cumsum(width, axis=-1)[..., :-1]], axis=-1)
    on_step = np.clip(plan.by_channel[..., np.newaxis] - before, 0.0, width)
    given_up = on_step * slope * (reference * dates.sale_discount)[:, np.newaxis, :, np.newaxis]
    return value - float(given_up.sum())
