"""The plan as people read it: what to do this quarter and why, the outlook, limits and what one more is worth, every
lot's worth at the margin, plans compared.

Conventions: the quarter is the first three months of the plan. Bottles are rounded as a person counts them; money is
in that of the valuation date.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.array_types import Floats
from costing.decisions.plan.facts import Facts
from costing.decisions.plan.from_estate import PlanInputs, plan_inputs
from costing.decisions.plan.house_plan import HousePlan, house_plan, plan_in_campaigns
from costing.decisions.plan.places import places_over_time
from costing.decisions.plan.planning import Plan, Worths, value_of
from costing.decisions.plan.plans import Compared, near_steps, plans_to_compare
from costing.decisions.plan.unkept import SOME, evening_of, month_of, outside_prices, what_it_breaks, without_price
from costing.errors import Finding
from costing.model import Runs
from costing.once import asked_once
from costing.results.net_realisable import net_realisable_value
from costing.results.stock import stock_values

TWO_YEARS = 730


@asked_once
def plan_answer(
    runs: Runs, without: Collection[str] = (), own: pd.DataFrame | None = None, *, whole_campaigns: bool = False
) -> Answer:
    """The best joint plan and its views. without: kinds of limit left out; own: lot, date and bottles of a plan to
    compare; whole_campaigns: disgorged in campaigns of the cost and the size of Settings.
    """
    if whole_campaigns:
        house = plan_in_campaigns(runs, without)
    else:
        house = HousePlan(plan_inputs(runs, without)) if without else house_plan(runs)
    inputs = house.inputs
    facts = runs.facts
    if not len(inputs.lots):
        empty = "No lot on lees or finished has a price by age: there is nothing to plan."
        left_out = tuple(without_price(runs.estate, inputs.left_out))
        return Answer({"release_plan": pd.DataFrame(columns=["lot"])}, left_out, (), facts, empty)
    plan, worths = house.best
    compared = plans_to_compare(runs, inputs, plan, own)
    tables = {
        "release_plan": _release_plan(house),
        "plan_outlook": _outlook(inputs, plan),
        "places_over_time": places_over_time(inputs, plan),
        "limits_used": _limits(inputs, plan, worths),
        "worth_at_margin": _worth_at_margin(runs, inputs, house.bottle_pairs),
        "plans_compared": _compared(inputs, compared),
    }
    if len(inputs.channels) > 1:
        tables["quarter_by_channel"] = _by_channel(inputs, plan)
    says = tuple(_says(runs, house, compared))
    on = {"Plan outlook": tuple(_outlook_said(tables["plan_outlook"]))}
    return Answer(tables, tuple(_findings(runs, inputs, plan)), says, facts, says_on=on)


def _outlook_said(outlook: pd.DataFrame) -> Iterator[str]:
    """Bottles of each year, whatever their format."""
    sums = outlook.groupby("year", sort=True)[["bottles_disgorged", "bottles_sold_planned", "left_on_lees"]].sum()
    for year, (disgorged, sold, left) in zip(sums.index, sums.to_numpy(dtype=float).tolist(), strict=True):
        yield f"{year}: {disgorged:,.0f} bottles disgorged, {sold:,.0f} sold, {left:,.0f} left on lees."


def what_the_plan_does(runs: Runs) -> dict[str, str]:
    """What the plan does with each lot, and why."""
    table, _ = to_do(runs)
    return dict(zip(table["lot"], table["do"] + ": " + table["reason"], strict=True)) if len(table) else {}


def to_do(runs: Runs) -> tuple[pd.DataFrame, str]:
    """What to do with each lot, and what the plan is worth in a sentence; no rows and no words without a plan."""
    house = house_plan(runs)
    if not len(house.inputs.lots):
        return pd.DataFrame(), ""
    return _release_plan(house), _worth_said(runs, value_of(house.inputs.facts, house.best[0]))


@asked_once
def _release_plan(house: HousePlan) -> pd.DataFrame:
    """What to do with each lot, this quarter first, most money first."""
    inputs, facts, (plan, worths) = house.inputs, house.inputs.facts, house.best
    near = near_steps(facts)
    rows = []
    for row, lot in enumerate(inputs.lots.itertuples(index=False)):
        amounts = plan.sold[row, 0] if facts.stacks.finished[row] else plan.disgorged[row]
        now = float(amounts[: int(near.sum())].sum())
        steps = np.flatnonzero(amounts > SOME)
        first = month_of(facts.dates, int(steps[0])) if len(steps) else ""
        word = "sell" if facts.stacks.finished[row] else "disgorge"
        if now > SOME:
            do = f"{word} {now:,.0f} this quarter"
        elif len(steps):
            do = f"{'keep' if lot.kind != 'to be filled' else 'fill, keep'} until {first}"
        else:
            do = "keep beyond the plan"
        rows.append(
            {
                "lot": lot.lot,
                "do": do,
                "bottles_now": now,
                "bottles": lot.bottles,
                "begins": first,
                "kind": lot.kind,
                "cuvee": lot.cuvee,
                "format": lot.format,
                "money_now": now * worths.bottle[row],
                "reason": _reason(inputs, worths, row, steps, now),
            }
        )
    table = pd.DataFrame(rows)
    return table.sort_values(["money_now", "begins"], ascending=[False, True], kind="stable", ignore_index=True)


def _by_channel(inputs: PlanInputs, plan: Plan) -> pd.DataFrame:
    """What is disgorged or sold of each lot this quarter by the channel that takes it, as its market is shared."""
    facts = inputs.facts
    near = int(near_steps(facts).sum())
    whole = plan.by_channel.sum(axis=1, keepdims=True)
    share = np.divide(plan.by_channel, whole, out=np.zeros_like(plan.by_channel), where=whole > 0)
    rows = []
    for row, lot in enumerate(inputs.lots.itertuples(index=False)):
        taken, finished = share[facts.stacks.market[row]], bool(facts.stacks.finished[row])
        bottles = np.zeros(len(taken))
        for begin in range(1 if finished else near):
            last = near if finished else facts.dates.steps  # what is disgorged now may be sold later
            count = plan.sold[row, begin, : last - begin]
            bottles += taken[:, begin : begin + len(count)] @ count
        if bottles.sum() > SOME:
            through = {f"through:{name}": amount for name, amount in zip(inputs.channels, bottles, strict=True)}
            rows.append({"lot": lot.lot, "cuvee": lot.cuvee, "format": lot.format, **through})
    return pd.DataFrame(rows, columns=["lot", "cuvee", "format", *(f"through:{name}" for name in inputs.channels)])


def _supplied(facts: Facts, plan: Plan, number: int) -> float:
    limits = facts.limits
    sold = plan.by_channel[limits.supply_markets[number]][:, :, facts.dates.year == limits.supply_year[number]]
    return float((sold if limits.supply_channel[number] < 0 else sold[:, limits.supply_channel[number]]).sum())


def _reason(inputs: PlanInputs, worths: Worths, row: int, steps: np.ndarray, now: float) -> str:
    """What binds, in one sentence."""
    facts = inputs.facts
    market = facts.stacks.market[row]
    binds = worths.market[market] > 1e-6
    if not facts.stacks.may[row].any():
        return "it may not be sold, or has no price, within the plan"
    if not len(steps):
        return "worth more left at the end of the plan"
    first = int(steps[0])
    ready = np.flatnonzero(facts.stacks.may[row])
    tirage = inputs.lots["tirage_day"].to_numpy()
    older = (facts.stacks.market == market) & (tirage < tirage[row])
    if now > SOME:
        supply = np.flatnonzero(facts.limits.supply_markets[:, market] & (worths.supply > 1e-6))
        if len(supply):
            year, bottles = facts.limits.supply_year[supply[0]], facts.limits.supply[supply[0]]
            return f"{bottles:,.0f} of {inputs.limit_rows.supply_names[supply[0]]} are promised for {year}"
        return "waiting earns less than the hurdle"
    if len(ready) and int(ready[0]) == first and first:
        return "it may not be sold, or has no price, before"
    if older.any() and binds[:first].any():
        return "older bottles fill its market until then"
    if binds[:first].any():
        return "the market is full until then"
    return "it rises faster than the hurdle until then"


def _outlook(inputs: PlanInputs, plan: Plan) -> pd.DataFrame:
    """By year, cuvée and format: disgorged, sold, what the market takes, left on lees and finished at the end."""
    facts = inputs.facts
    sold = plan.sold_in_step(facts)
    rows = []
    lots_of = [np.flatnonzero(facts.stacks.market == market) for market in range(len(inputs.markets))]
    for year in np.unique(facts.dates.year):
        steps = np.flatnonzero(facts.dates.year == year)
        for market, lots in enumerate(lots_of):
            waiting = _waiting(facts, plan, lots, int(steps[-1]))
            takes = float(facts.markets.takes[market, steps].sum())
            rows.append(
                {
                    "year": str(year),
                    "cuvee": inputs.markets["cuvee"].iloc[market],
                    "format": inputs.markets["format"].iloc[market],
                    "bottles_disgorged": float(plan.disgorged[np.ix_(lots, steps)].sum()),
                    "bottles_sold_planned": float(sold[market, steps].sum()),
                    "market_takes": takes if np.isfinite(takes) else np.nan,
                    "left_on_lees": float(plan.on_lees[lots, steps[-1]].sum()),
                    "left_finished": waiting,
                }
            )
    return pd.DataFrame(rows)


def _waiting(facts: Facts, plan: Plan, lots: np.ndarray, last: int) -> float:
    """Bottles disgorged by the end of a step and not yet sold."""
    done = float((plan.disgorged[lots, : last + 1] * facts.stacks.good[lots, np.newaxis]).sum())
    done += float(plan.filled[lots][facts.stacks.finished[lots]].sum())
    gone = 0.0
    for wait in range(plan.sold.shape[2]):
        gone += float(plan.sold[lots, : max(last + 1 - wait, 0), wait].sum())
    return max(done - gone, 0.0)


def _limits(inputs: PlanInputs, plan: Plan, worths: Worths) -> pd.DataFrame:
    """Every limit on the date on which it is broken most, else one more is worth most: what is used of it, what one
    more is worth; no worth where it is broken.
    """
    facts, rows = inputs.facts, []
    limits, stacks = facts.limits, facts.stacks

    def line(what: str, of: str, used: Floats, most: Floats, worth: Floats, over: Floats) -> None:
        month = evening_of if what == "credit" else month_of
        if not np.isfinite(most).any():
            return
        share = np.divide(used, most, out=np.zeros_like(used), where=np.isfinite(most) & (most > 0))
        broken = bool(over.max() > SOME)
        step = int((over if broken else worth if worth.max() > 1e-9 else share).argmax())
        rows.append(
            {
                "limit": what,
                "limit_of": of,
                "when_month": month(facts.dates, step),
                "used": float(used[step]),
                "most": float(most[step]),
                "worth_of_one_more": np.nan if broken else float(worth[step]),
                "broken_by": float(over.max()),
            }
        )

    for number, place in enumerate(inputs.places):
        here = stacks.place == number
        used = (plan.on_lees[here] * stacks.takes_places[here, np.newaxis]).sum(axis=0)
        line("places", place, used, limits.places[number], worths.place[number], plan.over_places[number])
    line("disgorging", "", plan.disgorged.sum(axis=0), limits.line, worths.line, plan.over_line)
    line("credit", inputs.limit_rows.credit_of, plan.debt, limits.credit, worths.credit, plan.over_credit)
    for number, year in enumerate(limits.supply_year):
        row = {
            "limit_of": inputs.limit_rows.supply_names[number],
            "when_month": str(year),
            "used": _supplied(facts, plan, number),
        }
        if limits.supply[number] > 0:
            short = float(plan.short_supply[number])
            worth = {"worth_of_one_more": np.nan if short > SOME else -worths.supply[number], "broken_by": short}
            rows.append({"limit": "promised", **row, "most": limits.supply[number], **worth})
        if np.isfinite(limits.supply_most[number]):
            worth = {"worth_of_one_more": worths.supply_most[number], "broken_by": 0.0}
            rows.append({"limit": "at most", **row, "most": limits.supply_most[number], **worth})
    sold_in = plan.sold_in_step(facts)
    for market in range(len(inputs.markets)):
        takes = facts.markets.takes[market]
        name, worth = " ".join(inputs.markets.iloc[market]), worths.market[market]
        line("market", name, sold_in[market], takes, worth, np.zeros_like(worth))
    columns = ["limit", "limit_of", "when_month", "used", "most", "worth_of_one_more", "broken_by"]
    table = pd.DataFrame(rows, columns=columns)
    return table.assign(worth_of_one_more=_money(facts, table["worth_of_one_more"].to_numpy(dtype=float)))


def _money(facts: Facts, worth: Floats) -> Floats:
    """Worths, without those above the dearest bottle: they speak of a limit that can't be kept, not of money."""
    dearest = float(np.nan_to_num(facts.stacks.price).max(initial=0.0))
    return np.where(np.abs(worth) > dearest, np.nan, worth)


def _worth_at_margin(runs: Runs, inputs: PlanInputs, pairs: Floats) -> pd.DataFrame:
    """One bottle more and one less of each lot, beside its cost on both bases and its market value."""
    book = net_realisable_value(runs.book).set_index("lot")
    economic = stock_values(runs.economic).set_index("lot")["value_per_unit"]
    lots, pairs = inputs.lots, _money(inputs.facts, pairs)
    return pd.DataFrame(
        {
            "lot": lots["lot"],
            "worth_of_one_more": pairs[:, 0],
            "worth_of_one_less": pairs[:, 1],
            "economic_per_unit": lots["lot"].map(economic),
            "book_per_unit": lots["lot"].map(book["value_per_unit"]),
            "market_per_unit": lots["lot"].map(book["market_per_unit"]),
            "bottles": lots["bottles"],
            "kind": lots["kind"],
            "cuvee": lots["cuvee"],
            "format": lots["format"],
        }
    ).sort_values("worth_of_one_more", ascending=False, kind="stable", ignore_index=True)


def _compared(inputs: PlanInputs, compared: list[Compared]) -> pd.DataFrame:
    best, pace = compared[0].value, compared[0].plan.sold_in_step(inputs.facts)
    return pd.DataFrame(
        {
            "plan": [each.name for each in compared],
            "plan_value": [each.value for each in compared],
            "less_than_best": [best - each.value for each in compared],
            "runs_dry": [_runs_dry(inputs, each.plan, pace) for each in compared],
            "short_supply": [float(each.plan.short_supply.sum()) for each in compared],
            "over_places": [float(each.plan.over_places.max(initial=0.0)) for each in compared],
            "over_line": [float(each.plan.over_line.max(initial=0.0)) for each in compared],
            "peak_drawn": [float(each.plan.debt.max(initial=0.0)) for each in compared],
            "over_credit": [float(each.plan.over_credit.max(initial=0.0)) for each in compared],
        }
    )


def _runs_dry(inputs: PlanInputs, plan: Plan, pace: Floats) -> str:
    """First month of the next two years in which finished bottles make less than half of the pace at which the best
    plan sells, of those to which bottles are promised (else of the largest market). pace: bottles by market and step.
    """
    facts = inputs.facts
    promised = facts.limits.supply_markets[facts.limits.supply > 0].any(axis=0)
    counts = promised if promised.any() else pace[:, 0] == pace[:, 0].max()
    first, words = int((facts.dates.day[:-1] < facts.dates.day[0] + TWO_YEARS).sum()), ""
    for market in np.flatnonzero(counts).tolist():
        lots = np.flatnonzero(facts.stacks.market == market)
        comes = (plan.disgorged[lots] * facts.stacks.good[lots, np.newaxis]).sum(axis=0)
        comes[0] += plan.filled[lots][facts.stacks.finished[lots]].sum()
        there = 0.0
        for step in range(first):
            there += comes[step]
            if there < 0.5 * pace[market, step] - SOME:
                first, words = step, f"{' '.join(inputs.markets.iloc[market])} in {month_of(facts.dates, step)}"
                break
            there = max(there - pace[market, step], 0.0)
    return words


def _findings(runs: Runs, inputs: PlanInputs, plan: Plan) -> Iterator[Finding]:
    """What can't be planned, and what the plan can't keep."""
    yield from without_price(runs.estate, inputs.left_out)
    yield from outside_prices(runs.estate, inputs.facts.dates, inputs.lots)
    yield from what_it_breaks(runs, inputs, plan)


def _says(runs: Runs, house: HousePlan, compared: list[Compared]) -> list[str]:
    """Sentences on the plan as a whole."""
    inputs, best = house.inputs, compared[0].value
    sentences = [_worth_said(runs, best)]
    sentences += _on_campaigns(runs, house)
    kept = "limits" if house.campaigns is None else "limits or the smallest campaign"
    for each in compared[1:]:
        less = best - each.value
        how = (
            f"{about(less)} less" if less > 0 else f"{about(-less)} more, and breaks {kept} that this plan keeps better"
        )
        short = float(each.plan.short_supply.sum() - compared[0].plan.short_supply.sum())
        lacks = f", and leaves {short:,.0f} more bottles promised unsold" if short > SOME else ""
        sentences.append(f"Following '{each.name}' is worth {how}{lacks}.")
    if not len(runs.estate["limits"]):
        sentences.append("No limits are given: the market alone binds. Enter places, disgorging and supply on Limits.")
    if not np.isfinite(inputs.facts.markets.elasticity).any():
        sentences.append("No price response is given: a market takes no more at a lower price.")
    return sentences


def _worth_said(runs: Runs, value: float) -> str:
    return f"The plan is worth {about(value)} {runs.currency} in money of today."


def _on_campaigns(runs: Runs, house: HousePlan) -> list[str]:
    """What whole campaigns cost, and how far their plan may be from the best one."""
    campaigns, chosen, money = house.campaigns, runs.estate.settings, runs.currency
    if campaigns is None:
        return []
    if not chosen.campaign_cost and not chosen.smallest_campaign:
        return ["Settings give no cost of a campaign and no smallest one: whole campaigns change nothing."]
    starts = f"{campaigns.starts} campaign{'s' * (campaigns.starts != 1)}"
    return [
        f"It disgorges in {starts} of {chosen.smallest_campaign:,} bottles or more (or the whole lot), at "
        f"{chosen.campaign_cost:,.0f} {money} each. No plan of whole campaigns is worth more than "
        f"{campaigns.bound:,.0f} {money}, so this one falls short of the best by {campaigns.gap:.2%} at the most.",
        "What one more is worth is said with the same campaigns.",
    ]
