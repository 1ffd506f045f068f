"""Owners of lots: whose a lot is, rows that would mix owners, money on goods that are not ours."""

from __future__ import annotations

import pandas as pd
import pytest

from costing.errors import InputError
from costing.house import open_house
from costing.inputs.frames import frames_of
from costing.inputs.load import read_inputs
from costing.inputs.owners import both_sides

Frames = dict[str, pd.DataFrame]


def day(text: str) -> pd.Timestamp:
    return pd.Timestamp(text)


def frames() -> Frames:
    """Our grapes and a neighbour's, pressed apart; theirs bottled, disgorged and handed back."""
    rows: dict[str, list[dict[str, object]]] = {
        "settings": [{"setting": "Valuation date", "value": "2025-12-31"}, {"setting": "Estate", "value": "Ours"}],
        "deliveries": [
            {"on_date": day("2024-09-10"), "lot": "G1", "what": "grapes", "quantity": 4000, "unit": "kg",
             "price_per_unit": 6.0},
            {"on_date": day("2024-09-11"), "lot": "N1", "what": "grapes", "quantity": 2000, "unit": "kg",
             "owner": "Neighbour"},
            {"on_date": day("2024-09-11"), "lot": "G2", "what": "grapes", "quantity": 1000, "unit": "kg",
             "price_per_unit": 6.0, "owner": "Ours"},
        ],
        "pressings": [
            {"on_date": day("2024-09-10"), "load": "P1", "from_lot": "G1", "weight_kg": 4000, "fraction": "first",
             "volume_l": 2000, "to_lot": "M1"},
            {"on_date": day("2024-09-11"), "load": "P2", "from_lot": "N1", "weight_kg": 2000, "fraction": "first",
             "volume_l": 1000, "to_lot": "NM1"},
        ],
        "movements": [
            {"on_date": day("2024-10-01"), "operation": "fermentation", "from_lot": "M1", "out_l": 2000,
             "to_lot": "V1", "in_l": 2000},
            {"on_date": day("2024-10-01"), "operation": "fermentation", "from_lot": "NM1", "out_l": 1000,
             "to_lot": "NV1", "in_l": 1000},
            {"on_date": day("2025-10-01"), "operation": "handing back", "from_lot": "ND1", "out_bottles": 1000},
        ],
        "tirage": [
            {"on_date": day("2025-04-01"), "cuvee": "Brut", "to_lot": "NT1", "wine_lot": "NV1", "wine_l": 900,
             "format": "bottle", "bottles": 1200, "location": "Cellar 1"},
        ],
        "disgorgements": [
            {"on_date": day("2025-09-01"), "release_lot": "ND1", "from_lot": "NT1", "bottles_in": 1100,
             "bottles_out": 1050},
        ],
    }  # fmt: skip
    return {name: pd.DataFrame(lines) for name, lines in rows.items()}


def changed(table: str, row: int, **cells: object) -> Frames:
    """The same with some cells of one row changed, or a row added."""
    found = frames()
    lines = found[table].to_dict("records") if table in found else []
    lines[row : row + 1] = [{**(lines[row] if row < len(lines) else {}), **cells}]
    found[table] = pd.DataFrame(lines)
    return found


def test_what_is_made_of_goods_belongs_to_their_owner() -> None:
    estate = read_inputs(frames())
    assert estate.others is not None
    assert dict(estate.others.owner) == dict.fromkeys(("N1", "NM1", "NV1", "NT1", "ND1"), "Neighbour")
    assert [str(lot) for lot in estate["deliveries"]["lot"]] == ["G1", "G2"]  # the estate's own name is no other owner
    assert len(estate["tirage"]) == 0
    assert estate.others.sources["pressings"].row.tolist() == [3]


def test_everybodys_rows_are_kept_where_rows_are_shown() -> None:
    estate = read_inputs(frames())
    assert len(both_sides(estate)["deliveries"]) == 3
    again = read_inputs(frames_of(estate))
    assert again.others is not None
    assert estate.others is not None
    assert again.others.owner == estate.others.owner
    dearer = open_house(frames()).replace(deliveries=lambda t: t.assign(price_per_unit=t["price_per_unit"] * 2))
    assert dearer.estate.others is not None
    assert dearer.estate["deliveries"]["price_per_unit"].tolist() == [12.0, 12.0]


MIXED = [
    ("movements", 1, {"to_lot": "V1"}, "Movements!E3"),
    ("movements", 0, {"to_lot": "NV1"}, "Movements!E3"),
    ("pressings", 1, {"load": "P1"}, "Pressings!C3"),
    ("deliveries", 2, {"lot": "N1"}, "Deliveries!G4"),
    ("deliveries", 1, {"lot": "G1"}, "Deliveries!G3"),  # the first lot of all
    ("disgorgements", 0, {"liqueur_lot": "V1", "liqueur_l": 5}, "Disgorgements!B2"),
]


@pytest.mark.parametrize(("table", "row", "cells", "place"), MIXED)
def test_goods_change_hands_by_a_sale_alone(table: str, row: int, cells: dict[str, object], place: str) -> None:
    found = changed(table, row, **cells)
    with pytest.raises(InputError) as refused:
        read_inputs(found)
    assert place in [one.place for one in refused.value.findings if "Goods change hands by a sale" in one.remedy]


MONEY = [
    ("deliveries", 1, {"price_per_unit": 6.5}, "goods of another owner"),
    ("movements", 2, {"proceeds": 100}, "goods of another owner"),
    ("movements", 2, {"from_lot": "V1", "out_l": 100, "out_bottles": None}, "nobody to hand it back"),
    ("offers", 0, {"offer": "A", "deal": "sell", "on_date": day("2026-01-10"), "what": "on lees", "lot": "NT1",
                   "quantity": 10, "unit": "bottles", "price_per_unit": 9}, "only our own can stand here"),
    ("service_rates", 0, {"from_date": day("2024-01-01"), "operation": "pressing", "driver": "kg", "rate": 0.5,
                          "owner": "Nobody"}, "has no goods here"),
    ("service_rates", 0, {"from_date": day("2024-01-01"), "operation": "pressing", "driver": "kg", "rate": 0.5,
                          "currency": "GBP"}, "no rate of it"),
    ("service_rates", 0, {"from_date": day("2024-01-01"), "operation": "pressing", "driver": "bottle in",
                          "rate": 0.5}, "never counted by 'pressing'"),
]  # fmt: skip


@pytest.mark.parametrize(("table", "row", "cells", "said"), MONEY)
def test_what_others_own_is_neither_bought_nor_sold(table: str, row: int, cells: dict[str, object], said: str) -> None:
    with pytest.raises(InputError) as refused:
        read_inputs(changed(table, row, **cells))
    assert [one for one in refused.value.findings if said in one.rule]


def test_an_owner_in_two_spellings_is_a_finding() -> None:
    found = frames()
    found["deliveries"]["owner"] = [None, "Neighbour", "neighbour"]
    with pytest.raises(InputError) as refused:
        read_inputs(found)
    assert any("differs from" in one.rule for one in refused.value.findings)


def test_an_overdrawn_lot_of_others_is_found_with_our_own() -> None:
    found = changed("movements", 2, out_bottles=5000)
    found["movements"].loc[0, "out_l"] = 9000
    with pytest.raises(InputError) as refused:
        open_house(found).cost_per_bottle()
    places = [one.place for one in refused.value.findings]
    assert any(place.startswith("Movements!") and place.endswith("2") for place in places)
    assert any(place.startswith("Movements!") and place.endswith("4") for place in places)
