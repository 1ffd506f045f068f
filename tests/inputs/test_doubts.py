"""What is possible and more often a slip is voiced once for each kind; thresholds are common practice, no source."""

from __future__ import annotations

import pandas as pd

from costing.errors import CAUTION, Finding
from costing.inputs.load import load, read_frames
from tests.inputs.planted import planted


def _with(title: str, rows: list[dict[str, object]], changed: dict[str, object] | None = None) -> list[Finding]:
    """Findings about the small estate with rows added, each like the last one of its sheet but for some cells."""
    tables = planted(changed or {})
    last = tables[title].iloc[[-1]]
    more = [last.assign(**{name: [value] for name, value in row.items()}) for row in rows]
    tables[title] = pd.concat([tables[title], *more], ignore_index=True)
    return list(load(read_frames(tables), settings_required=False).cautions)


def test_one_invoice_on_two_days_is_doubted_once() -> None:
    row = {"Date incurred": "2025-02-01", "Lot": "V1", "Element": "labour", "Amount": "50", "Reference": "INV-17"}
    found = _with("Costs", [row, {**row, "Date incurred": "2025-02-09"}, {**row, "Date incurred": "2025-02-11"}])
    doubts = [one for one in found if "has reference, element, amount and lot of" in one.rule]
    assert len(doubts) == 1
    assert doubts[0].severity == CAUTION
    assert "of 2025-02-01. 1 more cell is like it" in doubts[0].rule


def test_the_same_reference_for_two_amounts_is_one_invoice_in_lines() -> None:
    row = {"Date incurred": "2025-02-01", "Lot": "V1", "Element": "labour", "Reference": "INV-17"}
    found = _with("Costs", [{**row, "Amount": "50"}, {**row, "Amount": "60"}])
    assert not [one for one in found if "has reference" in one.rule]


def _grapes(*prices: str) -> list[Finding]:
    rows = [
        {"Year": str(2010 + turn), "Village": "Corvaux", "Variety": "Meunier", "Price per kg": price}
        for turn, price in enumerate(prices)
    ]
    return [one for one in _with("Grape prices", rows) if "ten times off" in one.rule]


def test_a_grape_price_ten_times_off_its_own_history_is_doubted() -> None:
    found = _grapes("6.05", "6.1", "60.5", "6.2", "6.3")
    assert [(one.value, one.rule) for one in found] == [("60.5", "is ten times off: 6.2 is usual here.")]
    assert [one.value for one in _grapes("6.05", "6.1", ".62", "6.2", "6.3")] == ["0.62"]


def test_a_price_that_rose_is_no_slip() -> None:
    assert _grapes("2.1", "3.5", "6.1", "9.2", "14.5") == []


def test_bottles_that_come_back_without_a_price_are_doubted() -> None:
    back = {"Date": "2025-05-01", "Lot": "BACK", "What": "finished", "Quantity": "12", "Unit": "bottles"}
    found = _with("Deliveries", [{**back, "Format": "bottle", "Price per unit": "", "Variety": "", "Village": ""}])
    assert [one.rule for one in found if "at no cost" in one.rule] == [
        "no price stands here: these bottles come in at no cost."
    ]


def test_losses_without_any_norm_are_said_once() -> None:
    tables = planted({})
    tables.pop("Loss norms")
    cautions = load(read_frames(tables), settings_required=False).cautions
    assert [one.place for one in cautions if "holds no norm" in one.rule] == ["Loss norms"]


def test_a_pool_that_ends_before_the_valuation_date_is_said_once() -> None:
    """Its last rate is carried on: an estate that forgets to enter the next period is told."""
    pool = {"Pool": "Yard", "Amount": "900", "From": "2025-01-01"}
    found = [_with("Pools", [{**pool, "To": day}]) for day in ("2025-11-30", "2025-12-31")]
    assert [len([one for one in told if "is the last day of this pool" in one.rule]) for told in found] == [1, 0]


def test_a_period_of_no_cost_ends_a_pool_and_nothing_is_carried_on() -> None:
    pool, yard = {"From": "2025-01-01", "To": "2025-11-15"}, {"From": "2025-11-16", "To": "2025-11-30", "Pool": "Yard"}
    for amount, times in (("0", 0), ("1", 1)):
        told = _with("Pools", [{**pool, "Pool": "Yard", "Amount": "900"}, {**yard, "Amount": amount}])
        assert len([one for one in told if "is the last day of this pool" in one.rule]) == times


def test_records_that_begin_after_the_valuation_date_are_doubted_once() -> None:
    """A closing of 31 December and its opening of 1 January: nothing would be on hand, and nothing said."""
    tables = planted({})
    opened = pd.to_datetime(tables["Opening stock"]["Date"]).min()
    valued = tables["Settings"]["Setting"] == "Valuation date"
    doubts = {}
    for days in (-1, 0):
        day = f"{opened + pd.Timedelta(days=days):%Y-%m-%d}"
        tables["Settings"] = tables["Settings"].assign(Value=tables["Settings"]["Value"].where(~valued, day))
        cautions = load(read_frames(tables), settings_required=False).cautions
        doubts[days] = [one for one in cautions if "is before the opening stock" in one.rule]
    assert [(one.place.split("!")[0], one.severity) for one in doubts[-1]] == [("Settings", CAUTION)]
    assert doubts[0] == []
