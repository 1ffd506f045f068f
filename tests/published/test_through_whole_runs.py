"""Published figures reproduced through whole runs: rows in, `run`, the printed value of stock or what was expensed.

Each figure names its source. Tables of interest factors, and examples marked so, are from memory; the arithmetic of
each is one line, which the test of the figure does not do. Litres, kilograms and bottles stand for the units of the
source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, Estate, read_estate, run
from costing.inputs.basis import Basis
from costing.results.results import Results
from costing.results.roll_forward import exits, expensed_at_once
from costing.results.stock import stock_values

ACCA = "ACCA F2 Management Accounting, integrated workbook, chapter 9, pages 144 and 148-150"
OPENSTAX_JOINT = "OpenStax, Principles of Accounting 2, section 10.5"
HORNGREN = "Horngren, Datar and Foster, Cost Accounting, joint-cost exercises (figures of 2008 and 2010)"
XNPV = "Microsoft, documentation of XNPV (2,086.65), brought to its last day"
FV = "Microsoft, documentation of FV; from memory"
FVIF = "OpenStax, Principles of Finance, appendix: future value of 1; from memory"
I_OVER_DELTA = "Formulae and Tables for Actuarial Examinations, i/δ; from memory"
IAS_2 = "IAS 2, paragraph 13 (fixed overheads on normal capacity); amounts are arithmetic"
BORROWING = "IAS 23, paragraph 14 (weighted average of borrowings): 3.99 of 39 million"


def estate(valued_on: str, settings: dict[str, str] | None = None, **tables: list[dict[str, object]]) -> Estate:
    """The estate of these rows, valued on a day."""
    chosen = {"Valuation date": valued_on, **(settings or {})}
    frames = {name: pd.DataFrame(rows) for name, rows in tables.items()}
    frames["settings"] = pd.DataFrame({"setting": list(chosen), "value": list(chosen.values())})
    return read_estate(frames)


def value(found: Results, lot: str) -> float:
    return float(stock_values(found).set_index("lot").loc[lot, "value"])


def expensed(found: Results) -> float:
    """What left no stock: abnormal losses and what is expensed at once; nothing is sold here."""
    span = "2000-01-01", str(found.estate.settings.valuation_date)
    return float(exits(found, *span)["cost"].sum() + expensed_at_once(found, *span)["amount"].sum())


# --- losses


def process(output: float, cost: float, basis: Basis = BOOK) -> tuple[float, float]:
    """1,000 units racked with a normal loss of a tenth: value of what comes out, and what is expensed."""
    found = run(
        estate(
            "2024-12-31",
            deliveries=[wine("2024-01-01", 1_000, cost / 1_000)],
            movements=[move("2024-06-30", "racking", "V", 1_000, "W", output)],
            loss_norms=[{"applies_to": "racking", "percent": 10.0, "time_base": "per movement"}],
        ),
        basis,
    )
    return value(found, "W"), expensed(found)


def wine(day: str, quantity: float, price: float, **more: object) -> dict[str, object]:
    """A delivery of wine into V."""
    return {
        "on_date": day,
        "lot": "V",
        "what": "wine",
        "quantity": quantity,
        "unit": "L",
        "price_per_unit": price,
        **more,
    }


def move(day: str, operation: str, lot: str, out: float, to: str, arrived: float) -> dict[str, object]:
    return {"on_date": day, "operation": operation, "from_lot": lot, "out_l": out, "to_lot": to, "in_l": arrived}


def process_figure(output: float, cost: float, which: int, *, gains: bool = False) -> float:
    return process(output, cost, BOOK.replace(abnormal_gains=gains))[which]


# --- joint products


def joint(
    method: str,
    cost: float,
    units: tuple[float, float],
    prices: tuple[float, float],
    further: tuple[float, float] = (0, 0),
) -> list[float]:
    """Cost of the first and of the second product of one press load."""
    load = {"on_date": "2024-09-01", "load": "P", "split_method": method}
    rows = [
        {**load, **({"from_lot": "G", "weight_kg": 1.0} if name == "first" else {}), "fraction": name, "to_lot": name}
        | {"volume_l": volume, "value_per_l": price, "cost_to_complete_per_l": more}
        for name, volume, price, more in zip(("first", "second"), units, prices, further, strict=True)
    ]
    grapes = {
        "on_date": "2024-09-01",
        "lot": "G",
        "what": "grapes",
        "quantity": 1.0,
        "unit": "kg",
        "price_per_unit": cost,
    }
    found = run(estate("2024-12-31", deliveries=[grapes], pressings=rows), BOOK)
    return [value(found, name) for name in ("first", "second")]


def joint_figure(which: int, *case: object) -> float:
    return joint(*case)[which]  # type: ignore[arg-type]


GALLONS = (42_000.0, 4_000.0), (104_500 / 42_000, 50_500 / 4_000)
CUPS = (20_000.0, 80_000.0)
AT_SPLIT_OFF, FINISHED = (20_000 / 20_000, 30_000 / 80_000), (50_000 / 20_000, 30_000 / 80_000)
MORE = (5_000 / 20_000, 0.0)
CUPS_2010 = (36_000.0, 108_000.0), (18_000 * 2.20 / 36_000, 27_000 * 1.20 / 108_000)


# --- capital


def held(rate: float, years: int) -> float:
    """1,000 paid for wine that lies for some years; years of 360 days, so that leap years do not count."""
    found = run(
        estate(f"{2000 + years}-01-01", {"Day count": "30E/360"}, deliveries=[wine("2000-01-01", 100, 10.0)]),
        ECONOMIC.replace(rate=rate),
    )
    return value(found, "V") / 1_000


def with_premium(rate: float) -> float:
    """10.00 a litre at once, and a premium of as much fixed two years later, worth seven years after the delivery."""
    bought = wine("2000-01-01", 100, 10.0, premium_per_unit=10.0, premium_date="2002-01-01")
    found = run(estate("2007-01-01", {"Day count": "30E/360"}, deliveries=[bought]), ECONOMIC.replace(rate=rate))
    return value(found, "V") / 1_000


def saved(monthly: float, payment: float, number: int, first: float, *, at_start: bool = False) -> float:
    """Payments for a lot at the end (or the start) of each of some months, the first sum at once; at a rate a month."""
    months = pd.date_range("2001-01-01", periods=number + 1, freq="MS").strftime("%Y-%m-%d").tolist()
    days = months[:-1] if at_start else months[1:]
    paid = {"lot": "V", "element": "labour", "amount": payment}
    found = run(
        estate(
            months[-1],
            {"Day count": "30E/360"},
            deliveries=[wine("2001-01-01", 100, first / 100)],
            costs=[{**paid, "on_date": day} for day in days],
        ),
        ECONOMIC.replace(rate=(1.0 + monthly) ** 12 - 1.0),
    )
    return value(found, "V")


def paid_in_parts(by_terms: bool) -> float:
    """13,000 in four parts on the days of the example, at their worth on the first day, less 10,000."""
    days, parts = ("2008-03-01", "2008-10-30", "2009-02-15", "2009-04-01"), (2_750, 4_250, 3_250, 2_750)
    priced = wine("2008-01-01", 1_000, 13.0, terms="four parts")
    if by_terms:
        shares = zip(days, parts, strict=True)
        terms = [{"terms": "four parts", "share": part / 130, "fixed_date": day} for day, part in shares]
        tables = {"deliveries": [priced], "terms": terms}
    else:  # the same as invoices, incurred at once and paid on their days
        cost = {"on_date": "2008-01-01", "lot": "V", "element": "labour"}
        invoices = [{**cost, "paid_date": day, "amount": part} for day, part in zip(days, parts, strict=True)]
        tables = {"deliveries": [wine("2008-01-01", 1_000, 0.0)], "costs": invoices}
    found = run(estate("2009-04-01", **tables), ECONOMIC.replace(rate=0.09))  # type: ignore[arg-type]
    return value(found, "V") / 1.09 ** (456 / 365) - 10_000


def stored(rate: float) -> float:
    """Storage of 1.00 over a year of 365 days, evenly, worth at its end."""
    charge = {"from_date": "2000-01-01", "operation": "storage", "stage": "vinification", "driver": "litre-year"}
    found = run(
        estate(
            "2023-12-31",
            deliveries=[wine("2022-12-31", 100, 0.0)],
            operation_rates=[{**charge, "amount": 0.01, "element": "storage"}],
        ),
        ECONOMIC.replace(rate=rate),
    )
    return value(found, "V")


def escalated(yearly: float, years: int) -> float:
    """1.00 a litre for a racking planned some years ahead, its rate rising every year."""
    rate = {"from_date": "2000-01-01", "operation": "racking", "driver": "litre", "amount": 1.0, "element": "labour"}
    # years of 365 days, whatever leap days fall in them
    day = (pd.Timestamp("2001-01-01") + pd.Timedelta(days=365 * years)).strftime("%Y-%m-%d")
    found = run(
        estate(
            "2001-01-01",
            deliveries=[wine("2000-12-31", 1.0, 0.0)],
            operation_rates=[{**rate, "escalation": 100.0 * yearly}],
            movements=[move(day, "racking", "V", 1.0, "W", 1.0)],
        ),
        BOOK,
    )
    last = found.chain.states.last_of_lot[found.chain.lots.names.get_loc("W")]
    return float(found.total[last])


def borrowed() -> float:
    """A year at the average of 9 % on 15 and 11 % on 24 million, capitalised until disgorgement."""
    rates = [{"from_date": "2020-01-01", "borrowing_rate": 100 * (0.09 * 15 + 0.11 * 24) / 39}]
    tables = {"deliveries": [wine("2022-12-31", 100, 10.0)], "interest_rates": rates}
    found = run(estate("2023-12-31", **tables), BOOK.replace(capital="borrowing"))  # type: ignore[arg-type]
    return value(found, "V") / 1_000 - 1.0


# --- overheads


def absorbed(made: float) -> tuple[float, float]:
    """200,000 of fixed overhead on a normal 50,000 bottles: what the bottles bear, and what is expensed as idle."""
    pool = {
        "from_date": "2024-01-01",
        "to_date": "2024-12-31",
        "pool": "Line",
        "amount": 200_000.0,
        "element": "overhead",
    }
    tirage = {"on_date": "2024-06-30", "cuvee": "Brut", "to_lot": "T", "wine_lot": "V", "wine_l": made * 0.75}
    found = run(
        estate(
            "2024-12-31",
            cuvees=[{"cuvee": "Brut"}],
            deliveries=[wine("2024-01-01", made * 0.75, 0.0)],
            pools=[{**pool, "driver": "bottle out", "stage": "tirage", "normal_capacity": 50_000.0}],
            tirage=[{**tirage, "format": "bottle", "bottles": made}],
        ),
        BOOK,
    )
    return value(found, "T"), expensed(found)


def overhead(made: float, which: int) -> float:
    return absorbed(made)[which]


@dataclass(frozen=True)
class Figure:
    """A stated figure, what it is of, and the run that gives it; digits: decimals as printed in the source."""

    source: str
    what: str
    stated: float
    digits: int
    found: Callable[[], float]


FIGURES = [
    *(
        Figure(
            ACCA,
            f"{kg} kg out of 1,000 at {cost:,}: {name}",
            stated,
            0,
            partial(process_figure, kg, cost, at, gains=gain),
        )
        for kg, cost, gain, output, beyond in (
            (900, 20_700, False, 20_700, 0),
            (950, 20_700, True, 21_850, -1_150),
            (800, 20_520, False, 18_240, 2_280),
            (950, 20_520, True, 21_660, -1_140),
        )
        for at, (name, stated) in enumerate((("output", output), ("abnormal", beyond)))
    ),
    *(
        Figure(source, f"{method}, {('first', 'second')[at]}", stated, digits, partial(joint_figure, at, method, *case))
        for source, method, digits, case, both in (
            (OPENSTAX_JOINT, "volume", 2, (40_000.0, *GALLONS), (36_521.74, 3_478.26)),
            (OPENSTAX_JOINT, "sales value", 2, (40_000.0, *GALLONS), (26_967.74, 13_032.26)),
            (HORNGREN, "volume", 0, (20_000.0, CUPS, AT_SPLIT_OFF), (4_000, 16_000)),
            (HORNGREN, "sales value", 0, (20_000.0, CUPS, AT_SPLIT_OFF), (8_000, 12_000)),
            (HORNGREN, "nrv", 0, (20_000.0, CUPS, FINISHED, MORE), (12_000, 8_000)),
            (HORNGREN, "constant margin", 0, (20_000.0, CUPS, FINISHED, MORE), (10_625, 9_375)),
            (HORNGREN, "volume", 0, (31_680.0, *CUPS_2010), (7_920, 23_760)),
            (HORNGREN, "sales value", 0, (31_680.0, *CUPS_2010), (17_424, 14_256)),
        )
        for at, stated in enumerate(both)
    ),
    *(
        Figure(FVIF, f"{rate:.0%}, {years} years", stated, 4, partial(held, rate, years))
        for rate, years, stated in (
            *((0.03, 10, 1.3439), (0.05, 5, 1.2763), (0.05, 10, 1.6289), (0.06, 7, 1.5036), (0.08, 3, 1.2597)),
            *((0.08, 5, 1.4693), (0.08, 10, 2.1589), (0.10, 3, 1.3310), (0.10, 8, 2.1436), (0.12, 6, 1.9738)),
        )
    ),
    *(
        Figure(FVIF, f"a planned rate rising {rate:.0%} for {years} years", stated, 4, partial(escalated, rate, years))
        for rate, years, stated in ((0.02, 5, 1.1041), (0.03, 10, 1.3439), (0.04, 3, 1.1249), (0.05, 10, 1.6289))
    ),
    *(
        Figure(
            FV, f"{number} of {payment:,.0f}", stated, 2, partial(saved, rate, payment, number, first, at_start=start)
        )
        for rate, payment, number, first, start, stated in (
            (0.06 / 12, 200.0, 10, 500.0, True, 2_581.40),
            (0.12 / 12, 1_000.0, 12, 0.0, False, 12_682.50),
            (0.11 / 12, 2_000.0, 35, 0.0, True, 82_846.25),
            (0.06 / 12, 100.0, 12, 1_000.0, True, 2_301.40),
        )
    ),
    Figure(FVIF, "8%, seven years and five", 1.7138 + 1.4693, 3, partial(with_premium, 0.08)),
    Figure(FVIF, "10%, seven years and five", 1.9487 + 1.6105, 3, partial(with_premium, 0.10)),
    Figure(XNPV, "four parts by terms", 2_086.6476, 4, partial(paid_in_parts, True)),
    Figure(XNPV, "four invoices", 2_086.6476, 4, partial(paid_in_parts, False)),
    *(
        Figure(I_OVER_DELTA, f"{rate:.0%}", stated, 6, partial(stored, rate))
        for rate, stated in ((0.04, 1.019869), (0.05, 1.024797), (0.06, 1.029709), (0.08, 1.039487), (0.10, 1.049206))
    ),
    *(
        Figure(IAS_2, f"{made:,.0f} bottles: {('borne', 'idle')[at]}", stated, 2, partial(overhead, made, at))
        for made, both in ((40_000.0, (160_000, 40_000)), (50_000.0, (200_000, 0)), (80_000.0, (200_000, 0)))
        for at, stated in enumerate(both)
    ),
    Figure(BORROWING, "capitalisation rate", 0.102308, 6, borrowed),
]


@pytest.mark.parametrize("figure", FIGURES, ids=lambda figure: f"{figure.source.split(',')[0]}: {figure.what}")
def test_a_published_figure_comes_out_of_a_whole_run(figure: Figure) -> None:
    assert figure.found() == pytest.approx(figure.stated, abs=0.5 * 10.0**-figure.digits)


def test_how_many_figures_and_sources_there_are(capsys) -> None:
    """The count is printed: `pytest -s -k how_many`."""
    sources = {figure.source for figure in FIGURES}
    with capsys.disabled():
        print(f"\n{len(FIGURES)} published figures through whole runs, from {len(sources)} sources")
    assert len(FIGURES) >= 50
    assert len({(figure.source, figure.what, figure.stated) for figure in FIGURES}) == len(FIGURES)
