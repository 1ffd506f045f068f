"""What a person decides by, along the axes in which houses differ: releases, cuvées, channels, scenarios, draws."""

from __future__ import annotations

import numpy as np

from costing.accounts.costs import costs
from costing.decisions.changes.scenarios import scenarios_answer
from costing.decisions.changes.uncertainty import forecast
from costing.decisions.hold_or_release import ageing
from costing.decisions.prices.margins import margins
from costing.decisions.prices.prices import prices
from costing.errors import InputError
from costing.inputs.load import read_inputs
from costing.model import Runs
from costing.units import FORMATS_L
from costing.workbook.blank.contents import tables_from_csv
from tests.benchmarks import plans
from tests.benchmarks.measure import seconds, timed
from tests.benchmarks.mistakes import DEMO, Tables, equal_sales, misspelt_lots, side_by_side, with_rows

DRAWS = 1_000
Figures = dict[str, float]


def _ran(tables: Tables) -> Runs:
    runs = Runs(read_inputs(tables))
    for basis in (runs.book, runs.economic, runs.replacement):
        assert basis
    return runs


def _asked(rows: int, tables: Tables) -> Figures:
    """Seconds of costs, prices, margins and stacks on lees; the runs are made before."""
    runs = _ran(tables)
    asked = {ask.__name__: seconds(lambda ask=ask: ask(runs)) for ask in (costs, prices, margins, ageing)}
    return {"rows": rows, **{f"{name} (s)": spent for name, spent in asked.items()}}


def copies(of_demo: int) -> Figures:
    """The demo estate so many times."""
    tables = side_by_side(of_demo)
    return _asked(len(tables["Movements"]), tables)


def _with_releases(tables: Tables, count: int, cuvees: list[str], formats: tuple[str, ...] = ("bottle",)) -> Tables:
    """So many stacks bought and disgorged, cuvée after cuvée and format after format."""
    number = np.arange(count)
    stack, release = (np.array([f"{sign}-{one}" for one in number], dtype=object) for sign in ("STACK", "RELEASE"))
    bought, disgorged = np.datetime64("2024-03-01") + number % 200, np.datetime64("2025-03-01") + number % 200
    tables = with_rows(
        tables,
        "Deliveries",
        Date=bought,
        Lot=stack,
        What="on lees",
        Quantity=1_000.0,
        Unit="bottles",
        Format=np.array(formats, dtype=object)[number % len(formats)],
        Cuvée=np.array(cuvees, dtype=object)[number % len(cuvees)],
        Tirage_date=bought - 500,
        Price_per_unit=9.0,
    )
    return with_rows(
        tables,
        "Disgorgements",
        Date=disgorged,
        Release_lot=release,
        From_lot=stack,
        Bottles_in=900.0,
        Bottles_out=890.0,
    )


def releases(count: int) -> Figures:
    """The demo estate with so many releases more."""
    return _asked(count, _with_releases(tables_from_csv(DEMO), count, ["Brut"]))


def cuvees(count: int) -> Figures:
    """The demo estate with so many cuvées more, five releases of each."""
    names = [f"Cuvée {one}" for one in range(count)]
    tables = with_rows(tables_from_csv(DEMO), "Cuvées", Cuvée=names, Category="non-vintage")
    return _asked(count, _with_releases(tables, 5 * count, names))


def channels(count: int) -> Figures:
    """The demo estate with so many channels more, every format in each of its cuvées."""
    tables = tables_from_csv(DEMO)
    trade = tables["Channels"][tables["Channels"]["Channel"] == "Trade"].assign(**{"Share (%)": np.nan})
    more = trade.loc[trade.index.repeat(count)].assign(Channel=[f"Channel {one}" for one in range(count * len(trade))])
    tables = with_rows(tables, "Channels", **{header.replace(" ", "_"): more[header] for header in more})
    return _asked(count, _with_releases(tables, 4 * len(FORMATS_L), ["Brut"], tuple(FORMATS_L)))


def scenarios(count: int) -> Figures:
    """The demo estate with so many scenarios of dearer glass."""
    names = [f"Glass {one}" for one in range(count)]
    tables = {**tables_from_csv(DEMO)}
    tables["Scenarios"] = tables["Scenarios"].iloc[:0]
    change = {"Sheet": "Dry goods", "Column": "Unit price", "Where": "Item=glass", "How": "multiply"}
    runs = _ran(with_rows(tables, "Scenarios", Scenario=names, Value=1.01 + 0.01 * np.arange(count), **change))
    return {"rows": count, "scenarios (s)": seconds(lambda: scenarios_answer(runs))}


def draws(count: int) -> Figures:
    """So many draws of the uncertain figures of the demo."""
    runs = _ran(tables_from_csv(DEMO))
    return {"rows": count, "forecast (s)": seconds(lambda: forecast(runs, count))}


def drawn(of_demo: int) -> Figures:
    """A thousand draws of the uncertain figures of the demo so many times."""
    runs = Runs(read_inputs(side_by_side(of_demo)))
    found, spent = timed(lambda: forecast(runs, DRAWS))
    return {"rows": len(runs.estate["movements"]), "releases": len(found.releases), "forecast (s)": spent}


def _findings(tables: Tables) -> int:
    try:
        return len(read_inputs(tables).cautions)
    except InputError as wrong:
        return len(wrong.findings)


def sales_alike(rows: int) -> Figures:
    """Reading of the demo with so many equal sales of one bottle, as a cellar door has them."""
    tables = equal_sales(rows)
    findings, spent = timed(lambda: _findings(tables))
    return {"rows": rows, "findings": findings, "check (s)": spent}


def lots_misspelt(of_demo: int) -> Figures:
    """Reading of the demo so many times with every dispatched lot misspelt."""
    tables = misspelt_lots(of_demo)
    findings, spent = timed(lambda: _findings(tables))
    return {"rows": len(tables["Movements"]), "findings": findings, "check (s)": spent}


def plan(lots: int) -> Figures:
    """A plan of so many lots over 40 dates and 10 channels."""
    found, spent = timed(lambda: plans.measure((lots, *plans.LARGEST[1:])))
    return {"rows": lots, "bottles": found["bottles"], "plan (s)": spent}
