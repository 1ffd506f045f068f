"""How cells and rows are read: one test per rule, each proving the cell that it names."""

from __future__ import annotations

from datetime import datetime
from decimal import Decimal
from typing import Any

import numpy as np
import pandas as pd
import pytest

from costing.errors import CAUTION, ERROR, FIRST_PLACES, Finding, InputError
from costing.inputs.columns import ERROR_TEXTS
from costing.inputs.load import RawTable, load, read_frames, read_inputs
from costing.inputs.schema import sheets
from tests.inputs.planted import FOLDER, estate_of, findings_of, only, planted


@pytest.fixture(scope="module")
def estate():
    return estate_of()


def test_the_unplanted_estate_has_no_findings(estate):
    assert estate.cautions == ()
    rows = {path.stem: len(path.read_text(encoding="utf-8").splitlines()) - 1 for path in FOLDER.glob("*.csv")}
    assert {name: len(table) for name, table in estate.tables.items() if len(table)} == rows


def test_every_sheet_and_column_of_the_schema_is_there_with_its_type(estate):
    kinds = {"date": "datetime64[s]", "number": "float64", "integer": "float64", "percent": "float64"}
    for sheet in sheets().values():
        found = {name: str(dtype) for name, dtype in estate[sheet.name].dtypes.items()}
        assert found == {column.name: kinds.get(column.type, "category") for column in sheet.columns}


def test_quantities_in_hectolitres_by_their_unit_column_become_litres(estate):
    row = estate["opening_stock"].iloc[0]
    assert (row["quantity"], row["unit"]) == (10_000.0, "L")
    assert list(estate["deliveries"]["unit"]) == ["kg", "kg", "L"]


def test_blank_rows_are_passed_over():
    tables = planted({})
    blank = pd.DataFrame([[None] * 6, [" "] * 6, [np.nan] * 6], columns=tables["Costs"].columns)
    tables["Costs"] = pd.concat([blank, tables["Costs"], blank], ignore_index=True)
    estate = load(read_frames(tables), settings_required=False)
    assert len(estate["costs"]) == 1
    assert estate.place("costs", 0, "lot") == "Costs!C5"


@pytest.mark.parametrize("label", ["Total", "TOTALS", "Sum", "Total 2024:", "Grand total", "Somme"])
@pytest.mark.parametrize("column", [0, 2, 4])
def test_a_totals_row_is_passed_over(label, column):
    tables = planted({})
    row: list[Any] = [None] * 5 + [4000.0]
    row[column] = label
    tables["Costs"].loc[1] = row
    assert len(load(read_frames(tables), settings_required=False)["costs"]) == 1


def test_a_totals_row_that_says_so_in_a_column_of_the_users_own_is_passed_over():
    tables = planted({})
    tables["Costs"] = tables["Costs"].assign(Remarks="")
    tables["Costs"].loc[1] = [None] * 5 + [4000.0, "Total"]
    assert len(load(read_frames(tables), settings_required=False)["costs"]) == 1


def test_a_dated_row_that_names_something_total_is_no_totals_row():
    assert len(estate_of({"Stocktakes!D2": "total loss of foam"})["stocktakes"]) == 1


@pytest.mark.parametrize("place", ["Costs!A2", "Costs!C2", "Costs!F2", "Costs!D2"])
@pytest.mark.parametrize("text", ["#N/A", "Err:502"])
def test_error_texts_are_errors_in_every_sort_of_column(text, place):
    finding = only({place: text})
    assert (finding.place, finding.value, finding.rule) == (place, text, "is an error, not a value.")


def test_every_error_text_of_a_spreadsheet_is_an_error():
    tables = planted({})
    tables["Costs"] = pd.DataFrame([tables["Costs"].iloc[0]] * len(ERROR_TEXTS)).assign(Reference=sorted(ERROR_TEXTS))
    with pytest.raises(InputError) as refused:
        load(read_frames(tables), settings_required=False)
    assert [finding.place for finding in refused.value.findings] == [
        f"Costs!G{row}" for row in range(2, len(ERROR_TEXTS) + 2)
    ]


def test_whole_numbers_in_a_column_of_names_are_text_without_decimals():
    estate = estate_of({"Opening stock!H2": 2021.0, "Opening stock!H3": "2019"})
    assert list(estate["opening_stock"]["vintage"]) == ["2021", "2019"]
    estate = estate_of({"Opening stock!B2": 2024.0, "Opening costs!A2": 2024, "Movements!D5": "2024"} | _r1_elsewhere())
    assert estate["opening_stock"]["lot"][0] == estate["opening_costs"]["lot"][0] == "2024"


def _r1_elsewhere() -> dict[str, str]:
    return {"Stocktakes!B2": "2024", "Trial blends!C2": "2024"}


@pytest.mark.parametrize("value", [True, np.bool_(False)])
@pytest.mark.parametrize("place", ["Costs!A2", "Costs!C2", "Costs!F2"])
def test_true_and_false_are_refused(place, value):
    finding = only({place: value})
    assert (finding.place, finding.value) == (place, str(bool(value)).upper())


def test_a_date_where_a_number_or_a_name_belongs_is_refused():
    for place in ("Costs!F2", "Costs!C2"):
        finding = only({place: datetime(2024, 12, 3)})
        assert (finding.place, finding.value) == (place, "2024-12-03")
        assert "is a date, not a" in finding.rule


def test_names_lose_outer_spaces_and_runs_of_spaces():
    estate = estate_of(
        {
            "Opening stock!B2": "  R1 ",
            "Dispatches!C2": "\u00a0Trade\u200b",
            "Deliveries!D2": "Grower \u00a0 A",
        }
    )
    assert estate["opening_stock"]["lot"][0] == "R1"
    assert estate["dispatches"]["channel"][0] == "Trade"
    assert estate["deliveries"]["supplier"][0] == "Grower A"


def test_choices_are_found_whatever_their_case_and_accents():
    estate = estate_of({"Cuvées!B2": " Rose ", "Movements!C2": "RACKING"})
    assert estate["cuvees"]["category"][0] == "rosé"
    assert estate["movements"]["operation"][0] == "racking"


def test_an_unknown_choice_is_told_the_nearest():
    finding = only({"Movements!C2": "raking"})
    assert str(finding) == "Movements!C2: 'raking' is not in the list for 'Operation'. Did you mean 'racking'?"
    assert "Choose one of: sale, samples" in only({"Channels!B2": "export"}).remedy


def test_usual_cost_elements_take_their_usual_spelling():
    assert estate_of({"Costs!E2": "LABOUR"})["costs"]["element"][0] == "labour"


def test_a_required_cell_that_is_blank_is_named():
    finding = only({"Costs!F2": ""})
    assert (finding.place, finding.rule) == ("Costs!F2", "is blank: 'Amount' is required.")


def test_blank_cells_take_the_default_of_the_schema():
    estate = estate_of({"Price by age!B2": "", "Deliveries!I2": "", "Channels!B2": "", "Channels!C2": ""})
    assert estate["price_by_age"]["format"][0] == "bottle"
    assert estate["deliveries"]["unit"][0] == "kg"
    assert estate["channels"]["way_out"][0] == "sale"
    assert estate["channels"]["discount"][0] == 0.0
    assert estate["cuvees"]["alcohol"][0] == 0.12
    assert estate["opening_costs"]["element"][0] == "grapes"


@pytest.mark.parametrize(
    ("place", "value", "said"),
    [
        ("Stocktakes!C2", -1.0, "is below the least allowed, 0."),
        ("Stocktakes!C2", "-1", "is below the least allowed, 0."),
        ("Interest rates!C2", 101.0, "is above the most allowed, 100 %."),
        ("Interest rates!B2", -4.0, "is below the least allowed, 0 %."),
        ("Tirage!G2", 61.0, "is above the most allowed, 60 g/L."),
        ("Grape prices!A2", 2024.5, "is not a whole number."),
        ("Grape prices!A2", 24.0, "is below the least allowed, 1900."),
        ("Costs!F2", np.inf, "is beyond any figure of an estate."),
        ("Costs!F2", 1e308, "is beyond any figure of an estate."),
        ("Costs!F2", float("-inf"), "is beyond any figure of an estate."),
    ],
)
def test_numbers_outside_their_bounds_are_named(place, value, said):
    finding = only({place: value})
    assert (finding.place, finding.rule) == (place, said)


@pytest.mark.parametrize("value", [1.5, "1.5", "1.5 %", "1.5%", Decimal("1.5")])
def test_percent_columns_are_in_percent_points_and_held_as_fractions(value):
    assert estate_of({"Loss norms!B2": value})["loss_norms"]["percent"][0] == 0.015


def test_a_cell_with_a_percent_format_holds_a_fraction_already():
    frame = pd.DataFrame(
        {
            "Operation or stage": ["disgorgement", "on lees", "bottling"],
            "Norm (%)": np.array([0.015, 0.5, "2 %"], dtype=object),
            "Time base": ["per movement", "per year", "per movement"],
        }
    )
    shown_in_percent = {"Norm (%)": np.array([True, False, True])}
    letters = dict(zip(frame.columns, "BCD", strict=True))
    raw = RawTable("Loss norms", frame, np.array([4, 5, 6]), letters, percent_formatted=shown_in_percent, header_row=3)
    estate = load([raw], settings_required=False)
    assert list(estate["loss_norms"]["percent"]) == [0.015, 0.005, 0.02]
    assert estate.place("loss_norms", 0, "percent") == "Loss norms!C4"


def test_typed_columns_and_library_names_give_the_same_estate(estate):
    typed = {
        name: estate[name].assign(
            **{column.name: estate[name][column.name] * 100 for column in sheet.columns if column.type == "percent"}
        )
        for sheet in sheets().values()
        if len(estate[name := sheet.name])
    }
    again = read_inputs(typed)
    for sheet in sheets().values():
        pd.testing.assert_frame_equal(again[sheet.name], estate[sheet.name], rtol=1e-14)


@pytest.mark.parametrize("dtype", ["float64", "Float64", "int64", "Int64", "object", "str", "category"])
def test_numbers_of_every_type_are_taken(dtype):
    frame = pd.DataFrame({"on_date": pd.to_datetime(["2024-12-31"]), "lot": ["R1"], "quantity": pd.array([9900])})
    tables = planted({}) | {"stocktakes": frame.assign(quantity=frame["quantity"].astype(dtype))}
    del tables["Stocktakes"]
    assert read_inputs(tables)["stocktakes"]["quantity"][0] == 9900.0


@pytest.mark.parametrize("dtype", ["datetime64[ns]", "datetime64[us]", "datetime64[s]", "object", "category"])
def test_dates_of_every_type_are_taken(dtype):
    days = pd.Series(pd.to_datetime(["2024-12-31"])).astype(dtype)
    tables = planted({}) | {"stocktakes": pd.DataFrame({"on_date": days, "lot": ["R1"], "quantity": [9900]})}
    del tables["Stocktakes"]
    assert read_inputs(tables)["stocktakes"]["on_date"][0] == pd.Timestamp("2024-12-31")


def test_dates_with_a_time_zone_are_taken_as_they_read():
    days = pd.Series(pd.to_datetime(["2024-12-31 23:30"])).dt.tz_localize("Europe/Paris")
    tables = planted({}) | {"stocktakes": pd.DataFrame({"on_date": days, "lot": ["R1"], "quantity": [9900]})}
    del tables["Stocktakes"]
    assert read_inputs(tables)["stocktakes"]["on_date"][0] == pd.Timestamp("2024-12-31")


def test_many_faults_in_one_column_are_summed_up():
    tables = planted({})
    tables["Costs"] = pd.DataFrame([tables["Costs"].iloc[0]] * 80).assign(Amount="dear")
    with pytest.raises(InputError) as refused:
        load(read_frames(tables), settings_required=False)
    assert len(refused.value.findings) == 1
    assert "79 more cells are like it: " in refused.value.findings[0].rule


def test_a_few_faults_in_one_column_are_each_named_at_their_cell():
    tables = planted({})
    tables["Costs"] = pd.DataFrame([tables["Costs"].iloc[0]] * FIRST_PLACES).assign(Amount="dear")
    with pytest.raises(InputError) as refused:
        load(read_frames(tables), settings_required=False)
    assert [finding.place for finding in refused.value.findings] == [f"Costs!F{2 + row}" for row in range(FIRST_PLACES)]


def test_a_cell_that_the_reader_found_faulty_is_not_blamed_twice():
    raw = {table.sheet: table for table in read_frames(planted({"Costs!F2": None}))}
    told = Finding("Costs!F2", "=F3", "is a formula without a value.", "Calculate it.")
    costs = raw["Costs"]
    raw["Costs"] = RawTable("Costs", costs.frame, costs.row_numbers, costs.letters, (told,))
    with pytest.raises(InputError) as refused:
        load(raw.values(), settings_required=False)
    assert refused.value.findings == [told]


def test_messages_show_long_and_strange_texts_in_one_line():
    shown = only({"Costs!F2": "\x1b[31m" + "z" * 500}).value
    assert len(shown) == 80
    assert shown.isprintable()


def test_nothing_given_is_changed():
    tables = planted({"Costs!F2": "dear"})
    before = {title: frame.copy(deep=True) for title, frame in tables.items()}
    with pytest.raises(InputError):
        read_inputs(tables)
    for title, frame in tables.items():
        pd.testing.assert_frame_equal(frame, before[title])


def test_errors_come_with_the_cautions():
    found = findings_of({"Costs!E2": "labor", "Costs!F2": ""})
    assert {(finding.place, finding.severity) for finding in found} == {("Costs!F2", ERROR)}
    found = findings_of({"Costs!E2": "labor", "Stocktakes!C2": ""})
    assert {(finding.place, finding.severity) for finding in found} == {
        ("Costs!E2", CAUTION),
        ("Stocktakes!C2", ERROR),
    }
