"""What a reader may be shown is said once, as data; what is not said there is refused."""

from __future__ import annotations

import re

import pandas as pd
import pytest

from costing.answers import catalogue
from costing.answers.answer import Answer, joined_answers
from costing.answers.kinds import COLUMN_KINDS, NUMBER_FORMATS, written
from costing.answers.page import html_table
from costing.answers.text import text_answer, text_table
from costing.cli import main
from costing.workbook.pages.answer_sheets import result_sheets


def test_every_column_of_every_table_is_declared_and_every_declared_one_is_used() -> None:
    used = {name for table in catalogue.tables().values() for name in table.columns}
    assert used == set(catalogue.columns())
    for table in catalogue.tables().values():
        assert set(table.keys) <= set(table.columns), table.name
        assert set(table.totals) <= set(table.columns), table.name
        assert not table.sheet or table.sheet in catalogue.sheet_plans(), table.name
        assert 1 <= table.on_screen <= 11, table.name
        assert len(set(table.columns)) == len(table.columns), table.name
    for chart in catalogue.charts():
        drawn = {chart.category, *chart.series, *([chart.panel] if chart.panel else [])}
        assert drawn <= set(catalogue.table(chart.table).columns), chart.title


def test_every_column_says_what_it_means_and_every_share_is_a_percentage() -> None:
    for column in catalogue.columns().values():
        assert column.meaning.strip(), column.name
        if COLUMN_KINDS[column.kind].percent:
            assert written(0.25, column.kind) == "25.0%"
            assert NUMBER_FORMATS[column.kind].startswith("0.0%")


def test_a_column_or_table_that_is_not_declared_is_refused_with_the_nearest() -> None:
    with pytest.raises(KeyError, match="Did you mean 'litres'"):
        Answer({"vats": pd.DataFrame({"lot": ["V1"], "litrs": [1.0]})})
    with pytest.raises(KeyError, match="Did you mean 'vats'"):
        Answer({"vatss": pd.DataFrame({"lot": ["V1"]})})
    with pytest.raises(KeyError, match="has no column bottles"):
        Answer({"vats": pd.DataFrame({"lot": ["V1"], "bottles": [1.0]})})


def test_a_column_of_the_data_reaches_every_reader() -> None:
    answer = Answer(
        {"vats": pd.DataFrame({"lot": ["V1"], "litres": [1234.5], "reserve": [0.5]}).drop(columns="reserve")}
    )
    assert "1,235" in text_answer(answer)
    assert answer.to_dict()["vats"] == [{"lot": "V1", "litres": 1234.5}]
    assert "<td class=n>1,235</td>" in answer._repr_html_()
    (sheet,) = result_sheets([answer])
    assert list(sheet.tables[0].frame.columns) == ["Lot", "Litres"]


def test_a_narrow_screen_loses_the_last_columns_and_says_so() -> None:
    frame = pd.DataFrame(
        {"lot": ["V1"], "use": ["sell"], "litres": [10.0], "market_per_litre": [9.0], "gain_if_kept": [1.0]}
    )
    narrow = text_table("vats", frame, width=24)
    assert max(map(len, narrow.splitlines())) <= 24
    assert "Not shown" in narrow
    assert "--wide" in narrow
    least = text_table("vats", frame, width=3).splitlines()
    assert [line.split() for line in least if "V1" in line] == [["V1", "sell"]]  # two columns stay on any screen
    wide = text_table("vats", frame, wide=True, width=30)
    assert "Not shown" not in wide


def test_zero_is_a_dash_and_what_is_not_known_a_blank() -> None:
    assert written(0.0, "money per unit") == "–"
    assert written(float("nan"), "share") == ""
    assert written(-1234.567, "money per unit") == "-1,234.57"
    assert written(True, "yes or no") == "yes"


def test_a_table_says_how_many_rows_it_leaves_out_and_nothing_where_it_shows_all() -> None:
    frame = pd.DataFrame({"lot": ["V1", "V2"], "litres": [10.0, 20.0]})
    shown = [html_table("vats", frame, rows=rows) for rows in (1, 2, 3, None)]
    assert [page.partition("</table>")[2] for page in shown] == ["<p class=under>1 more rows.</p>", "", "", ""]


def test_answers_joined_say_of_nothing_what_the_first_says() -> None:
    one, other = Answer({}, empty="No lot."), Answer({}, says=("Two.",), empty="No bottle.")
    assert (joined_answers([one, other]).empty, joined_answers([one, other]).says) == ("No lot.", ("Two.",))
    assert joined_answers([]).empty == ""


def test_what_is_zero_has_no_sign() -> None:
    """A table said -0.0 in JSON where less than half a litre was lost."""
    answer = Answer({"vats": pd.DataFrame({"lot": ["R"], "litres": [-0.0]})})
    assert str(answer.to_dict()["vats"]) == "[{'lot': 'R', 'litres': 0.0}]"


@pytest.mark.parametrize("columns", [["lot", "litres"], ["litres", "lot"]])
def test_what_a_reader_does_to_a_table_stays_with_the_answer(columns: list[str]) -> None:
    given = pd.DataFrame({"lot": ["R"], "litres": [1.0]})[columns]
    shown = Answer({"vats": given})["vats"]
    shown["litres"] = 2.0
    del shown["lot"]
    assert given["litres"].tolist() == [1.0]
    assert set(given) == {"lot", "litres"}


def test_formulas_in_text_stay_text_in_csv(tmp_path) -> None:
    Answer({"vats": pd.DataFrame({"lot": ["=1+1"], "litres": [1.0]})}).to_csv(tmp_path)
    assert "'=1+1" in (tmp_path / "vats.csv").read_text()


OUT_OF_USE = re.compile(
    r"\b(status|where|half below|half above|on basis|way out|stands there|flips)\b|\d % (below|above)", re.I
)
SAME_EVERYWHERE = {"state": "State", "place": "Cell", "found_value": "Value found", "found_figure": "Value found"}


def test_one_thing_has_one_name() -> None:
    """Names that were two for one thing stay one; what two headers share is of one nature."""
    columns = catalogue.columns()
    assert [one.header for one in columns.values() if OUT_OF_USE.search(one.header)] == []
    assert {name: columns[name].header for name in SAME_EVERYWHERE} == SAME_EVERYWHERE
    for part, word in (("p5", "5th percentile"), ("p50", "Median"), ("p95", "95th percentile")):
        assert {one.header for one in columns.values() if re.search(rf"(^|_){part}$", one.name)} == {word}
    for plan in catalogue.tables().values():
        headers = [catalogue.column(name).header for name in plan.columns if not name.endswith("*")]
        assert len(set(headers)) == len(headers), f"{plan.name} shows two columns under one header"


@pytest.mark.parametrize("named", [plan.written_by for plan in catalogue.sheet_plans().values() if plan.written_by])
def test_a_command_that_a_page_names_can_be_typed_as_it_stands(named: str) -> None:
    """`costing sensitivity FILE --write` asked for a release."""
    assert main(named.replace("FILE", "none.xlsx").split()[1:]) == 1  # the file alone is missing


def test_money_of_a_bottle_has_cents_and_money_of_an_estate_none() -> None:
    for column in catalogue.columns().values():
        if re.search(r"_per_(bottle|75cl|litre|unit|kilo)$", column.name) and COLUMN_KINDS[column.kind].is_figure:
            assert column.kind in ("money per unit", "money in detail"), column.name
    assert written(1234.567, "money per unit") == "1,234.57"
    assert written(1234.567, "money total") == "1,235"
    assert written(31.465, "money per unit") == "31.47"  # as in a cell, though the binary number is below 31.465
    assert written(-0.125, "money per unit") == "-0.13"
    assert written(31.4649, "money per unit") == "31.46"
