"""What is said of all stacks on lees together."""

from __future__ import annotations

import pandas as pd
import pytest

from costing.decisions.hold_or_release import _said


@pytest.mark.parametrize(
    ("gains", "stacks"),
    [([None], None), ([5.0], "one stack"), ([5.0, None], "one stack"), ([5.0, 4.0], "2 stacks")],
)
def test_stacks_that_are_judged_are_counted(gains: list[float | None], stacks: str | None) -> None:
    verdicts = pd.DataFrame({"lot": "T22", "verdict": "release now", "gain": pd.Series(gains, dtype=float)})
    counted = verdicts["gain"].notna().sum()
    said = f"Of {stacks} on lees hold 0 and release {counted} at the first date."
    assert _said(verdicts, "EUR") == (() if stacks is None else (said,))


def test_where_most_money_lies_in_holding_is_said() -> None:
    verdicts = pd.DataFrame(
        {
            "lot": ["T22", "T21", "T20"],
            "verdict": ["hold until 2027-03", "hold until 2026-06", "release now"],
            "gain": [3_000.0, 1_000.0, 0.0],
        }
    )
    assert _said(verdicts, "EUR") == (
        "Of 3 stacks on lees hold 2 and release 1 at the first date: 4,000 EUR more than releasing all of them then, "
        "3,000 of it on T22 (hold until 2027-03).",
    )
