"""One basis to another, line by line: one choice of the basis is replaced at a time and the run repeated.

The order is fixed: what is expensed, storage window, abnormal losses and gains, own grapes, by-product,
split, price level, capital. Lines add up exactly to the difference; another order would give other lines, so
the order is said beside them.
"""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from costing.inputs.basis import Basis
from costing.results.origins import release_states
from costing.results.results import Results

STEPS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("Elements expensed", ("expensed_elements",)),
    ("Storage counted as production", ("storage_stages",)),
    ("Abnormal losses and gains", ("abnormal_loss", "abnormal_gains")),
    ("Own grapes", ("own_grapes",)),
    ("By-product", ("by_product",)),
    ("Split of press loads", ("split_method",)),
    ("Price level", ("replacement",)),
    ("Capital", ("capital", "rate", "capital_stages")),
)
"""Lines of a bridge and the choices that each of them replaces."""


def bridge(runs: Callable[[Basis], Results], start: Basis, end: Basis, lot: str) -> pd.DataFrame:
    """Cost of a release (or a lot on hand) from one basis to another: line, amount, per bottle or litre.

    runs: function from a basis to the results of the same estate, `lambda basis: run(estate, basis, chain)`.
    """
    basis = start
    results = runs(basis)
    states = release_states(results, lot)
    quantity = float(results.chain.states.quantity[states].sum())
    value = first = float(results.total[states].sum())
    lines = [(f"Cost on basis {start.name}", first)]
    for name, choices in STEPS:
        changed = {choice: getattr(end, choice) for choice in choices}
        if all(getattr(basis, choice) == wanted for choice, wanted in changed.items()):
            continue
        basis = basis.replace(**changed)
        after = float(runs(basis).total[states].sum())
        if abs(after - value) > 1e-9 * max(1.0, abs(first)):
            lines.append((name, after - value))
            value = after
    lines.append((f"Cost on basis {end.name}", value))
    frame = pd.DataFrame(lines, columns=["line", "amount"])
    frame["per_unit"] = frame["amount"] / quantity
    return frame
