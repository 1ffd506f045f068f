"""Trial blends: what a candidate from lots on hand would cost per bottle, what it is made of, and what it
leaves.

    cost per litre = Σ litres · value per litre / Σ litres
    per bottle at tirage = cost per litre · 0.75 + tirage dry goods and work

Litres are given, or shares of the bottles wanted. Bounds: `at least` and `at most` a share of reserve, of
second (pressing), a vintage, a variety or a village. Values are those of the valuation date on each basis,
and the market values given. A trial changes nothing in the cellar.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.decisions.keeping_costs import dated_rate
from costing.decisions.reserves import in_short
from costing.errors import Finding, nearest
from costing.inputs.estate import Estate
from costing.results.composition import Composition
from costing.results.net_realisable import net_realisable_value
from costing.results.results import Results
from costing.results.stock import open_states, stock_values
from costing.units import STANDARD_BOTTLE_L

TRIALS = {
    "trial": "Trial",
    "cuvee": "Cuvée",
    "litres": "Litres",
    "bottles": "Bottles",
    "book": "Book per bottle at tirage",
    "economic": "Economic per bottle at tirage",
    "market": "At market value per bottle",
    "reserve": "Reserve",
    "second_pressing": "Second pressing",
    "vintages": "Vintages",
    "varieties": "Varieties",
    "villages": "Villages",
    "breached": "Bounds breached",
    "left": "Litres left",
}


def trial_blends(book: Results, economic: Results) -> tuple[pd.DataFrame, list[Finding]]:
    """Every trial side by side (columns of `TRIALS`), and findings for lots that are short or unknown."""
    estate, chain = economic.estate, economic.chain
    lines = estate["trial_blends"]
    state = open_states(economic, chain.valuation_day)
    names = chain.lots.names.to_numpy(dtype=object)[chain.states.lot[state]]
    on_hand = pd.Series(state, index=names)
    mine, theirs = net_realisable_value(book).set_index("lot"), stock_values(economic).set_index("lot")
    mix = Composition(estate, chain)
    mine, theirs = (table[table["unit"] == "L"] for table in (mine, theirs))  # bottles are no wine to blend
    work = tirage_per_bottle(estate, chain.valuation_day)
    named = lines["lot"].astype(object).to_numpy()
    given, parts = lines["litres"].to_numpy(), lines["share"].to_numpy()
    rows, findings = [], []
    for trial in lines["trial"].dropna().unique():
        here = lines[lines["trial"] == trial]
        wanted = here.loc[here["line"] == "bottles", "bottles"]
        size = float(wanted.to_numpy()[0]) * STANDARD_BOTTLE_L if len(wanted) else np.nan
        drawn: dict[str, float] = {}
        for row in np.flatnonzero(((lines["trial"] == trial) & (lines["line"] == "lot")).to_numpy()).tolist():
            lot, litres = str(named[row]), given[row]
            litres = parts[row] * size if np.isnan(litres) else litres
            wrong = _short(estate, row, lot, litres + drawn.get(lot, 0.0), theirs)
            if wrong is not None:
                findings.append(wrong)
            if lot in theirs.index and np.isfinite(litres):
                drawn[lot] = drawn.get(lot, 0.0) + litres
        if drawn:
            rows.append(_one(str(trial), here, drawn, on_hand, mine, theirs, mix, work))
    return pd.DataFrame(rows, columns=list(TRIALS)), findings


def tirage_per_bottle(estate: Estate, today: int) -> float:
    """Dry goods and work of filling one bottle of 75 cl on a day."""
    goods, rates = estate["dry_goods"], estate["operation_rates"]
    at = np.array([today])
    goods = goods[(goods["stage"] == "tirage") & (goods["format"].isna() | (goods["format"] == "bottle"))]
    price = goods["unit_price"].to_numpy() * goods["quantity_per_bottle"].fillna(1.0).to_numpy()
    fits = rates["format"].isna() | (rates["format"] == "bottle")
    rates = rates[(rates["operation"] == "bottling") & (rates["driver"] == "bottle out") & fits]
    work = dated_rate(rates, rates["amount"].to_numpy(), at, today)
    return float((dated_rate(goods, price, at, today) + work)[0])


def _short(estate: Estate, row: int, lot: str, litres: float, stock: pd.DataFrame) -> Finding | None:
    if lot not in stock.index:
        rule = f"is not in stock at the valuation date. {nearest(lot, stock.index)}".strip()
        return Finding(estate.place("trial_blends", row, "lot"), lot, rule, "Choose a lot on hand.")
    held = float(stock["quantity"].to_numpy()[stock.index.get_indexer(pd.Index([lot]))[0]])
    if litres > held * (1 + 1e-9):
        rule = f"is more than lot '{lot}' holds ({held:,.0f})."
        return Finding(
            estate.place("trial_blends", row, "litres"), f"{litres:,.0f}", rule, "Draw less, or another lot."
        )
    return None


def _one(
    trial: str,
    lines: pd.DataFrame,
    drawn: dict[str, float],
    on_hand: pd.Series,
    book: pd.DataFrame,
    economic: pd.DataFrame,
    mix: Composition,
    work: float,
) -> dict[str, object]:
    lots, litres = list(drawn), np.array(list(drawn.values()))
    left = economic["quantity"][lots].to_numpy() - litres
    total = float(litres.sum())
    part = litres / total
    states = on_hand[lots].to_numpy(dtype=np.int64)
    shares = {by: pd.DataFrame([part @ mix.shares(states, by)]).T for by in ("vintage", "variety", "village")}
    shares = {by: table.set_axis(mix.shares(states, by).columns, axis=0).T for by, table in shares.items()}
    known = {"reserve": float(part @ mix.reserve[states]), "second": float(part @ mix.second_pressing[states])}
    for table in shares.values():
        known |= {str(name): float(share) for name, share in table.iloc[0].items()}
    cuvee = lines["cuvee"].dropna()

    def per_bottle(values: pd.Series) -> float:
        return float(part @ values[lots].to_numpy(dtype=float)) * STANDARD_BOTTLE_L + work

    return {
        "trial": trial,
        "cuvee": str(cuvee.iloc[0]) if len(cuvee) else "",
        "litres": total,
        "bottles": np.floor(total / STANDARD_BOTTLE_L),
        "book": per_bottle(book["value_per_unit"]),
        "economic": per_bottle(economic["value_per_unit"]),
        "market": per_bottle(book["market_per_unit"]),
        "reserve": known["reserve"],
        "second_pressing": known["second"],
        "vintages": in_short(shares["vintage"])[0],
        "varieties": in_short(shares["variety"])[0],
        "villages": in_short(shares["village"])[0],
        "breached": "; ".join(_breached(lines, known)) or "none",
        "left": "; ".join(f"{lot} {rest:,.0f}" for lot, rest in zip(lots, left, strict=True) if rest > 0.5),
    }


def _breached(lines: pd.DataFrame, known: dict[str, float]) -> list[str]:
    """Bounds of a trial that its composition does not keep."""
    said = []
    for bound, name, share in lines.loc[
        lines["line"].isin(["at least", "at most"]), ["line", "lot", "share"]
    ].itertuples(index=False, name=None):
        have = known.get(str(name), 0.0)
        if (bound == "at least" and have < share - 1e-9) or (bound == "at most" and have > share + 1e-9):
            said.append(f"{name} {have:.1%}, {bound} {share:.1%}")
    return said
