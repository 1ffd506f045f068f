"""The smallest estate that sells: one bottling, disgorged whole three years later, nothing lost."""

from __future__ import annotations

import pandas as pd


def one_bottling() -> dict[str, pd.DataFrame]:
    """1,000 bottles filled with wine for 9,000 on 1 March 2022, disgorged 1 March 2025."""
    return {
        "interest_rates": pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [8]}),
        "deliveries": pd.DataFrame(
            {"Date": ["2022-03-01"], "Lot": ["W"], "What": ["wine"], "Supplier": ["M"], "Quantity": [750],
             "Unit": ["L"], "Price per unit": [12]}
        ),
        "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
        "tirage": pd.DataFrame(
            {"Date": ["2022-03-01"], "Cuvée": ["Brut"], "Bottle lot": ["T"], "Wine lot": ["W"], "Wine (L)": [750],
             "Format": ["bottle"], "Bottles (bottles)": [1000]}
        ),
        "disgorgements": pd.DataFrame(
            {"Date": ["2025-03-01"], "Release lot": ["D"], "From lot": ["T"], "Bottles in (bottles)": [1000],
             "Bottles out (bottles)": [1000]}
        ),
        "channels": pd.DataFrame({"Channel": ["Trade"]}),
    }  # fmt: skip
