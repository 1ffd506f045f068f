"""Vats in January: every vat, reserve and blend on hand, what it is worth and what keeping it a year costs.

    cost of a year = storage at mid-year + economic value · (g − 1),  g = growth of money over the year
    worth keeping at = (market value · g + storage) / (1 − yearly loss):  below that price in a year, sell now
    gain if sold = (market − economic value) · litres

Where no market value is given its columns are blank. What a vat does to a blend that it could join:
`costing.decisions.blending`.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from costing.decisions.keeping_costs import dated_rate
from costing.graph.arrays import Floats
from costing.inputs.basis import ECONOMIC
from costing.inputs.estate import Estate
from costing.money.charges import capital_curve
from costing.results.composition import Composition
from costing.results.net_realisable import net_realisable_value
from costing.results.results import Results
from costing.results.stock import open_states, stock_values

JANUARY = {
    "lot": "Lot",
    "kind": "Kind",
    "litres": "Litres",
    "book_per_l": "Book per litre",
    "economic_per_l": "Economic per litre",
    "market_per_l": "Market per litre",
    "year_per_l": "Cost of a year per litre",
    "worth_keeping_at": "Worth keeping at, per litre",
    "gain_if_sold": "Gain if sold now",
    "reserve": "Reserve",
    "second_pressing": "Second pressing",
    "vintages": "Vintages",
    "varieties": "Varieties",
}
YEAR_DAYS = 365


def january_table(book: Results, economic: Results) -> pd.DataFrame:
    """Every lot of must, wine, reserve and blend at the valuation date (columns of `JANUARY`)."""
    chain, estate = economic.chain, economic.estate
    today = np.int64(chain.valuation_day)
    mine, theirs = net_realisable_value(book), stock_values(economic)
    mine, theirs = (table[table["unit"] == "L"].set_index("lot") for table in (mine, theirs))
    if not len(theirs):
        return pd.DataFrame(columns=list(JANUARY))
    state = open_states(economic, chain.valuation_day)
    at = pd.Series(state, index=chain.lots.names.to_numpy(dtype=object)[chain.states.lot[state]])[
        theirs.index
    ].to_numpy()
    litres, full = theirs["quantity"].to_numpy(), theirs["value_per_unit"].to_numpy()
    market = mine["market_per_unit"][theirs.index].to_numpy(dtype=float)
    curve = capital_curve(estate, ECONOMIC)
    growth = float(curve.growth(today, today + YEAR_DAYS)) if curve is not None else 1.0
    stage = theirs["stage"].to_numpy(dtype=object)
    storage = np.array([storage_per_litre_year(estate, str(one), int(today)) for one in stage])
    norms = estate["loss_norms"]
    yearly = dict(
        norms.loc[norms["time_base"] == "per year", ["applies_to", "percent"]].itertuples(index=False, name=None)
    )
    loss = np.array([float(yearly.get(one, 0.0)) for one in stage])
    at_year_end = storage * np.sqrt(growth)  # evenly paid storage is worth about its amount at mid-year
    mix = Composition(estate, chain)
    return pd.DataFrame(
        {
            "lot": theirs.index.to_numpy(dtype=object),
            "kind": theirs["kind"].to_numpy(dtype=object),
            "litres": litres,
            "book_per_l": mine["value_per_unit"][theirs.index].to_numpy(),
            "economic_per_l": full,
            "market_per_l": market,
            "year_per_l": at_year_end + full * (growth - 1.0),
            "worth_keeping_at": (market * growth + at_year_end) / (1.0 - loss),
            "gain_if_sold": (market - full) * litres,
            "reserve": mix.reserve[at],
            "second_pressing": mix.second_pressing[at],
            "vintages": in_short(mix.shares(at, "vintage")),
            "varieties": in_short(mix.shares(at, "variety")),
        }
    )


def storage_per_litre_year(estate: Estate, stage: str, today: int) -> float:
    """What a litre-year costs in a stage on a day."""
    rates = estate["operation_rates"]
    held = rates["stage"].isna() | (rates["stage"] == stage)
    rates = rates[(rates["driver"] == "litre-year") & held]
    found: Floats = dated_rate(rates, rates["amount"].to_numpy(), np.array([today]), today)
    return float(found[0])


def in_short(shares: pd.DataFrame) -> list[str]:
    """Names with their share, largest first, those under 5 % left out."""
    said = []
    for _, row in shares.iterrows():
        large = row[row >= 0.05].sort_values(ascending=False)
        said.append(", ".join(f"{name} {share:.0%}" for name, share in large.items()))
    return said
