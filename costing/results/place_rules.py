"""The rules of place applied to the estate's own rows: cautions with the cell, never errors.

The rule set is that of the cuvée, or else of the settings; rows of one rule set are judged together. Rules:
`costing.results.appellation`; the figures and their sources: `costing.inputs.appellations`.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from costing.errors import Finding
from costing.graph.arrays import BLANK_DAY, Flow, codes, days
from costing.inputs.appellations import RuleSet, rule_set
from costing.inputs.estate import Estate
from costing.results.appellation import (
    earliest_tirage,
    months_on_lees,
    months_to_sale,
    nominal_volume,
    press_yield,
    pressure_caution,
    sweetness_terms,
    tirage_alcohol_gain,
)
from costing.results.composition import Composition
from costing.results.lots import as_dates, lot_labels
from costing.results.results import Results


def place_cautions(results: Results) -> list[Finding]:
    """Cautions of all rules of place, and of tirage sugar, over the whole estate."""
    estate = results.estate
    found = list(_pressures(estate))
    usual = estate.settings.rule_set
    if usual:
        found += _presses(estate, rule_set(usual))
    for name, cuvees in _rule_sets(estate).items():
        rules = rule_set(name)
        found += _tirages(results, rules, cuvees)
        found += _disgorgements(results, rules, cuvees)
        found += _sales(results, rules, cuvees)
    return found


def _rule_sets(estate: Estate) -> dict[str, list[str]]:
    """Cuvées of each rule set."""
    frame = estate["cuvees"]
    usual = estate.settings.rule_set
    sets: dict[str, list[str]] = {}
    for cuvee, named in zip(frame["cuvee"], frame["rule_set"], strict=True):
        name = usual if pd.isna(named) else str(named)
        if name:
            sets.setdefault(name, []).append(str(cuvee))
    return sets


def _category(estate: Estate, cuvees: np.ndarray) -> list[object]:
    of = estate["cuvees"].drop_duplicates("cuvee").set_index("cuvee")["category"].astype(object)
    return list(of.reindex(cuvees).fillna(""))


def _places(estate: Estate, table: str, rows: np.ndarray, column: str) -> list[str]:
    return [estate.place(table, int(row), column) for row in rows]


def _pressures(estate: Estate) -> Iterator[Finding]:
    sugar = estate["tirage"]["sugar_g_per_l"].to_numpy()
    rows = np.flatnonzero(~np.isnan(sugar))
    yield from pressure_caution(sugar[rows], _places(estate, "tirage", rows, "sugar_g_per_l"))


def _presses(estate: Estate, rules: RuleSet) -> Iterator[Finding]:
    frame = estate["pressings"]
    loads = frame["load"].cat.categories
    load = codes(frame["load"], loads)
    wine = frame["fraction"].isin(["first", "second"]).to_numpy()
    weight = np.bincount(load, np.nan_to_num(frame["weight_kg"].to_numpy()), len(loads)) if len(frame) else np.zeros(0)
    volume = np.bincount(load, np.where(wine, np.nan_to_num(frame["volume_l"].to_numpy()), 0.0), len(loads))
    used, first = np.unique(load, return_index=True)
    day = as_dates(days(frame["on_date"])[first])
    yield from press_yield(
        rules, day, weight[used], volume[used], _places(estate, "pressings", first, "volume_l"), settled=False
    )


def _tirages(results: Results, rules: RuleSet, cuvees: list[str]) -> Iterator[Finding]:
    estate, chain = results.estate, results.chain
    frame = estate["tirage"]
    rows = np.flatnonzero(frame["cuvee"].isin(cuvees).to_numpy())
    if not len(rows):
        return
    day = as_dates(days(frame["on_date"])[rows])
    category = _category(estate, frame["cuvee"].astype(object).to_numpy()[rows])
    flow = np.flatnonzero(chain.flows.kind == Flow.TIRAGE)[rows]
    state = chain.states.batch_state[chain.flows.batch[flow]]
    vintages = Composition(estate, chain).shares(state, "vintage")
    years = pd.to_numeric(pd.Series(vintages.columns), errors="coerce").to_numpy(dtype=float)
    present = np.where(vintages.to_numpy() > 0.001, years, np.nan)
    youngest = np.where(np.isnan(present).all(axis=1), np.nan, np.fmax.reduce(present, axis=1))
    places = _places(estate, "tirage", rows, "on_date")
    yield from earliest_tirage(rules, day, youngest, places, category)
    sugar = frame["sugar_g_per_l"].to_numpy()[rows]
    yield from tirage_alcohol_gain(rules, day, sugar, _places(estate, "tirage", rows, "sugar_g_per_l"))
    bottle_l = chain.lots.litres_per_unit[chain.flows.target[flow]]
    yield from nominal_volume(rules, day, bottle_l, _places(estate, "tirage", rows, "format"))


def _disgorgements(results: Results, rules: RuleSet, cuvees: list[str]) -> Iterator[Finding]:
    estate, chain = results.estate, results.chain
    frame = estate["disgorgements"]
    labels = lot_labels(estate, chain)
    lot = codes(frame["from_lot"], chain.lots.names)
    rows = np.flatnonzero(np.isin(labels.cuvee[lot], cuvees))
    day = as_dates(days(frame["on_date"])[rows])
    category = _category(estate, labels.cuvee[lot[rows]])
    tirage = as_dates(labels.tirage_day[lot[rows]])
    yield from months_on_lees(rules, tirage, day, _places(estate, "disgorgements", rows, "on_date"), category)
    dosage = frame["dosage_g_per_l"].to_numpy()[rows]
    terms = frame["sweetness_term"].astype(object).to_numpy()[rows]
    yield from sweetness_terms(
        rules, day, dosage, terms.tolist(), _places(estate, "disgorgements", rows, "sweetness_term")
    )


def _sales(results: Results, rules: RuleSet, cuvees: list[str]) -> Iterator[Finding]:
    estate, chain = results.estate, results.chain
    frame = estate["dispatches"]
    labels = lot_labels(estate, chain)
    lot = codes(frame["release_lot"], chain.lots.names)
    ways = estate["channels"].drop_duplicates("channel", keep="last").set_index("channel")["way_out"].astype(object)
    sold = (ways.reindex(frame["channel"].astype(object)).fillna("sale") == "sale").to_numpy()
    rows = np.flatnonzero(np.isin(labels.cuvee[lot], cuvees) & sold & (labels.tirage_day[lot] != BLANK_DAY))
    category = _category(estate, labels.cuvee[lot[rows]])
    yield from months_to_sale(
        rules,
        as_dates(labels.tirage_day[lot[rows]]),
        as_dates(days(frame["on_date"])[rows]),
        _places(estate, "dispatches", rows, "on_date"),
        category,
    )
