"""Offers: buy, sell or pass, and the price at which that turns.

    worth of an offer   value of the best plan with it − value of the best plan without it
    price that turns it worth ÷ quantity on its day, less other cost and work (to buy), plus other cost (to sell)
    gain                (price that turns it − price)·quantity to buy, (price − price that turns it)·quantity to sell

At the price that turns it an offer is indifferent. For a small offer it is the worth of one more in the plan (the dual
of its wine or of its lot); a whole offer lies between the worth of the first and of the last unit.

Conventions: each offer is taken whole and alone, on the plan with free tirages of `spring_tirage`; what those that pay
bring together is said. Money is paid on the day of the offer. Decision support, not advice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.decisions.filling.offered import WET, Offer, from_grapes, offers_of, with_offer
from costing.decisions.filling.offers_in_blend import has_rules, in_blend, without_composition
from costing.decisions.filling.spring_tirage import Filling, filling_of, markets_rate
from costing.decisions.plan.ageing_tables import hurdle_curve
from costing.decisions.plan.facts import Facts
from costing.decisions.plan.planning import Plan, Search, value_of
from costing.errors import Finding, caution
from costing.model import Runs
from costing.once import asked_once
from costing.results.lots import as_dates
from costing.results.stock import stock_values

EMPTY = "The Offers sheet names no offer from today on that the plan can judge."


@dataclass(frozen=True)
class Judged:
    """An offer and what it is worth: price that turns it, gain on the day of the decision."""

    offer: Offer
    flip_price: float
    gain: float
    reason: str
    broken: tuple[str, ...]

    @property
    def verdict(self) -> str:
        """What to do."""
        taken = self.gain > 0.0 and not self.broken
        return ("buy" if self.offer.buys else "sell") if taken else "pass"


def flip_price(worth: float, quantity: float, discount: float, extra: float, *, buys: bool) -> float:
    """Price per unit at which an offer is indifferent.

    worth: of taking it (to sell: of keeping it), in money of today; discount: worth today of money of its day;
    extra: what it costs per unit beside the price.
    """
    a_unit = worth / (quantity * discount)
    return a_unit - extra if buys else a_unit + extra


def gain_at(price: float, flip: float, quantity: float, *, buys: bool) -> float:
    """What an offer gains at a price, in money of its day."""
    return (flip - price if buys else price - flip) * quantity


@asked_once
def offers(runs: Runs) -> Answer:
    """Every offer of the sheet from today on: buy, sell or pass, and what it does to the blend of its cuvée."""
    facts = runs.facts
    filling = filling_of(runs)
    all_offers = offers_of(runs.estate)
    columns = ["offer", "verdict"]
    if filling is None or not all_offers:
        return Answer({"offers_judged": pd.DataFrame(columns=columns)}, (), (), facts, EMPTY)
    findings = [item for offer in all_offers for item in _doubts(runs, filling, offer)]
    left_out = {str(finding.value) for finding in findings if finding.rule.endswith(LEFT_OUT)}
    judged = [_judge(runs, filling, offer) for offer in all_offers if offer.name not in left_out]
    table = pd.DataFrame([_row(item) for item in judged], columns=None if judged else columns)
    if len(table):
        table = table.sort_values("gain_of_offer", key=abs, ascending=False, kind="stable", ignore_index=True)
    blends = [item.row for each in judged if (item := in_blend(runs, each.offer)) is not None]
    tables = {"offers_judged": table, "offers_in_blend": pd.DataFrame(blends) if blends else _no_blends()}
    says = tuple(_says(runs, filling, judged)) if judged else ()
    return Answer(tables, tuple(findings), says, facts, EMPTY)


LEFT_OUT = "it is not judged."


def _no_blends() -> pd.DataFrame:
    return pd.DataFrame(columns=["offer", "cuvee"])


def _doubts(runs: Runs, filling: Filling, offer: Offer) -> list[Finding]:
    """What keeps an offer from being judged, and an origin that is missing for a cuvée with rules."""
    estate, springs = runs.estate, filling.springs

    def at(column: str, rule: str, remedy: str) -> Finding:
        return caution(estate.place("offers", offer.row, column), offer.name, rule, remedy)

    if offer.day < runs.today:
        return [at("on_date", f"is dated before the valuation date: {LEFT_OUT}", "Correct the date, or delete it.")]
    if offer.day >= int(springs.facts.dates.day[-1]):
        return [at("on_date", f"is after the end of the plan: {LEFT_OUT}", "Correct the date.")]
    bottles = offer.what in ("on lees", "finished")
    if offer.buys and bottles:
        markets = springs.inputs.markets
        if not ((markets["cuvee"] == offer.cuvee) & (markets["format"] == offer.size)).any():
            rule = f"no bottle of {offer.cuvee} {offer.size} has a price by age: {LEFT_OUT}"
            return [at("cuvee", rule, "Enter its prices on Price by age.")]
    if not offer.buys:
        there = float(_on_hand(runs).get(offer.lot, 0.0))
        if offer.quantity > there + 0.5:
            rule = f"asks for {offer.quantity:,.0f} of lot '{offer.lot}', which holds {there:,.0f}: {LEFT_OUT}"
            return [at("quantity", rule, "Offer no more than there is.")]
        if bottles and offer.lot not in set(springs.inputs.lots["lot"]):
            rule = f"lot '{offer.lot}' has no price by age: {LEFT_OUT}"
            return [at("lot", rule, "Enter its prices on Price by age.")]
    elif not bottles and offer.day > int(springs.days[-1]):
        return [at("on_date", f"is after the last spring that the plan sees: {LEFT_OUT}", "Correct the date.")]
    blank = without_composition(offer)
    if blank and offer.cuvee and has_rules(runs, offer.cuvee):
        rule = f"no {' and no '.join(blank)}: whether {offer.cuvee} keeps its rules with it can't be said."
        return [at(blank[0], rule, "Ask for it, and enter it for every part.")]
    return []


def _discount(runs: Runs, day: int) -> float:
    return 1.0 / float(hurdle_curve(runs.economic).growth(np.int64(runs.today), np.int64(day)))


def _with(runs: Runs, filling: Filling, facts: Facts, offer: Offer) -> Facts:
    return with_offer(runs, filling.springs, facts, offer, filling.advised.wine_in_bulk)


def _extra(runs: Runs, offer: Offer) -> float:
    """What a unit costs beside its price: other cost, and the work that makes wine of grapes."""
    work = from_grapes(runs.estate, offer.day, runs.today).work if offer.what == "grapes" else 0.0
    return offer.other + work


def _judge(runs: Runs, filling: Filling, offer: Offer) -> Judged:
    base = filling.keeping.facts
    taken = _with(runs, filling, base, offer)
    plan = Search(taken, start=filling.search).plan()
    moved = value_of(taken, plan) - value_of(base, filling.advised)
    discount, extra = _discount(runs, offer.day), _extra(runs, offer)
    flip = flip_price(moved if offer.buys else -moved, offer.quantity, discount, extra, buys=offer.buys)
    gain = gain_at(offer.price, flip, offer.quantity, buys=offer.buys) * discount
    blend = in_blend(runs, offer)
    broken = () if blend is None else blend.broken
    return Judged(offer, flip, gain, _reason(runs, filling, offer, plan, broken), broken)


def _reason(runs: Runs, filling: Filling, offer: Offer, plan: Plan, broken: tuple[str, ...]) -> str:
    """What holds it back, or what it changes in the plan."""
    if broken:
        return f"refused: {'; '.join(broken)}"
    if offer.what in ("grapes", *WET):
        before = filling.advised
        more = float(plan.filled[filling.springs.rows >= 0].sum() - before.filled[filling.springs.rows >= 0].sum())
        later = float(plan.wine_in.sum() - before.wine_in.sum())
        bottles = f"{abs(more):,.0f} bottles {'more' if more > 0 else 'fewer'} this spring"
        return f"{bottles}, {abs(later):,.0f} L {'more' if later > 0 else 'fewer'} bottled over all springs"
    springs = filling.springs
    if offer.buys:
        cuvee, size = offer.cuvee, offer.size
    else:
        lot = springs.inputs.lots.set_index("lot").loc[offer.lot]
        cuvee, size = str(lot["cuvee"]), str(lot["format"])
    markets = springs.inputs.markets
    market = np.flatnonzero(((markets["cuvee"] == cuvee) & (markets["format"] == size)).to_numpy())
    rate = float(markets_rate(runs, springs)[market[0]]) if len(market) else 0.0
    if rate > 0:
        return f"{offer.quantity / rate:.1f} months of what the market of {cuvee} {size} takes"
    return f"the market of {cuvee} {size} has taken none lately"


def _row(judged: Judged) -> dict[str, object]:
    offer = judged.offer
    return {
        "offer": offer.name,
        "verdict": judged.verdict,
        "gain_of_offer": judged.gain,
        "price_offered": offer.price,
        "flip_price_of_offer": judged.flip_price,
        "quantity": offer.quantity,
        "unit": offer.unit,
        "what": offer.what if offer.buys else f"{offer.what}, ours",
        "reason": judged.reason,
        "day_of_offer": as_dates(np.array([offer.day]))[0],
        "other_cost": offer.other,
        "cuvee": offer.cuvee,
    }


def _together(together: float, alone: float, currency: str) -> str:
    """What the offers taken bring together, and why that is not the sum of what each brings without the others."""
    more = together - alone
    if abs(more) < max(1.0, 0.005 * abs(alone)):
        return f"Together they bring {about(together)} {currency}, as much as each without the others."
    beyond = f"{about(abs(more))} {'more' if more > 0 else 'less'} than each without the others"
    why = "what one brings or frees, another uses" if more > 0 else "they want the same wine, places or buyers"
    return f"Together they bring {about(together)} {currency}, {beyond}: {why}."


def _taken_together(runs: Runs, filling: Filling, taken: list[Offer], alone: float) -> str:
    """The same, or which offers ask for the same goods of ours."""
    on_hand = _on_hand(runs)
    for lot in {offer.lot: None for offer in taken if not offer.buys}:
        of_lot = [offer for offer in taken if offer.lot == lot]
        asked, there = sum(offer.quantity for offer in of_lot), float(on_hand[lot])
        if asked > there + 0.5:
            names = " and ".join(offer.name for offer in of_lot)
            return f"Not all can be taken: {names} ask for {asked:,.0f} of lot '{lot}', which holds {there:,.0f}."
    facts, paid = filling.keeping.facts, 0.0
    for offer in taken:
        facts = _with(runs, filling, facts, offer)
        each = -(offer.price + _extra(runs, offer)) if offer.buys else offer.price - offer.other
        paid += each * offer.quantity * _discount(runs, offer.day)
    worth = value_of(facts, Search(facts, start=filling.search).plan())
    worth -= value_of(filling.keeping.facts, filling.advised)
    return _together(worth + paid, alone, runs.currency)


def _on_hand(runs: Runs) -> pd.Series:
    """Bottles or litres on hand, by lot."""
    return stock_values(runs.economic).set_index("lot")["quantity"]


def _says(runs: Runs, filling: Filling, judged: list[Judged]) -> list[str]:
    """What to take, what it brings together, and how the offers were judged."""
    taken = [item for item in judged if item.verdict != "pass"]
    passed = len(judged) - len(taken)
    sentences = [
        f"Of {len(judged)} offers take {len(taken)} and pass {passed}: "
        + ", ".join(f"{item.verdict} {item.offer.name} ({about(item.gain)} {runs.currency})" for item in taken)
        + "."
        if taken
        else f"Pass all {len(judged)} offers."
    ]
    if len(taken) > 1:
        sentences.append(
            _taken_together(runs, filling, [item.offer for item in taken], sum(each.gain for each in taken))
        )
    sentences.append(
        "Each offer is taken whole and alone, beside the tirages advised; what is bought is not sold on in bulk. "
        "The palate decides what may join a cuvée."
    )
    return sentences
