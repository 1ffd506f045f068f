"""What a cuvée is made of and nothing else: the column `Only from` of Cuvées, as pairs of attribute and value."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
import pandas as pd

from costing.errors import CAUTION, nearest
from costing.inputs.estate import Estate
from costing.inputs.rows import Breach, Rows, rule_of

BOUND_BY = ("vineyard", "village", "variety", "colour")
PAIRS = re.compile(r"\s*[,;]\s*(?=[^=,;]+=)")
"""What stands between two pairs of `column=value`."""


def bounds_of(text: Any) -> list[tuple[str, str]]:
    """Attribute and value of every pair of a cell of `Only from`; none of a blank one."""
    cell = text.strip() if isinstance(text, str) else ""
    pairs = [pair.partition("=") for pair in PAIRS.split(cell)] if cell else []
    return [(attribute.strip().casefold(), value.strip()) for attribute, _, value in pairs]


def against_bounds(estate: Estate, cuvee: Any, given: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Attribute and value of every bound of a cuvée that what is given contradicts; what is blank contradicts none."""
    table = estate["cuvees"]
    only_from = table.loc[table["cuvee"].astype(object) == cuvee, "only_from"]
    known = {key: str(value) for key, value in given.items() if value and not pd.isna(value)}
    return [pair for text in only_from.tail(1) for pair in bounds_of(text) if known.get(pair[0], pair[1]) != pair[1]]


@rule_of("cuvees")
def known_bounds(cuvees: Rows) -> Iterator[Breach]:
    """Yield bounds of cuvées by something that wine is not told apart by, and cautions on values that no wine has."""
    for row in np.flatnonzero(cuvees.given("only_from")).tolist():
        for attribute, value in bounds_of(cuvees["only_from"].iloc[row]):
            if attribute not in BOUND_BY or not value:
                rule = f"asks for '{attribute}': a cuvée is bound by {', '.join(BOUND_BY)}, as in village=Amblencourt."
                yield [row], "only_from", rule, nearest(attribute, BOUND_BY) or "Correct it."
            elif value not in (known := _values_of_wine(cuvees, attribute)):
                rule = f"names the {attribute} '{value}', which no wine comes from: nothing may join."
                yield [row], "only_from", rule, nearest(value, known) or "Correct it, or enter its deliveries.", CAUTION


def _values_of_wine(cuvees: Rows, attribute: str) -> set[str]:
    """Every value that an attribute has in some wine of the estate."""
    mixed, sheets = cuvees.of("opening_composition").frame, (cuvees.of("deliveries"), cuvees.of("opening_stock"))
    known = {name for rows in sheets if attribute in rows.frame for name in rows.first_rows(attribute)}
    known |= set(mixed.loc[mixed["attribute"] == attribute, "name"].astype(str))
    return known | ({"white", "red"} if attribute == "colour" else set())
