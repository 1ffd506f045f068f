"""Small estates whose whole run gives a published figure: rows in, `run`, the value of stock or what was expensed.

Litres, kilograms and bottles stand for the units of the source.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from costing import BOOK, ECONOMIC, Estate, read_estate, run
from costing.inputs.basis import Basis
from costing.results.results import Results
from costing.results.roll_forward import exits, expensed_at_once
from costing.results.stock import stock_values


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


def paid_in_parts(by_terms: bool, year: int = 2008) -> float:
    """13,000 in four parts on the days of the example, at their worth on the first day, less 10,000."""
    days = (f"{year}-03-01", f"{year}-10-30", f"{year + 1}-02-15", f"{year + 1}-04-01")
    parts = (2_750.0, 4_250.0, 3_250.0, 2_750.0)
    if not by_terms:
        return present_value(f"{year}-01-01", days, parts, 0.09) - 10_000
    shares = zip(days, parts, strict=True)
    terms = [{"terms": "four parts", "share": part / 130, "fixed_date": day} for day, part in shares]
    priced = wine(f"{year}-01-01", 1_000, 13.0, terms="four parts")
    found = run(estate(days[-1], deliveries=[priced], terms=terms), ECONOMIC.replace(rate=0.09))
    return value(found, "V") / _growth(f"{year}-01-01", days[-1], 0.09) - 10_000


def present_value(first: str, days: Sequence[str], parts: Sequence[float], rate: float) -> float:
    """Invoices incurred on the first day and paid on theirs, at their worth on the first; Act/365."""
    cost = {"on_date": first, "lot": "V", "element": "labour"}
    invoices = [{**cost, "paid_date": day, "amount": part} for day, part in zip(days, parts, strict=True)]
    found = run(estate(days[-1], deliveries=[wine(first, 1_000, 0.0)], costs=invoices), ECONOMIC.replace(rate=rate))
    return value(found, "V") / _growth(first, days[-1], rate)


def _growth(first: str, last: str, rate: float) -> float:
    return float((1.0 + rate) ** ((pd.Timestamp(last) - pd.Timestamp(first)).days / 365))


def in_years(flows: Sequence[float], rate: float) -> float:
    """The first flow at once, the others a year of 365 days apart, at their worth at once."""
    days = [f"{pd.Timestamp('2001-01-01') + pd.Timedelta(days=365 * number):%Y-%m-%d}" for number in range(len(flows))]
    return flows[0] + present_value(days[0], days[1:], flows[1:], rate)


def days_of_30_360(first: str, last: str) -> float:
    """Days by 30E/360 for which 1,000 of wine bears 5 % a year."""
    found = run(
        estate(last, {"Day count": "30E/360"}, deliveries=[wine(first, 100, 10.0)]), ECONOMIC.replace(rate=0.05)
    )
    return float(360 * np.log(value(found, "V") / 1_000) / np.log(1.05))


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


def kilograms_of_a_bottle() -> float:
    """160 t at 1.00 a kilogram, 102 L from 160 kg; 1.5 % lost at vinification and 0.5 % after it, within norms."""
    litres = [102_000.0, 102_000.0 * 0.985, 102_000.0 * 0.985 * 0.995]
    load = {"on_date": "2024-09-01", "load": "P", "from_lot": "G", "weight_kg": 160_000.0, "fraction": "first"}
    grapes = {"on_date": "2024-09-01", "lot": "G", "what": "grapes", "quantity": 160_000.0, "unit": "kg"}
    found = run(
        estate(
            "2024-12-31",
            deliveries=[{**grapes, "price_per_unit": 1.0}],
            pressings=[{**load, "to_lot": "V", "volume_l": litres[0]}],
            movements=[
                move("2024-10-01", "racking", "V", litres[0], "W", litres[1]),
                move("2024-11-01", "racking", "W", litres[1], "X", litres[2]),
            ],
            loss_norms=[{"applies_to": "racking", "percent": 1.5, "time_base": "per movement"}],
        ),
        BOOK,
    )
    return value(found, "X") / litres[2] * 0.75
