"""One cost of selling: what the advised price, the margins, cost of goods sold and hold or release make of it."""

from __future__ import annotations

import random
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
import pyxirr

from costing import BOOK, ECONOMIC, REPLACEMENT, read_estate, run, trace
from costing.decisions.changes.figures import release_named
from costing.decisions.plan.ageing_tables import holding
from costing.decisions.prices.price_changes import cost_rises
from costing.decisions.prices.price_tables import next_of_each, release_prices
from costing.decisions.prices.prices import priced_releases
from costing.decisions.prices.realised import margins_by_cuvee
from costing.decisions.prices.selling import Sale, Selling
from costing.inputs.estate import Estate
from costing.model import Runs
from costing.results.roll_forward import exits
from tests.decisions.one_bottling import one_bottling
from tests.form import every

HANDLING = {"From": "2020-01-01", "Operation": "dispatch", "Driver": "bottle out", "Amount": 1.0, "Element": "labour"}
GIFT_BOX = {
    "From": "2020-01-01",
    "Stage": "dressing",
    "Item": "gift box",
    "Presentation": "gift box",
    "Unit price": 2.0,
}
BOTTLED, SENT = date(2022, 3, 1), date(2025, 9, 1)


def ten_a_bottle(**sheets: pd.DataFrame) -> Estate:
    """1,000 bottles filled with wine for 10,000 on 1 March 2022, disgorged 1 March 2025, to leave on 1 September."""
    rows = one_bottling()
    rows["deliveries"] = rows["deliveries"].assign(**{"Price per unit": 10 / 0.75})
    rows["settings"] = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-03-01"]})
    rows["targets"] = pd.DataFrame({"Target": ["return"], "Value (%)": [10]})
    rows["dispatches"] = pd.DataFrame(
        {"Date": [str(SENT)], "Release lot": ["D"], "Channel": ["Trade"], "Bottles": [1000]}
    )
    return read_estate(rows | sheets)


def advised(estate: Estate) -> pd.Series:
    chain = trace(estate)
    return release_prices(*(run(estate, basis, chain) for basis in (BOOK, ECONOMIC, REPLACEMENT))).iloc[0]


def earned(price: float, at_dispatch: float) -> float:
    """Return of an independent library: 10.00 at tirage, the price less what leaving costs on the day it leaves."""
    found = pyxirr.xirr([BOTTLED, SENT], [-10.0, price - at_dispatch])
    assert found is not None
    return float(found)


def packed(**columns: list[object]) -> pd.DataFrame:
    return pd.DataFrame(
        {"Date": [str(SENT)], "Release lot": ["D"], "Channel": ["Trade"], "Bottles": [1000], **columns}
    )  # fmt: skip


@pytest.mark.parametrize(
    ("sheets", "at_dispatch", "before"),
    [
        ({}, 0.0, 0.10),
        ({"operation_rates": pd.DataFrame([HANDLING])}, 1.0, 0.0769),
        ({"dry_goods": pd.DataFrame([GIFT_BOX]), "dispatches": packed(Presentation=["gift box"])}, 2.0, 0.0526),
    ],
)
def test_advised_price_pays_for_work_at_dispatch_and_presentation(
    sheets: dict[str, pd.DataFrame], at_dispatch: float, before: float
) -> None:
    """Left out, the price of 13.9688 earned 7.69 % and 5.26 % where 10 % was asked for."""
    assert earned(13.9688, at_dispatch) == pytest.approx(before, abs=5e-5)
    row = advised(ten_a_bottle(**sheets))
    assert round(row["target_price"], 4) == round(13.9688 + at_dispatch, 4)
    assert row["selling_cost"] == pytest.approx(at_dispatch)
    assert earned(row["target_price"], at_dispatch) == pytest.approx(0.10, abs=1e-9)


@pytest.mark.parametrize("kind", ["return", "margin"])
@pytest.mark.parametrize("seed", every(2, range(6)))
def test_sold_at_its_advised_price_a_release_earns_what_was_asked_for(kind: str, seed: int) -> None:
    """Flows written out by hand, rate of return by pyxirr: storage day by day, then at each dispatch work, gift box and
    freight, and what commission leaves when the customer pays. Rates rise and prices change between the dispatches.
    """
    pick = random.Random(seed)
    goal, commission, wait = pick.uniform(0.03, 0.2), pick.uniform(0, 0.2), pick.randint(0, 120)
    channel, work, more, litre = (pick.uniform(0, 2) for _ in range(4))
    box, dearer, stored = pick.uniform(0.5, 4), pick.uniform(0.5, 4), pick.uniform(0, 0.8)
    sent = sorted(SENT + timedelta(days=pick.randint(-150, 400)) for _ in range(3))
    bottles, boxed = [500, 300, 200], [pick.choice(["gift box", None]) for _ in range(3)]
    split = date(2025, 9, 15)
    estate = ten_a_bottle(
        operation_rates=pd.DataFrame(
            [
                HANDLING | {"Amount": work},
                HANDLING | {"From": str(split), "Amount": work + more},
                HANDLING | {"Driver": "litre", "Amount": litre, "Element": "freight"},
                HANDLING
                | {"Stage": "finished stock", "Operation": "storage", "Driver": "bottle-year", "Amount": stored},
            ]
        ),
        dry_goods=pd.DataFrame(
            [GIFT_BOX | {"Unit price": box}, GIFT_BOX | {"From": str(split), "Unit price": dearer}]
        ),
        channels=pd.DataFrame(
            {"Channel": ["Trade"], "Commission (%)": [100 * commission], "Selling cost per bottle": [channel],
             "Customer days (days)": [wait]}
        ),
        targets=pd.DataFrame({"Target": [kind], "Value (%)": [100 * goal]}),
        dispatches=pd.DataFrame(
            {"Date": [str(day) for day in sent], "Release lot": "D", "Channel": "Trade", "Bottles": bottles,
             "Presentation": boxed}
        ),
    )  # fmt: skip
    price = float(advised(estate)["target_price"])
    leaving = [
        channel + work + (more if day >= split else 0) + litre * 0.75
        + ((dearer if day >= split else box) if name else 0)
        for day, name in zip(sent, boxed, strict=True)
    ]  # fmt: skip
    if kind == "margin":
        left = price * (1 - commission) - sum(n * c for n, c in zip(bottles, leaving, strict=True)) / 1000 - 10
        assert left / price == pytest.approx(goal, rel=1e-9)
        return
    flows: dict[date, float] = {}

    def pay(day: date, amount: float, half: int = 0) -> None:  # on a clock of half-days, for dates that are whole
        on = date(2000, 1, 1) + timedelta(days=2 * (day - BOTTLED).days + half)
        flows[on] = flows.get(on, 0.0) + amount

    pay(BOTTLED, -10_000)
    for day, n, cost in zip(sent, bottles, leaving, strict=True):
        for waited in range((day - date(2025, 3, 1)).days):
            pay(date(2025, 3, 1) + timedelta(days=waited), -stored * n / 365, 1)
        pay(day, -cost * n)
        pay(day + timedelta(days=wait), price * (1 - commission) * n)
    half_yearly = pyxirr.xirr(list(flows), list(flows.values()))
    assert half_yearly is not None
    assert (1 + half_yearly) ** 2 - 1 == pytest.approx(goal, abs=1e-7)


def test_storage_of_the_years_behind_is_paid_at_the_rates_of_those_years() -> None:
    """A release made a year ago: 0.50 a bottle-year until the valuation day, 1.00 from then on."""
    rates = pd.DataFrame(
        {"From": ["2020-01-01", "2026-03-01"], "Stage": "finished stock", "Operation": "storage",
         "Driver": "bottle-year", "Amount": [0.5, 1.0], "Element": "storage"}
    )  # fmt: skip
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2026-03-01"]})
    free = pd.DataFrame({"Target": ["return"], "Value (%)": [0]})
    sent = packed().assign(Date="2027-03-01")
    row = advised(ten_a_bottle(operation_rates=rates, settings=settings, targets=free, dispatches=sent))
    assert row["target_price"] == pytest.approx(10 + 0.5 + 1.0, rel=1e-12)


def test_work_at_dispatch_is_found_for_days_beyond_those_asked_for_before() -> None:
    """1.00 a bottle until the end of February 2026, 2.00 from then on, looked up in steps of a year and a day."""
    rates = [HANDLING, HANDLING | {"From": "2026-03-01", "Amount": 2.0}]
    selling = Selling(run(ten_a_bottle(operation_rates=pd.DataFrame(rates)), ECONOMIC))
    found = [
        selling.cost_per_bottle(Sale(np.array([selling.today + later]), np.ones(1), ("",), "", 1.0), "bottle", "Trade")
        for later in (0, 364, 365, 366, 367, 2_000, -1)
    ]
    assert np.concatenate(found).tolist() == [1.0, 1.0, 2.0, 2.0, 2.0, 2.0, 1.0]


def test_a_release_that_leaves_whole_on_its_day_bears_no_pool_of_the_stock_it_never_was() -> None:
    pool = {"From": ["2025-01-01"], "To": "2026-12-31", "Pool": "Cellar", "Amount": 900, "Driver": "bottle-year",
            "Element": "overhead"}  # fmt: skip
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-02-01"]})
    born = []
    for leaves in ("2025-03-01", "2025-03-02"):
        sheets = {"pools": pd.DataFrame(pool), "settings": settings, "dispatches": packed().assign(Date=leaves)}
        selling = Selling(run(ten_a_bottle(**sheets), ECONOMIC))
        ready = selling.today + 28
        sale = Sale(np.array([ready + 100]), np.array([1_000.0]), ("",), "", 1_000.0)
        plan = selling.plan(sale, "D", "bottle", "Trade", 0.0, ready)
        born.append(float(plan.storage.rate_on(np.array([ready]))[0]))
    assert born[0] == 0.0
    assert born[1] > 0.0


def test_prices_and_margins_take_off_the_same_cost_of_selling() -> None:
    """Sold as advised: 0.55 of the channel, 1.00 per bottle in, 2.00 gift box."""
    sheets = {
        "operation_rates": pd.DataFrame([HANDLING | {"Driver": "bottle in"}]),
        "dry_goods": pd.DataFrame([GIFT_BOX]),
        "channels": pd.DataFrame({"Channel": ["Trade"], "Selling cost per bottle": [0.55]}),
    }
    row = advised(ten_a_bottle(dispatches=packed(Presentation=["gift box"]), **sheets))
    later = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]})
    sold = packed(Presentation=["gift box"], **{"Net price": [row["target_price"]]})
    estate = ten_a_bottle(dispatches=sold, settings=later, **sheets)
    chain = trace(estate)
    book = run(estate, BOOK, chain)
    realised = margins_by_cuvee(Runs(estate)).iloc[0]
    assert realised["selling_cost"] == pytest.approx(row["selling_cost"]) == pytest.approx(3.55)
    assert realised["book_per_bottle"] == pytest.approx(row["book_per_bottle"]) == pytest.approx(10.0)
    assert realised["return_a_year"] == pytest.approx(0.10, abs=1e-9)
    gone = exits(book, "2025-01-01", "2025-12-31").iloc[0]
    assert gone["cost"] == pytest.approx(
        1000 * (realised["book_per_bottle"] + 3.00)
    )  # the channel's own is no cost of goods


def test_margin_of_capital_is_the_return_where_the_sale_just_earns_the_hurdle() -> None:
    """Sold at its cost at 8 %: the margin a year per unit of capital said ln 1.08 = 7.70 %."""
    price = 10 * 1.08 ** ((SENT - BOTTLED).days / 365)
    later = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]})
    estate = ten_a_bottle(dispatches=packed(**{"Net price": [price]}), settings=later)
    row = margins_by_cuvee(Runs(estate)).iloc[0]
    assert row["return_a_year"] == pytest.approx(0.08, abs=1e-9)
    assert row["margin_per_capital"] == pytest.approx(0.08, rel=1e-12)
    assert row["margin_per_bottle"] - 0.08 * row["average_capital_per_bottle"] == pytest.approx(
        row["margin_after_capital"], abs=1e-12
    )


def test_finished_storage_and_work_at_dispatch_fall_on_good_bottles_in_hold_or_release() -> None:
    """Of 100 bottles put to disgorging 4 are lost: 96 are stored and sent, and finishing is paid on all of them."""
    rows = one_bottling()
    del rows["disgorgements"]
    estate = read_estate(
        rows
        | {
            "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-03-01"]}),
            "loss_norms": pd.DataFrame(
                {"Operation or stage": ["disgorgement"], "Norm (%)": [4], "Time base": ["per movement"]}
            ),
            "operation_rates": pd.DataFrame(
                [
                    HANDLING | {"Operation": "disgorgement", "Driver": "bottle in", "Amount": 0.7},
                    HANDLING,
                    HANDLING
                    | {"Stage": "finished stock", "Operation": "storage", "Driver": "bottle-year", "Amount": 0.5},
                ]
            ),
        }
    )
    held = holding(run(estate, ECONOMIC)).stacks
    assert held.finished_storage_per_bottle_year[0, 0] == pytest.approx(0.48)
    assert held.finishing[0, 0] == pytest.approx(0.7 + 0.96)


def test_the_next_release_is_the_first_planned_one_and_not_the_oldest_leftover() -> None:
    frame = pd.DataFrame(
        {
            "release": ["D19", "D24", "P26", "P27", "S", "M20", "M24"],
            "cuvee": "Brut",
            "format": ["bottle"] * 5 + ["magnum"] * 2,
            "channel": "Trade",
            "state": ["made", "made", "planned", "planned", "on lees", "made", "made"],
            "ready": pd.to_datetime(
                ["2019-05-01", "2024-05-01", "2026-02-01", "2027-02-01", "2025-03-02", "2020-01-01", "2024-01-01"]
            ),
        }
    )
    assert next_of_each(frame)["release"].tolist() == ["P26", "M24"]


def test_a_cuvee_by_its_name_is_its_latest_release_in_bottles(demo_runs) -> None:
    """`sensitivity Brut` picked the magnums that were disgorged with the last bottles."""
    assert release_named(demo_runs.on(BOOK), "Brut")["format"] == "bottle"


def test_tables_of_the_demo_speak_of_the_next_release(demo_runs) -> None:
    prices = priced_releases(demo_runs)
    plans = prices[prices["state"] == "planned"].groupby(["cuvee", "format"])["release"].first()
    letter = cost_rises(demo_runs.economic, demo_runs.replacement).groupby(["cuvee", "format"])["release"].first()
    assert len(plans)
    assert letter.loc[plans.index].tolist() == plans.tolist()
