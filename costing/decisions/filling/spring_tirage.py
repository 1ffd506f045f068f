"""What to fill this spring, by cuvée and format, and how much wine to keep after it.

    advised  the best joint plan with free tirages, which keeps the reserve that a bad harvest asks for
    worth    of one bottle more on lees at its tirage, above what is planned: from the plan that fills as planned
    cost     filling, and its wine at what the plan makes of a litre: in another cuvée, a later spring or the market
    cover    bottles of the cuvée and format on hand over what its market takes a month (Price by age, else dispatches
             of the last twelve months)

Conventions: worth and cost are in money of today. Three years on, bottles of tirages to come count.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.array_types import Floats
from costing.calendar import DAYS_A_MONTH, DAYS_A_YEAR, add_months, year_of
from costing.decisions.filling.reserve_kept import Unit, enough_with, expected_costs
from costing.decisions.filling.springs import SORTS, Springs, springs_of
from costing.decisions.plan.facts import Facts
from costing.decisions.plan.planning import Plan, Search, Worths, value_of
from costing.engine.carrying import day_numbers
from costing.graph.arrays import days
from costing.model import Runs
from costing.once import asked_once
from costing.results.lots import as_dates
from costing.units import FORMATS_L, STANDARD_BOTTLE_L

YEARS_ON = 3
NEVER = 1e3  # storage of a litre that nobody would pay
_SOME = 0.5
"""Less than half a bottle is none."""
_NOTHING = "No tirage is planned or was made, or no bottle has a price by age: there is nothing to fill."


@dataclass(frozen=True, eq=False)
class Filling:
    """Springs, and the plans of them: as the sheet plans its tirages, and as advised. usual: plan that keeps nothing
    because it must; unit: money of a litre kept; needs: litres that each harvest so far would have asked for;
    for_blends: reserve that the next blends take.
    """

    springs: Springs
    usual: Search
    unit: Unit
    needs: Floats
    for_blends: float

    @cached_property
    def keeping(self) -> Springs:
        """Springs of which the first keeps the reserve."""
        wine = self.springs.wine
        least = wine.kept_least.copy()
        least[0, :-1] = min(self.for_blends, float(wine.comes[0, 0]))
        least[0, 0] = min(self.reserve_l, float(wine.comes[0, 0]))
        return replace(self.springs, facts=self.springs.with_wine(kept_least=least))

    @cached_property
    def as_planned(self) -> tuple[Plan, Worths]:
        """Plan and worths with the tirages of the sheet, the reserve kept."""
        search = Search(self.keeping.fixed(self.springs.planned), start=self.usual)
        return search.plan(), search.worths()

    @cached_property
    def advised(self) -> Plan:
        """Plan with free tirages, the reserve kept."""
        return self.search.plan()

    @cached_property
    def search(self) -> Search:
        """Search for the plan advised."""
        return Search(self.keeping.facts, start=self.usual)

    @cached_property
    def reserve_l(self) -> float:
        """Litres to keep after bottling: for the next blends, and against a bad harvest."""
        return max(enough_with(self.unit.chance_enough, self.needs), self.for_blends)


@asked_once
def filling_of(runs: Runs) -> Filling | None:
    """Tirage and reserve of the first spring; None where there is nothing to fill."""
    springs = springs_of(runs)
    if springs is None:
        return None
    wine, discount, usual = springs.wine, springs.facts.dates.discount, Search(springs.facts)
    harvests = springs.harvests[SORTS[0]].to_numpy(dtype=float)
    if len(wine.step) < 2 or len(harvests) < 2:
        return Filling(springs, usual, Unit(0.0, 0.0, 0.0), np.zeros(0), 0.0)
    on = discount[wine.step]

    next_spring = wine.spring == 1
    litres = usual.plan().filled * wine.bottle_l
    for_blends = float((litres * springs.reserve)[next_spring].sum()) / wine.kept

    def after(harvest: float) -> Search:
        comes, storage, least = wine.comes.copy(), wine.storage.copy(), wine.kept_least.copy()
        comes[0, 1] += harvest - harvests.mean()
        storage[0] = NEVER  # nothing more is kept because the harvest were known
        least[0, 0] = min(for_blends, float(comes[0, 0]))
        return Search(springs.with_wine(comes=comes, storage=storage, kept_least=least), start=usual)

    short, after_plenty = after(float(harvests.min())).worths(), after(float(harvests.max()))
    plenty = after_plenty.worths()
    now, storage = float(usual.worths().litre[0, 0]) / on[0], float(wine.storage[0])
    cost = (now + storage) * float(on[0] / on[1]) / wine.kept
    unit = Unit(cost, float(short.litre[0, 1]) / on[1], float(plenty.litre[0, 1]) / on[1])
    wanted = float(after_plenty.plan().wine_in[next_spring, 0].sum())
    other = wine.comes[0, 1] - harvests.mean()  # must and wine bought for it
    return Filling(springs, usual, unit, np.maximum(wanted - harvests - other, 0.0) / wine.kept, for_blends)


@asked_once
def tirage(runs: Runs) -> Answer:
    """Bottles to fill by cuvée and format, the wine behind them, the reserve to keep, stock by year of tirage."""
    facts = runs.facts
    filling = filling_of(runs)
    if filling is None:
        return Answer({"tirage_advice": pd.DataFrame(columns=["lot"])}, (), (), facts, _NOTHING)
    springs = filling.springs
    facts |= {"spring": str(springs.years[0])}
    advice = _advice(runs, filling)
    tables = {"tirage_advice": advice, "reserve_levels": _reserve_levels(filling)}
    tables |= {"lees_by_tirage_year": _by_tirage_year(runs, filling), "wine_by_spring": _wine_by_spring(filling)}
    messages = {"lees_by_tirage_year": _stock_message(tables["lees_by_tirage_year"])}
    says = tuple(_says(runs, filling, advice))
    return Answer(tables, springs.findings, says, facts, _NOTHING, messages)


def _advice(runs: Runs, filling: Filling) -> pd.DataFrame:
    """One row a tirage of the first spring, most bottles changed first."""
    springs, facts = filling.springs, filling.springs.facts
    stacks, wine = facts.stacks, springs.wine
    plan = filling.advised
    at_planned, at_plan = filling.as_planned
    cover_now, cover_then = _covers(runs, filling, plan)
    discount = facts.dates.discount[wine.step[0]]
    rows = []
    for row in springs.tirage.tolist():
        lot = springs.inputs.lots.iloc[row]
        bottles, planned = float(plan.filled[row]), float(springs.planned[row])
        litres = wine.bottle_l[row]
        cost = stacks.fill_cost[row] * discount + litres * float(
            _litre_of(at_plan, at_planned if planned >= _SOME else plan, row)
        )
        rows.append(
            {
                "lot": lot["lot"],
                "do": _do(bottles, planned),
                "fill_advised": bottles,
                "fill_planned": planned,
                "worth_filled": float(at_plan.bottle[row]) + cost,
                "cost_to_fill": cost,
                "cover_now": cover_now[row],
                "cover_three_years": cover_then[row],
                "reason": _reason(filling, row, bottles, planned),
                "cuvee": lot["cuvee"],
                "format": lot["format"],
                "tirage_date": as_dates(np.array([int(lot["tirage_day"])]))[0],
                "fill_least": float(stacks.bottles[row]),
                "fill_most": float(stacks.most[row]),
            }
        )
    table = pd.DataFrame(rows)
    moved = (table["fill_advised"] - table["fill_planned"]).abs()
    return table.iloc[np.argsort(-moved.to_numpy(), kind="stable")].reset_index(drop=True)


def _litre_of(worths: Worths, plan: Plan, lot: int) -> float:
    """What a litre of a lot's wine is worth, by the sorts that it is filled from."""
    used = plan.wine_in[lot]
    part = used / used.sum() if used.sum() > 0 else np.array([1.0, *([0.0] * (len(used) - 1))])
    return float(part @ worths.litre[:, 0])


def _do(bottles: float, planned: float) -> str:
    more = bottles - planned
    if bottles < _SOME:
        return "fill none" if planned >= _SOME else "none"
    if abs(more) < 1.0:
        return f"fill {bottles:,.0f}, as planned"
    return f"fill {bottles:,.0f}, {abs(more):,.0f} {'more' if more > 0 else 'fewer'}"


def _reason(filling: Filling, lot: int, bottles: float, planned: float) -> str:
    """What holds the bottles where they are, in one sentence."""
    stacks = filling.springs.facts.stacks
    if bottles >= stacks.most[lot] - _SOME:
        return "At most on Limits, or all wine that suits it, holds it"
    if bottles <= stacks.bottles[lot] + _SOME and stacks.bottles[lot] >= _SOME:
        return "At least on Limits holds it: one fewer would be better"
    if bottles < _SOME:
        return "the market has enough of it on lees; its wine brings more elsewhere"
    if abs(bottles - planned) < 1.0:
        return "as many as the market takes at a price that pays them"
    if bottles > planned:
        return "the market takes more than will be there, at a price that pays them"
    return "beyond that the wine brings more elsewhere"


def markets_rate(runs: Runs, springs: Springs) -> Floats:
    """Bottles that each market takes a month: as Price by age says, else as dispatched in the last year [M]."""
    facts, inputs = springs.facts, springs.inputs
    takes = facts.markets.takes[:, 0] / (np.diff(facts.dates.day)[0] / DAYS_A_MONTH)
    sent = runs.estate["dispatches"]
    lately = (days(sent["on_date"]) <= runs.today) & (days(sent["on_date"]) > runs.today - DAYS_A_YEAR)
    lot = runs.chain.lots.names.get_indexer(pd.Index(sent["release_lot"].astype(str)))[lately]
    cuvee, size = runs.labels.cuvee[lot].astype(str), runs.labels.format[lot].astype(str)
    gone = sent["bottles"].to_numpy(dtype=float)[lately]
    known = [
        gone[(cuvee == name) & (kind == size)].sum() / 12.0
        for name, kind in zip(inputs.markets["cuvee"], inputs.markets["format"], strict=True)
    ]
    return np.where(np.isfinite(takes), takes, np.array(known))


def _stock_at(facts: Facts, plan: Plan, step: int) -> Floats:
    """Bottles of each lot on lees or finished after the date of a step [S]."""
    good = np.where(facts.stacks.finished, 1.0, facts.stacks.good)
    done = plan.disgorged[:, : step + 1].sum(axis=1) * good + np.where(facts.stacks.finished, plan.filled, 0.0)
    gone = np.zeros(len(done))
    for wait in range(plan.sold.shape[2]):
        gone += plan.sold[:, : max(step + 1 - wait, 0), wait].sum(axis=1)
    return np.asarray(plan.on_lees[:, step] + np.maximum(done - gone, 0.0))


def _step_on(runs: Runs, facts: Facts) -> int:
    """The last step that ends three years on, or before."""
    then = int(day_numbers(add_months(runs.date, YEARS_ON * 12.0)))
    return max(int(np.searchsorted(facts.dates.day, then, side="right")) - 2, 0)


def _covers(runs: Runs, filling: Filling, plan: Plan) -> tuple[Floats, Floats]:
    """Months of cover of each lot's market, on hand today and three years on [S]."""
    facts = filling.springs.facts
    rate, market = markets_rate(runs, filling.springs), facts.stacks.market
    on_hand = np.where(facts.stacks.arrives == 0, facts.stacks.bottles, 0.0)
    now = np.bincount(market, on_hand, len(rate))
    then = np.bincount(market, _stock_at(facts, plan, _step_on(runs, facts)), len(rate))
    with np.errstate(divide="ignore", invalid="ignore"):
        both = [np.where(rate > 0, each / rate, np.nan) for each in (now, then)]
    return both[0][market], both[1][market]


def _by_tirage_year(runs: Runs, filling: Filling) -> pd.DataFrame:
    """Bottles of 75 cl on lees by year of tirage, now and three years on as advised, and the months that they cover."""
    springs, facts = filling.springs, filling.springs.facts
    lots = springs.inputs.lots
    plan = filling.advised
    standard = lots["format"].map(FORMATS_L).to_numpy(dtype=float) / STANDARD_BOTTLE_L
    lees = ~facts.stacks.finished
    year = year_of(lots["tirage_day"].to_numpy(dtype=np.int64))
    step = _step_on(runs, facts)
    now = np.where(lees & (facts.stacks.arrives == 0), facts.stacks.bottles, 0.0) * standard
    then = np.where(lees, plan.on_lees[:, step], 0.0) * standard
    sizes = springs.inputs.markets["format"].map(FORMATS_L).to_numpy(dtype=float) / STANDARD_BOTTLE_L
    rate = float((markets_rate(runs, springs) * sizes).sum())
    years = np.unique(year[(now >= _SOME) | (then >= _SOME)])
    table = pd.DataFrame(
        {
            "tirage_year": years.astype(str),
            "lees_now": [now[year == tirage_year].sum() for tirage_year in years],
            "lees_three_years": [then[year == tirage_year].sum() for tirage_year in years],
        }
    )
    for name, of in (("cover_now", "lees_now"), ("cover_three_years", "lees_three_years")):
        table[name] = table[of] / rate if rate > 0 else np.nan
    return table


def _stock_message(table: pd.DataFrame) -> str:
    if not len(table):
        return ""
    now, then = table["lees_now"].sum(), table["lees_three_years"].sum()
    months = table["cover_now"].sum(), table["cover_three_years"].sum()
    return (
        f"On lees now {now:,.0f} bottles of 75 cl, {months[0]:.0f} months of what the markets take; "
        f"three years on {then:,.0f}, {months[1]:.0f} months."
    )


def _reserve_levels(filling: Filling) -> pd.DataFrame:
    """Each amount that some harvest so far would have asked for, and what keeping it is expected to cost."""
    needs, springs = filling.needs, filling.springs
    columns = ["reserve_l", "do", "harvest_like", "harvest_l", "chance_enough", "cost_too_much", "cost_too_little"]
    if not len(needs):
        return pd.DataFrame(columns=[*columns, "cost_both"])
    harvests = springs.harvests[SORTS[0]]
    wanted = np.maximum(needs, filling.for_blends)
    levels = np.unique(np.round(wanted, 6))
    over, under = expected_costs(levels, wanted, filling.unit)
    rows = []
    for position, level in enumerate(levels):
        like = np.flatnonzero(np.isclose(wanted, level))
        years = [str(harvests.index[int(harvest)]) for harvest in like]
        rows.append(
            {
                "reserve_l": level,
                "do": "keep this" if np.isclose(level, filling.reserve_l) else "",
                "harvest_like": ", ".join(years),
                "harvest_l": float(harvests.iloc[like].max()) if len(like) else np.nan,
                "chance_enough": float((needs <= level + 1e-6).mean()),
                "cost_too_much": over[position],
                "cost_too_little": under[position],
                "cost_both": over[position] + under[position],
            }
        )
    return pd.DataFrame(rows)


def _wine_by_spring(filling: Filling) -> pd.DataFrame:
    """Litres of each sort by spring, as advised: what comes, is bottled, sold in bulk and kept, worth of one more."""
    springs, wine = filling.springs, filling.springs.wine
    plan, worths = filling.advised, filling.search.worths()
    discount = springs.facts.dates.discount[wine.step]
    rows = []
    for year in range(len(springs.years)):
        for sort, name in enumerate(SORTS):
            if not wine.comes[sort].any():
                continue
            rows.append(
                {
                    "spring": str(springs.years[year]),
                    "sort": name,
                    "litres_come": wine.comes[sort, year],
                    "litres_bottled": float(plan.wine_in[wine.spring == year, sort].sum()),
                    "litres_in_bulk": plan.wine_in_bulk[sort, year],
                    "litres_kept": plan.wine_kept[sort, year],
                    "worth_of_litre": float(worths.litre[sort, year] / discount[year]),
                }
            )
    return pd.DataFrame(rows)


def _lacks_wine(filling: Filling) -> bool:
    """Whether what is planned wants more wine than there will be, beyond what norms of loss may explain."""
    return bool(filling.as_planned[0].wine_short.sum() > 0.01 * filling.springs.wine.comes[:, 0].sum())


def _says(runs: Runs, filling: Filling, advice: pd.DataFrame) -> list[str]:
    """Sentences on the spring as a whole, and what was taken for granted."""
    springs, unit = filling.springs, filling.unit
    total, planned = advice["fill_advised"].sum(), advice["fill_planned"].sum()
    facts = filling.keeping.facts
    gain = value_of(facts, filling.advised) - value_of(facts, filling.as_planned[0])
    more, lacks = total - planned, _lacks_wine(filling)
    brings = f"that is worth {about(gain)} {runs.currency} more over the years"
    costs = f"keeping the bounds on Limits costs {about(-gain)} {runs.currency} over the years"
    why = "there is no wine for all that is planned" if lacks else brings if gain >= 0.0 else costs
    fill = f"Fill {f'{total:,.0f} bottles' if total >= 0.5 else 'nothing'} in spring {springs.years[0]}"
    sentences = [
        f"{fill}, {abs(more):,.0f} {'more' if more > 0 else 'fewer'} than planned; {why}."
        if abs(more) >= 1.0
        else f"{fill}, as planned."
    ]
    months = round(float(facts.dates.years.sum()) * DAYS_A_YEAR / DAYS_A_MONTH)
    ends = runs.estate.settings.plan_horizon_months
    horizon = (
        f"Worth of one more looks {months} months ahead, fills later springs too and counts nothing for what is left "
        f"at the end. The plan of all lots ends after {ends} months, fills nothing that is not on Tirage, and counts "
        "what is left at its price then: its worth of the same bottle differs, and is not the one to fill by."
    )
    if len(filling.needs):
        kept = filling.reserve_l
        enough, of = int((filling.needs <= kept + 1e-6).sum()), len(filling.needs)
        beyond = f"{kept - filling.for_blends:,.0f}" if kept - filling.for_blends >= _SOME else "none"
        sentences.append(
            f"Keep {kept:,.0f} L after bottling: {filling.for_blends:,.0f} as reserve of the next blends, in the "
            f"shares of the last, and {beyond} more against a bad harvest; enough in {enough} of {of} harvests so far. "
            f"{unit.of_one_more(runs.currency)}"
        )
        first, last = springs.harvests.index[0], springs.harvests.index[-1]
        mean = float(springs.harvests.sum(axis=1).mean())
        sentences.append(
            f"Harvests to come are taken as the mean of {first} to {last}, {mean:,.0f} L of wine; later springs "
            "may fill as much of each cuvée as its largest tirage so far. Within a sort wine counts as one: the palate "
            "decides."
        )
    else:
        sentences.append(
            "Fewer than two harvests are known: no reserve is advised, and later springs have what is on hand."
        )
    return [*sentences[:2], horizon, *sentences[2:]]
