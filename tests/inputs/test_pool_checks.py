"""Pools that serve pools, and bottlings of several wines: each rule at the cell that breaks it, and at no other."""

from __future__ import annotations

import pandas as pd
import pytest

from costing.errors import CAUTION, ERROR, Finding, InputError
from costing.inputs.load import load, read_frames

Row = tuple[str, str | None, str | None, float | None]


def _findings(tables: dict[str, pd.DataFrame]) -> list[Finding]:
    try:
        return list(load(read_frames(tables), settings_required=False).cautions)
    except InputError as wrong:
        return wrong.findings


def said(*rows: Row, method: str = "reciprocal") -> list[tuple[str, str, str]]:
    """What is said of pools of one year: name, driver, pool that it serves, its share."""
    pools = pd.DataFrame(rows, columns=["Pool", "Driver", "Serves", "Share"])
    pools = pools.assign(From="2025-01-01", To="2025-12-31", Amount=100.0, Element="overhead")
    settings = pd.DataFrame({"Setting": ["Service pools"], "Value": [method]})
    found = _findings({"Settings": settings, "Pools": pools})
    return [(one.place, one.severity, one.rule) for one in found if one.place.startswith("Pools!")]


PRESS, HALL = ("Press", "kg", None, None), ("Hall", "litre", None, None)


def test_a_pool_shares_out_or_serves_and_serves_one_that_is_there() -> None:
    assert said(PRESS, ("Water", None, "Press", 1.0)) == []
    (both,) = said(PRESS, HALL, ("Hall", None, "Press", 1.0))
    assert both[:2] == ("Pools!A4", ERROR)
    assert "has a driver in another row of the period" in both[2]
    missing = said(PRESS, ("Water", None, "Pres", 1.0))
    assert [one for one in missing if "goes nowhere" not in one[2]] == [
        ("Pools!C3", ERROR, "is no pool of this period.")
    ]
    (none,) = said(PRESS, ("Water", None, None, None))
    assert (none[0], none[2]) == ("Pools!B3", "neither a driver nor a pool that this one serves stands here.")
    (two,) = said(PRESS, ("Hall", "litre", "Press", 1.0))
    assert (two[0], two[2]) == ("Pools!B3", "shares out a pool that serves another pool: its cost goes there.")


@pytest.mark.parametrize(
    ("begins", "ends", "said_at"),
    [
        ("2025-06-30", "2025-06-30", ["Pools!A3"]),  # one day, and that twice
        ("2026-01-01", "2026-01-01", []),
        ("2025-12-31", "2026-12-31", ["Pools!A3"]),
        ("2026-01-01", "2026-12-31", []),
    ],
)
def test_periods_of_a_pool_follow_each_other(begins: str, ends: str, said_at: list[str]) -> None:
    pools = pd.DataFrame({"From": ["2025-01-01", begins], "To": ["2025-12-31", ends], "Pool": "Hall"})
    found = _findings({"Pools": pools.assign(Driver="litre", Amount=100.0, Element="overhead")})
    assert [one.place for one in found if "count twice" in one.rule] == said_at


ONE_AFTER_THE_OTHER = (PRESS, ("Water", None, "Power", 1.0), ("Power", None, "Press", 1.0))
THE_OTHER_WAY = (PRESS, ("Power", None, "Press", 1.0), ("Water", None, "Power", 1.0))
NOWHERE = (PRESS, ("Water", None, "Power", 1.0), ("Power", None, "Water", 1.0))
SHARE_OF_NOTHING = (PRESS, ("Water", None, "Press", 0.0))
RING = (PRESS, ("Water", None, "Power", 1.0), ("Water", None, "Press", 1.0), ("Power", None, "Water", 1.0))


@pytest.mark.parametrize(
    ("rows", "by_method"),
    [
        (ONE_AFTER_THE_OTHER, {"reciprocal": [], "step-down": [], "direct": ["Pools!A3"]}),
        (THE_OTHER_WAY, {"reciprocal": [], "step-down": ["Pools!A4"], "direct": ["Pools!A4"]}),
        (NOWHERE, {"reciprocal": ["Pools!A3", "Pools!A4"]}),
        (SHARE_OF_NOTHING, {"reciprocal": ["Pools!A3"], "step-down": ["Pools!A3"], "direct": ["Pools!A3"]}),
    ],
)
def test_cost_that_reaches_no_pool_with_a_driver_is_an_error(
    rows: tuple[Row, ...], by_method: dict[str, list[str]]
) -> None:
    for method, places in by_method.items():
        found = [one for one in said(*rows, method=method) if one[1] == ERROR]
        assert [place for place, *_ in found] == places, method
        for *_, rule in found:
            assert rule == f"serves no pool with a driver by the {method} method: its cost goes nowhere."


def test_a_ring_is_a_caution_where_the_method_leaves_part_of_it_out() -> None:
    assert said(*RING) == []
    for method in ("step-down", "direct"):
        ring = [one for one in said(*RING, method=method) if one[1] == CAUTION]
        assert [place for place, *_ in ring] == ["Pools!C3"], method
        assert f"in a ring (Water, Power), of which the {method} method" in ring[0][2]


def bottled(*rows: tuple[float | None, float | None], lots: str = "AAA") -> list[tuple[str, str]]:
    """What is said of wines bottled into one lot on a day, or into several: litres and bottles of each."""
    wines = [f"V{number}" for number in range(len(rows))]
    opening = pd.DataFrame({"Date": "2025-01-01", "Lot": wines, "Kind": "wine", "Quantity": 900.0, "Unit": "L"})
    tirage = pd.DataFrame(
        {
            **{"Date": "2025-04-15", "Cuvée": "Brut", "Bottle lot": list(lots[: len(rows)]), "Wine lot": wines},
            **{"Wine (L)": [litres for litres, _ in rows], "Bottles": [bottles for _, bottles in rows]},
        }
    )
    found = _findings({"Opening stock": opening, "Tirage": tirage})
    return [(one.place, one.rule) for one in found if one.place.startswith("Tirage!") and one.severity == ERROR]


def test_wines_bottled_together_say_their_bottles_and_all_litres_but_one() -> None:
    assert bottled((300.0, 800.0), (300.0, None)) == []
    assert bottled((300.0, 800.0), (None, None)) == []
    assert bottled((300.0, None), (None, 800.0)) == []
    ((place, rule),) = bottled((300.0, None), (300.0, None))
    assert (place, rule[:26]) == ("Tirage!F2", "no bottles stand here, and")
    ((place, rule),) = bottled((None, 800.0), (None, None))
    assert (place, rule[:40]) == ("Tirage!E3", "no litres stand here, and another wine o")
    ((place, rule),) = bottled((300.0, 400.0), (300.0, 400.0), (300.0, None))
    assert (place, rule[:24]) == ("Tirage!F3", "bottles stand in 2 rows ")
    assert bottled((300.0, 400.0), (300.0, 400.0), lots="AB") == []
