"""Invariants no estate may break: the identity, order, splitting, cutting, renaming, scaling, capital."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.sparse import csr_matrix

from costing.engine.solve import Posted, solve
from costing.errors import IdentityError
from costing.graph.arrays import Flow
from costing.inputs.basis import BOOK, ECONOMIC, Basis
from costing.inputs.schema import sheets
from costing.model import run
from costing.results.results import Results
from tests.form import chosen
from tests.properties.estates import Tables, estate_drawn, estates
from tests.properties.reading import differences, figures, run_both, run_one

pytestmark = pytest.mark.slow
FEW = settings(
    max_examples=chosen(full=100, short=3),
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
bases = st.sampled_from([BOOK, ECONOMIC])
LOT_COLUMNS = [
    (sheet.name, column.title)
    for sheet in sheets().values()
    for column in sheet.columns
    if column.refers == "lot" and sheet.owner == "user"
]


# -- 1: cost in + capital = stock + cost of goods sold + expensed


@FEW
@given(estates())
def test_nothing_is_lost_on_either_basis(tables: Tables) -> None:
    for results in run_both(tables):
        lines = results.reconciliation().set_index("line")["amount"]
        assert abs(lines["Difference"]) <= 1e-9 * max(1.0, abs(lines["Cost in"]))
        assert (lines["Capital charged"] == 0) == (results.basis is BOOK)


@pytest.mark.parametrize("basis", [BOOK, ECONOMIC], ids=lambda basis: basis.name)
def test_a_share_left_out_fails_the_identity_and_names_the_lot(basis: Basis) -> None:
    results = run(estate_drawn(4, 40), basis)
    matrix = results.shares.matrix.tocoo()
    reaches = np.abs(matrix.data * results.total[matrix.col])
    for lost in np.argsort(-reaches)[[0, len(reaches) // 4]]:
        with pytest.raises(IdentityError, match=r"lots at fault: (?!none)"):
            _without(results, int(lost)).check_identity()


def _without(results: Results, edge: int) -> Results:
    """The same run with one share deleted."""
    matrix = results.shares.matrix.tocoo()
    kept = np.arange(matrix.nnz) != edge
    shares = csr_matrix((matrix.data[kept], (matrix.row[kept], matrix.col[kept])), shape=matrix.shape)
    solution, n = results.solution, len(results.total)
    before = solution.cost[np.arange(n)][:, : solution.cost.shape[1] - len(solution.capital_stages)]
    posted = before - results.shares.matrix @ before
    worth = solution.worth - solution.growth * solution.arrived
    state, column = np.nonzero(posted)
    share = worth[state] / posted.sum(axis=1)[state]
    entries = Posted(state, column, posted[state, column], posted[state, column] * share)
    again = solve(
        shares, entries, before.shape[1], solution.growth, None if results.basis is BOOK else np.ones(n),
        results.chain.states.stage, accrues_everywhere=False,
    )  # fmt: skip
    return replace(results, shares=replace(results.shares, matrix=shares), solution=again)


# -- 3: order, splitting, cutting and names change nothing


def with_late_money(tables: Tables) -> Tables:
    """The estate with an invoice on every lot on its last day, when most are long empty, and late premiums."""
    results = run_one(tables)
    last = pd.Timestamp(np.datetime64(results.chain.horizon_day, "D")).as_unit("s")
    lots = [str(name) for name in results.chain.lots.names]
    amounts = [100.0 + place for place in range(len(lots))]
    late = pd.DataFrame({"Date incurred": [last] * len(lots), "Lot": lots, "Element": "labour", "Amount": amounts})
    costs = [tables[name] for name in ("costs",) if name in tables]
    deliveries = tables["deliveries"].assign(**{"Final premium per unit": 0.15, "Premium date": last})
    return {**tables, "costs": pd.concat([*costs, late], ignore_index=True), "deliveries": deliveries}


def halved(table: pd.DataFrame, chosen: pd.Series, headers: list[str]) -> pd.DataFrame:
    """The table with some rows entered as two halves, the second ones at the end."""
    half = table.copy()
    for header in headers:
        if header in half:
            half[header] = half[header].astype(float).where(~chosen, half[header] / 2)
    return pd.concat([half, half[chosen]], ignore_index=True)


@FEW
@given(estates(), st.integers(0, 1_000), bases)
def test_order_of_rows_loads_and_deliveries_changes_nothing(tables: Tables, seed: int, basis: Basis) -> None:
    tables = with_late_money(tables)
    shuffled = {name: table.sample(frac=1, random_state=seed).reset_index(drop=True) for name, table in tables.items()}
    assert differences(figures(run_one(tables, basis)), figures(run_one(shuffled, basis))) == {}


@FEW
@given(estates(), bases)
def test_a_movement_entered_as_two_halves_changes_nothing(tables: Tables, basis: Basis) -> None:
    moves = tables.get("movements", pd.DataFrame())
    if "Out (L)" not in moves:
        return
    tables = with_late_money(tables)
    split = moves["Out (L)"].notna() & (moves["Out (L)"] > 3)
    halves = halved(moves, split, ["Out (L)", "In (L)", "Of which added (L)", "Proceeds"])
    twice = {**tables, "movements": halves}
    assert differences(figures(run_one(tables, basis)), figures(run_one(twice, basis))) == {}


@FEW
@given(estates(), bases)
def test_a_delivery_entered_as_two_halves_changes_nothing(tables: Tables, basis: Basis) -> None:
    tables = with_late_money(tables)
    bought = tables["deliveries"]
    split = (bought["Unit"] != "bottles") | (bought["Quantity"] % 2 == 0)
    twice = {**tables, "deliveries": halved(bought, split, ["Quantity"])}
    assert differences(figures(run_one(tables, basis)), figures(run_one(twice, basis))) == {}


@FEW
@given(estates(), bases)
def test_a_press_load_entered_as_two_halves_changes_nothing(tables: Tables, basis: Basis) -> None:
    """But for what is charged by the load: two loads are two."""
    tables = with_late_money(tables)
    for name in ("operation_rates", "pools"):
        if name in tables:
            tables[name] = tables[name][tables[name]["Driver"] != "load"]
    loads = tables["pressings"]
    every = pd.Series(True, index=loads.index)
    headers = ["Grapes (kg)", "Must (L)", "Fraction weight (kg)", "By-product credit"]
    halves = halved(loads, every, headers)
    halves.loc[len(loads) :, "Load"] = halves["Load"][len(loads) :] + " B"
    twice = {**tables, "pressings": halves}
    assert differences(figures(run_one(tables, basis)), figures(run_one(twice, basis))) == {}


@FEW
@given(estates(), st.integers(0, 1_000), bases)
def test_cutting_lots_on_any_date_changes_nothing(tables: Tables, seed: int, basis: Basis) -> None:
    rng = random.Random(seed)
    results = run_one(tables, basis)
    states, names = results.chain.states, results.chain.lots.names
    cuts = []
    for state in np.flatnonzero((states.lot >= 0) & (states.end > states.start + 1) & (states.quantity > 0)):
        if rng.random() < 0.3:
            day = np.datetime64(rng.randint(int(states.start[state]) + 1, int(states.end[state]) - 1), "D")
            cuts.append({"Date incurred": day, "Lot": names[states.lot[state]], "Element": "labour", "Amount": 0.0})
    if not cuts:
        return
    frame = pd.DataFrame(cuts).astype({"Date incurred": "datetime64[s]"})
    costs = pd.concat([tables[name] for name in ("costs",) if name in tables] + [frame], ignore_index=True)
    cut = run_one({**tables, "costs": costs}, basis)
    assert len(cut.total) > len(results.total)
    assert differences(figures(results), figures(cut)) == {}


@FEW
@given(estates(), bases)
def test_names_of_lots_change_nothing(tables: Tables, basis: Basis) -> None:
    results = run_one(tables, basis)
    lots = [str(name) for name in results.chain.lots.names]
    names = {lot: f"Z{len(lots) - place:04d}x" for place, lot in enumerate(sorted(lots))}
    renamed = dict(tables)
    for sheet, title in LOT_COLUMNS:
        if sheet in renamed and title in renamed[sheet]:
            renamed[sheet] = renamed[sheet].assign(**{title: renamed[sheet][title].map(names)})
    back = {new: old for old, new in names.items()}
    found = {(back.get(lot, lot), *rest): v for (lot, *rest), v in figures(run_one(renamed, basis)).items()}
    assert differences(figures(results), found) == {}  # type: ignore[arg-type]


# -- 4: scale, rate 0, losses

MONEY = {
    "opening_costs": ["Amount"],
    "deliveries": ["Price per unit", "Growing cost per unit", "Final premium per unit"],
    "grape_prices": ["Price per kg", "Premium per kg"],
    "pressings": ["Value per litre", "Cost to complete per litre", "By-product credit"],
    "costs": ["Amount"],
    "operation_rates": ["Amount"],
    "dry_goods": ["Unit price"],
    "pools": ["Amount"],
}


@FEW
@given(estates(), st.sampled_from([0.25, 3.0, 1000.0]), bases)
def test_all_prices_times_k_gives_all_costs_times_k(tables: Tables, factor: float, basis: Basis) -> None:
    dearer = dict(tables)
    for sheet, headers in MONEY.items():
        if sheet in dearer:
            scaled = {h: dearer[sheet][h] * factor for h in headers if h in dearer[sheet]}
            dearer[sheet] = dearer[sheet].assign(**scaled)
    expected = {key: amount * factor for key, amount in figures(run_one(tables, basis)).items()}
    assert differences(expected, figures(run_one(dearer, basis))) == {}


@FEW
@given(estates())
def test_rate_zero_charges_no_capital(tables: Tables) -> None:
    if "Basis" in tables.get("opening_costs", ()):  # an amount of one basis alone would be a difference of its own
        tables = {**tables, "opening_costs": tables["opening_costs"].drop(columns="Basis")}
    free = run_one(tables, ECONOMIC.replace(name="free", rate=0.0))
    plain = run_one(tables, ECONOMIC.replace(name="plain", capital="none"))
    charged = free.reconciliation().set_index("line").loc["Capital charged", "amount"]
    assert charged == pytest.approx(0, abs=1e-6)
    assert differences(figures(plain), figures(free)) == {}


@FEW
@given(estates(), bases)
def test_a_loss_never_lowers_the_unit_cost_of_what_survives(tables: Tables, basis: Basis) -> None:
    results = run_one(tables, basis)
    flows, edges = results.chain.flows, results.chain.edges
    moved = np.isin(flows.kind, (Flow.MOVEMENT, Flow.TIRAGE, Flow.DISGORGEMENT, Flow.STOCKTAKE))
    passed = results.shares.edge
    flow, source = edges.flow[passed], edges.source[passed]
    states, per_unit = results.chain.states, np.append(results.chain.lots.litres_per_unit, 1.0)
    judged = 0
    for place in np.flatnonzero(moved[flow] & (states.lot[source] >= 0)):
        one, held = int(flow[place]), float(states.quantity[source[place]])
        if flows.kind[one] == Flow.STOCKTAKE:
            if edges.target[passed[place]] != results.chain.target_state[one]:
                continue
            drawn, good = held, float(flows.into[one])
        elif edges.share[passed[place]] * held == pytest.approx(flows.out[one]) and flows.target[one] >= 0:
            drawn = float(flows.out[one] * per_unit[flows.source[one]])
            drawn += float(flows.added[one]) if flows.kind[one] == Flow.TIRAGE else 0.0
            good = float(flows.into[one] * per_unit[flows.target[one]])
            good -= 0.0 if flows.kind[one] == Flow.TIRAGE else float(flows.added[one])
        else:
            continue
        if 0 < good <= drawn:
            judged += 1
            kept = results.shares.edge_share[place] / edges.share[passed[place]]
            assert kept / good >= (1.0 - 1e-9) / drawn
    if (flows.kind == Flow.TIRAGE).any():
        assert judged > 0
