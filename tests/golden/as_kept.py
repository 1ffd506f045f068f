"""Every figure and sentence of whole answers, beside what `kept/` says of them: `python -m tests.golden.as_kept` writes
it anew.

Rule: a column of a table is kept as the sum of its numbers, a second sum in which each row counts by its place, and a
    digest of its words and gaps; so are an answer's sentences, findings, titles and charts, and on further bases whole
    tables. A line that changes names its table and column.
What it does not do: say that a figure is right. The worked cases and `tests/published` do; this says that a figure
    moved which nobody meant to move. Read the lines that change before keeping them.
"""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from datetime import timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np
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
from costing.answers.text import text_answer
from costing.decisions.cautions import cautions_of
from costing.decisions.changes.sensitivity import derivatives_of
from costing.decisions.changes.why import why_answer
from costing.decisions.closing.closed_years import closed_year_edits
from costing.decisions.closing.closing import close_year, with_closing
from costing.decisions.closing.next_year import open_year
from costing.decisions.front_page import front_page
from costing.errors import InputError
from costing.house import House
from costing.inputs.appellations import rule_set_names
from costing.inputs.basis import BOOK, ECONOMIC, REPLACEMENT
from costing.inputs.estate import Estate, as_table
from costing.inputs.load import read_inputs
from costing.model import Runs, loaded, run
from costing.report import report_page
from costing.report.pictures import flow_picture
from costing.results.amounts_charged import amounts_charged
from costing.results.bridge import bridge
from costing.results.composition import composition
from costing.results.cost_flow import CostFlow
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

KEPT = Path(__file__).with_name("kept")
COLUMNS = ("answer", "table", "column", "total", "by_place", "words")
_NO_NUMBER = re.compile(r"\b(nan|NaN|NaT|inf)\b")
WITHIN = 1e-11
"""Of the absolute sum of a column: what the order of additions may move."""


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
}
_QUICK = tuple(name for name in DECISIONS if name not in ("futures", "why", "sensitivity", "forecast"))
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
Line = dict[str, str | float]


def lines_of(name: str, runs: Runs, given: Answer | None = None, *, whole: bool = False) -> list[tuple[Line, float]]:
    """Lines of one answer, each with what its sums may differ by; of a question that is refused, its findings. whole:
    one line for a table.
    """
    try:
        answer = {**ANSWERS, **LATER}[name](runs) if given is None else given
    except InputError as refused:
        return [(_line(name, "", "findings", [str(one) for one in refused.findings]), 0.0)]
    if isinstance(answer, str):
        parts = answer.split("<section>")
        return [(_line(name, "", f"part {number}", part.split("><")), 0.0) for number, part in enumerate(parts)]
    if isinstance(answer, Mapping):
        return [line for table, frame in answer.items() for line in _columns(name, table, _as_one(frame))]
    said: dict[str, list[str]] = {
        "says": list(answer.says),
        "findings": [str(finding) for finding in answer.findings],
        "titles": [answer.title(table) for table in answer.tables],
        "charts": [repr(chart) for chart in answer.charts],
        "in a terminal": text_answer(answer, list(answer.tables), width=100).splitlines(),
        "in a notebook": answer._repr_html_().splitlines(),
    }
    assert not any(_NO_NUMBER.search(text) for words in said.values() for text in words), f"{name} says nan"
    found = [(_line(name, "", part, words), 0.0) for part, words in said.items()]
    tables = {table: _as_one(frame) if whole else frame for table, frame in answer.tables.items()}
    return [*found, *(line for table, frame in tables.items() for line in _columns(name, table, frame))]


def _as_one(frame: pd.DataFrame) -> pd.DataFrame:
    """All cells of a table, row after row, and its headers, in one column."""
    return pd.DataFrame({"": [*map(str, frame.columns), *frame.to_numpy(dtype=object).ravel().tolist()]})


def _columns(name: str, table: str, frame: pd.DataFrame) -> Iterator[tuple[Line, float]]:
    weights = 1.0 + np.cos(np.arange(1, len(frame) + 1))
    for column in frame.columns:
        cells = [_number_and_words(cell) for cell in frame[column].tolist()]
        numbers = np.array([number for number, _ in cells], dtype=np.float64)
        sums = float(numbers.sum()), float(numbers @ weights)
        yield _line(name, table, str(column), [words for _, words in cells], *sums), WITHIN * np.abs(numbers).sum()


def _line(name: str, table: str, column: str, words: list[str], total: float = 0.0, by_place: float = 0.0) -> Line:
    digest = hashlib.sha256("\n".join(words).encode()).hexdigest()[:12]
    return dict(zip(COLUMNS, (name, table, column, total, by_place, f"{len(words)} {digest}"), strict=True))


def _number_and_words(cell: object) -> tuple[float, str]:
    if cell is None or cell is pd.NaT or (isinstance(cell, float) and np.isnan(cell)):
        return 0.0, "-"
    if isinstance(cell, (int, float, np.number)) and not isinstance(cell, bool) and np.isfinite(float(cell)):
        return float(cell), "-0" if cell == 0 and np.signbit(float(cell)) else ""
    return 0.0, str(cell)


def differences(kept: str, names: Iterable[str], runs: Runs, given: Answer | None = None) -> list[str]:
    """What differs from what is kept of these answers of an estate: table and column, and both figures. given: the
    answer, where it has been asked for.
    """
    now = {
        _key(line): (line, within)
        for name in names
        for line, within in lines_of(name, runs, given, whole=kept in DRAWN)
    }
    answers = {key[0] for key in now}
    with (KEPT / f"{kept}.csv").open(encoding="utf-8", newline="") as file:
        was = {_key(line): line for line in csv.DictReader(file) if line["answer"] in answers}
    found = [f"{' '.join(key)}: {'new' if key in now else 'gone'}" for key in now.keys() ^ was.keys()]
    for key in now.keys() & was.keys():
        line, within = now[key]
        found += [
            f"{' '.join(key)}: {column} {line[column]}, kept {was[key][column]}"
            for column in ("total", "by_place")
            if not abs(float(line[column]) - float(was[key][column])) <= within + 1e-7
        ]
        if line["words"] != was[key]["words"]:
            found.append(f"{' '.join(key)}: other words, gaps or number of rows")
    return sorted(found)


def _key(line: Mapping[str, str | float]) -> tuple[str, ...]:
    return tuple(str(line[part]) for part in COLUMNS[:3])


PICTURE = KEPT / "flow_picture.svg"


def picture() -> str:
    """The flow of cost of an invented house, element by element on a line: flows and places too small to see and flows
    that lead back, names too long, all kinds of goods.
    """
    places = [
        ("grapes", "", 90_000.0, 0.0),
        ("must", "", 5_000.0, 2_000.0),
        ("wine", "", 900.0, 9_000.0),
        ("reserve", "", 14_000.0, 11_000.0),
        ("blend", "", -50.0, 150.0),
        ("on lees", "Brut", 10_000.0, 30_000.0),
        ("on lees", "Cuvée of the Long-Winded", 1_000.0, 0.0),
        ("on lees", "Little", 260.0, 255.0),
        ("finished", "Brut", 9_000.0, 7_000.0),
        ("finished", "Cuvée of the Long-Winded", 3_400.0, 3_000.0),
        ("finished", "Little", 1_500.0, 1_500.0),
    ]
    passed = [
        ("grapes", "", "must", "", 90_000.0),
        ("must", "", "wine", "", 93_000.0),
        ("wine", "", "reserve", "", 6_000.0),
        ("wine", "", "blend", "", 78_000.0),
        ("reserve", "", "blend", "", 9_000.0),
        ("blend", "", "wine", "", 120.0),
        ("blend", "", "on lees", "Brut", 70_000.0),
        ("blend", "", "on lees", "Cuvée of the Long-Winded", 16_000.0),
        ("on lees", "Brut", "finished", "Brut", 50_000.0),
        ("on lees", "Cuvée of the Long-Winded", "finished", "Cuvée of the Long-Winded", 17_000.0),
        ("on lees", "Little", "finished", "Little", 200.0),
        ("finished", "Brut", "sold", "", 52_000.0),
        ("finished", "Cuvée of the Long-Winded", "sold", "", 17_000.0),
        ("finished", "Little", "sold", "", -3.0),
        ("must", "", "blend", "", 0.0),
        ("wine", "", "other exits and losses", "", 900.0),
        ("finished", "Cuvée of the Long-Winded", "other exits and losses", "", 400.0),
    ]
    flow = CostFlow(
        pd.DataFrame(places, columns=["kind", "cuvee", "added", "stock"]),
        pd.DataFrame(passed, columns=["from_kind", "from_cuvee", "to_kind", "to_cuvee", "amount"]),
    )
    return flow_picture(flow, "EUR").replace("><", ">\n<") + "\n"


def runs_of(kept: str) -> Runs:
    """Results of one of the estates whose answers are kept."""
    return Runs(ESTATES[kept]())


def main() -> None:
    """Write what the answers are now."""
    PICTURE.write_text(picture(), "utf-8")
    for kept in ESTATES:
        runs = runs_of(kept)
        with (KEPT / f"{kept}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
            writer.writeheader()
            asked = {**dict.fromkeys(DRAWN, ALIKE), **QUICK, "works_for_others": FOR_OTHERS}
            for line, _ in (
                line for name in asked.get(kept, ANSWERS) for line in lines_of(name, runs, whole=kept in DRAWN)
            ):
                writer.writerow({**line, "total": f"{line['total']:.14g}", "by_place": f"{line['by_place']:.14g}"})


if __name__ == "__main__":
    main()
