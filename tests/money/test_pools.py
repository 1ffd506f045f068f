"""Pools as a run charges them: seasons, plans beyond the last period, and pools that serve other pools."""

import numpy as np
import pandas as pd
import pytest

from costing import REPLACEMENT, read_estate
from costing.decisions.keeping_costs import pools_per_unit_year
from costing.errors import InputError
from costing.graph.arrays import Flow
from costing.inputs.load import read_inputs
from costing.model import run, trace
from costing.money.events import events_of
from costing.money.rates import location_of, locations
from tests.money.test_drivers import everything_once
from tests.money.test_entries import bottled_on

PRESS_HOUSE = {"pool": "Press house", "amount": 24_000.0, "driver": "kg", "stage": "pressing", "element": "overhead"}
YEAR = {"from_date": "2025-01-01", "to_date": "2025-12-31"}


def pressed(valued, pools, loads=(("2025-09-01", 40_000), ("2025-09-15", 30_000)), **settings):
    """Press loads, each into a lot of its own, on pools."""
    days, kg = zip(*loads, strict=True)
    names = [f"G{one}" for one in range(len(days))]
    chosen = {"valuation_date": valued, **settings}
    return read_inputs(
        {
            "settings": pd.DataFrame({"setting": list(chosen), "value": list(chosen.values())}),
            "deliveries": pd.DataFrame({"on_date": days, "lot": names, "what": "grapes", "quantity": kg, "unit": "kg"}),
            "pressings": pd.DataFrame(
                {
                    "on_date": days,
                    "load": names,
                    "from_lot": names,
                    "weight_kg": kg,
                    "fraction": "first",
                    "volume_l": [one * 0.6 for one in kg],
                    "to_lot": [f"M{one}" for one in range(len(days))],
                }
            ),
            "pools": pd.DataFrame(pools),
        }
    )


def in_must(estate, lot=None):
    """What pools put into the must, of one lot or of all."""
    results = run(estate)
    charged = results.charges.postings
    lots = results.chain.lots.names
    of = results.chain.flows.source[charged.flow]
    chosen = np.ones(len(charged), bool) if lot is None else lots[of] == lot
    return float(charged.amount[chosen].sum()), results


@pytest.mark.parametrize("valued", ["2025-08-31", "2025-09-14", "2025-09-15", "2025-09-30", "2025-12-31", "2026-04-30"])
def test_a_press_house_used_up_by_mid_september_is_all_in_the_must(valued):
    """Once 17,951 of 24,000 on 30 September, and 6,049 called idle; what is planned uses it up as well."""
    amount, results = in_must(pressed(valued, [{**YEAR, **PRESS_HOUSE, "normal_capacity": 70_000}]))
    assert amount == pytest.approx(24_000.0)
    assert results.charges.expensed.amount.sum() == pytest.approx(0.0, abs=1e-9)


def test_the_valuation_date_moves_no_load_of_an_open_season():
    pool = [{**YEAR, **PRESS_HOUSE, "normal_capacity": 70_000}]
    half = (("2025-09-01", 35_000),)
    for valued in ("2025-09-01", "2025-10-31", "2025-12-31"):
        amount, results = in_must(pressed(valued, pool, half))
        assert amount == pytest.approx(12_000.0)
        assert not [one for one in results.cautions if "Press house" in one.rule]  # by capacity, not by days
        left = results.charges.expensed
        # idle on the last day of the period; before it, not yet used
        assert left.amount.tolist() == pytest.approx([12_000.0])
        assert left.incurred.tolist() == [np.datetime64("2025-12-31", "D").astype(np.int64)]


def test_a_season_without_normal_capacity_is_split_by_days_and_says_so():
    amount, results = in_must(pressed("2025-09-30", [{**YEAR, **PRESS_HOUSE}]))
    assert amount == pytest.approx(24_000 * 273 / 365)
    assert [one.value for one in results.cautions if "for 'Press house'" in one.rule] == [""]
    closed = in_must(pressed("2025-12-31", [{**YEAR, **PRESS_HOUSE}]))
    assert closed[0] == pytest.approx(24_000.0)
    assert not [one for one in closed[1].cautions if "Press house" in one.rule]


@pytest.mark.parametrize(
    ("begins", "capacity", "is_said"),
    [("2025-09-01", None, True), ("2025-09-02", None, False), ("2025-09-01", 1, False)],
)
def test_a_season_without_normal_capacity_goes_by_days_from_its_first_day_on(begins, capacity, is_said):
    pool = {**YEAR, **PRESS_HOUSE, "from_date": begins, "normal_capacity": capacity}
    _, results = in_must(pressed("2025-09-01", [pool], (("2025-09-01", 40_000), ("2025-09-15", 30_000))))
    assert bool([one for one in results.cautions if "goes by days" in one.rule]) == is_said


def test_what_is_planned_for_the_last_day_of_a_period_is_inside_it():
    """The 30,000 kg of 31 December take what was left of the capacity: nothing is idle, and no plan goes beyond it."""
    loads = (("2025-09-01", 40_000), ("2025-12-31", 30_000))
    amount, results = in_must(pressed("2025-09-01", [{**YEAR, **PRESS_HOUSE, "normal_capacity": 70_000}], loads))
    assert amount == pytest.approx(24_000.0)
    assert results.charges.expensed.amount.sum() == pytest.approx(0.0, abs=1e-9)
    assert not [one for one in results.cautions if "at its last rate" in one.rule]


def test_a_bottling_on_the_valuation_day_is_done_and_one_on_the_next_day_is_planned():
    """3,650 for 2025 over bottles filled, no normal capacity: of 73 days 730, on 1,000 bottles; plans at that rate."""
    for second, filled in (("2025-03-15", [730.0, 730.0]), ("2025-03-14", [365.0, 365.0])):
        tables = bottled_on(second)
        tables["tirage"].loc[0, "Date"] = "2025-03-14"
        tables["settings"] = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-03-14"]})
        pool = {"From": "2025-01-01", "To": "2025-12-31", "Pool": "Line", "Amount": 3_650.0, "Driver": "bottle out"}
        tables["pools"] = pd.DataFrame([{**pool, "Stage": "tirage", "Element": "overhead"}])
        results = run(read_estate(tables))
        charged = results.charges.postings
        assert charged.amount[charged.of("pools", "amount")].tolist() == pytest.approx(filled)


def test_a_pool_that_nobody_used_has_no_capacity_of_its_own():
    idle = {**PRESS_HOUSE, "from_date": "2024-01-01", "to_date": "2024-12-31"}
    _, results = in_must(pressed("2025-12-31", [idle, {**YEAR, **PRESS_HOUSE}], (("2025-09-01", 40_000),)))
    assert results.charges.pools.capacity().tolist() == pytest.approx([0.0, 40_000.0])


@pytest.mark.parametrize(("capacity", "per_kg"), [(70_000, 24_000 / 70_000), (None, 24_000 / 40_000)])
def test_a_plan_beyond_the_last_period_bears_its_rate(capacity, per_kg):
    """Once a planned release got no pool cost when next year's pools were not typed, with no caution."""
    pool = {**YEAR, **PRESS_HOUSE, "normal_capacity": capacity}
    loads = (("2025-09-01", 40_000), ("2026-09-01", 10_000))
    amount, results = in_must(pressed("2025-12-31", [pool], loads), "G1")
    assert amount == pytest.approx(10_000 * per_kg)
    assert results.charges.pools.capacity().tolist() == pytest.approx([capacity or 40_000])  # of recipes
    said = [one for one in results.cautions if "at its last rate" in one.rule]
    assert [(one.value, "'Press house'" in one.rule) for one in said] == [("2025-12-31", True)]
    past, _ = in_must(pressed("2025-12-31", [pool], loads[:1]), "G0")
    assert in_must(pressed("2025-12-31", [pool], loads), "G0")[0] == past  # the plan reprices nothing
    typed = [pool, {**PRESS_HOUSE, "from_date": "2026-01-01", "to_date": "2026-12-31", "amount": 0.0}]
    ended, results = in_must(pressed("2025-12-31", typed, loads), "G1")
    assert ended == 0.0  # a period of nothing ends a pool
    assert not [one for one in results.cautions if "at its last rate" in one.rule]


@pytest.mark.parametrize(("amount", "lies_on", "is_said"), [(500.0, False, 0), (500.0, True, 1), (0.0, True, 0)])
def test_stock_that_lies_on_after_the_last_period_is_said_and_stock_up_to_its_last_day_is_not(amount, lies_on, is_said):
    """And a pool that a period of nothing ended charges nothing after it."""
    pool = {**YEAR, "pool": "Cellar", "amount": amount, "driver": "bottle-year", "element": "storage"}
    opening = {"lot": "S", "kind": "on lees", "on_date": "2025-06-30", "quantity": 1_000, "unit": "bottles"}
    sent = {"on_date": ["2026-01-01"], "operation": "loss", "from_lot": "S", "out_bottles": 1_000.0}
    estate = read_inputs(
        {
            "settings": pd.DataFrame({"setting": ["valuation_date"], "value": ["2025-12-31"]}),
            "opening_stock": pd.DataFrame([{**opening, "format": "bottle", "cuvee": "Brut"}]),
            "cuvees": pd.DataFrame({"cuvee": ["Brut"]}),
            "pools": pd.DataFrame([{**pool, "normal_capacity": 2_000}]),
            **({"movements": pd.DataFrame(sent)} if lies_on else {}),
        }
    )
    said = [one for one in run(estate).cautions if "at its last rate" in one.rule]
    assert len(said) == is_said


def test_a_pool_of_the_first_stage_or_of_the_first_place_bears_on_that_alone():
    """Kilograms received, not those pressed; litres at the one place that is named."""
    reception = {**YEAR, "pool": "Reception", "amount": 7_000.0, "driver": "kg", "stage": "harvest"}
    results = run(pressed("2025-12-31", [{**reception, "element": "overhead", "normal_capacity": 70_000}]))
    charged = results.charges.postings.take(results.charges.postings.of("pools", "amount"))
    assert charged.amount.tolist() == pytest.approx([4_000.0, 3_000.0])
    assert set(results.chain.flows.kind[charged.flow]) == {Flow.DELIVERY}
    tables = everything_once()
    tables["deliveries"] = tables["deliveries"].assign(Location=[None, "Hall", None])
    hall = {"From": "2023-01-01", "To": "2023-12-31", "Pool": "Hall", "Amount": 500.0, "Driver": "litre"}
    tables["pools"] = pd.DataFrame([{**hall, "Location": "Hall", "Element": "overhead"}])
    results = run(read_estate(tables))
    of_pool = results.charges.postings.take(results.charges.postings.of("pools", "amount"))
    assert results.chain.lots.names[results.chain.states.lot[of_pool.state]].tolist() == ["W"]


def test_a_pool_knows_what_is_done_and_what_is_planned_of_its_driver_in_its_period():
    """40,000 kg by the valuation day, 30,000 after it, 10,000 beyond; vats hold must from the pressings on."""
    loads = (("2025-09-01", 40_000), ("2025-09-15", 30_000), ("2026-09-01", 10_000))
    vats = {**YEAR, "pool": "Vats", "amount": 100.0, "driver": "litre-year", "element": "storage"}
    estate = pressed("2025-09-01", [{**YEAR, **PRESS_HOUSE}, vats], loads)
    results = run(estate)
    taken = results.charges.pools.taken(events_of(estate, results.chain))
    litre_years = (24_000 * 121 + 18_000 * 107) / 365  # to the end of 31 December
    np.testing.assert_allclose(taken, [[40_000, 30_000], [0.0, litre_years]])


def test_a_stack_that_opens_on_the_valuation_day_bears_its_pool():
    """Once a hold verdict took its storage as free."""
    opening = {"lot": "S", "kind": "on lees", "on_date": "2025-12-31", "quantity": 1_000, "unit": "bottles"}
    pool = {**YEAR, "pool": "Cellar", "amount": 500.0, "driver": "bottle-year", "normal_capacity": 2_000}
    settings = pd.DataFrame({"setting": ["valuation_date"], "value": ["2025-12-31"]})
    estate = read_inputs(
        {
            "settings": settings,
            "opening_stock": pd.DataFrame([{**opening, "format": "bottle", "cuvee": "Brut"}]),
            "cuvees": pd.DataFrame({"cuvee": ["Brut"]}),
            "pools": pd.DataFrame([{**pool, "element": "storage"}]),
        }
    )
    results = run(estate)
    at = np.array([results.chain.valuation_day, results.chain.valuation_day + 900])
    np.testing.assert_allclose(pools_per_unit_year(results, np.array([0]), at), [[0.25, 0.25]])


@pytest.mark.parametrize(("last", "is_idle"), [("2025-12-31", False), ("2026-01-01", True)])
def test_a_period_that_was_over_when_the_records_begin_leaves_nothing_idle(last, is_idle):
    """Opening stock of 31 December: what the pool of 2025 did not use was expensed in books that are closed."""
    pool = {**YEAR, "to_date": last, "pool": "Cellar", "amount": 500.0, "driver": "bottle-year", "element": "storage"}
    opening = {"lot": "S", "kind": "on lees", "on_date": "2025-12-31", "quantity": 1_000, "unit": "bottles"}
    estate = read_inputs(
        {
            "settings": pd.DataFrame({"setting": ["valuation_date"], "value": ["2026-06-30"]}),
            "opening_stock": pd.DataFrame([{**opening, "format": "bottle", "cuvee": "Brut"}]),
            "cuvees": pd.DataFrame({"cuvee": ["Brut"]}),
            "pools": pd.DataFrame([{**pool, "normal_capacity": 2_000}]),
        }
    )
    used = 1_000 / 365 * 500 / 2_000  # of the one day of 2026
    left = run(estate).charges.expensed
    assert left.amount.tolist() == ([pytest.approx(500.0 - used)] if is_idle else [])
    assert left.stage.tolist() == [0] * is_idle  # of no stage: the first one stands for all


def services(method, order=("Maintenance", "Administration"), **more):
    """Delivery company: two services and two pools for wine; teaching page, published values beside the figures."""
    serves = {
        "Administration": (1_200.0, {"Maintenance": 1, "One": 1, "Two": 4}),
        "Maintenance": (2_400.0, {"Administration": 1, "One": 1, "Two": 3}),
    }
    pools = [
        {**YEAR, "pool": name, "amount": amount, "element": "labour", "driver": driver}
        for name, amount, driver in (("One", 1_500.0, "kg"), ("Two", 4_000.0, "litre"))
    ]
    for name in order:
        amount, links = serves[name]
        for at, (to, share) in enumerate(links.items()):
            row = {"pool": name, "amount": amount if at == 0 else 0.0, "element": "overhead"}
            pools.append({**YEAR, **row, "serves": to, "share": share})
    return pressed("2025-12-31", pools, service_method=method, **more)


@pytest.mark.parametrize(
    ("method", "expected"),
    [("reciprocal", [2_328, 6_772]), ("direct", [2_340, 6_760]), ("step-down", [2_316, 6_784])],
)
def test_a_delivery_company_through_a_whole_run(method, expected):
    estate = services(method)
    amount, results = in_must(estate)
    assert amount == pytest.approx(9_100.0)
    pools = results.charges.pools
    of = estate["pools"]["pool"].astype(object).to_numpy()[pools.rows.target]
    charged = [float(pools.rows.amount[of == name].sum()) for name in ("One", "Two")]
    np.testing.assert_allclose(charged, expected, atol=0.5)
    rings = [one for one in estate.cautions if "in a ring" in one.rule]
    assert len(rings) == (method != "reciprocal")
    # every euro leads to the cell where it was entered
    postings = results.charges.postings
    by_row = pd.Series(postings.amount).groupby(postings.row).sum()
    np.testing.assert_allclose(by_row[by_row != 0].sort_index(), [1_500, 4_000, 2_400, 1_200])


def test_repeated_distribution_through_a_whole_run():
    """P 80,000 and 70,000; S1 30,000 in 4:3:3 to P1, P2, S2; S2 20,000 in 3:4:3 to P1, P2, S1 (teaching page)."""
    rows = [("P1", 80_000, "kg", None, None), ("P2", 70_000, "litre", None, None)]
    rows += [("S1", 30_000, None, "P1", 4), ("S1", 0, None, "P2", 3), ("S1", 0, None, "S2", 3)]
    rows += [("S2", 20_000, None, "P1", 3), ("S2", 0, None, "P2", 4), ("S2", 0, None, "S1", 3)]
    columns = ["pool", "amount", "driver", "serves", "share"]
    pools = pd.DataFrame(rows, columns=columns).assign(**YEAR, element="overhead").to_dict("records")
    _, results = in_must(pressed("2025-12-31", pools))
    charged = results.charges.pools.rows
    of = pd.Series(charged.amount).groupby(charged.target).sum()
    np.testing.assert_allclose(of, [105_384.62, 94_615.38], atol=0.005)


def test_services_of_a_year_and_of_its_first_half_are_handed_on_once_each():
    half = {**YEAR, "to_date": "2025-06-30", "element": "labour"}
    pools = [{**YEAR, **PRESS_HOUSE, "serves": None}, {**half, "pool": "Line", "amount": 300.0, "driver": "litre"}]
    pools.append({**YEAR, "element": "labour", "pool": "Office", "amount": 100.0, "serves": "Press house"})
    pools.append({**half, "pool": "Fitter", "amount": 50.0, "serves": "Line"})
    _, results = in_must(pressed("2025-12-31", pools))
    charged = results.charges.pools.rows
    assert pd.Series(charged.amount).groupby(charged.target).sum().tolist() == pytest.approx([24_100.0, 350.0])


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"driver": None, "serves": None}, "neither a driver nor a pool"),
        ({"driver": "kg", "serves": "Press house"}, "serves another pool"),
        ({"driver": None, "serves": "Press hous"}, "is no pool of this period"),
        ({"driver": None, "serves": "Workshop"}, "its cost goes nowhere"),
    ],
)
def test_a_pool_that_serves_nobody_is_named_at_its_cell(row, words):
    workshop = {**YEAR, "pool": "Workshop", "amount": 100.0, "element": "labour", **row}
    with pytest.raises(InputError) as wrong:
        pressed("2025-12-31", [{**YEAR, **PRESS_HOUSE, "serves": None}, workshop])
    assert [one for one in wrong.value.findings if words in one.rule and "3" in one.place]


@pytest.mark.parametrize(("method", "goes_on"), [("reciprocal", True), ("step-down", False), ("direct", False)])
def test_a_service_pool_that_serves_only_one_closed_before_it_goes_nowhere_but_by_equations(method, goes_on):
    served = (("Fitter", "Press house"), ("Office", "Fitter"))
    pools = [{**YEAR, "pool": name, "amount": 100.0, "element": "labour", "serves": to} for name, to in served]
    given = "2025-12-31", [{**YEAR, **PRESS_HOUSE, "serves": None}, *pools]
    if goes_on:
        assert not pressed(*given, service_method=method).cautions
        return
    with pytest.raises(InputError) as wrong:
        pressed(*given, service_method=method)
    assert [one.value for one in wrong.value.findings if "its cost goes nowhere" in one.rule] == ["Office"]


def test_a_subsidy_is_a_second_row_of_its_pool_and_is_used_as_the_pool_is():
    """24,000 less 6,000 over 70,000 kg of normal capacity: a press of 40,000 kg bears 4/7 of 18,000."""
    subsidy = {**YEAR, **PRESS_HOUSE, "amount": -6_000.0, "element": "subsidy"}
    pool = {**YEAR, **PRESS_HOUSE, "normal_capacity": 70_000}
    loads = (("2025-09-01", 40_000),)
    for further in ({}, {"element": "overhead"}):
        estate = pressed("2025-12-31", [pool, {**subsidy, **further}], loads)
        assert not estate.cautions
        amount, results = in_must(estate)
        results.check_identity()
        assert amount == pytest.approx(18_000.0 * 4 / 7)
        assert results.charges.expensed.amount.sum() == pytest.approx(18_000.0 * 3 / 7)


def test_a_pool_that_stands_twice_is_still_an_error():
    pool = {**YEAR, **PRESS_HOUSE, "normal_capacity": 70_000}
    with pytest.raises(InputError) as wrong:
        pressed("2025-12-31", [pool, {**pool, "amount": 5_000.0}])
    assert "its days count twice" in wrong.value.findings[0].rule


def test_a_lot_lies_where_a_row_last_said_and_a_batch_where_its_bottles_go():
    tables = everything_once()
    tables["deliveries"] = tables["deliveries"].assign(Location=["Yard", "Hall", None])
    tables["movements"] = tables["movements"].assign(Location=[None, "Hall", None, None, None])
    tables["tirage"] = tables["tirage"].assign(Location="Deep")
    estate = read_estate(tables)
    chain = trace(estate)
    places, states = [*locations(estate), None], chain.states
    found = [places[place] for place in location_of(estate, chain)]
    of_lot = {
        name: {found[state] for state in np.flatnonzero(states.lot == lot)} for lot, name in enumerate(chain.lots.names)
    }
    nowhere = {None}
    assert of_lot == {
        "G": {"Yard"}, "W": {"Hall"}, "S": nowhere, "M": nowhere, "N": nowhere, "V": {"Hall"}, "T": {"Deep"},
        "D": nowhere, "E": nowhere,
    }  # fmt: skip
    bottled = states.batch_state[chain.flows.batch[np.flatnonzero(chain.flows.kind == Flow.TIRAGE)]]
    assert [found[state] for state in bottled] == ["Deep"]


def test_the_first_batch_of_an_estate_lies_where_its_bottles_go_too() -> None:
    tables = bottled_on("2025-03-05")
    tables["tirage"] = tables["tirage"].assign(Location=["Deep", "Hall"])
    estate = read_estate(tables)
    chain = trace(estate)
    places = location_of(estate, chain)[chain.states.batch_state]
    assert [locations(estate)[place] for place in places] == ["Deep", "Hall"]


def test_a_pool_made_again_follows_its_index_within_a_period_of_years() -> None:
    """A euro a day over 2024 and 2025; the index doubles evenly in 2024 (∫ 2/(1 + t) dt = 2·ln 2 of a year) and stands
    from then on. A month takes the level of its first day: at most 30 days of the fall from 2 to 1 are too much.
    """
    wine = {"Date": "2023-12-31", "Lot": "W", "What": "wine", "Quantity": 100, "Unit": "L", "Price per unit": 0}
    pool = {"From": "2024-01-01", "To": "2025-12-31", "Pool": "Cellar", "Amount": 731, "Driver": "litre-year"}
    sheets = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-12-31"]}),
        "deliveries": pd.DataFrame([wine]),
        "pools": pd.DataFrame([{**pool, "Element": "overhead"}]),
        "price_indices": pd.DataFrame(
            {"Date": ["2024-01-01", "2025-01-01"], "Element": "overhead", "Index": [100, 200]}
        ),
    }
    again = float(run(read_estate(sheets), REPLACEMENT).total.max())
    assert 0.0 <= again - (366 * 2 * np.log(2) + 365) <= 30.0
