"""Springs to come as facts of the house plan: tirages with free quantities, and the wine that they share.

    wine for the first spring  wine on hand · (1 − yearly norm)^years + must and wine to come before it
                               + harvests to come before it: their press loads, else the mean harvest
    wine for each later spring mean harvest of the press loads · (1 − norms from must to wine)
    a tirage of the sheet      between its bounds on Limits, else between none and what all wine that could join fills
    a tirage of a later spring between its bounds on Limits, else between none and the largest so far of its cuvée

    wine of second pressing    no more of a tirage than its next or last blend has of it

Conventions: wine is of two sorts, first and second pressing (half of it or more); within a sort it counts as one, since
whether a vat suits a cuvée is the palate's to say (Vats in January). Liqueurs are no wine. Grapes of later harvests are
bought anyway, so wine costs here what its next best use would bring. Wine may be sold in bulk at the mean market value
of its sort on hand. The plan looks far enough for the bottles of the first spring to be sold, and what is left at its
end is worth nothing: no bottle is filled for a buyer that the market does not have.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from costing.array_types import Floats, Ints
from costing.calendar import year_of
from costing.decisions.cellar.bottling_costs import filling
from costing.decisions.cellar.cuvee_blends import cuvee_blends, is_liqueur, next_or_last
from costing.decisions.cellar.reserves import litres_that_could_join
from costing.decisions.keeping_costs import storage_per_litre_year, yearly_loss
from costing.decisions.plan.facts import Facts, Wine
from costing.decisions.plan.from_estate import PlanInputs, plan_dates, plan_inputs
from costing.decisions.plan.unkept import without_price
from costing.errors import Finding, caution
from costing.graph.arrays import OPERATIONS, days
from costing.graph.flows import movement_norms
from costing.inputs.estate import Estate
from costing.inputs.in_force import row_in_force
from costing.model import Runs
from costing.results.net_realisable import by_pressing, market_value_per_unit
from costing.results.stock import stock_values

HORIZON_MONTHS = 84
"""Months that the plan looks ahead at the least: seven years on."""
RECENT_YEARS = 3
"""A cuvée and format is taken to be filled again if it was within so many years."""
SORTS = ("first pressing", "second pressing")
TO_WINE = ("settling", "fermentation", "racking", "fining and filtration")
"""Operations from must to wine, once each: common practice, no source."""


@dataclass(frozen=True, eq=False)
class Springs:
    """Facts of the plan with free tirages. tirage: rows of `inputs.lots` to be filled in the first spring; planned:
    bottles that the sheet plans [S]; rows: of Tirage behind each lot (−1: none) [S]; years [Y] and days [Y] of the
    springs; harvests: litres of wine by year and sort; on_hand: litres of each sort on hand [G]; reserve: share of
    reserve wine that the cuvée of each lot is blended with [S].
    """

    inputs: PlanInputs
    facts: Facts
    tirage: Ints
    planned: Floats
    rows: Ints
    years: Ints
    days: Ints
    harvests: pd.DataFrame
    on_hand: Floats
    reserve: Floats
    findings: tuple[Finding, ...]

    @property
    def wine(self) -> Wine:
        """Wine of the facts."""
        assert self.facts.wine is not None
        return self.facts.wine

    def fixed(self, bottles: Floats) -> Facts:
        """Facts in which the first spring fills so many bottles of each lot [S]."""
        stacks, first = self.facts.stacks, self.tirage
        least, most = stacks.bottles.copy(), stacks.most.copy()
        least[first] = most[first] = bottles[first]
        return replace(self.facts, stacks=replace(stacks, bottles=least, most=most))

    def with_wine(self, **changes: object) -> Facts:
        """Facts with another wine."""
        return replace(self.facts, wine=replace(self.wine, **changes))  # type: ignore[arg-type]


def springs_of(runs: Runs) -> Springs | None:
    """Springs to come; None where nothing was or is to be filled, or no bottle has a price by age."""
    estate, today = runs.estate, runs.today
    horizon = max(HORIZON_MONTHS, estate.settings.plan_horizon_months)
    dates = plan_dates(runs, horizon)
    tirages = _tirages(estate, today, int(dates.day[-1]))
    if not len(tirages) or not len(estate["price_by_age"]):
        return None
    inputs = plan_inputs(runs, ("credit",), horizon, tirages)  # the bank looks at a year or two, a filling at ten
    lots = inputs.lots
    free = (lots["kind"] == "to be filled").to_numpy()
    if not free.any():
        return None
    source = tirages.drop_duplicates("to_lot").set_index("to_lot")
    year = np.where(free, year_of(lots["tirage_day"].to_numpy(dtype=np.int64)), -1)
    years = np.unique(year[free])
    first_day = np.array(
        [int(lots["tirage_day"].to_numpy()[year == harvest].min()) for harvest in years], dtype=np.int64
    )
    spring = np.where(free, np.searchsorted(years, year), -1)
    rows = np.where(free, lots["lot"].map(source["row"]).fillna(-1).to_numpy(), -1).astype(np.int64)
    of_sheet = rows >= 0
    planned = np.where(of_sheet, lots["bottles"].to_numpy(dtype=float), 0.0)
    bottle_l, work = np.zeros(len(lots)), np.zeros(len(lots))
    for cuvee, size in lots.loc[free, ["cuvee", "format"]].drop_duplicates().itertuples(index=False):
        of_market = np.flatnonzero(free & (lots["cuvee"] == cuvee).to_numpy() & (lots["format"] == size).to_numpy())
        taken = filling(estate, cuvee, size, first_day, today)
        bottle_l[of_market], work[of_market] = taken.drawn_l, taken.work[spring[of_market]]
    second, reserve = _shares(runs, lots["cuvee"])
    wine, harvests, on_hand = _wine(runs, dates.day, first_day, spring, bottle_l, second)
    least, most, findings = _bounds(runs, inputs, free, of_sheet, bottle_l, first_day[np.maximum(spring, 0)], wine)
    stacks = replace(
        inputs.facts.stacks,
        bottles=np.where(free, least, inputs.facts.stacks.bottles),
        most=np.where(free, most, inputs.facts.stacks.most),
        fill_cost=work,
        worth_left=np.zeros(len(lots)),
        worth_finished=np.zeros(len(lots)),
    )
    facts = replace(inputs.facts, stacks=stacks, wine=wine)
    first = np.flatnonzero(spring == 0)
    all_findings = (*without_price(runs.estate, inputs.left_out), *findings)
    return Springs(inputs, facts, first, planned, rows, years, first_day, harvests, on_hand, reserve, all_findings)


def _tirages(estate: Estate, today: int, until: int) -> pd.DataFrame:
    """Tirages to come: those of the sheet, and for every later spring one of each cuvée and format filled lately."""
    columns = ["on_date", "to_lot", "cuvee", "format", "bottles", "location"]
    sheet = estate["tirage"][columns].astype(object).assign(day=days(estate["tirage"]["on_date"]))
    sheet["row"], sheet["year"] = np.arange(len(sheet)), year_of(sheet["day"].to_numpy(dtype=np.int64))
    ahead = sheet[sheet["day"].to_numpy(dtype=np.int64) > today]
    this_year = int(year_of(today))
    recent = sheet[sheet["year"] >= max(this_year, int(ahead["year"].max()) if len(ahead) else 0) - RECENT_YEARS]
    by_year = sheet.groupby(["cuvee", "format", "year"], sort=False)["bottles"].sum()
    largest = by_year.groupby(level=[0, 1], sort=False).max()
    last = recent.sort_values("day", kind="stable").drop_duplicates(["cuvee", "format"], keep="last")
    priced = set(zip(estate["price_by_age"]["cuvee"], estate["price_by_age"]["format"], strict=True))
    begin = int(ahead["year"].max()) + 1 if len(ahead) else this_year
    later = []
    for row in last.to_dict("records"):
        if (row["cuvee"], row["format"]) not in priced:
            continue
        usual = np.datetime64(int(row["day"]), "D")
        for year in range(begin, int(year_of(until)) + 1):
            month = usual.astype("datetime64[M]").astype(int) % 12
            day = np.datetime64(f"{year}-{month + 1:02}", "D") + (usual - usual.astype("datetime64[M]"))
            if not today < day.astype(np.int64) < until:
                continue
            name = f"{year} {row['cuvee']} {row['format']}"
            most = float(largest[row["cuvee"], row["format"]])
            later.append(row | {"on_date": day, "to_lot": name, "bottles": most, "row": -1, "year": year})
    all_rows = pd.concat([ahead, pd.DataFrame(later, columns=sheet.columns)]) if later else ahead
    return all_rows.assign(on_date=pd.to_datetime(all_rows["on_date"])).reset_index(drop=True)


def harvests_of(estate: Estate, today: int) -> pd.DataFrame:
    """Litres of wine of each sort that each harvest up to now gave or brought in, by year, ascending."""
    kept, pressed, came = _kept_to_wine(estate), estate["pressings"], estate["deliveries"]
    harvests = pd.DataFrame(columns=list(SORTS), dtype=float)
    done = days(pressed["on_date"]) <= today
    for sort, fraction in zip(SORTS, ("first", "second"), strict=True):
        must = pressed[done & (pressed["fraction"] == fraction).to_numpy()]
        of_year = must["volume_l"].groupby(must["on_date"].dt.year).sum() * kept
        harvests = harvests.reindex(harvests.index.union(of_year.index))
        harvests[sort] = of_year.reindex(harvests.index)
    bought = came[came["what"].isin(["must", "wine"]) & (days(came["on_date"]) <= today)]
    more = bought["quantity"].groupby(bought["on_date"].dt.year).sum()
    harvests = harvests.reindex(harvests.index.union(more.index)).astype(float).fillna(0.0)
    harvests[SORTS[0]] += more.reindex(harvests.index).fillna(0.0)
    return harvests[harvests.sum(axis=1) > 0]


def harvests_to_come(estate: Estate, today: int, until: int, harvests: pd.DataFrame) -> Floats:
    """Litres of each sort of harvests after a day and up to another: of press loads that are planned, else the mean of
    the harvests so far; a harvest is over by the day of the year on which the latest so far was [G].
    """
    kept, pressed = _kept_to_wine(estate), estate["pressings"]
    day, litres = days(pressed["on_date"]), np.zeros(len(SORTS))
    ahead = (day > today) & (day <= until)
    for sort, fraction in enumerate(("first", "second")):
        litres[sort] = pressed["volume_l"][ahead & (pressed["fraction"] == fraction).to_numpy()].sum() * kept
    before, planned = day[day <= today], set(year_of(day[ahead]).tolist())
    if len(before) and len(harvests):
        latest = int((before - _first_of_year(year_of(before))).max())
        for year in range(int(year_of(today)), int(year_of(until))):
            over = today >= int(_first_of_year(np.array([year]))[0]) + latest
            if not over and year not in planned and year not in harvests.index:
                litres += harvests.mean().to_numpy(dtype=float)
    return litres


def _first_of_year(year: Ints) -> Ints:
    return np.asarray((year - 1970).astype("datetime64[Y]").astype("datetime64[D]").astype(np.int64))


def _kept_to_wine(estate: Estate) -> float:
    """Part of a litre of must that is left as wine."""
    return float(np.prod([1.0 - movement_norms(estate)[OPERATIONS.index(name)] for name in TO_WINE]))


def _on_hand(runs: Runs, day: int) -> tuple[Floats, Floats]:
    """Litres of each sort on hand that are left on a day, and their mean market value (0: none given) [G]."""
    estate, today = runs.estate, runs.today
    stock = stock_values(runs.economic)
    stock = stock[stock["kind"].isin(["must", "wine", "reserve", "blend"])]
    index = runs.chain.lots.numbers(stock["lot"])
    state = runs.chain.state_on(index, np.full(len(index), today))
    wine = ~is_liqueur(runs.composition, state)
    stock = by_pressing(runs.composition, stock[wine])
    second = (stock["fraction"] == "second").to_numpy()
    loss = np.array([yearly_loss(estate, str(stage)) for stage in stock["stage"]], dtype=float)
    left = stock["quantity"].to_numpy() * (1.0 - loss) ** ((day - today) / 365.0)
    sorts = pd.DataFrame({"lot": "", "cuvee": "", "format": "", "kind": "wine", "fraction": ["first", "second"]})
    usual = np.nan_to_num(market_value_per_unit(estate, sorts, today))
    value = market_value_per_unit(estate, stock, today)
    value = np.where(np.isnan(value), usual[second.astype(np.int64)], value)
    litres = np.array([left[~second].sum(), left[second].sum()])
    worth = np.array([(left * value)[~second].sum(), (left * value)[second].sum()])
    return litres, np.divide(worth, litres, out=usual, where=litres > 0)


def _shares(runs: Runs, cuvee: pd.Series) -> tuple[Floats, Floats]:
    """Shares of second pressing and of reserve in the next or last blend of each cuvée; 0 where there is none [S]."""
    blends = next_or_last(cuvee_blends(runs.economic))
    state = blends["state"].to_numpy(dtype=np.int64)
    position = pd.Index(blends["cuvee"]).get_indexer(pd.Index(cuvee.astype(str)))
    mix = runs.composition
    second, reserve = (np.append(share[state], 0.0)[position] for share in (mix.second_pressing, mix.reserve))
    return second, reserve


def _wine(
    runs: Runs, day_of_lot: Ints, first_day: Ints, spring: Ints, bottle_l: Floats, second: Floats
) -> tuple[Wine, pd.DataFrame, Floats]:
    """Wine of every spring, the harvests behind it, and litres on hand."""
    estate, today = runs.estate, runs.today
    on_hand, price = _on_hand(runs, int(first_day[0]))
    harvests = harvests_of(estate, today)
    shape = (len(SORTS), len(first_day))
    comes = np.zeros(shape)
    comes[:, 1:] = np.nan_to_num(harvests.mean().to_numpy(dtype=float))[:, np.newaxis]
    comes[:, 0] = on_hand + harvests_to_come(estate, today, int(first_day[0]), harvests)
    came = estate["deliveries"]
    ahead = came[came["what"].isin(["must", "wine", "reserve"]) & (days(came["on_date"]) > today)]
    to_come = np.searchsorted(first_day, days(ahead["on_date"]))  # there in the first spring not before it
    known = to_come < len(first_day)
    np.add.at(comes[0], to_come[known], ahead["quantity"].to_numpy(dtype=float)[known])
    storage = storage_per_litre_year(estate, "reserve", first_day, today)
    storage[-1] = 0.0  # the year after the last spring is not looked at
    wine = Wine(
        step=np.searchsorted(day_of_lot[:-1], first_day).clip(max=len(day_of_lot) - 2).astype(np.int64),
        comes=comes,
        kept=1.0 - yearly_loss(estate, "reserve"),
        kept_least=np.zeros(shape),
        storage=storage,
        bulk_price=np.broadcast_to(price[:, np.newaxis], shape),
        bulk_most=np.full(shape, np.inf),
        spring=spring,
        bottle_l=bottle_l,
        most_share=np.column_stack([np.ones(len(second)), second]),
    )
    return wine, harvests, on_hand


def _bounds(
    runs: Runs,
    inputs: PlanInputs,
    free: np.ndarray,
    of_sheet: np.ndarray,
    bottle_l: Floats,
    day: Ints,
    wine: Wine,
) -> tuple[Floats, Floats, list[Finding]]:
    """Least and most bottles of each tirage to come, and where more must be filled than there is wine for."""
    estate, lots = runs.estate, inputs.lots
    least, most = np.zeros(len(lots)), lots["bottles"].to_numpy(dtype=float).copy()
    by_cuvee = litres_that_could_join(runs)
    for lot in np.flatnonzero(of_sheet).tolist():
        fits = float(by_cuvee.get(lots["cuvee"].iloc[lot], 0.0)) / bottle_l[lot]
        most[lot] = max(most[lot], fits)
    table = estate["limits"]
    speaks_of_tirage, since = (table["what"] == "tirage").to_numpy(), days(table["from_date"])
    size = table["format"].astype(object).fillna("bottle")
    behind: dict[int, list[float]] = {}
    for lot in np.flatnonzero(free).tolist():
        cuvee, kind = lots["cuvee"].iloc[lot], lots["format"].iloc[lot]
        of_market = np.flatnonzero(speaks_of_tirage & ((table["cuvee"] == cuvee) & (size == kind)).to_numpy())
        row = int(row_in_force(of_market, since, np.array([day[lot]]))[0])
        if row < 0:
            continue
        low, high = float(table["least"].iloc[row]), float(table["most"].iloc[row])
        least[lot] = np.nan_to_num(low)
        most[lot] = max(high if np.isfinite(high) else most[lot], least[lot])
        if wine.spring[lot] == 0 and least[lot] > 0:
            behind.setdefault(row, []).append(least[lot] * bottle_l[lot])
    findings = []
    needed = sum(sum(each) for each in behind.values())
    there = float(wine.comes[:, 0].sum())
    if needed > there + 0.5:
        row = max(behind, key=lambda candidate: sum(behind[candidate]))
        rule = f"more is to be filled than there is wine: {needed:,.0f} L of {there:,.0f} L on hand and to come."
        place = estate.place("limits", row, "least")
        findings.append(caution(place, f"{table['least'].iloc[row]:,.0f}", rule, "Fill less, or enter wine to come."))
    return least, most, findings
