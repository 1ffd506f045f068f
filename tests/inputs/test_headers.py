"""How sheets and columns are found by their titles."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from costing.errors import CAUTION, InputError
from costing.inputs.headers import read_headers, sheet_name, sheet_title
from costing.inputs.load import RawTable, load, read_frames, read_inputs
from costing.inputs.schema import sheets
from costing.inputs.translations import mixed_word
from tests.inputs.planted import estate_of, only, planted


@pytest.fixture(scope="module")
def estate():
    return estate_of()


@pytest.mark.parametrize("header", ["Measured", "MEASURED", "  measured ", "Mea\u0301sured"])
def test_headers_are_found_whatever_their_case_accents_and_spaces(header):
    assert estate_of({"Stocktakes!C1": header})["stocktakes"]["quantity"][0] == 9900


def test_columns_are_found_by_header_and_not_by_position():
    tables = planted({})
    tables["Movements"] = tables["Movements"][tables["Movements"].columns[::-1]]
    estate = load(read_frames(tables), settings_required=False)
    pd.testing.assert_frame_equal(estate["movements"], estate_of()["movements"])
    assert estate.place("movements", 0, "on_date") == "Movements!M2"


@pytest.mark.parametrize(
    ("title", "known", "header", "factor"),
    [
        ("Movements", "Out (L)", "Out (hl)", 100),
        ("Movements", "Out (L)", "Out [HL]", 100),
        ("Movements", "Out (L)", "Out\n( l )", 1),
        ("Pressings", "Grapes (kg)", "Grapes (t)", 1000),
        ("Tirage", "Wine (L)", "wine (hl)", 100),
        *(("Movements", "Out (L)", f"Out ({word})", 1) for word in ("litres", "liters", "litre")),
        ("Pressings", "Grapes (kg)", "Grapes (tonnes)", 1000),
        ("Tirage", "Sugar (g/L)", "Sugar (g/l)", 1),
    ],
)
def test_the_unit_in_the_header_decides(title, known, header, factor, estate):
    tables = planted({})
    numbers = pd.to_numeric(tables[title][known]) / factor
    tables[title] = tables[title].assign(**{known: numbers}).rename(columns={known: header})
    read = load(read_frames(tables), settings_required=False)
    pd.testing.assert_frame_equal(read[title.lower()], estate[title.lower()])


def test_bounds_hold_in_the_unit_of_the_schema():
    cells = {"Settings!A3": "Volume tolerance (L)", "Settings!B3": "101"}
    assert only(cells).rule == "is above the most allowed, 100."


@pytest.mark.parametrize(
    ("header", "said"),
    [
        ("Out", "names no unit."),
        ("Out (gal)", "names a unit that is not known here."),
    ],
)
def test_a_header_without_its_unit_is_refused(header, said):
    finding = only({"Movements!E1": header})
    assert (finding.place, finding.value, finding.rule) == ("Movements!E1", header, said)
    assert "'Out (L)', 'Out (hl)', 'Out (bottles)'" in finding.remedy


def test_a_percent_column_needs_its_sign_and_a_column_of_days_does_not():
    assert only({"Terms!B1": "Share"}).remedy == "Write 'Share (%)'."
    assert estate_of({"Terms!C1": "Days after delivery"})["terms"]["days_after"][0] == 60


def test_money_headers_may_name_their_currency():
    assert estate_of({"Costs!F1": "Amount (EUR)"})["costs"]["amount"][0] == 4000


def test_a_header_close_to_a_known_one_is_named():
    finding = only({"Costs!B1": "Date payed"})
    assert (finding.place, finding.value, finding.remedy) == (
        "Costs!B1",
        "Date payed",
        "Did you mean 'Date paid'?",
    )


def test_a_column_of_the_users_own_is_left_alone():
    tables = planted({})
    tables["Costs"] = tables["Costs"].assign(Remarks="#N/A")
    assert load(read_frames(tables), settings_required=False)["costs"].shape == (1, 9)


def test_a_missing_required_column_is_one_finding():
    tables = planted({})
    tables["Movements"] = tables["Movements"].drop(columns="Operation")
    with pytest.raises(InputError) as refused:
        load(read_frames(tables), settings_required=False)
    assert [str(finding) for finding in refused.value.findings] == [
        "Movements: has no column 'Operation'. Add it: what was done."
    ]


def test_the_same_header_twice_is_refused_where_it_stands_again():
    finding = only({"Costs!D1": "Lot"})
    assert (finding.place, finding.rule) == ("Costs!D1", "is the second column of that name.")


def test_a_sheet_without_any_known_header_is_one_finding():
    tables = planted({})
    tables["Costs"] = pd.DataFrame({"Our costs": ["Date incurred", "2024-01-01"], "x": ["Lot", "V1"]})
    with pytest.raises(InputError) as refused:
        load(read_frames(tables), settings_required=False)
    assert [finding.place for finding in refused.value.findings] == ["Costs!1"]


def test_sheets_of_another_year_append():
    tables = planted({})
    tables["Movements 2026"] = (
        tables["Movements"].iloc[[0]].assign(Date="2026-01-10", **{"Out (L)": "5", "In (L)": "5"})
    )
    estate = load(read_frames(tables), settings_required=False)
    assert len(estate["movements"]) == 7
    assert estate["movements"]["operation"].dtype == "category"
    assert estate.place("movements", 6, "out_l") == "Movements 2026!E2"


@pytest.mark.parametrize(
    "title",
    [
        "Movements (2)",
        "Movements - Copy",
        "Copy of Movements",
        "Movements copy",
        "Movements_2",
        "movements - copie",
    ],
)
def test_a_copied_sheet_is_refused_aloud(title):
    tables = planted({})
    tables[title] = tables["Movements"]
    with pytest.raises(InputError) as refused:
        load(read_frames(tables), settings_required=False)
    assert [finding.place for finding in refused.value.findings] == [title]
    assert "copy of the sheet 'Movements'" in refused.value.findings[0].rule


def test_unknown_sheets_are_left_alone_and_near_ones_are_a_caution():
    own = RawTable("Weather", pd.DataFrame({"Rain": [1]}), np.array([2]), {"Rain": "A"})
    near = RawTable("Movment", pd.DataFrame({"Rain": [1]}), np.array([2]), {"Rain": "A"})
    estate = load([*read_frames(planted({})), own, near], settings_required=False)
    assert [(finding.place, finding.severity) for finding in estate.cautions] == [("Movment", CAUTION)]
    assert "'Movements'" in estate.cautions[0].remedy


def test_a_data_frame_under_an_unknown_name_is_refused():
    with pytest.raises(InputError) as refused:
        read_inputs({"weather": pd.DataFrame({"rain": [1]})})
    assert refused.value.findings[0].place == "weather"


def test_settings_are_required_of_a_workbook_and_not_of_data_frames():
    assert estate_of(without=("Settings",)).settings.currency == "EUR"
    with pytest.raises(InputError, match="Settings: is missing"):
        load(read_frames(planted({}, without=("Settings",))))


def test_every_title_and_every_column_is_found_by_its_own_name():
    for name, sheet in sheets().items():
        for title in (sheet.title, name, sheet.title.upper(), f"{sheet.title} 2026", f"{name}_2026"):
            assert sheet_name(title) == (name, "", "")
        assert sheet_title(f"{name}_2026") == f"{sheet.title} 2026"
        headings = read_headers(sheet, [column.title for column in sheet.columns])
        assert [(heading.column, heading.factor, heading.rule) for heading in headings] == [
            (column, 1.0, "") for column in sheet.columns
        ]


def test_a_library_name_is_a_header_too_except_where_it_hides_percent_points():
    found = read_headers(sheets()["tirage"], ["wine_l", "to_lot"])
    assert [heading.column.name for heading in found] == ["wine_l", "to_lot"]
    found = read_headers(sheets()["terms"], ["share"])
    assert found[0].remedy == "Write 'Share (%)'."


@pytest.mark.parametrize("title", ["Cost per bottle", "Stock value", "Origins", "Weather", "2026"])
def test_titles_of_other_sheets_mean_nothing(title):
    assert sheet_name(title) == ("", "", "")


def test_yearly_sheets_may_order_their_columns_as_they_like():
    tables = planted({})
    later = tables["Movements"].iloc[[0]].assign(Date="2026-01-10", **{"In (L)": "5000"})
    tables["Movements 2026"] = later[later.columns[::-1]]
    estate = load(read_frames(tables), settings_required=False)
    assert estate["movements"]["out_l"].iloc[-1] == 4000
    assert [finding.place for finding in estate.cautions] == ["Movements 2026!F2"]


@pytest.mark.parametrize(
    ("sheet", "header", "column", "title"),
    [
        ("tirage", "Bottles (bottles)", "bottles", "Bottles"),
        ("loans", "Months between payments (months)", "payment_months", "Months between payments"),
        ("channels", "Customer days (days)", "customer_days", "Customer days"),
        ("channels", "Way out", "way_out", "Exit"),
    ],
)
def test_a_unit_that_the_name_says_is_not_said_twice_and_earlier_headers_are_still_read(
    sheet: str, header: str, column: str, title: str
) -> None:
    known = sheets()[sheet]
    assert [(one.column, one.factor, one.rule) for one in read_headers(known, [header])] == [
        (known.column(column), 1.0, "")
    ]
    assert known.column(column).title == title


def test_a_scenario_may_name_a_column_by_its_earlier_header():
    row = {"Scenario": ["a"], "Sheet": ["Tirage"], "Column": ["Bottles (bottles)"], "How": ["multiply"], "Value": [0.9]}
    tables = {**planted({}), "Scenarios": pd.DataFrame(row)}
    estate = load(read_frames(tables), settings_required=False)
    assert not [finding for finding in estate.cautions if finding.place.startswith("Scenarios")]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("ro\u0455\u03ad", ("ro\u0455\u03ad", ("Latin", "Cyrillic", "Greek"))),
        ("ros\u00e9 \u0432\u0438\u043d\u043e", None),
        ("\u65e5A", None),
    ],
)
def test_a_word_of_letters_that_look_alike_is_told_with_all_its_alphabets(text, said):
    assert mixed_word(["rosé", text]) == said
