"""Bottles that come back, with their credit note.

IFRS 15.B20-B27 (sale with a right of return): revenue and cost of sales are reversed for what is returned, and it is
stock again at their former carrying amount; IAS 2.34 for the expense. Figures by hand.
"""

from __future__ import annotations

import pandas as pd
import pytest

from costing import BOOK, InputError, read_estate, run
from costing import open as open_house
from costing.decisions.budget.entries import CASH_KINDS
from costing.decisions.budget.sales import cash_of_sales
from costing.model import Runs
from costing.results.stock import stock_values


def _frames(*sent: tuple[str, float, float]) -> dict[str, pd.DataFrame]:
    """1,000 bottles at 8.00, sold by `sent` (day, bottles, net price) through a channel that takes 10 % and 0.50."""
    days, bottles, prices = zip(*sent, strict=True)
    return {
        "settings": pd.DataFrame({"setting": ["Valuation date"], "value": ["2025-12-31"]}),
        "opening_stock": pd.DataFrame(
            {"on_date": ["2025-01-01"], "lot": ["D"], "kind": ["finished"], "quantity": [1000], "unit": ["bottles"]}
        ).assign(format="bottle", cuvee="Brut"),
        "cuvees": pd.DataFrame({"cuvee": ["Brut"]}),
        "opening_costs": pd.DataFrame({"lot": ["D"], "element": ["grapes"], "amount": [8000.0]}),
        "channels": pd.DataFrame({"channel": ["Trade"], "commission": [10.0], "selling_cost_per_bottle": [0.5]}),
        "operation_rates": pd.DataFrame(
            {"from_date": ["2025-01-01"], "operation": ["dispatch"], "driver": ["bottle out"], "amount": [0.2]}
        ).assign(element="labour"),
        "dispatches": pd.DataFrame({"on_date": days, "bottles": bottles, "net_price": prices}).assign(
            release_lot="D", channel="Trade"
        ),
    }


@pytest.mark.parametrize("sold", [600.0, 1000.0])
def test_what_comes_back_is_stock_at_its_cost_and_no_cost_of_goods_sold(sold: float) -> None:
    """100 of them come back in May: whether others lie there or the lot was sold out, each is 8.00 again."""
    results = run(read_estate(_frames(("2025-03-01", sold, 15.0), ("2025-05-01", -100.0, 15.0))), BOOK)
    results.check_identity()
    stock = stock_values(results).set_index("lot")
    assert stock.loc["D", "quantity"] == pytest.approx(1100 - sold)
    assert stock.loc["D", "value"] == pytest.approx(8.0 * (1100 - sold))
    assert results.exit_amount.sum() == pytest.approx(8.0 * (sold - 100) + 0.2 * sold)  # sending stays spent
    before = stock_values(results, "2025-04-30")
    assert before["quantity"].sum() == pytest.approx(1000 - sold)  # a later return changes no earlier stock


@pytest.mark.parametrize("sold", [600.0, 1000.0])
def test_revenue_is_reversed_and_the_selling_cost_stays(sold: float) -> None:
    """Net receipt 13.50 a bottle on what stays sold; 0.50 and 0.20 were spent on all that was sent."""
    house = open_house(_frames(("2025-03-01", sold, 15.0), ("2025-05-01", -100.0, 15.0)))
    (line,) = house.margins()["margins"].to_dict("records")
    kept = sold - 100
    assert line["bottles_sold"] == pytest.approx(kept)
    assert line["margin_total"] == pytest.approx(kept * (13.5 - 8.0) - 0.7 * sold)


def test_back_and_sold_again_is_sold_at_the_same_cost() -> None:
    estate = read_estate(
        _frames(("2025-03-01", 1000.0, 15.0), ("2025-05-01", -100.0, 15.0), ("2025-06-01", 100.0, 14.0))
    )
    results = run(estate, BOOK)
    results.check_identity()
    assert results.exit_amount.sum() == pytest.approx(8000.0 + 0.2 * 1100)
    assert not len(stock_values(results))


def test_nothing_can_come_back_to_a_lot_that_has_held_nothing() -> None:
    frames = _frames(("2025-01-05", -10.0, 15.0), ("2025-03-01", 10.0, 15.0)) | {"deliveries": _arrival()}
    frames |= {name: frames[name].assign(lot="E") for name in ("opening_stock", "opening_costs")}
    estate = read_estate(frames)
    with pytest.raises(InputError) as wrong:
        run(estate, BOOK)
    assert "come back to D, which never held anything" in wrong.value.findings[-1].rule


def _arrival() -> pd.DataFrame:
    return pd.DataFrame(
        {"on_date": ["2025-01-10"], "lot": ["D"], "what": ["finished"], "quantity": [100], "unit": ["bottles"]}
    ).assign(format="bottle", cuvee="Brut", price_per_unit=8.0)


def test_more_back_than_had_gone_is_doubted() -> None:
    frames = _frames(("2025-03-01", 10.0, 15.0), ("2025-05-01", -12.0, 15.0))
    frames |= {"opening_stock": frames["opening_stock"].assign(lot="E"), "deliveries": _arrival()}
    frames["opening_costs"] = frames["opening_costs"].assign(lot="E")
    assert "fewer had gone out by this channel" in " ".join(one.rule for one in read_estate(frames).cautions)


def test_the_credit_note_is_paid_out_and_its_duty_comes_back() -> None:
    """600 sold and 100 back at 13.50 after commission, duty of 2.00 on each: 500 remain of all but the selling cost."""
    frames = _frames(("2025-03-01", 600.0, 15.0), ("2025-05-01", -100.0, 15.0))
    frames["channels"] = frames["channels"].assign(excise_basis="per bottle", excise_amount=2.0, duty_days=10)
    found, _ = cash_of_sales(Runs(read_estate(frames)))
    paid = {CASH_KINDS[kind]: found.amount[found.kind == kind].sum() for kind in set(found.kind.tolist())}
    assert paid == pytest.approx({"customers": 500 * 15.5, "duty": -500 * 2.0, "other": -600 * 0.5})
