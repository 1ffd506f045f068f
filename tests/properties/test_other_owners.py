"""Other people's goods beside random estates.

Stated exactly: with rates per unit they change no figure of our own lots. With pools they take their part by the driver
alone: our lots then cost what they cost alone with each pool less that part; up to normal capacity not even that, for
only what was idle shrinks. All money is in stock, sold, expensed, idle, not yet due or on services.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing.accounts.services import places_of_others
from costing.inputs.basis import BOOK, ECONOMIC
from costing.inputs.load import read_inputs
from costing.inputs.schema import sheets
from costing.model import Runs, run
from costing.results.amounts_charged import FATES, amounts_charged
from costing.results.results import Results
from costing.results.stock import stock_values
from tests.form import chosen, every
from tests.properties.estates import ALL_FEATURES, Tables, random_estate
from tests.properties.reading import differences, figures

OWNER = "Neighbour"
MOVING = ("opening_stock", "deliveries", "pressings", "movements", "stocktakes", "tirage", "disgorgements", "costs")
THEIR_FEATURES = ALL_FEATURES - {"own grapes", "credits", "bulk exits"}
NO_MONEY = {
    "deliveries": ("Price per unit", "Growing cost per unit", "Final premium per unit", "Expected premium per unit"),
    "movements": ("Proceeds",),
}


def with_neighbour(ours: Tables, theirs: Tables) -> Tables:
    """Our estate with all that the other one does, done for a neighbour: its lots and loads under other names."""
    found = dict(ours)
    for name in MOVING:
        rows = theirs.get(name, pd.DataFrame()).drop(columns=list(NO_MONEY.get(name, ())), errors="ignore")
        if not len(rows):
            continue
        named = [one.title for one in sheets()[name].columns if one.refers in ("lot", "load")]
        rows = rows.assign(**{one: "X-" + rows[one] for one in named if one in rows})
        if name in ("opening_stock", "deliveries"):
            rows = rows.assign(Owner=OWNER)
        found[name] = pd.concat([found.get(name, pd.DataFrame()), rows], ignore_index=True)
    return found


def pair(seed: int) -> tuple[Tables, Tables]:
    """An estate alone, and the same with a neighbour's goods; both value their stock at the end of one year, when
    every pool is over.
    """
    ours = random_estate(seed, 30)
    theirs = random_estate(1000 + seed, 25, THEIR_FEATURES)
    last = max(pd.Timestamp(one["settings"]["Value"].iloc[0]) for one in (ours, theirs))
    settings = ours["settings"].assign(Value=[f"{last.year}-12-31", "volume"])
    for name in ("terms", "cuvees", "channels"):
        assert ours[name].equals(theirs[name])
    return {**ours, "settings": settings}, with_neighbour({**ours, "settings": settings}, theirs)


def check_same(alone: Results, beside: Results) -> None:
    """Every figure of our own lots: costs of all states, labels, stock of the day."""
    assert list(alone.chain.lots.names) == list(beside.chain.lots.names)
    assert beside.chain.others is not None
    assert len(beside.chain.others.states)
    assert not differences(figures(alone), figures(beside))
    np.testing.assert_allclose(beside.total, alone.total, rtol=1e-9, atol=1e-6)
    one, other = stock_values(alone), stock_values(beside)
    pd.testing.assert_frame_equal(one, other, rtol=1e-9, atol=1e-6)


def identity(results: Results) -> None:
    """No cent is lost, and every row says where its money went."""
    results.check_identity()
    lines = amounts_charged(results)
    scale = max(1.0, float(lines["given"].abs().sum()))
    cost_in = results.reconciliation().set_index("line")["amount"]["Cost in"]
    assert lines["given"].sum() == pytest.approx(cost_in, abs=1e-9 * scale)
    np.testing.assert_allclose(lines[list(FATES)].sum(axis=1), lines["given"], atol=1e-9 * scale)
    assert lines["services"].sum() + lines["not_yet_due"].sum() >= results.charges.service_cost - 1e-9 * scale
    pools = lines[lines["table"] == "pools"]
    np.testing.assert_allclose(pools["given"], pools["cell"], atol=1e-9 * scale)  # nothing of a pool is charged twice


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(chosen(full=8, short=2)))
def test_with_rates_per_unit_others_change_no_figure_of_ours(seed: int) -> None:
    alone, beside = (read_inputs({name: t for name, t in one.items() if name != "pools"}) for one in pair(seed))
    for basis in (BOOK, ECONOMIC):
        check_same(run(alone, basis), run(beside, basis))
        identity(run(beside, basis))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(chosen(full=8, short=2)))
def test_with_pools_others_take_their_part_by_the_driver_and_no_more(seed: int) -> None:
    alone, beside = pair(seed)
    if "pools" not in alone:
        alone, beside = (random_with_pools(one) for one in (alone, beside))
    full = {"Normal capacity": float("nan")}
    alone, beside = ({**one, "pools": one["pools"].assign(**full)} for one in (alone, beside))
    results = run(read_inputs(beside), BOOK)
    identity(results)
    lines = amounts_charged(results)
    taken = lines[lines["table"] == "pools"].set_index("row")["services"].reindex(range(len(alone["pools"])))
    less = alone["pools"].assign(Amount=alone["pools"]["Amount"] - taken.fillna(0.0).to_numpy())
    used = lines[(lines["table"] == "pools") & (lines["idle"].abs() < 1e-9)]["row"]
    check_same(run(read_inputs({**alone, "pools": less.iloc[used]}), BOOK), with_used(beside, used))


def with_used(tables: Tables, used: pd.Series) -> Results:
    """The run with those pools alone that something absorbed."""
    return run(read_inputs({**tables, "pools": tables["pools"].iloc[used]}), BOOK)


@pytest.mark.parametrize("seed", every(2, range(4)))
def test_within_normal_capacity_only_what_was_idle_shrinks(seed: int) -> None:
    alone, beside = (random_with_pools(one) for one in pair(seed))
    one, other = run(read_inputs(alone), BOOK), run(read_inputs(beside), BOOK)
    check_same(one, other)
    identity(other)
    before, after = (amounts_charged(each).set_index("place") for each in (one, other))
    pools = after[after["table"] == "pools"]
    freed = before.loc[pools.index, "idle"] - pools["idle"]
    np.testing.assert_allclose(freed, pools["services"], atol=1e-6)
    assert pools["services"].sum() > 0


def random_with_pools(tables: Tables) -> Tables:
    """Two pools of ample capacity in place of those drawn."""
    begin, end = (pd.Timestamp(one) for one in ("2017-01-01", tables["settings"]["Value"].iloc[0]))
    rows = [
        (begin, end, pool, 9000.0, driver, stage, "overhead", 1e7)
        for pool, driver, stage in (("press house", "kg", "pressing"), ("vat hall", "litre-year", "vinification"))
    ]
    names = ["From", "To", "Pool", "Amount", "Driver", "Stage", "Element", "Normal capacity"]
    return {**tables, "pools": pd.DataFrame(rows, columns=names)}


def test_what_they_keep_here_takes_its_places() -> None:
    _, beside = pair(3)
    stacks = beside["tirage"].assign(Location="Cellar 1")
    runs = Runs(read_inputs({**beside, "tirage": stacks}))
    chain = runs.chain.others
    assert chain is not None
    day = np.array([runs.today])
    on_lees = {"half": 0.5, "bottle": 1.0, "magnum": 2.0, "jeroboam": 4.0}
    by_hand = 0.0
    for name, number in zip(chain.lots.names, range(len(chain.lots.names)), strict=True):
        filled = stacks[stacks["Bottle lot"] == name]
        state = chain.state_on(np.array([number]), day)[0]
        if len(filled) and state >= 0:
            by_hand += chain.states.quantity[state] * on_lees[filled["Format"].iloc[0]]
    assert places_of_others(runs, day, ("Cellar 1",))[0, 0] == pytest.approx(by_hand)
