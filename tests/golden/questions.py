"""What is asked of estates whose whole answers are kept (`as_kept`): questions, and the estates that each is put to."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import pandas as pd

from costing import read_estate
from costing.accounts.amounts_charged import charged
from costing.accounts.check import finding_table, run_check
from costing.accounts.costs import costs
from costing.accounts.origins import made_of_latest, origins_of, origins_of_latest
from costing.accounts.over_time import over_time
from costing.accounts.services import services
from costing.accounts.stock import stock
from costing.answers.answer import Answer
from costing.decisions.cautions import cautions_of
from costing.decisions.changes.sensitivity import derivatives_of
from costing.decisions.changes.why import why_answer
from costing.decisions.closing.closed_years import closed_year_edits
from costing.decisions.closing.closing import close_year, with_closing
from costing.decisions.closing.next_year import open_year
from costing.decisions.front_page import front_page
from costing.house import House
from costing.inputs.appellations import rule_set_names
from costing.inputs.basis import BOOK, ECONOMIC, REPLACEMENT
from costing.inputs.estate import Estate, as_table
from costing.inputs.load import read_inputs
from costing.model import Runs, loaded, run
from costing.report import report_page
from costing.results.amounts_charged import amounts_charged
from costing.results.bridge import bridge
from costing.results.composition import composition
from costing.results.costs import build_up, releases
from costing.results.coverage import coverage
from costing.results.origins import grouped_origins, origins
from costing.results.place_rules import place_cautions
from costing.results.quantities import quantity_roll_forward
from costing.results.roll_forward import exits, expensed_at_once, roll_forward
from costing.results.stock import stock_values
from costing.workbook.blank.blank import blank_bytes
from costing.workbook.blank.contents import tables_from_csv
from costing.workbook.read import read_workbook
from tests.golden import every_decision, smaller_demo
from tests.golden.customers import tables as customers
from tests.golden.test_order_of_rows import estate_tables
from tests.properties.estates import random_estate
from tests.properties.test_other_owners import pair


def _house(runs: Runs) -> House:
    house = House(runs.estate)
    house.runs = runs
    return house


BASES = (
    BOOK,
    ECONOMIC,
    REPLACEMENT,
    BOOK.replace(name="gains, at sale", abnormal_gains=True, by_product="at sale", own_grapes="transfer price"),
    ECONOMIC.replace(name="at 5 % on lees", rate=0.05, capital_stages=("on lees",), by_product="none"),
    REPLACEMENT.replace(
        name="storage in reserve", storage_stages=("reserve",), expensed_elements=("labour", "capital")
    ),
    ECONOMIC.replace(name="constant margin", split_method="constant margin", own_grapes="growing cost"),
)


def on_every_basis(runs: Runs) -> dict[str, pd.DataFrame]:
    """Tables of results on each of several bases, and every row behind what one lot of each kind of goods costs."""
    found = {}
    for basis in BASES:
        results = runs.on(basis)
        tables = {
            "reconciliation": results.reconciliation(),
            "stock": stock_values(results),
            "build-up": build_up(results),
            "amounts": amounts_charged(results),
        }
        lots = [*tables["stock"].drop_duplicates("kind")["lot"], *tables["build-up"]["release"].iloc[:1]]
        tables |= {f"origins of {lot}": origins(results, lot) for lot in dict.fromkeys(lots)}
        found |= {f"{basis.name}: {name}": table for name, table in tables.items()}
    return found


def closed_and_opened(runs: Runs) -> dict[str, pd.DataFrame]:
    """What the last closing up to the valuation date freezes, what the next year opens with, and its stock today."""
    day = pd.Timestamp(runs.date)
    on = (day + pd.Timedelta(days=1) - pd.offsets.YearBegin()).date() - timedelta(days=1)
    sheets = with_closing(runs.estate, close_year(runs.estate, on))
    frozen = {name: as_table(name, table) for name, table in sheets.items()}
    following = open_year(replace(runs.estate, tables={**runs.estate.tables, **frozen}), on)
    opened = {name: frame.dropna(axis=1, how="all") for name, frame in following.tables.items() if len(frame)}
    tables = {**frozen, **opened, "stock": stock_values(run(following, BOOK))}
    return tables | {"economic stock": stock_values(run(following, ECONOMIC))}


def slopes(runs: Runs) -> dict[str, pd.DataFrame]:
    """Derivatives of the cost of every release made by every cell, on each of several bases."""
    found = {}
    for basis in (BOOK, BASES[3], BASES[5]):
        results = runs.on(basis)
        made = releases(results)
        lots = [str(lot) for lot in made["release"][~made["planned"] & (made["bottles"] > 0)]]
        given = derivatives_of(results, lots)
        for kind, by_cell in (("money", given.money), ("quantities", given.quantities)):
            columns = {f"{table} {column}": slope.ravel() for (table, column), slope in by_cell.items()}
            found |= {f"{basis.name}: {kind} of {name}": pd.DataFrame({"": slope}) for name, slope in columns.items()}
    return found


def in_the_past(runs: Runs) -> dict[str, pd.DataFrame]:
    """Stock, what moved and what was charged up to earlier days, by stage and by element; what leads from book to
    economic cost, what lots on hand are made of, and what of their cost is known.
    """
    today, found = pd.Timestamp(runs.date), dict[str, pd.DataFrame]()
    days = [(today - pd.Timedelta(days=back)).date() for back in (400, 190, 31, 0)]
    for results in (runs.book, runs.economic):
        stock = stock_values(results)
        tables = {f"stock by {by}": stock_values(results, days, by) for by in ("stage", "element")}
        for first, last in pairwise(days):
            tables |= {f"{table.__name__} to {last}": table(results, first, last) for table in _BETWEEN}
        lots = sorted(stock["lot"])
        tables["coverage"] = pd.DataFrame({"lot": lots, "coverage": coverage(results, lots)})
        tables["composition"] = composition(results, lots)
        for lot in lots[:3]:
            tables[f"origins of {lot}"] = grouped_origins(origins(results, lot), ["element", "vintage", "place"])
        found |= {f"{results.basis.name}: {name}": table for name, table in tables.items()}
    found["bridge of stock"] = bridge(runs.on, BOOK, ECONOMIC, sorted(stock["lot"])[:2])
    for cuvee in sorted(set(releases(runs.book)["cuvee"]))[:2]:
        found[f"bridge of {cuvee}"] = bridge(runs.on, BOOK, ECONOMIC, cuvee=cuvee)
    return found


def rules_of_place(runs: Runs) -> dict[str, pd.DataFrame]:
    """What each set of rules says of an estate."""
    found = {}
    for name in rule_set_names():
        settings = runs.estate.settings.model_copy(update={"rule_set": name})
        judged = replace(runs.book, estate=replace(runs.estate, settings=settings))
        found[name] = finding_table(place_cautions(judged))
    return found


_BETWEEN = (roll_forward, quantity_roll_forward, exits, expensed_at_once)
ACCOUNTS: Mapping[str, Callable[[Runs], Answer]] = {
    "costs": costs,
    "stock": stock,
    "amounts charged": charged,
    "over time": over_time,
    "services": services,
    "origins of latest": origins_of_latest,
    "made of": made_of_latest,
    "run check": lambda runs: run_check(runs, runs.estate.cautions),
    "origins": lambda runs: origins_of(runs, str(releases(runs.book)["release"].iloc[0])),
}
DECISIONS: Mapping[str, Callable[[Runs], Answer]] = {
    "ageing": lambda runs: _house(runs).ageing(),
    "plan": lambda runs: _house(runs).plan(),
    "tirage": lambda runs: _house(runs).tirage(),
    "cash": lambda runs: _house(runs).cash(),
    "offers": lambda runs: _house(runs).offers(),
    "vats": lambda runs: _house(runs).vats(),
    "blend": lambda runs: _house(runs).blend(),
    "recipes": lambda runs: _house(runs).recipes(),
    "prices": lambda runs: _house(runs).prices(),
    "margins": lambda runs: _house(runs).margins(),
    "scenarios": lambda runs: _house(runs).scenarios(),
    "why": why_answer,
    "front page": lambda runs: front_page(runs, (), ()),
    "futures": lambda runs: _house(runs).futures(),
    "sensitivity": lambda runs: _house(runs).sensitivity(),
    "forecast": lambda runs: _house(runs).forecast(),
}
ALIKE = ("every basis", *ACCOUNTS, "year closed", "cash", "margins", "prices", "vats")
"""What is asked of drawn estates."""
FOR_OTHERS = ("every basis", "in the past", *ACCOUNTS, "rules of place", "cash", "vats")
"""What is asked of the one that works for others."""
ANSWERS = {
    "every basis": on_every_basis,
    "year closed": closed_and_opened,
    "in the past": in_the_past,
    "rules of place": rules_of_place,
    "report": report_page,
    **ACCOUNTS,
    **DECISIONS,
}
_ROOT = Path(__file__).parents[2]
DRAWN: Mapping[str, Callable[[], Estate]] = {
    "drawn_1_beside_a_neighbour": lambda: read_estate(pair(1)[1]),
    "drawn_2_beside_a_neighbour": lambda: read_estate(pair(2)[1]),
    "drawn_11": lambda: read_estate(random_estate(11, 40)),
    "drawn_12_with_plans": lambda: read_estate(random_estate(12, 40, plan_days=200)),
}
_OWN_PLAN = pd.DataFrame({"lot": ["T22", "D25"], "day": [20_513, 20_485], "bottles": [300.0, 100.0]})
LATER: Mapping[str, Callable[[Runs], Answer | Mapping[str, pd.DataFrame]]] = {
    "closed years": closed_year_edits,
    "cautions": lambda runs: {"": finding_table(cautions_of(runs))},
    "slopes": slopes,
    "plan in campaigns": lambda runs: _house(runs).plan((), _OWN_PLAN, whole_campaigns=True),
    "plan of one's own": lambda runs: _house(runs).plan(("places", "credit"), _OWN_PLAN),
    "futures of one's own": lambda runs: _house(runs).futures(("places",), _OWN_PLAN),
    "cash as planned": lambda runs: _house(runs).cash(15, planned=True),
    "prices by elasticity": lambda runs: _house(runs).prices(-2.5),
    "why between": lambda runs: _house(runs).why("E24", "E25"),
    "why a cost moved": lambda runs: why_answer(Runs(every_decision.moved()), None, "D25", runs.estate),
    "why stock moved": lambda runs: why_answer(Runs(every_decision.moved_together()), before=runs.estate),
}
"""What is asked of some estates alone."""
SMALLER: Mapping[str, Callable[[], Estate]] = {
    "demo_opened": smaller_demo.opened,
    "demo_varied": smaller_demo.varied,
    "demo_bare": smaller_demo.bare,
    "demo_broken": smaller_demo.broken,
    "demo_asked": smaller_demo.asked,
    "small_example": lambda: every_decision.example(),
    "every_decision": lambda: read_estate(every_decision.tables()),
    "every_decision_near": lambda: read_estate(every_decision.near()),
    "every_decision_impossible": lambda: read_estate(every_decision.impossible()),
    "every_decision_in_spring": lambda: read_estate(every_decision.spring()),
    "every_decision_unpriced": lambda: read_estate(every_decision.unpriced()),
    "every_decision_edited": every_decision.edited,
    "every_decision_on_the_day": lambda: read_estate(every_decision.on_the_day()),
    "every_decision_begins_today": lambda: read_estate(every_decision.begins_today()),
    "every_decision_of_a_few_bottles": every_decision.of_a_few_bottles,
}
_QUICK = tuple(name for name in DECISIONS if name not in ("futures", "why", "sensitivity", "forecast"))
_ALL = (*ACCOUNTS, *_QUICK, "every basis", "why", "sensitivity", "forecast")
QUICK: Mapping[str, tuple[str, ...]] = {
    "demo_opened": _QUICK,
    "demo_varied": _QUICK,
    "demo_bare": _QUICK,
    "demo_broken": ("forecast", "scenarios", "blend", "offers"),
    "demo_asked": ("plan", "tirage", "offers", "blend", "ageing"),
    "every_decision": (
        *(*_QUICK, "why", "sensitivity", "forecast", "slopes", "plan of one's own", "cash as planned"),
        *("prices by elasticity", "why between"),
    ),
    "small_example": ("why a cost moved", "why stock moved"),
    "every_decision_near": (
        *("plan in campaigns", "futures of one's own", "ageing", "cash as planned", "prices", "forecast"),
    ),
    "every_decision_impossible": (
        *("plan in campaigns", "tirage", "cash", "offers", "blend", "recipes", "forecast", "futures", "ageing"),
        *("scenarios", "prices", "cautions"),
    ),
    "every_decision_in_spring": ("tirage", "vats", "cash", "plan", "offers", "margins", "scenarios"),
    "every_decision_unpriced": ("ageing", "plan", "tirage", "vats", "prices", "cautions", "forecast"),
    "every_decision_edited": ("closed years", "cautions"),
    "every_decision_on_the_day": (*_ALL, "in the past", "year closed", "cash as planned"),
    "every_decision_begins_today": _ALL,
    "every_decision_of_a_few_bottles": (*_ALL, "in the past", "year closed"),
}
"""What is asked of the demo opened anew, and of a small house with something to decide everywhere."""
ESTATES: Mapping[str, Callable[[], Estate]] = {
    "each_kind_of_work": lambda: read_estate(estate_tables()),
    "one_of_each_sheet": lambda: read_inputs(_ROOT / "tests/inputs/small_estate"),
    "works_for_others": lambda: read_estate(customers()),
    "demo": lambda: loaded(read_workbook(blank_bytes(tables_from_csv(_ROOT / "demo_estate")))),
    **DRAWN,
    **SMALLER,
}
