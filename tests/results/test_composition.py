"""Composition by quantity: every lot of random cellars against an exact reckoning, small cases as arithmetic.

The reckoning keeps litres by origin in fractions beside the walk of `tests.properties.walk`, which shares no
code with the engine. Bounds on the demo's blend are common practice, no source.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from datetime import date
from fractions import Fraction
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing import BOOK, ECONOMIC, CostingError, read_estate, run, trace
from costing.errors import InputError
from costing.graph.arrays import KINDS, Flow
from costing.graph.states import Chain
from costing.inputs.checks import ATTRIBUTES
from costing.results import composition as composition_module
from costing.results.composition import OTHER, UNKNOWN, Composition, composition
from costing.results.coverage import coverage
from costing.results.origins import release_states
from tests.decisions.one_bottling import one_bottling
from tests.form import every
from tests.properties.estates import random_estate, random_rows, tables_of, valuation_date
from tests.properties.walk import NIL, ONE, Row, Rows, State, Walk, litres

Parts = dict[str, Fraction]


# -- the exact reckoning


class Litres(Walk):
    """Share of every state by name, by reserve and by second pressing."""

    def __init__(self, rows: Rows, by: str, valuation: date) -> None:
        self.by = by
        self.parts: dict[State, Parts] = {}
        self.reserve: dict[State, Fraction] = defaultdict(Fraction)
        self.second: dict[State, Fraction] = defaultdict(Fraction)
        super().__init__(rows, BOOK, valuation)

    def out_of(self, state: State) -> Fraction:
        return ONE if state.kind == "reserve" else self.reserve[state]

    def follow(self, lot: str, *args: Any, **kinds: Any) -> State:
        before = self.now.get(lot)
        state = super().follow(lot, *args, **kinds)
        held = before is not None and before.quantity > 0
        self.parts[state] = dict(self.parts[before]) if before is not None and held else {}
        if before is not None and held:
            self.reserve[state], self.second[state] = self.out_of(before), self.second[before]
        return state

    def mix(self, state: State, entries: list[tuple[Fraction, Parts, Fraction, Fraction]]) -> None:
        """Set a state to the mean of (quantity, parts, reserve, second)."""
        whole = sum((quantity for quantity, *_ in entries), NIL)
        parts: Parts = defaultdict(Fraction)
        for quantity, made_of, _, _ in entries:
            for name, share in made_of.items():
                parts[name] += quantity / whole * share
        self.parts[state] = dict(parts)
        self.reserve[state] = sum((q / whole * reserve for q, _, reserve, _ in entries), NIL)
        self.second[state] = sum((q / whole * second for q, _, _, second in entries), NIL)

    def entry(self, quantity: Fraction, state: State | None) -> list[tuple[Fraction, Parts, Fraction, Fraction]]:
        """A quantity made as a state is; nothing of nothing."""
        if state is None or quantity == 0:
            return []
        return [(quantity, self.parts[state], self.out_of(state), self.second[state])]

    @staticmethod
    def other(quantity: Fraction) -> list[tuple[Fraction, Parts, Fraction, Fraction]]:
        return [(quantity, {OTHER: ONE}, NIL, NIL)] if quantity else []

    def do_deliveries(self, number: int, row: Row, table: str = "deliveries") -> None:
        before = self.now.get(row["lot"])
        super().do_deliveries(number, row, table)
        name = row.get(self.by)
        if name is None and self.by == "vintage" and table == "deliveries":
            name = str(row["on_date"].year)
        kept = self.entry(before.quantity, before) if before else []
        fresh = (Fraction(row["quantity"]), {str(name or UNKNOWN): ONE}, NIL, NIL)
        self.mix(self.now[row["lot"]], [*kept, fresh])

    def do_load(self, load: str, lines: list[tuple[int, Row]]) -> None:
        pressed = [
            (Fraction(line["weight_kg"]), self.now[line["from_lot"]]) for _, line in lines if line.get("from_lot")
        ]
        given = [line for _, line in lines if line.get("to_lot")]
        held = {line["to_lot"]: self.now.get(line["to_lot"]) for line in given}
        super().do_load(load, lines)
        batch = self.loads[load]
        self.mix(batch, [one for weight, state in pressed for one in self.entry(weight, state)])
        for line in given:
            before = held[line["to_lot"]]
            kept = self.entry(before.quantity, before) if before else []
            second = ONE if line["fraction"] == "second" else self.second[batch]
            came = (Fraction(line["volume_l"]), self.parts[batch], self.reserve[batch], second)
            state = next(to for _, to, of, _, row in self.splits if of == load and row is line)
            self.mix(state, [*kept, came])
            held[line["to_lot"]] = state

    def do_movements(self, number: int, row: Row) -> None:
        source, to = row.get("from_lot"), row.get("to_lot")
        drawn, before = self.now.get(source or ""), self.now.get(to or "")
        super().do_movements(number, row)
        if not to:
            return
        state = self.now[to]
        per_unit = litres(state.format)
        added = Fraction(row.get("added_l") or 0)
        held = before.quantity * per_unit if before else NIL
        if source == to:
            self.mix(state, [*self.entry(state.quantity * per_unit - added, before), *self.other(added)])
            return
        arrived = state.quantity * per_unit - held
        added = added if source else arrived
        self.mix(state, [*self.entry(held, before), *self.entry(arrived - added, drawn), *self.other(added)])

    def do_tirage(self, number: int, row: Row) -> None:
        wine, before = self.now[row["wine_lot"]], self.now.get(row["to_lot"])
        super().do_tirage(number, row)
        form, liqueur = litres(row["format"]), Fraction(row.get("liqueur_l") or 0)
        given = row.get("wine_l")
        drawn = Fraction(row["bottles"]) * form - liqueur if given is None else Fraction(given)
        batch = self.batches["tirage", number]
        self.mix(batch, [*self.entry(drawn, wine), *self.other(liqueur)])
        self.fill(row["to_lot"], before, batch, Fraction(row["bottles"]))

    def do_disgorgements(self, number: int, row: Row) -> None:
        dosed, bottles = self.now.get(row.get("liqueur_lot") or ""), Fraction(row["bottles_out"])
        wine, before = self.now[row["from_lot"]], self.now.get(row["release_lot"])
        super().do_disgorgements(number, row)
        liqueur = Fraction(row["liqueur_l"]) if dosed else NIL
        batch = self.batches["disgorgements", number]
        rest = bottles * litres(wine.format) - liqueur
        if bottles:
            self.mix(batch, [*self.entry(rest, wine), *self.entry(liqueur, dosed)])
            self.fill(row["release_lot"], before, batch, bottles)

    def fill(self, lot: str, before: State | None, batch: State, bottles: Fraction) -> None:
        held = before.quantity if before else NIL
        self.mix(self.now[lot], [*self.entry(held, before), *self.entry(bottles, batch)])


@pytest.mark.parametrize("by", ATTRIBUTES)
@pytest.mark.parametrize("seed", every(3, range(8)))
def test_every_lot_and_release_is_as_reckoned_exactly(seed: int, by: str) -> None:
    rows = random_rows(seed, 60)
    exact = Litres(rows, by, valuation_date(rows))
    estate = read_estate(tables_of(rows))
    chain = trace(estate)
    mix, states = Composition(estate, chain), chain.states
    pairs = [
        (int(states.last_of_lot[chain.lots.names.get_loc(lot)]), state)
        for lot, state in exact.now.items()
        if state.quantity
    ]
    for row in np.flatnonzero(chain.flows.kind == Flow.DISGORGEMENT).tolist():
        state = exact.batches["disgorgements", int(chain.flows.row[row])]
        if state.quantity:
            pairs.append((int(states.batch_state[chain.flows.batch[row]]), state))
    assert len(pairs) > 5
    at = np.array([one for one, _ in pairs])
    table = mix.shares(at, by)
    for number, (engine, state) in enumerate(pairs):
        expected = exact.parts[state]
        for name in {*expected, *table.columns}:
            found = float(table.iloc[number].get(name, 0.0))
            assert found == pytest.approx(float(expected.get(name, 0)), abs=1e-9), (state.lot, name)
        assert mix.reserve[engine] == pytest.approx(float(exact.out_of(state)), abs=1e-9)
        assert mix.second_pressing[engine] == pytest.approx(float(exact.second[state]), abs=1e-9)


def test_the_reckoning_met_what_it_should() -> None:
    """Reserves, second pressings, additions and unknown origins do occur in those cellars."""
    met: dict[str, int] = defaultdict(int)
    for seed in range(8):
        rows = random_rows(seed, 60)
        exact = Litres(rows, "village", valuation_date(rows))
        for state in exact.now.values():
            met["reserve"] += bool(0 < exact.reserve[state] < 1)
            met["second"] += bool(0 < exact.second[state] < 1)
            met["other"] += OTHER in exact.parts[state]
            met["unknown"] += UNKNOWN in exact.parts[state]
    assert all(met[what] > 3 for what in ("reserve", "second", "other", "unknown")), dict(met)


# -- invariants


@pytest.fixture(scope="module")
def demo(demo_runs):
    return demo_runs.economic


def test_shares_add_up_to_one_for_every_state_of_the_demo(demo) -> None:
    mix = Composition(demo.estate, demo.chain)
    held = np.flatnonzero(demo.chain.states.quantity > 0)
    for by in (*ATTRIBUTES, "supplier"):
        table = mix.shares(held, by)
        assert np.allclose(table.sum(axis=1), 1.0, rtol=0, atol=1e-12)
        assert (table.to_numpy() >= -1e-12).all()
    for part in (mix.reserve, mix.second_pressing):
        assert ((part >= 0) & (part <= 1 + 1e-12)).all()


def test_looking_back_from_one_lot_or_forward_to_all_is_the_same(demo, monkeypatch) -> None:
    mix = Composition(demo.estate, demo.chain)
    held = np.flatnonzero(demo.chain.states.quantity > 0)[-200:]
    for by in ATTRIBUTES:
        forward = mix.shares(held, by)
        for block in (1, 3):
            monkeypatch.setattr(composition_module, "_BLOCK", block)
            assert np.allclose(mix.shares(held, by), forward, rtol=0, atol=1e-12)
        back = mix.shares(held[:2], by)
        assert np.allclose(back, forward[back.columns].iloc[:2], rtol=0, atol=1e-12)


@pytest.mark.parametrize("seed", every(2, range(4)))
def test_a_movement_in_two_halves_changes_no_composition(seed: int) -> None:
    tables = random_estate(seed, 60)
    moves = tables["movements"]
    two = (moves["From lot"] != moves["To lot"]) & (moves["Out (L)"] > 3) & moves["To lot"].notna()
    assert two.any()
    half = moves.copy()
    for header in ("Out (L)", "In (L)", "Of which added (L)"):
        if header in half:
            half.loc[two, header] = half.loc[two, header] / 2
    halves = {**tables, "movements": pd.concat([half, half[two]], ignore_index=True)}
    assert made_of(read_estate(tables)) == pytest.approx(made_of(read_estate(halves)), abs=1e-9)


def made_of(estate) -> dict[tuple[str, str, str], float]:
    """Every share above dust of every lot on hand."""
    chain = trace(estate)
    mix, last = Composition(estate, chain), chain.states.last_of_lot
    lots = [lot for lot in sorted(chain.lots.names) if chain.states.quantity[last[chain.lots.names.get_loc(lot)]] > 0]
    states = np.array([last[chain.lots.names.get_loc(lot)] for lot in lots])
    found = {(lot, "reserve", ""): float(mix.reserve[state]) for lot, state in zip(lots, states, strict=True)}
    for by in ATTRIBUTES:
        table = mix.shares(states, by)
        for lot, shares in zip(lots, table.to_dict("records"), strict=True):
            found |= {(lot, by, str(name)): share for name, share in shares.items() if share > 1e-9}
    return found


# -- small cases


def dated(*days: str) -> pd.Series:
    return pd.Series(pd.to_datetime(list(days)).astype("datetime64[s]"))


def perpetual() -> dict[str, pd.DataFrame]:
    """A perpetual reserve feeds a blend, half of which goes back and out again; a vat of the year joins both times."""
    return {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-06-30"]}),
        "opening_stock": pd.DataFrame(
            {
                "Date": dated("2024-01-01", "2024-01-01"),
                "Lot": ["R", "V"],
                "Kind": ["reserve", "wine"],
                "Quantity": [4000.0, 8000.0],
                "Unit": ["L", "L"],
                "Vintage": [None, "2023"],
                "Village": ["Vernoy", None],
            }
        ),
        "movements": pd.DataFrame(
            {
                "Date": dated("2024-02-01", "2024-02-01", "2024-02-02", "2024-02-03", "2024-02-04"),
                "Operation": ["blending", "blending", "to reserve", "blending", "enrichment"],
                "From lot": ["R", "V", "B", "R", None],
                "Out (L)": [1000.0, 3000.0, 2000.0, 1000.0, None],
                "To lot": ["B", "B", "R", "B", "V"],
                "In (L)": [1000.0, 3000.0, 2000.0, 1000.0, 50.0],
                "Of which added (L)": [None, None, None, None, 50.0],
            }
        ),
        "opening_composition": pd.DataFrame(
            {
                "Lot": ["R", "R", "R"],
                "Attribute": ["vintage"] * 3,
                "Name": ["2021", "2022", "2020"],
                "Share (%)": [50.0, 30.0, 10.0],
            }
        ),
    }


def shares_of(tables: dict[str, pd.DataFrame], lot: str, by: str) -> dict[str, float]:
    estate = read_estate(tables)
    chain = trace(estate)
    state = chain.states.last_of_lot[[chain.lots.names.get_loc(lot)]]
    mix = Composition(estate, chain)
    return {**mix.shares(state, by).iloc[0].to_dict(), "reserve": float(mix.reserve[state[0]])}


def test_a_litre_that_was_twice_in_reserve_counts_once() -> None:
    """B: 1,000 of R and 3,000 of V, 2,000 go back to R, then 1,000 of R come again: 500 + 1,000 of 3,000 from R."""
    found = shares_of(perpetual(), "B", "vintage")
    assert found["reserve"] == pytest.approx((0.25 * 2000 + 1000) / 3000)
    in_reserve = (3000 + 500) / 5000  # part of R that R held at first, when B is filled again
    old = (0.25 * 2000 + in_reserve * 1000) / 3000
    assert found["2023"] == pytest.approx(1 - old)
    assert found["2021"] == pytest.approx(0.5 * old)
    assert found["2022"] == pytest.approx(0.3 * old)
    assert found[UNKNOWN] == pytest.approx(0.1 * old)  # the sheet names 90 % of it


def test_what_is_added_from_no_lot_is_sugar_and_other() -> None:
    """50 L into 5,000."""
    for added in (50.0, None):
        tables = perpetual()
        tables["movements"].loc[4, "Of which added (L)"] = added
        found = shares_of(tables, "V", "village")
        assert found == pytest.approx({OTHER: 50 / 5050, UNKNOWN: 5000 / 5050, "reserve": 0.0})


def test_shares_of_an_opening_lot_above_one_are_refused() -> None:
    tables = perpetual()
    tables["opening_composition"]["Share (%)"] = [80.0, 60.0, 20.0]
    with pytest.raises(InputError, match="shares of vintage to 160 %"):
        shares_of(tables, "R", "vintage")


def test_shares_of_an_opening_lot_a_rounding_above_one_make_one() -> None:
    tables = perpetual()
    tables["opening_composition"]["Share (%)"] = [33.33335] * 3
    found = shares_of(tables, "R", "vintage")
    assert sum(found.values()) - found["reserve"] == pytest.approx(1.0, abs=1e-9)


def test_litres_added_to_bottles_are_litres() -> None:
    """100 bottles into 50 magnums, 1.5 of the 75 litres added: into a lot that held 50 magnums already."""
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-06-30"]}),
        "opening_stock": pd.DataFrame(
            {
                "Date": dated("2024-01-01", "2024-01-01"),
                "Lot": ["L", "M"],
                "Kind": ["on lees", "on lees"],
                "Quantity": [100.0, 50.0],
                "Unit": ["bottles", "bottles"],
                "Format": ["bottle", "magnum"],
                "Vintage": ["2018", "2019"],
            }
        ),
        "movements": pd.DataFrame(
            {
                "Date": dated("2024-02-01"),
                "Operation": ["decanting"],
                "From lot": ["L"],
                "Out (bottles)": [100.0],
                "To lot": ["M"],
                "In (bottles)": [50.0],
                "Format": ["magnum"],
                "Of which added (L)": [1.5],
            }
        ),
    }
    found = shares_of(tables, "M", "vintage")
    assert found == pytest.approx({"2018": 73.5 / 150, "2019": 0.5, OTHER: 1.5 / 150, "reserve": 0.0})


def test_second_pressing_counts_once_even_where_the_load_has_some_already() -> None:
    """Opening grapes called half second pressing: the first fraction is half, the second is all of it."""
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-06-30"]}),
        "opening_stock": pd.DataFrame(
            {"Date": dated("2024-09-01"), "Lot": ["G"], "Kind": ["grapes"], "Quantity": [4000.0], "Unit": ["kg"]}
        ),
        "opening_composition": pd.DataFrame(
            {"Lot": ["G"], "Attribute": ["second pressing"], "Name": ["second pressing"], "Share (%)": [50.0]}
        ),
        "pressings": pd.DataFrame(
            {
                "Date": dated("2024-09-02", "2024-09-02"),
                "Load": ["P1", "P1"],
                "From lot": ["G", None],
                "Grapes (kg)": [4000.0, None],
                "Fraction": ["first", "second"],
                "Must (L)": [2000.0, 500.0],
                "To lot": ["V1", "V2"],
            }
        ),
    }
    estate = read_estate(tables)
    chain = trace(estate)
    second = Composition(estate, chain).second_pressing[chain.states.last_of_lot]
    found = dict(zip(chain.lots.names, second.tolist(), strict=True))
    assert found["V1"] == pytest.approx(0.5)
    assert found["V2"] == pytest.approx(1.0)


def test_second_pressing_of_a_blend_is_the_same_before_and_after_a_vat() -> None:
    """500 L of second pressing on 1,000 L that held 10 %; with 2,000 L of first: 600 of 3,500 L, in every vat."""
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-06-30"]}),
        "opening_stock": pd.DataFrame(
            {"Date": dated(*["2024-09-01"] * 2), "Lot": ["G", "O"], "Kind": ["grapes", "must"],
             "Quantity": [4000.0, 1000.0], "Unit": ["kg", "L"]}
        ),
        "opening_composition": pd.DataFrame(
            {"Lot": ["O"], "Attribute": ["second pressing"], "Name": ["second pressing"], "Share (%)": [10.0]}
        ),
        "pressings": pd.DataFrame(
            {"Date": dated(*["2024-09-02"] * 2), "Load": ["P1"] * 2, "From lot": ["G", None],
             "Grapes (kg)": [4000.0, None], "Fraction": ["first", "second"], "Must (L)": [2000.0, 500.0],
             "To lot": ["V1", "O"]}
        ),
        "movements": pd.DataFrame(
            {"Date": dated(*["2025-02-01"] * 2, "2025-03-01", "2025-04-01"),
             "Operation": ["blending", "blending", "racking", "racking"], "From lot": ["V1", "O", "B", "C"],
             "Out (L)": [2000.0, 1500.0, 3500.0, 700.0], "To lot": ["B", "B", "C", "D"],
             "In (L)": [2000.0, 1500.0, 3500.0, 700.0]}
        ),
    }  # fmt: skip
    chain = trace(read_estate(tables))
    parts = Composition(read_estate(tables), chain).second_pressing
    held = {(name, float(chain.states.quantity[at])): float(parts[at]) for at, name in enumerate(lots_of(chain))}
    assert held["V1", 2000.0] == 0.0
    assert held["O", 1500.0] == pytest.approx(600 / 1500)
    for vat in (("B", 3500.0), ("C", 3500.0), ("C", 2800.0), ("D", 700.0)):
        assert held[vat] == pytest.approx(600 / 3500), vat


def lots_of(chain: Chain) -> list[str]:
    """Name of the lot of every state; "" for a batch."""
    return [str(chain.lots.names[lot]) if lot >= 0 else "" for lot in chain.states.lot]


def two_disgorgements() -> dict[str, pd.DataFrame]:
    """One release of 300 bottles of 2018 and 100 of 2019, the latter dosed with 0.5 L of a liqueur lot."""
    return {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-06-30"]}),
        "opening_stock": pd.DataFrame(
            {
                "Date": dated(*["2024-01-01"] * 3),
                "Lot": ["L18", "L19", "Q"],
                "Kind": ["on lees", "on lees", "wine"],
                "Quantity": [300.0, 100.0, 10.0],
                "Unit": ["bottles", "bottles", "L"],
                "Format": ["bottle", "bottle", None],
                "Vintage": ["2018", "2019", None],
            }
        ),
        "opening_costs": pd.DataFrame({"Lot": ["L18"], "Amount": [900.0]}),
        "disgorgements": pd.DataFrame(
            {
                "Date": dated("2024-03-01", "2024-03-08"),
                "Release lot": ["D", "D"],
                "From lot": ["L18", "L19"],
                "Bottles in": [300, 100],
                "Bottles out": [300, 100],
                "Liqueur lot": [None, "Q"],
                "Liqueur (L)": [None, 0.5],
            }
        ),
        "costs": pd.DataFrame(
            {
                "Date incurred": dated("2024-03-01"),
                "Lot": ["D"],
                "Stage": ["finishing"],
                "Element": ["labour"],
                "Amount": [100.0],
            }
        ),
    }


def test_a_release_is_the_mean_of_its_disgorgements() -> None:
    results = run(read_estate(two_disgorgements()), BOOK)
    table = composition(results, ["D", "Q"], by=["vintage"]).set_index(["lot", "name"])["share"]
    assert table["D"].to_dict() == pytest.approx(
        {"2018": 0.75, "2019": (75 - 0.5) / 300, UNKNOWN: 0.5 / 300, "reserve": 0.0, "second pressing": 0.0}
    )
    assert table["Q", UNKNOWN] == pytest.approx(1.0)
    second = composition(results, ["D"], release_states(results, "D")[1:], by=["vintage"]).set_index("name")["share"]
    assert second["2019"] == pytest.approx(74.5 / 75)


def test_multi_year_brut_of_the_demo(demo) -> None:
    """A third or so of reserve, several harvests, three varieties: a usual multi-year blend."""
    table = composition(demo, ["D25-3-BRUT"]).set_index(["attribute", "name"])["share"]
    assert 0.30 <= table["reserve", "reserve"] <= 0.40
    assert (table["vintage"] > 0.01).sum() >= 4
    assert len(table["variety"].drop([OTHER, UNKNOWN], errors="ignore")) >= 3
    for by in ATTRIBUTES:
        assert table[by].sum() == pytest.approx(1.0, abs=1e-9)
    liqueur = 1_200 / (23_809.70 + 1_200)  # of its tirage; enrichment of the musts comes on top, dosage has no lot
    assert liqueur < table["vintage", OTHER] < liqueur + 0.01


def test_a_reserve_itself_is_reserve_in_full(demo) -> None:
    mix, states = Composition(demo.estate, demo.chain), demo.chain.states
    kept = states.kind == KINDS.index("reserve")
    assert kept.sum() > 5
    assert (mix.reserve[kept] == 1.0).all()


def test_unknown_attribute_names_the_nearest(demo) -> None:
    with pytest.raises(CostingError, match="'village'"):
        Composition(demo.estate, demo.chain).shares(np.array([0]), "vilage")


# -- coverage


def test_coverage_of_the_demo_is_complete(demo) -> None:
    assert coverage(demo, ["D25-3-BRUT"]) == ["complete"]
    assert coverage(demo, release_states(demo, "D25-3-BRUT")) == ["complete"]


def test_coverage_counts_the_litres_that_were_paid_for() -> None:
    """300 of 400 bottles have an opening cost; finishing has one; dressing has none."""
    results = run(read_estate(two_disgorgements()), BOOK)
    assert coverage(results, ["D"]) == ["grapes or wine for 75 % of litres; storage, dressing, norms missing"]
    assert coverage(results, ["Q"]) == ["grapes or wine for 0 % of litres; vinification missing"]


WITHOUT = [
    ("dry_goods", "Stage", "dressing", "dressing missing"),
    ("dry_goods", "Stage", "tirage", "dry goods missing"),
]


@pytest.mark.parametrize(("sheet", "header", "value", "said"), WITHOUT)
def test_coverage_names_the_step_without_a_cost(demo, sheet: str, header: str, value: str, said: str) -> None:
    estate = demo.estate
    column = header.lower()
    tables = {**estate.tables}
    for name in ("dry_goods", "operation_rates", "pools"):
        rows = estate[name]
        drop = rows[column] == value
        if value == "dressing" and name == "operation_rates":
            drop |= rows["operation"] == "dressing"
        if name == sheet or value == "dressing":
            tables[name] = rows[~drop].reset_index(drop=True)
    bare = type(estate)(estate.settings, tables, estate.sources)
    if sheet == "dry_goods":
        assert len(bare["dry_goods"]) < len(estate["dry_goods"])
    assert coverage(run(bare, BOOK), ["D25-3-BRUT"]) == [said]


def test_work_on_a_delivery_is_no_price_of_it() -> None:
    """A weigh-in charge does not make grapes paid for; an invoice for grapes does."""
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-06-30"]}),
        "deliveries": pd.DataFrame(
            {
                "Date": dated("2024-09-10", "2024-09-10"),
                "Lot": ["G1", "G2"],
                "What": ["grapes", "grapes"],
                "Quantity": [4000.0, 1000.0],
                "Unit": ["kg", "kg"],
                "Price per unit": [None, 6.0],
            }
        ),
        "pressings": pd.DataFrame(
            {
                "Date": dated("2024-09-10", "2024-09-10"),
                "Load": ["P1", "P1"],
                "From lot": ["G1", "G2"],
                "Grapes (kg)": [4000.0, 1000.0],
                "Fraction": ["first", "second"],
                "Must (L)": [2500.0, 600.0],
                "To lot": ["V1", "V2"],
            }
        ),
        "operation_rates": pd.DataFrame(
            {
                "From": dated("2020-01-01"),
                "Operation": ["reception"],
                "Driver": ["kg"],
                "Amount": [0.02],
                "Element": ["labour"],
            }
        ),
    }
    said = coverage(run(read_estate(tables), BOOK), ["V1"])
    assert said == ["grapes or wine for 20 % of litres; pressing, vinification missing"]
    invoice = {"Date incurred": dated("2024-09-10"), "Lot": ["G1"], "Element": ["grapes"], "Amount": [9_000.0]}
    assert coverage(run(read_estate({**tables, "costs": pd.DataFrame(invoice)}), BOOK), ["V1"]) == [
        "pressing, vinification missing"
    ]


def test_an_invoice_for_wine_that_came_before_it_pays_for_it() -> None:
    """600 L of bought wine, and 400 L that nobody paid for, meet in one vat; the bill comes ten days later."""
    tables = {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2025-06-30"]}),
        "deliveries": pd.DataFrame(
            {
                "Date": dated("2024-11-10", "2024-11-10"),
                "Lot": ["W1", "W2"],
                "What": ["wine", "wine"],
                "Quantity": [600.0, 400.0],
                "Unit": ["L", "L"],
            }
        ),
        "movements": pd.DataFrame(
            {
                "Date": dated("2025-02-01", "2025-02-01"),
                "Operation": ["blending", "blending"],
                "From lot": ["W1", "W2"],
                "Out (L)": [600.0, 400.0],
                "To lot": ["B", "B"],
            }
        ),
    }
    assert coverage(run(read_estate(tables), BOOK), ["B"]) == ["grapes or wine for 0 % of litres; vinification missing"]
    bill = {"Date incurred": dated("2024-11-20"), "Lot": ["W1"], "Element": ["must and wine"], "Amount": [2_400.0]}
    paid = {**tables, "costs": pd.DataFrame(bill)}
    assert coverage(run(read_estate(paid), BOOK), ["B"]) == ["grapes or wine for 60 % of litres; vinification missing"]


def pressed_and_bottled() -> dict[str, pd.DataFrame]:
    """Priced grapes, a by-product credit at the press, a tirage of 100 bottles, a disgorgement: no work was costed."""
    return {
        "settings": pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2027-06-30"]}),
        "deliveries": pd.DataFrame(
            {
                "Date": dated("2024-09-10"),
                "Lot": ["G"],
                "What": ["grapes"],
                "Quantity": [150.0],
                "Unit": ["kg"],
                "Price per unit": [6.0],
            }
        ),
        "pressings": pd.DataFrame(
            {
                "Date": dated("2024-09-10", "2024-09-10"),
                "Load": ["P1", "P1"],
                "From lot": ["G", None],
                "Grapes (kg)": [150.0, None],
                "Fraction": ["first", "by-product"],
                "Must (L)": [75.0, None],
                "To lot": ["V", None],
                "By-product credit": [None, 5.0],
            }
        ),
        "tirage": pd.DataFrame(
            {
                "Date": dated("2025-03-01"),
                "Cuvée": ["Brut"],
                "Bottle lot": ["L"],
                "Wine lot": ["V"],
                "Format": ["bottle"],
                "Bottles": [100],
            }
        ),
        "cuvees": pd.DataFrame({"Cuvée": ["Brut"]}),
        "disgorgements": pd.DataFrame(
            {
                "Date": dated("2027-03-01"),
                "Release lot": ["D"],
                "From lot": ["L"],
                "Bottles in": [100],
                "Bottles out": [100],
            }
        ),
    }


def goods(stage: str, presentation: str | None = None) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "Stage": [stage],
            "Item": ["one"],
            "From": dated("2020-01-01"),
            "Presentation": [presentation],
            "Unit price": [0.4],
        }
    )


@pytest.mark.parametrize("basis", [BOOK, ECONOMIC.replace(name="8 %", rate=0.08)], ids=lambda basis: basis.name)
@pytest.mark.parametrize(
    ("dry_goods", "said"),
    [
        (
            None,
            "pressing, vinification, tirage, dry goods, storage, finishing, dressing, norms missing",
        ),  # a credit is no cost of pressing, nor is capital
        (goods("tirage"), "pressing, vinification, tirage, storage, finishing, dressing, norms missing"),
        (goods("dressing"), "pressing, vinification, tirage, dry goods, storage, finishing, norms missing"),
        (
            goods("dressing", "gift box"),
            "pressing, vinification, tirage, dry goods, storage, finishing, norms missing",
        ),  # dressed at dispatch
    ],
)
def test_coverage_of_every_step(basis, dry_goods: pd.DataFrame | None, said: str) -> None:
    tables = pressed_and_bottled()
    if dry_goods is not None:
        tables["dry_goods"] = dry_goods
    results = run(read_estate(tables), basis)
    assert coverage(results, ["D"]) == [said]
    on_lees = coverage(run(read_estate({k: v for k, v in tables.items() if k != "disgorgements"}), basis), ["L"])
    assert on_lees == [said.replace(", finishing", "").replace(", dressing", "")]


def test_coverage_of_the_demo_without_rates_and_pools_norms_or_prices_of_grapes(demo) -> None:
    """Each was once "complete"."""
    estate = demo.estate

    def said(**tables: pd.DataFrame) -> str:
        return coverage(run(replace(estate, tables={**estate.tables, **tables}), ECONOMIC), ["D25-3-BRUT"])[0]

    rates, pools, norms = (estate[name].iloc[:0] for name in ("operation_rates", "pools", "loss_norms"))
    assert said(operation_rates=rates, pools=pools) == "pressing, tirage, storage, finishing missing"
    assert said(loss_norms=norms) == "norms missing"
    free = estate["deliveries"].assign(price_per_unit=np.nan, growing_cost_per_unit=np.nan)
    unpriced = said(deliveries=free, grape_prices=estate["grape_prices"].iloc[:0])
    assert unpriced.startswith("grapes or wine for ")
    assert "missing" not in unpriced


def test_coverage_names_a_pool_that_ended_before_work_was_done(demo) -> None:
    """Work after the last day of a pool, or between its periods, bears nothing; an amount of 0 ends it."""
    estate, pools = demo.estate, demo.estate["pools"]

    def said(rows: pd.DataFrame) -> str:
        tables = {**estate.tables, "pools": rows.reset_index(drop=True)}
        return coverage(run(replace(estate, tables=tables), ECONOMIC), ["D25-3-BRUT"])[0]

    line = pools["pool"] == "Disgorging line"
    late = line & (pools["from_date"] >= pd.Timestamp(2025, 1, 1))
    assert said(pools[~late]) == "pools missing"
    ended = pools.assign(amount=pools["amount"].where(~late, 0.0))
    assert said(ended) == "complete"
    between = (pools["pool"] == "Cellar 1") & (pools["from_date"] == pd.Timestamp(2023, 1, 1))
    assert said(pools[~between]) == "pools missing"


def test_a_release_of_two_disgorgements_is_all_reserve_where_both_are() -> None:
    tables = {name: frame for name, frame in one_bottling().items() if name != "deliveries"}
    kept = {"Date": "2022-01-01", "Lot": ["W"], "Kind": "reserve", "Quantity": 750, "Unit": "L"}
    tables["opening_stock"] = pd.DataFrame(kept)
    both = {
        "Date": ["2025-03-01", "2025-03-02"],
        "Release lot": "D",
        "From lot": "T",
        "Bottles in (bottles)": [400, 600],
    }
    tables["disgorgements"] = pd.DataFrame({**both, "Bottles out (bottles)": [400, 600]})
    found = composition(run(read_estate(tables), BOOK), ["D"]).set_index("attribute")["share"]
    assert found[["reserve", "pressing", "vintage"]].tolist() == pytest.approx([1.0, 0.0, 1.0])


def test_a_release_of_which_no_bottle_came_out_is_made_of_nothing_and_changes_no_other() -> None:
    tables = one_bottling()
    both = {"Date": "2025-03-01", "Release lot": ["D", "E"], "From lot": "T"}
    bottles = {"Bottles in (bottles)": [990, 10], "Bottles out (bottles)": [990, 0]}
    tables["disgorgements"] = pd.DataFrame({**both, **bottles})
    found = composition(run(read_estate(tables), BOOK), ["D", "E"])
    of_lot = found[found["attribute"] == "vintage"].set_index("lot")["share"]
    assert of_lot.to_dict() == {"D": 1.0}
