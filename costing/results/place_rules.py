"""The rules of place applied to the rows of the estate and of owners whose goods are kept here: cautions with the
cell, never errors.

A row is judged by the rule set of its cuvée, or else by that of the settings; press loads, which belong to no
cuvée yet, by that of the settings (or the one that all cuvées name). Rules: `costing.results.appellation`;
figures and their sources: `costing.inputs.appellations`. A rule set that does not exist is an error of the
input (`costing.inputs.checks.rule_sets`).

Conventions: sugar of a tirage without one follows from its liqueur at the sugar of the settings, to 0.1 g/L.
The youngest harvest in a bottling is the latest year among its vintages by composition. The year on the label of
a vintage bottling is that of its cuvée, or else its largest harvest; wine of an unknown harvest may be of it.
Wine of a year is the must pressed in that year and the must and wine of that vintage bought; vintage wine of it
is what was bottled of it in a cuvée of a vintage category. Cuvée, tirage and category of bottles follow them from
lot to lot; bottles of several tirages count from the last one.

Not here: strength of dosage liqueur, gain in volume by enrichment and technical loss before tirage, which no
sheet tells; sugar that fermentation has left (taken as none).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import overload

import numpy as np
import pandas as pd

from costing.array_types import Days, Floats, Ints, Names
from costing.errors import Finding
from costing.graph.arrays import BLANK_DAY, BOTTLE, Flow, codes, days
from costing.graph.states import Chain
from costing.inputs.appellations import RuleSet, folded_words, rule_set
from costing.inputs.cells import number_text
from costing.inputs.estate import Estate, harvest_years
from costing.inputs.owners import kept_for_others
from costing.results.appellation import (
    earliest_release,
    earliest_tirage,
    least_pressure,
    months_on_lees,
    months_to_sale,
    named_vintage,
    nominal_volume,
    press_yield,
    pressure_caution,
    sweetness_terms,
    technical_loss,
    tirage_alcohol_gain,
    vintage_share,
)
from costing.results.composition import OTHER, UNKNOWN, composition_of
from costing.results.lots import LotLabels, as_dates, lot_labels
from costing.results.results import Results
from costing.results.ways_out import ways_out

TRACE = 1e-6
"""Part of a wine below which a vintage is the rounding of a blend."""
_YEAR = r"\d{4}"
_NOTHING = -1


def place_cautions(results: Results) -> list[Finding]:
    """Cautions of all rules of place, and of tirage sugar, over the whole estate, plans and other people's goods
    included.

    CostingError if a rule set that the estate names does not exist.
    """
    cautions = _cautions(_Rows(results.estate, results.chain))
    theirs, chain = kept_for_others(results.estate), results.chain.others
    return cautions if theirs is None or chain is None else [*cautions, *_cautions(_Rows(theirs, chain))]


def _cautions(rows: _Rows) -> list[Finding]:
    cautions = list(_pressures(rows))
    cautions += _press_loads(rows)
    for name in rows.set_names:
        rules = rule_set(name)
        cautions += _tirages(rows, rules, name)
        cautions += _named_vintages(rows, rules, name)
        cautions += _vintage_wine(rows, rules, name)
        cautions += _disgorgements(rows, rules, name)
        cautions += _dispatches(rows, rules, name)
        cautions += _formats(rows, rules, name)
    return cautions


@dataclass(frozen=True)
class CuveeRules:
    """Category and rule set of each cuvée, by number; one beyond the last: none known."""

    estate: Estate

    @cached_property
    def _cuvees(self) -> pd.DataFrame:
        frame = self.estate["cuvees"].drop_duplicates("cuvee", keep="last")
        return frame[["cuvee", "category", "rule_set", "vintage"]].astype(object).set_index("cuvee")

    @property
    def names(self) -> pd.Index:
        """Cuvées in the order of their numbers."""
        return self._cuvees.index

    @cached_property
    def category(self) -> Names:
        """Category of each cuvée; `vintage` is added where a harvest year is declared."""
        given = self._cuvees["category"].fillna("").to_numpy()
        declared = self._cuvees["vintage"].notna().to_numpy()
        words = [
            f"{name} vintage" if year and "vintage" not in folded_words(name) else name
            for name, year in zip(given, declared, strict=True)
        ]
        return np.array([*words, ""], dtype=object)

    @cached_property
    def declared(self) -> Names:
        """Harvest year that each cuvée declares ("": none)."""
        years = [(re.findall(_YEAR, str(year)) or [""])[-1] for year in self._cuvees["vintage"]]
        return np.array([*years, ""], dtype=object)

    @cached_property
    def sets(self) -> Names:
        """Name of the rule set of each cuvée ("": none)."""
        usual = self.estate.settings.rule_set or ""
        return np.append(self._cuvees["rule_set"].fillna(usual).to_numpy(), usual)


def first_sale(estate: Estate, cuvee: Names, tirage: Ints, today: int) -> Days:
    """First day on which bottles of each cuvée may be sold by its rule set; NaT without one.

    tirage: day numbers; today: whose figures count for wine bottled before the rule set begins.
    """
    rules = CuveeRules(estate)
    number = rules.names.get_indexer(pd.Index(cuvee, dtype=object))
    bottled = np.where(tirage == BLANK_DAY, np.datetime64("NaT", "D"), np.asarray(tirage).astype("datetime64[D]"))
    earliest = np.full(len(number), np.datetime64("NaT", "D"))
    on = np.datetime64(today, "D").item()
    for name in {str(name) for name in rules.sets[number] if name}:
        of_set = np.flatnonzero(rules.sets[number] == name)
        earliest[of_set] = earliest_release(rule_set(name), bottled[of_set], on, list(rules.category[number[of_set]]))[
            1
        ]
    return earliest


class _Cells(Sequence[str]):
    """`Sheet!cell` of rows of one table, said when asked for: most rows break no rule."""

    def __init__(self, estate: Estate, table: str, rows: Ints, column: str) -> None:
        self._estate, self._table, self._rows, self._column = estate, table, rows, column

    def __len__(self) -> int:
        return len(self._rows)

    @overload
    def __getitem__(self, index: int) -> str: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[str]: ...
    def __getitem__(self, index: int | slice) -> str | Sequence[str]:
        if isinstance(index, slice):
            return _Cells(self._estate, self._table, self._rows[index], self._column)
        return self._estate.place(self._table, int(self._rows[index]), self._column)


@dataclass(frozen=True)
class _Rows:
    """What the rules need to know of the rows of one side; cuvées by number, one beyond the last: none known."""

    estate: Estate
    chain: Chain

    @cached_property
    def labels(self) -> LotLabels:
        return lot_labels(self.estate, self.chain)

    @cached_property
    def _rules(self) -> CuveeRules:
        return CuveeRules(self.estate)

    @property
    def category(self) -> Names:
        """Category of each cuvée."""
        return self._rules.category

    @cached_property
    def set_names(self) -> list[str]:
        """Rule sets that some cuvée, or the settings, name."""
        return sorted({str(name) for name in self._rules.sets if name})

    @cached_property
    def cuvee_of_lot(self) -> Ints:
        """Number of the cuvée of each lot; the last entry is for no lot."""
        return np.append(self._rules.names.get_indexer(pd.Index(self.labels.cuvee)), _NOTHING)

    def cuvee_of(self, column: pd.Series) -> Ints:
        """Number of the cuvée that each row of a column names."""
        return codes(column, self._rules.names)

    def lot(self, table: str, column: str) -> Ints:
        """Number of the lot that each row names (−1: none)."""
        return codes(self.estate[table][column], self.chain.lots.names)

    def of_set(self, cuvee: Ints, name: str) -> Ints:
        """Rows whose cuvée is judged by that rule set."""
        return np.flatnonzero((self._rules.sets == name)[cuvee])

    def cells(self, table: str, rows: Ints, column: str) -> _Cells:
        return _Cells(self.estate, table, rows, column)

    def days(self, table: str, rows: Ints) -> Days:
        return as_dates(days(self.estate[table]["on_date"])[rows])

    @cached_property
    def tirage_flow(self) -> Ints:
        """Flow of each row of Tirage."""
        flows = self.chain.flows
        tirages = np.flatnonzero(flows.kind == Flow.TIRAGE)
        return tirages[np.argsort(flows.row[tirages], kind="stable")]

    @cached_property
    def bottled_l(self) -> tuple[Floats, Floats, Floats]:
        """Litres of wine, of liqueur and in bottles of each row of Tirage."""
        chain, flow = self.chain, self.tirage_flow
        litres = chain.lots.litres_per_unit[chain.flows.target[flow]] * chain.flows.into[flow]
        return chain.flows.out[flow], chain.flows.added[flow], litres

    @cached_property
    def sugar(self) -> Floats:
        """Tirage sugar, g per litre of mixture, of each row of Tirage (nan: not known)."""
        given = self.estate["tirage"]["sugar_g_per_l"].to_numpy()
        wine, liqueur, _ = self.bottled_l
        mixture = np.where(liqueur > 0, wine + liqueur, np.nan)
        of_liqueur = np.round(liqueur * self.estate.settings.tirage_liqueur_g_per_l / mixture, 1)
        return np.where(np.isnan(given), of_liqueur, given)

    def sugar_cells(self, rows: Ints) -> Sequence[str]:
        """Cells that say the sugar: its own, or that of the liqueur."""
        own = self.estate["tirage"]["sugar_g_per_l"].notna().to_numpy()
        columns = np.where(own, "sugar_g_per_l", "liqueur_l")
        return [self.estate.place("tirage", int(row), str(columns[row])) for row in rows]

    @cached_property
    def vintages(self) -> tuple[Floats, Floats]:
        """Harvest years, ascending, and the part of each in each row of Tirage [rows, years]; a range counts
        as its last year.
        """
        shares = self.harvests
        named = pd.Series(shares.columns, dtype=object).str.findall(_YEAR).str[-1]
        year = pd.to_numeric(named).to_numpy(dtype=float)
        known = np.unique(year[~np.isnan(year)])
        part = np.column_stack([shares.to_numpy()[:, year == vintage].sum(axis=1) for vintage in known] or [[]])
        return known, part.reshape(len(shares), len(known))

    @cached_property
    def harvests(self) -> pd.DataFrame:
        """Part of each harvest, as its lots name it, in each row of Tirage [rows, names]."""
        chain = self.chain
        state = chain.states.batch_state[chain.flows.batch[self.tirage_flow]]
        return composition_of(self.estate, chain).shares(state, "vintage")


def _press_loads(rows: _Rows) -> Iterator[Finding]:
    usual = rows.estate.settings.rule_set or (rows.set_names[0] if len(rows.set_names) == 1 else None)
    frame = rows.estate["pressings"]
    if usual is None or not len(frame):
        return
    load = codes(frame["load"], pd.Index(frame["load"].cat.categories))
    wine = frame["fraction"].isin(["first", "second"]).to_numpy()
    weight = np.bincount(load, np.nan_to_num(frame["weight_kg"].to_numpy()))
    volume = np.bincount(load, np.where(wine, np.nan_to_num(frame["volume_l"].to_numpy()), 0.0))
    pressed = np.flatnonzero(wine)
    used, first = np.unique(load[pressed], return_index=True)
    pressed = pressed[first]
    cells, day = rows.cells("pressings", pressed, "volume_l"), rows.days("pressings", pressed)
    yield from press_yield(rule_set(usual), day, weight[used], volume[used], cells, settled=False)


def _pressures(rows: _Rows) -> Iterator[Finding]:
    known = np.flatnonzero(~np.isnan(rows.sugar))
    rating = rows.estate.settings.bottle_rating_bar
    rated = () if rating is None else (rating, 20.0)
    yield from pressure_caution(rows.sugar[known], rows.sugar_cells(known), *rated)


def _tirages(rows: _Rows, rules: RuleSet, name: str) -> Iterator[Finding]:
    chain, cuvee = rows.chain, rows.cuvee_of(rows.estate["tirage"]["cuvee"])
    judged = rows.of_set(cuvee, name)
    if not len(judged):
        return
    day, category = rows.days("tirage", judged), list(rows.category[cuvee[judged]])
    years, part = rows.vintages
    youngest = np.where(part > TRACE, years, -np.inf).max(axis=1, initial=-np.inf)[judged]
    youngest = np.where(np.isinf(youngest), np.nan, youngest)
    yield from earliest_tirage(rules, day, youngest, rows.cells("tirage", judged, "on_date"), category)
    sugar, cells = rows.sugar[judged], rows.sugar_cells(judged)
    yield from tirage_alcohol_gain(rules, day, sugar, cells)
    bottle_l = chain.lots.litres_per_unit[chain.flows.target[rows.tirage_flow[judged]]]
    yield from least_pressure(rules, day, sugar, bottle_l, cells)
    wine, liqueur, bottled = (litres[judged] for litres in rows.bottled_l)
    yield from technical_loss(rules, "tirage", day, wine + liqueur, bottled, rows.cells("tirage", judged, "bottles"))


def _vintage_rows(rows: _Rows, name: str) -> Ints:
    """Rows of Tirage that fill a cuvée of a vintage category judged by that rule set."""
    cuvee = rows.cuvee_of(rows.estate["tirage"]["cuvee"])
    is_vintage = np.array(["vintage" in folded_words(category) for category in rows.category])
    judged = rows.of_set(cuvee, name)
    return np.asarray(judged[is_vintage[cuvee[judged]]])


def _named_vintages(rows: _Rows, rules: RuleSet, name: str) -> Iterator[Finding]:
    """The year on the label against the harvests in the wine, once for each vintage bottling."""
    cuvee, batch = rows.cuvee_of(rows.estate["tirage"]["cuvee"]), rows.chain.flows.batch[rows.tirage_flow]
    judged = _vintage_rows(rows, name)
    judged = judged[np.unique(batch[judged], return_index=True)[1]]
    shares = rows.harvests.iloc[judged].drop(columns=OTHER, errors="ignore")
    years = [set(re.findall(_YEAR, label)) or {UNKNOWN} for label in shares.columns]
    labels = [names.pop() if len(names) == 1 else label for names, label in zip(years, shares.columns, strict=True)]
    wine = shares.T.groupby(labels).sum().T
    wine = wine.div(wine.sum(axis=1), axis=0)
    part, made_of = np.full(len(judged), np.nan), [""] * len(judged)
    for row, (harvests, year) in enumerate(
        zip(wine.to_dict("records"), CuveeRules(rows.estate).declared[cuvee[judged]], strict=True)
    ):
        known = {harvest: share for harvest, share in harvests.items() if share > TRACE and harvest != UNKNOWN}
        label = year or max(known, key=lambda harvest: known[harvest], default="")
        part[row] = 1.0 - sum(share for harvest, share in known.items() if harvest != label)
        parts = [f"{number_text(round(100 * known[harvest], 2))} % of {harvest}" for harvest in known]
        made_of[row] = f"{label} on the label, {', '.join(parts)}"
    cells, category = rows.cells("tirage", judged, "wine_lot"), list(rows.category[cuvee[judged]])
    yield from named_vintage(rules, rows.days("tirage", judged), part, made_of, cells, category)


def _vintage_wine(rows: _Rows, rules: RuleSet, name: str) -> Iterator[Finding]:
    """Vintage wine of each year against all wine of it, at the last bottling of that vintage."""
    judged = _vintage_rows(rows, name)
    years, part = rows.vintages
    if not len(judged) or not len(years):
        return
    bottled = part[judged] * rows.bottled_l[0][judged, np.newaxis]
    day = days(rows.estate["tirage"]["on_date"])[judged]
    latest = np.where(bottled > TRACE * bottled.sum(axis=1, keepdims=True), day[:, np.newaxis], BLANK_DAY)
    last = judged[latest.argmax(axis=0)]
    cells = rows.cells("tirage", last, "wine_l")
    yield from vintage_share(rules, rows.days("tirage", last), bottled.sum(axis=0), _wine_of(rows.estate, years), cells)


def _wine_of(estate: Estate, years: Floats) -> Floats:
    """Litres of wine of each year: must pressed in it, and must and wine of that vintage bought."""
    pressed, bought = estate["pressings"], estate["deliveries"]
    wine = pressed["fraction"].isin(["first", "second"]).to_numpy()
    made = np.where(wine, np.nan_to_num(pressed["volume_l"].to_numpy()), 0.0)
    of_year = pressed["on_date"].dt.year.to_numpy()
    vintage = harvest_years(bought)
    liquid = bought["what"].isin(["must", "wine", "reserve"]).to_numpy()
    litres = np.where(liquid, bought["quantity"].to_numpy(), 0.0)
    by_vintage = [made[of_year == year].sum() for year in years]
    more = [litres[vintage == year].sum() for year in years]
    return np.array([own + other if own > 0 else 0.0 for own, other in zip(by_vintage, more, strict=True)])


def _disgorgements(rows: _Rows, rules: RuleSet, name: str) -> Iterator[Finding]:
    frame, lot = rows.estate["disgorgements"], rows.lot("disgorgements", "from_lot")
    cuvee = rows.cuvee_of_lot[lot]
    judged = rows.of_set(cuvee, name)
    if not len(judged):
        return
    day, category = rows.days("disgorgements", judged), list(rows.category[cuvee[judged]])
    bottled = as_dates(rows.labels.tirage_day[lot[judged]])
    yield from months_on_lees(rules, bottled, day, rows.cells("disgorgements", judged, "on_date"), category)
    dosage = frame["dosage_g_per_l"].to_numpy()[judged]
    terms = list(frame["sweetness_term"].astype(object).to_numpy()[judged])
    yield from sweetness_terms(rules, day, dosage, terms, rows.cells("disgorgements", judged, "sweetness_term"))


def _dispatches(rows: _Rows, rules: RuleSet, name: str) -> Iterator[Finding]:
    """Bottles sold too early; samples, hospitality, staff and theft are no sale."""
    lot = rows.lot("dispatches", "release_lot")
    cuvee = rows.cuvee_of_lot[lot]
    judged = rows.of_set(cuvee, name)
    judged = judged[(ways_out(rows.estate) == "sale")[judged]]
    if not len(judged):
        return
    bottled = as_dates(rows.labels.tirage_day[lot[judged]])
    cells, category = rows.cells("dispatches", judged, "on_date"), list(rows.category[cuvee[judged]])
    yield from months_to_sale(rules, bottled, rows.days("dispatches", judged), cells, category)


def _formats(rows: _Rows, rules: RuleSet, name: str) -> Iterator[Finding]:
    """Formats that are not on the list, where bottles are filled, decanted or bought in."""
    lots = rows.chain.lots
    for table, column in (("tirage", "to_lot"), ("movements", "to_lot"), ("deliveries", "lot")):
        lot = rows.lot(table, column)
        filled = np.append(lots.unit == BOTTLE, False)[lot] & rows.estate[table]["format"].notna().to_numpy()
        judged = rows.of_set(rows.cuvee_of_lot[lot], name)
        judged = judged[filled[judged]]
        bottle_l = lots.litres_per_unit[lot[judged]]
        yield from nominal_volume(rules, rows.days(table, judged), bottle_l, rows.cells(table, judged, "format"))
