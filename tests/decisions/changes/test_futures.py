"""The plan under every scenario: what is common to this quarter, and the regret of each plan in each future."""

from __future__ import annotations

import pandas as pd
import pytest

from costing import House
from costing.cli import main
from costing.decisions.changes.futures import QUARTER, THROUGHOUT
from costing.decisions.plan.plans import BEST
from tests.form import in_full
from tests.golden.as_kept import differences
from tests.golden.every_decision import FOLDER

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def answer(small_runs):
    """Of the small house without its loans, whose limits a plan breaks without breaking those of bottles or places;
    dear money alone makes no old bottles dearer.
    """
    dearer = small_runs.estate["scenarios"]["column"] == "Ex-cellar price"
    assert dearer.sum() == 1
    return (
        House(small_runs.estate)
        .replace(loans=lambda own: own.iloc[:0], scenarios=lambda own: own[~dearer.to_numpy()])
        .futures()
    )


def scenarios(*rows: tuple[str, str, str, str | None, str, float]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["scenario", "sheet", "column", "where", "how", "value"])


def test_the_best_plan_of_a_future_has_no_regret_in_it_and_no_plan_has_less(answer) -> None:
    table = answer["futures_regret"]
    columns = [name for name in table.columns if name.startswith("regret:")]
    assert len(columns) >= 4
    for _, row in table.iterrows():
        assert row["worst_regret"] == pytest.approx(max(row[columns]))
        if row["beyond_limits"] <= 0.5:
            assert min(row[columns]) > -0.5
    own = table[table["plan"] == BEST]
    assert (own["regret:As recorded"].abs() < 1e-3).all()
    for name in columns[1:]:
        made = table[table["plan"] == f"best if: {name.removeprefix('regret:')}"]
        assert len(made) == 2
        assert (made[name].abs() < 1e-3).all()


def test_to_decide_anew_later_never_loses_more_than_to_keep_a_plan_throughout(answer) -> None:
    table = answer["futures_regret"]
    kept = {how: table[table["plan_kept"] == how].set_index("plan") for how in (QUARTER, THROUGHOUT)}
    for plan, row in kept[QUARTER].iterrows():
        whole = kept[THROUGHOUT].loc[plan]
        if max(row["beyond_limits"], whole["beyond_limits"]) <= 0.5:
            assert row["worst_regret"] <= whole["worst_regret"] + 0.5


def test_a_loss_below_nought_is_explained_by_the_limits_that_the_plan_breaks(answer) -> None:
    """It was explained by a column alone, which a narrow screen leaves out."""
    table = answer["futures_regret"]
    below = table[(table.filter(like="regret:") < -0.5).any(axis=1)]
    assert len(below)
    assert (below["beyond_limits"] > 0.5).all()
    said = next(sentence for sentence in answer.says if "A loss below 0" in sentence)
    assert f"{below['beyond_limits'].max():,.0f} bottles or places" in said


def test_what_is_common_is_the_least_of_all_futures(answer) -> None:
    table = answer["futures_quarter"]
    amounts = table.filter(like="disgorged_in:")
    assert table["bottles_common"].to_numpy() == pytest.approx(amounts.min(axis=1).to_numpy())
    assert (amounts.max(axis=1) > 0.5).all()


def test_a_future_with_no_market_leaves_nothing_in_common(small_runs) -> None:
    house = House(small_runs.estate).replace(
        scenarios=scenarios(
            ("Closed", "Price by age", "Market takes a month", None, "multiply", 0.0),
            ("Dear must", "Deliveries", "Price per unit", None, "multiply", 1.5),
        ),
        limits=lambda own: own.iloc[:0],
        loans=lambda own: own.iloc[:0],  # what must is paid for moves the line of the bank
    )
    found = house.futures()
    assert found["futures_quarter"]["bottles_common"].sum() == pytest.approx(0.0, abs=1e-6)
    assert any("Dear must" in said for said in found.says)  # money spent before changes no plan


def test_a_scenario_that_makes_no_sense_is_a_finding_and_the_others_stand(small_runs) -> None:
    def with_pomace(pressings: pd.DataFrame) -> pd.DataFrame:
        load = pressings.iloc[[0]][["on_date", "load"]].assign(fraction="by-product", credit=40.0)
        return pd.concat([pressings, load], ignore_index=True)

    house = House(small_runs.estate).replace(
        pressings=with_pomace,
        scenarios=scenarios(
            ("Rich pomace", "Pressings", "By-product credit", "Fraction=by-product", "multiply", 1e6),
            ("Fewer", "Price by age", "Market takes a month", None, "multiply", 0.5),
        ),
    )
    found = house.futures()
    assert [finding.severity for finding in found.findings] == ["error"]
    assert "make no sense" in found.findings[0].rule
    assert "regret:Fewer" in found["futures_regret"].columns


def test_without_scenarios_it_says_where_to_enter_them(small_runs) -> None:
    found = House(small_runs.estate).replace(scenarios=lambda own: own.iloc[:0]).futures()
    assert not len(found.main)
    assert "Scenarios" in found.empty


def test_the_command_prints_them(answer, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    monkeypatch.setattr(House, "futures", lambda *_: answer)
    assert main(["plan", str(FOLDER), "--futures"]) == 0
    printed = capsys.readouterr().out
    assert "This quarter in every future" in printed
    assert "deciding anew later loses" in " ".join(printed.split())


@in_full
def test_every_figure_of_the_demo_is_as_kept(demo_runs) -> None:
    """Four seconds; those of smaller houses are kept beside it (`tests.golden.questions`)."""
    assert differences("demo", ["futures"], demo_runs) == []
