"""Random prices, terms, rates, norms and pools for the rows of a random cellar.

Rule: every amount has at most three decimals, every percentage at most two, so that a decimal is exactly
    what was meant.
Conventions: rows are dictionaries by library column name; percentages are percent points, as typed.
What it does not do: quantities (`tests.properties.cellar`).
"""

from __future__ import annotations

from datetime import date, timedelta
from fractions import Fraction

from tests.properties.stock import FORMATS, NORMS, Stock

LONG_AGO = date(2010, 1, 1)
TERMS = (
    ("quarters", 25, 80, None),
    ("quarters", 25, 170, None),
    ("quarters", 25, 260, None),
    ("quarters", 25, 350, None),
    ("deposit", 40, -30, None),
    ("deposit", 60, None, date(2021, 6, 30)),
)


def open_stock(cellar: Stock) -> None:
    """What lay in the cellar on the first day, with what it had cost."""
    rng = cellar.rng
    for kind in ("must", "wine", "reserve", "blend", "on lees", "finished"):
        if not cellar.on("opening", 0.6):
            continue
        bottles = kind in ("on lees", "finished")
        lot = cellar.new(kind, rng.choice(tuple(FORMATS)) if bottles else "", "Brut" if bottles else "")
        quantity = cellar.amount(200, 3_000, 0 if bottles else 1)
        row: dict[str, object] = {"format": lot.format, "cuvee": "Brut"} if bottles else {"vintage": "2018"}
        if bottles:
            row["tirage_date"] = date(2017, 4, 10)
        cellar.write(
            "opening_stock",
            lot=lot.name,
            kind=kind,
            quantity=quantity,
            unit="bottles" if bottles else "L",
            **row,
        )
        cellar.put(lot, quantity)
        for basis, stage, element in (
            (None, None, None),
            (None, "vinification", "grapes"),
            ("economic", "vinification", "capital"),
            ("book", "vinification", "labour"),
        ):
            if rng.random() < 0.7:
                paid = cellar.today - timedelta(days=rng.randint(0, 600)) if rng.random() < 0.7 else None
                cellar.rows["opening_costs"].append(
                    {
                        "lot": lot.name, "basis": basis, "stage": stage, "element": element,
                        "amount": cellar.amount(50, 9_000, 2), "mean_payment_date": paid,
                    }
                )  # fmt: skip
    for row in cellar.rows["opening_stock"]:
        del row["sequence"]


def price_grapes(cellar: Stock) -> None:
    """Prices, growers, terms and premiums of the grapes received."""
    rng = cellar.rng
    for village in ("Amblencourt", "Vernoy"):
        for year in range(2019, cellar.today.year + 1):
            cellar.rows["grape_prices"].append(
                {
                    "vintage": year, "village": village, "variety": None,
                    "price_per_kg": cellar.amount(5, 7, 2), "premium_per_kg": cellar.amount(0, 0.3, 2),
                }
            )  # fmt: skip
    for row in cellar.rows["deliveries"]:
        if row["what"] == "grapes":
            if cellar.on("own grapes", 0.3):
                row["growing_cost_per_unit"] = cellar.amount(3, 5, 2)
                row["price_per_unit"] = cellar.amount(6, 7, 2)
            else:
                row["supplier"] = f"Grower {rng.randint(1, 4)}"
                row["price_per_unit"] = None if rng.random() < 0.3 else cellar.amount(5, 7, 2)
            if cellar.on("premiums", 0.4):
                day = row["on_date"]
                assert isinstance(day, date)
                row["premium_per_unit"] = cellar.amount(-0.1, 0.4, 2)
                row["premium_date"] = day + timedelta(days=rng.randint(0, 300))
        if cellar.on("instalments", 0.6):
            row["terms"] = rng.choice(("quarters", "deposit"))


def direct_costs(cellar: Stock, last: date) -> None:
    """Invoices on lots, some of them long after the lot was emptied."""
    rng = cellar.rng
    for lot in cellar.lots.values():
        while rng.random() < 0.3:
            span = (last - lot.born).days
            day = lot.born + timedelta(days=rng.randint(0, max(0, span)) if cellar.on("late costs") else 0)
            cellar.rows["costs"].append(
                {
                    "on_date": day, "lot": lot.name, "element": rng.choice(("labour", "transport", "energy")),
                    "paid_date": day + timedelta(days=rng.randint(-40, 90)) if rng.random() < 0.6 else None,
                    "stage": rng.choice((None, None, "vinification", "reserve")),
                    "amount": cellar.amount(-50, 900, 2),
                }
            )  # fmt: skip


def rates(cellar: Stock, last: date) -> None:
    """Operation rates, dry goods, pools, norms and interest."""
    rng, rows = cellar.rng, cellar.rows
    change = LONG_AGO + timedelta(days=rng.randint(9 * 365, 12 * 365))

    def dated(sheet: str, column: str, low: float, high: float, **row: object) -> None:
        rows[sheet].append({"from_date": LONG_AGO, **row, column: cellar.amount(low, high, 3)})
        if cellar.on("dated rates", 0.5):
            rows[sheet].append({"from_date": change, **row, column: cellar.amount(low, high, 3)})

    if "rates" in cellar.features:
        for stage, operation, driver, element in (
            ("pressing", "pressing", "kg", "pressing"),
            ("pressing", "pressing", "load", "labour"),
            ("vinification", "fermentation", "litre", "oenological products"),
            (None, "racking", "litre", "labour"),
            ("blending", "blending", "litre", "labour"),
            ("tirage", "bottling", "bottle out", "labour"),
            ("finishing", "hand riddling", "bottle in", "labour"),
            ("finishing", "machine riddling", "bottle in", "energy"),
            ("finishing", "disgorgement", "bottle out", "labour"),
        ):
            if rng.random() < 0.8:
                dated(
                    "operation_rates",
                    "amount",
                    0.01,
                    0.6,
                    stage=stage,
                    operation=operation,
                    driver=driver,
                    element=element,
                )
    if "storage" in cellar.features:
        for stage, driver, bottle_format in (
            ("vinification", "litre-year", None), ("reserve", "litre-year", None),
            ("on lees", "bottle-year", None),
            ("on lees", "bottle-year", "magnum"), ("finished stock", "bottle-year", None),
        ):  # fmt: skip
            if rng.random() < 0.8:
                dated(
                    "operation_rates", "amount", 0.05, 0.4, stage=stage, operation="storage", driver=driver,
                    format=bottle_format, element="storage",
                )  # fmt: skip
    if "dry goods" in cellar.features:
        for stage, item, bottle_format in (
            ("tirage", "glass", "bottle"), ("tirage", "glass", "magnum"), ("tirage", "crown cap", None),
            ("finishing", "cork", None),
        ):  # fmt: skip
            dated(
                "dry_goods", "unit_price", 0.1, 1.5, stage=stage, item=item, format=bottle_format,
                quantity_per_bottle=rng.choice((1, 1, 2)),
            )  # fmt: skip
    if "pools" in cellar.features:
        for year in range(2019, last.year + 1):
            for pool, driver, stage in (
                ("press house", "kg", "pressing"), ("vat hall", "litre-year", "vinification"),
                ("bottling line", "bottle out", "tirage"), ("cellar", "bottle-year", "on lees"),
                ("disgorging", "bottle in", "finishing"),
            ):  # fmt: skip
                if rng.random() < 0.5:
                    rows["pools"].append(
                        {
                            "from_date": date(year, 1, 1), "to_date": date(year, 12, 31), "pool": pool,
                            "amount": cellar.amount(100, 9_000, 2), "driver": driver, "stage": stage,
                            "element": "overhead",
                            "normal_capacity": cellar.amount(10, 9_000, 0) if rng.random() < 0.6 else None,
                        }
                    )  # fmt: skip
    for operation, norm in NORMS.items():
        rows["loss_norms"].append({"applies_to": operation, "percent": norm * 100, "time_base": "per movement"})
    if "yearly norms" in cellar.features:
        for stage, percent in (
            ("vinification", 2),
            ("reserve", 1),
            ("blending", 1),
            ("on lees", Fraction(1, 2)),
        ):
            rows["loss_norms"].append({"applies_to": stage, "percent": percent, "time_base": "per year"})
    for day, borrowing, hurdle in (
        (LONG_AGO, "3.5", "8"),
        (date(2020, 5, 15), "2.25", "6.5"),
        (date(2021, 3, 1), "4", "9"),
    ):
        rows["interest_rates"].append(
            {"from_date": day, "borrowing_rate": Fraction(borrowing), "hurdle_rate": Fraction(hurdle)}
        )
    for terms, share, days_after, fixed in TERMS:
        rows["terms"].append({"terms": terms, "share": share, "days_after": days_after, "fixed_date": fixed})
    for channel, way_out in (
        ("Trade", "sale"), ("Cellar door", "sale"), ("Samples", "samples"), ("Hospitality", "hospitality"),
    ):  # fmt: skip
        rows["channels"].append({"channel": channel, "way_out": way_out})
    rows["cuvees"] += [
        {"cuvee": "Brut", "category": "non-vintage"},
        {"cuvee": "Prestige", "category": "vintage"},
    ]
    if "rates" in cellar.features:
        for driver in ("bottle out", "litre"):
            if rng.random() < 0.8:
                dated(
                    "operation_rates", "amount", 0.01, 0.6, operation="dispatch", driver=driver, element="transport",
                    format=rng.choice((None, "magnum")),
                )  # fmt: skip
