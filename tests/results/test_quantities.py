"""Quantities roll forward and close; what left in kilograms, litres and bottles is what the rows say."""

from __future__ import annotations

import numpy as np
import pytest

from costing import BOOK, Results, read_estate, run
from costing.results.quantities import quantity_roll_forward
from costing.results.stock import stock_values
from tests.form import chosen
from tests.money.test_drivers import everything_once
from tests.properties.estates import estate_drawn

KEYS = ["stage", "unit", "format"]


@pytest.fixture(scope="module")
def demo(demo_runs) -> Results:
    return demo_runs.book


@pytest.mark.parametrize(
    ("start", "end"), [("2017-12-31", "2025-12-31"), ("2019-12-31", "2021-06-30"), ("2025-12-31", "2027-12-31")]
)
def test_every_row_of_the_demo_closes(demo: Results, start: str, end: str) -> None:
    table = quantity_roll_forward(demo, start, end)
    assert table["difference"].abs().max() < 1e-9 * table["closing"].max()


@pytest.mark.parametrize("seed", range(chosen(full=40, short=3)))
def test_every_row_of_a_random_estate_closes(seed: int) -> None:
    results = run(estate_drawn(seed, 80), BOOK)
    for part in (0.0, 0.4, 0.8):
        days = np.quantile(results.chain.flows.day, [part, min(part + 0.3, 1.0)]).astype("datetime64[D]")
        table = quantity_roll_forward(results, *days)
        assert table["difference"].abs().max() < 1e-9 * max(1.0, table["closing"].max())


def test_closing_quantities_are_those_of_the_stock(demo: Results) -> None:
    table = quantity_roll_forward(demo, "2024-12-31", "2025-12-31")
    stock = stock_values(demo, "2025-12-31").groupby(KEYS)["quantity"].sum()
    closing = table.set_index(KEYS)["closing"]
    assert closing[closing > 0].to_dict() == pytest.approx(stock.to_dict())


def test_rows_say_what_was_received_bottled_disgorged_and_sent(demo: Results) -> None:
    estate, year = demo.estate, 2021
    table = quantity_roll_forward(demo, f"{year - 1}-12-31", f"{year}-12-31").set_index(["stage", "unit"])

    def rows(name: str):
        return estate[name][estate[name]["on_date"].dt.year == year]

    received, bottled = rows("deliveries"), rows("tirage")
    assert table.loc[("harvest", "kg"), "received"].sum() == received["quantity"][received["unit"] == "kg"].sum()
    assert table.loc[("tirage", "L"), "from_stages"].sum() == pytest.approx(bottled["wine_l"].sum())
    assert table.loc[("tirage", "L"), "added"].sum() == pytest.approx(bottled["liqueur_l"].sum())
    released = rows("disgorgements")
    assert -table.loc[("finishing", "bottles"), "to_stages"].sum() == pytest.approx(released["bottles_out"].sum())
    assert (
        -table.loc[("finishing", "bottles"), "lost"].sum() == (released["bottles_in"] - released["bottles_out"]).sum()
    )
    sent = table.loc[("finished stock", "bottles"), "sent_away"].sum()
    assert -sent == pytest.approx(rows("dispatches")["bottles"].sum())


@pytest.mark.parametrize(
    ("start", "end", "lines"),
    [
        (
            "2023-08-31",
            "2025-12-31",
            [
                ("harvest", "kg", "", 0, 8_000, 0, 0, -8_000, 0, 0, 0),
                ("vinification", "L", "", 0, 1_000, 5_000, 0, -750, -850, -350, 4_050),
                ("tirage", "L", "", 0, 0, 750, 0, -750, 0, 0, 0),
                ("on lees", "bottles", "bottle", 0, 0, 1_000, 0, -400, 0, 0, 600),
                ("on lees", "bottles", "magnum", 0, 50, 0, 0, -50, 0, 0, 0),
                ("finishing", "bottles", "bottle", 0, 0, 400, 0, -390, 0, -10, 0),
                ("finishing", "bottles", "magnum", 0, 0, 50, 0, -49, 0, -1, 0),
                ("finished stock", "bottles", "bottle", 0, 0, 390, 0, 0, -90, 0, 300),
                ("finished stock", "bottles", "magnum", 0, 0, 49, 0, 0, 0, 0, 49),
            ],
        ),
        (
            "2023-09-10",
            "2023-10-20",
            [
                ("harvest", "kg", "", 8_000, 0, 0, 0, -8_000, 0, 0, 0),
                ("vinification", "L", "", 0, 1_000, 5_000, 0, 0, 0, -200, 5_800),
                ("on lees", "bottles", "magnum", 0, 50, 0, 0, 0, 0, 0, 50),
            ],
        ),
    ],
)
def test_a_year_of_each_kind_of_work_by_hand(start: str, end: str, lines: list[tuple[object, ...]]) -> None:
    """8,000 kg give 4,000 and 1,000 L; 100 and 100 L stay behind as lees, 150 L are lost; what came back was not sent.
    The first day is told in what it opens with, the last one in what happened.
    """
    table = quantity_roll_forward(run(read_estate(everything_once()), BOOK), start, end)
    assert [tuple(line[:-1]) for line in table.itertuples(index=False)] == lines
    assert not table["difference"].any()


def test_a_decanting_arrives_in_bottles_of_its_own_format(demo: Results) -> None:
    """232 bottles of 0.75 L fill 57 jeroboams of 3 L: 58 would hold them, one is lost."""
    table = quantity_roll_forward(demo, "2020-12-31", "2021-12-31")
    row = table[(table["stage"] == "on lees") & (table["format"] == "jeroboam")].iloc[0]
    assert (row["from_stages"], row["lost"], row["closing"]) == (232 * 0.75 / 3, -1.0, 57.0)


def test_nothing_is_no_minus_nothing() -> None:
    table = quantity_roll_forward(run(read_estate(everything_once()), BOOK), "2023-08-31", "2025-12-31")
    amounts = table.drop(columns=KEYS).to_numpy(dtype=float)
    assert not np.signbit(amounts[amounts == 0]).any()


def test_quarter_bottles_stand_under_their_own_format() -> None:
    """The first of all formats: 1,000 of 0.2 L are filled and 400 of them disgorged."""
    tables = everything_once()
    tables["tirage"] = tables["tirage"].assign(**{"Format": "quarter", "Wine (L)": 200})
    table = quantity_roll_forward(run(read_estate(tables), BOOK), "2023-08-31", "2025-12-31").set_index(KEYS)
    assert table.loc[("on lees", "bottles", "quarter"), ["from_stages", "closing"]].tolist() == [1_000, 600]
    assert table.loc[("finished stock", "bottles", "quarter"), "from_stages"] == 390
