"""Two releases of one cuvée in one estate, in six lines that add up to the cent: why this year's bottle costs what it
does.

    grapes per bottle = price per kg × kg per litre of must × litres entered per bottle × part of them pressed here

    price    change of the price per kg, all else as in the first release
    yield    change of kg per litre of must, at the second's price
    loss     change of litres entered per bottle (must, and wine from elsewhere), at the second's price and kg
    rates    work, dry goods, pools, single costs, less by-products
    timing   capital, and storage charged by time
    plan     the blend: change of the part pressed here, and money for wine that was not: on hand when the records
             begin, must and wine bought

Kilograms and litres follow the cost: a press load gives each fraction the kilograms of its share of the load's cost, so
that price times kilograms is what the grapes cost.

What it does not do: two estates (`decisions.changes.why`), or rows behind a line (the origins of both releases).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from costing.array_types import Floats
from costing.decisions.changes.families import FAMILIES
from costing.decisions.changes.figures import release_named
from costing.graph.arrays import KG, Flow
from costing.money.postings import TABLE_NAMES
from costing.results.costs import releases
from costing.results.origins import origins, release_states
from costing.results.results import Results
from costing.results.rounding import largest_remainder

TOTAL = "cost per bottle"
_COLUMNS = ["what_moved", "unit", "figure_before", "figure_after", "change_per_bottle", "behind_it"]


@dataclass(frozen=True)
class Bottle:
    """What one bottle of a release is made of, in money and quantities.

    price: per kg; kg_per_l: of must; entered_l: must and wine from elsewhere per bottle; pressed: part of them pressed
    here; work, time, wine: money per bottle; months: on lees; cost: per bottle.
    """

    price: float
    kg_per_l: float
    entered_l: float
    pressed: float
    work: float
    time: float
    wine: float
    months: float
    cost: float

    @property
    def grapes(self) -> float:
        """Money for grapes per bottle."""
        return self.price * self.kg_per_l * self.entered_l * self.pressed


def bottle_of(results: Results, what: str) -> Bottle:
    """Make-up of a bottle of a release, or of the latest release made of a cuvée."""
    release = release_named(results, what)
    lot, bottles = str(release["release"]), float(release["bottles"])
    lines = origins(results, lot)
    grapes = lines["element"].isin(["grapes"]) & lines["sheet"].str.startswith(("Deliveries", "Grape prices"))
    bought = lines["sheet"].str.startswith(("Deliveries", "Grape prices", "Opening costs")) & ~grapes
    by_time = _by_time(results, lines)
    own, capital = lines["own"].to_numpy(), lines["capital"].to_numpy()
    kilograms, litres, elsewhere = _behind(results, lot)
    paid = float(own[grapes].sum())
    usable = kilograms > 0 and litres > 0
    wine = float(own[bought].sum()) + (0.0 if usable else paid)
    time = float(own[by_time].sum() + capital.sum())
    work = float(own.sum()) - paid - float(own[bought].sum()) - float(own[by_time].sum())
    return Bottle(
        paid / kilograms if usable else 0.0,
        kilograms / litres if usable else 0.0,
        (litres + elsewhere) / bottles,
        litres / (litres + elsewhere) if usable else 0.0,
        work / bottles,
        time / bottles,
        wine / bottles,
        float(release["months_on_lees"]),
        float(release["total"]) / bottles,
    )


def _by_time(results: Results, lines: pd.DataFrame) -> np.ndarray:
    """Whether each origin is a charge for time."""
    places = set()
    for part in results.charges.accrued:
        table = TABLE_NAMES[part.charge.table]
        places |= {results.estate.place(table, int(row), "amount") for row in part.charge.rows}
    return lines["place"].isin(places).to_numpy()


def _behind(results: Results, lot: str) -> tuple[float, float, float]:
    """Kilograms of grapes, litres of must and litres bought behind a release, by the part of their cost in it."""
    chain = results.chain
    flows, states = chain.flows, chain.states
    chosen = np.zeros(len(states))
    chosen[release_states(results, lot)] = 1.0
    reaches = results.solution.plain.backward(chosen)
    received = np.isin(flows.kind, (Flow.OPENING, Flow.DELIVERY))
    grapes = np.append(chain.lots.unit, -1)[flows.target] == KG
    per_unit = np.append(np.nan_to_num(chain.lots.litres_per_unit), 0.0)[flows.target]

    def reached(which: np.ndarray, units: Floats | float = 1.0) -> float:
        return float((flows.into * units * reaches[chain.target_state])[which].sum())

    pressed = (flows.kind == Flow.PRESS_OUT) & (flows.target >= 0)
    return reached(received & grapes), reached(pressed), reached(received & ~grapes, per_unit)


def between_releases(results: Results, first: str, second: str) -> pd.DataFrame:
    """Six lines from the cost per bottle of one release to that of another (`_COLUMNS`), with both totals.

    first, second: release lots or cuvées. Amounts are rounded to the cent and add up to the difference of both costs
    in cents.
    """
    was, now = bottle_of(results, first), bottle_of(results, second)
    change = [
        (now.price - was.price) * was.kg_per_l * was.entered_l * was.pressed,
        now.price * (now.kg_per_l - was.kg_per_l) * was.entered_l * was.pressed,
        now.price * now.kg_per_l * (now.entered_l - was.entered_l) * was.pressed,
        now.work - was.work,
        now.time - was.time,
        now.wine - was.wine + now.price * now.kg_per_l * now.entered_l * (now.pressed - was.pressed),
    ]
    says = (
        "price of grapes per kg",
        "kg of grapes per litre of must",
        "litres of must and wine that entered, per bottle",
        "work, dry goods, pools and single costs per bottle",
        f"capital and storage per bottle; {was.months:.0f} and {now.months:.0f} months on lees",
        f"wine not pressed here, per bottle; {was.pressed:.0%} and {now.pressed:.0%} was pressed here",
    )
    sides = (
        (getattr(was, name), getattr(now, name)) for name in ("price", "kg_per_l", "entered_l", "work", "time", "wine")
    )
    money = results.estate.settings.currency
    a_bottle = f"{money} a bottle"
    units = (f"{money} a kg", "kg a litre", "litres a bottle", a_bottle, a_bottle, a_bottle)
    moved = round(now.cost, 2) - round(was.cost, 2)  # both costs are printed in cents: the effects lead from one to it
    rounded = largest_remainder(np.array(change), 2, moved)
    lines = [
        (family, unit, before, after, amount, text)
        for family, unit, (before, after), amount, text in zip(FAMILIES, units, sides, rounded, says, strict=True)
    ]
    total = (TOTAL, a_bottle, was.cost, now.cost, float(np.round(rounded.sum(), 2)), "")
    return pd.DataFrame([*lines, total], columns=_COLUMNS)


def pairs_of_years(results: Results) -> list[tuple[str, str, str]]:
    """Cuvée, last release of the year before, latest release made, for every cuvée in bottles that has both."""
    frame = releases(results)
    frame = frame[~frame["planned"] & (frame["format"].astype(str) == "bottle")]
    pairs = []
    for cuvee, made in frame.groupby(frame["cuvee"].astype(str), sort=True):
        year = made["disgorged"].dt.year
        before = made[year < year.iloc[-1]]
        if len(before):
            pairs.append((str(cuvee), str(before["release"].iloc[-1]), str(made["release"].iloc[-1])))
    return pairs
