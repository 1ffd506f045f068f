"""What a cuvée is made of and nothing else: the column `Only from` of Cuvées, as pairs of attribute and value."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from costing.errors import CAUTION, Finding, nearest
from costing.inputs.estate import Estate
from costing.inputs.row_findings import each

BOUND_BY = ("vineyard", "village", "variety", "colour")
_PAIRS = re.compile(r"\s*[,;]\s*(?=[^=,;]+=)")


def bounds_of(text: Any) -> list[tuple[str, str]]:
    """Attribute and value of every pair of a cell; none of a blank one."""
    said = "" if pd.isna(text) else str(text).strip()
    found = []
    for pair in _PAIRS.split(said) if said else []:
        key, _, value = pair.partition("=")
        found.append((key.strip().casefold(), value.strip()))
    return found


def against_bounds(estate: Estate, cuvee: Any, given: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Attribute and value of every bound of a cuvée that what is given contradicts; what is blank contradicts none."""
    table = estate["cuvees"]
    mine = table.loc[table["cuvee"].astype(object) == cuvee, "only_from"]
    said = {key: str(value) for key, value in given.items() if value and not pd.isna(value)}
    return [pair for text in mine.tail(1) for pair in bounds_of(text) if said.get(pair[0], pair[1]) != pair[1]]


def known_bounds(estate: Estate) -> Iterator[Finding]:
    """Yield bounds of cuvées by something that wine is not told apart by, and cautions on values that no wine has."""
    table = estate["cuvees"]
    for row in np.flatnonzero(table["only_from"].notna().to_numpy()).tolist():
        for key, value in bounds_of(table["only_from"].iloc[row]):
            if key not in BOUND_BY or not value:
                rule = f"asks for '{key}': a cuvée is bound by {', '.join(BOUND_BY)}, as in village=Amblencourt."
                yield from each(estate, "cuvees", [row], "only_from", rule, nearest(key, BOUND_BY) or "Correct it.")
                continue
            sheets = [estate[name] for name in ("deliveries", "opening_stock") if key in estate[name].columns]
            known = {str(one) for sheet in sheets for one in sheet[key].dropna().unique()}
            mixed = estate["opening_composition"]
            known |= set(mixed.loc[mixed["attribute"] == key, "name"].astype(str))
            known |= {"white", "red"} if key == "colour" else set()
            if value not in known:
                rule = f"names the {key} '{value}', which no wine comes from: nothing may join."
                remedy = nearest(value, known) or "Correct it, or enter its deliveries."
                yield from each(estate, "cuvees", [row], "only_from", rule, remedy, CAUTION)


BOUND_CHECKS: tuple[Callable[[Estate], Iterator[Finding]], ...] = (known_bounds,)
