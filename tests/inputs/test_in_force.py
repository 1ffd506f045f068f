"""The row in force on a day, and the two answers that one question once had."""

import numpy as np
import pandas as pd

from costing.inputs.in_force import named_row_in_force, row_in_force, rows_in_force, series_of
from costing.inputs.load import read_inputs
from costing.results.ways_out import channel_rows, ways_out

SINCE = np.array([20, 10, 10, 5])
NEVER = np.iinfo(np.int64).min


def test_a_row_holds_from_its_day_until_the_next():
    rows = np.array([0, 1, 2])
    # of two rows of one date the lower one holds
    np.testing.assert_array_equal(row_in_force(rows, SINCE, np.array([9, 10, 19, 20, 99])), [-1, 2, 2, 0, 0])
    np.testing.assert_array_equal(row_in_force(rows[:0], SINCE, np.array([9])), [-1])


def test_a_row_without_a_date_held_from_the_beginning():
    np.testing.assert_array_equal(row_in_force(np.array([0, 1]), np.array([NEVER, 10]), np.array([0, 10])), [0, 1])


def test_series_keep_apart_and_go_by_date():
    rows = [series.tolist() for series in series_of([np.array([1, 1, 2, 1])], SINCE)]
    assert rows == [[3, 1, 0], [2]]
    keys = pd.DataFrame({"item": ["a", "a", "b", "a"]})
    assert set(rows_in_force(keys, SINCE, 12).tolist()) == {1, 2}
    name = np.array(["a", "a", "b", "a"], dtype=object)
    wanted = np.array(["a", "b", "b", np.nan], dtype=object)
    np.testing.assert_array_equal(named_row_in_force(name, SINCE, wanted, np.array([6, 9, 10, 30])), [3, -1, 2, -1])


def test_a_channel_that_becomes_samples_in_december_keeps_the_sales_before():
    """Once the latest terms turned the whole year's goods sold into samples."""
    channels = pd.DataFrame(
        {"channel": ["trade", "trade"], "from_date": ["2025-01-01", "2025-12-01"], "way_out": ["sale", "samples"]}
    )
    dispatches = pd.DataFrame(
        {"on_date": ["2025-05-02", "2025-12-01"], "release_lot": "R", "channel": "trade", "bottles": [10, 1]}
    )
    opening = pd.DataFrame(
        [{"lot": "R", "kind": "finished", "on_date": "2025-01-01", "quantity": 20, "unit": "bottles", "cuvee": "Brut"}]
    ).assign(format="bottle")
    estate = read_inputs({"channels": channels, "dispatches": dispatches, "opening_stock": opening})
    assert ways_out(estate).tolist() == ["sale", "samples"]
    day = np.array(["2025-05-02", "2025-12-01"], dtype="datetime64[D]").astype(np.int64)
    assert channel_rows(estate, estate["dispatches"]["channel"], day).tolist() == [0, 1]
