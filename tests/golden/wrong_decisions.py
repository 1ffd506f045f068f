"""Rows that the sheets take and a decision can't: shares, offers, figures to change and to doubt."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from costing.inputs.estate import Estate, Sources, as_table
from costing.inputs.raw import column_letter
from costing.inputs.schema import sheets

Row = dict[str, Any]
_PRICE: Row = {"sheet": "Grape prices", "column": "Price per kg", "how": "multiply"}


def _doubt(name: str, kind: str, *parameters: float, **more: Any) -> Row:
    names = ("first_parameter", "second_parameter", "third_parameter")
    return {"name": name, **_PRICE, "distribution": kind, **dict(zip(names, parameters, strict=False)), **more}


UNCERTAINTY: list[Row] = [
    _doubt("certain", "normal", 1, 0),
    _doubt("below", "normal", 1, -0.1),
    _doubt("wide", "lognormal", 1, 10),
    _doubt("too wide", "lognormal", 1, 10.1),
    _doubt("no median", "lognormal", 0, 0.1),
    _doubt("point", "uniform", 1, 1),
    _doubt("range", "uniform", 0.9, 1.1),
    _doubt("range", "uniform", 0.9, 1.1),
    _doubt("no third", "triangular", 0.9, 1),
    _doubt("all one", "triangular", 1, 1, 1),
    _doubt("at the low end", "triangular", 1, 1, 1.1),
    _doubt("outside", "triangular", 1, 0.9, 1.1),
    _doubt("above", "triangular", 0.9, 1.2, 1.1),
    _doubt("beyond", "normal", 0, 50, sheet="Loss norms", column="Norm", how="add"),
    _doubt("no sheet", "normal", 1, 0.1, sheet="Movments"),
    _doubt("no figures", "normal", 1, 0.1, sheet="Links"),
    _doubt("no column", "normal", 1, 0.1, column="Price"),
    _doubt("words", "normal", 1, 0.1, sheet="Movements", column="Operation"),
    _doubt("no row", "normal", 1, 0.1, sheet="Movements", column="Out (L)", where="Operation=flying"),
    _doubt("no pair", "normal", 1, 0.1, sheet="Movements", column="Out (L)", where="Operation"),
    _doubt("blank", "normal", 1, 0.1, sheet="Movements", column="Proceeds", where="Operation=racking"),
    _doubt("tied", "normal", 1, 0.1, correlated_with="ring", correlation=0.99),
    _doubt("tied too", "normal", 1, 0.1, correlated_with="ring", correlation=-0.99),
    _doubt("ring", "normal", 1, 0.1, correlated_with="tied", correlation=0.5),
    _doubt("to itself", "normal", 1, 0.1, correlated_with="to itself", correlation=0.5),
    _doubt("to nobody", "normal", 1, 0.1, correlated_with="rinng", correlation=0.5),
]
SCENARIOS: list[Row] = [
    {"scenario": "a", "sheet": "Movments", "column": "Out (L)", "how": "multiply", "value": 1.1},
    {"scenario": "a", "sheet": "Movements", "column": "Outt", "how": "multiply", "value": 1.1},
    {"scenario": "b", "sheet": "Movements", "column": "Out (L)", "where": "Operation=flying", "how": "set", "value": 2},
    {"scenario": "c", "sheet": "Tirage", "column": "Bottles", "how": "multiply", "value": -1},
    {"scenario": "d", "sheet": "Loss norms", "column": "Norm", "how": "add", "value": 200},
    {"scenario": "e", "sheet": "Grape prices", "column": "Price per kg", "how": "multiply", "value": 1.1},
    {"scenario": "f", "sheet": "Tirage", "column": "Bottles", "how": "multiply", "value": 1.5},
]
TRIALS: list[Row] = [
    {"trial": "no bottles", "line": "lot", "cuvee": "Brut", "lot": "V25-09", "share": 0.5},
    {"trial": "unknown", "line": "lot", "cuvee": "Brut", "lot": "V25-99", "litres": 100},
    {"trial": "too much", "line": "lot", "cuvee": "Brut", "lot": "V25-09", "litres": 1e6},
    {"trial": "not all", "line": "bottles", "cuvee": "Brut", "bottles": 1000},
    {"trial": "not all", "line": "lot", "cuvee": "Brut", "lot": "V25-09", "share": 0.4},
    {"trial": "not all", "line": "lot", "cuvee": "Brut", "lot": "V25-12", "share": 0.4},
    {"trial": "just all", "line": "bottles", "cuvee": "Brut", "bottles": 1000},
    {"trial": "just all", "line": "lot", "cuvee": "Brut", "lot": "V25-09", "share": 0.6},
    {"trial": "just all", "line": "lot", "cuvee": "Brut", "lot": "V25-12", "share": 0.4},
]
CHEAPEST: list[Row] = [
    {"trial": "too many", "line": "bottles", "cuvee": "Brut", "bottles": 1e6},
    {"trial": "bound", "line": "bottles", "cuvee": "Brut", "bottles": 3000},
    {"trial": "bound", "line": "at least", "cuvee": "Brut", "lot": "Meunier", "share": 0.6},
    {"trial": "bound", "line": "at most", "cuvee": "Brut", "lot": "2025", "share": 0.8},
    {"trial": "never", "line": "bottles", "cuvee": "Brut", "bottles": 3000},
    {"trial": "never", "line": "at most", "cuvee": "Brut", "lot": "2025", "share": 0.1},
    {"trial": "never", "line": "at least", "cuvee": "Brut", "lot": "2025", "share": 0.9},
]


def _offer(name: str, deal: str, day: str, what: str, price: float, quantity: float, **more: Any) -> Row:
    unit = "L" if what in ("wine", "must") else "bottles"
    given = {"partner": "Tuilerie farm", "what": what, "fraction": "first", "unit": unit, "other_cost_per_unit": 0.1}
    return {
        **{"offer": name, "deal": deal, "on_date": pd.Timestamp(day), "price_per_unit": price, "quantity": quantity},
        **given,
        **more,
    }


OFFERS: list[Row] = [
    _offer("too early", "buy", "2025-02-16", "wine", 12.0, 1000, cuvee="Brut"),
    _offer("too late", "buy", "2045-02-16", "wine", 12.0, 1000, cuvee="Brut"),
    _offer("after the springs", "buy", "2029-12-16", "wine", 12.0, 1000, cuvee="Brut"),
    _offer("no price", "buy", "2026-03-16", "on lees", 9.0, 500, cuvee="Seconde", format="jeroboam"),
    _offer("more than there is", "sell", "2026-03-16", "on lees", 15.0, 1e6, lot="T24-ROSE"),
    _offer("no age", "sell", "2026-03-16", "on lees", 15.0, 10, lot="V25-09"),
    _offer("no origin", "buy", "2026-02-16", "wine", 9.0, 500, cuvee="Terrasses"),
]
BOTTLES_OFFERED: list[Row] = [
    _offer("on lees", "buy", "2026-03-16", "on lees", 9.0, 500, cuvee="Brut", format="bottle",
           tirage_date=pd.Timestamp("2024-04-01"), village="Praysson", variety="Meunier", vintage="2023"),
    _offer("finished", "buy", "2026-03-16", "finished", 11.0, 300, cuvee="Brut", format="bottle",
           tirage_date=pd.Timestamp("2023-04-01"), village="Praysson", variety="Meunier", vintage="2022"),
    _offer("rosé wanted", "sell", "2026-03-10", "on lees", 30.0, 2500, lot="T24-ROSE"),
    _offer("rosé wanted too", "sell", "2026-03-10", "on lees", 31.0, 4000, lot="T24-ROSE"),
]  # fmt: skip
SPRINGS: list[Row] = [
    {"what": "tirage", "cuvee": "Brut", "format": "bottle", "least": 20_000.0, "most": 30_000.0},
    {"what": "tirage", "cuvee": "Rosé", "format": "bottle", "most": 2_000.0},
    {"what": "tirage", "cuvee": "Terrasses", "format": "bottle", "least": 3_000.0},
]


def with_rows(estate: Estate, **rows: list[Row]) -> Estate:
    """The estate with these rows on some sheets, in place of theirs."""
    tables, sources = dict(estate.tables), dict(estate.sources)
    for name, given in rows.items():
        tables[name] = as_table(name, pd.DataFrame(given))
        letters = {column: column_letter(place) for place, column in enumerate(tables[name].columns)}
        titles = np.full(len(given), sheets()[name].title, dtype=object)
        sources[name] = Sources(titles, np.arange(2, len(given) + 2), letters)
    return replace(estate, tables=tables, sources=sources)
