"""Numbers and dates written as text, under the declared styles."""

from __future__ import annotations

from datetime import date, datetime

import pandas as pd
import pytest

from tests.inputs.planted import estate_of, only

COMMA = {"Settings!A4": "Number style", "Settings!B4": "comma"}


@pytest.mark.parametrize(
    ("style", "text", "number"),
    [
        ("point", "1234.5", 1234.5),
        ("point", "1 234.50", 1234.5),
        ("point", "1,234.50", 1234.5),
        ("point", "1,234", 1234.0),
        ("point", "1’234", 1234.0),
        ("point", "-12", -12.0),
        ("point", "−12.5", -12.5),
        ("point", ".5", 0.5),
        ("point", "1e3", 1000.0),
        ("comma", "1 234,50", 1234.5),
        ("comma", "1.234,50", 1234.5),
        ("comma", "1.234", 1234.0),
        ("comma", "1,234", 1.234),
        ("comma", "-0,5", -0.5),
        ("comma", "7", 7.0),
        ("comma", "1\u00a0234\u202f567,5", 1234567.5),
    ],
)
def test_text_numbers_follow_the_number_style(style, text, number):
    cells = {"Costs!F2": text} | (COMMA if style == "comma" else {})
    assert estate_of(cells)["costs"]["amount"][0] == number


@pytest.mark.parametrize(
    ("style", "text", "said"),
    [
        ("point", "1234,5", "is not a number with a decimal point; with a decimal comma it is 1234.5."),
        ("point", "1.234,50", "with a decimal comma it is 1234.5."),
        ("point", "1.234.567", "with a decimal comma it is 1234567."),
        ("comma", "1.5", "is not a number with a decimal comma; with a decimal point it is 1.5."),
        ("comma", "1,234.50", "with a decimal point it is 1234.5."),
        ("point", "about 12", "is not a number."),
        ("point", "12 34", "is not a number."),
        ("point", "1_000", "is not a number."),
        ("point", "0x10", "is not a number."),
        ("point", "inf", "is not a number."),
        ("point", "nan", "is not a number."),
        ("point", "1e999", "is not a number."),
        ("point", "True", "is not a number."),
        ("point", "-", "is not a number."),
        ("point", "12 %", "is a percentage in a column of plain numbers."),
    ],
)
def test_text_that_does_not_fit_the_number_style_shows_both_readings(style, text, said):
    finding = only({"Costs!F2": text} | (COMMA if style == "comma" else {}))
    assert (finding.place, finding.value) == ("Costs!F2", text)
    assert said in finding.rule


@pytest.mark.parametrize(
    ("style", "text", "day"),
    [
        ("day first", "2024-11-01", "2024-11-01"),
        ("month first", "2024/11/01", "2024-11-01"),
        ("year first", "2024.11.1", "2024-11-01"),
        ("day first", "01/11/2024", "2024-11-01"),
        ("day first", "1.11.2024", "2024-11-01"),
        ("day first", "01-11-2024", "2024-11-01"),
        ("month first", "11/01/2024", "2024-11-01"),
        ("day first", "2024-11-01 00:00:00", "2024-11-01"),
        ("day first", "2024-11-01T08:30", "2024-11-01"),
    ],
)
def test_text_dates_follow_the_date_style(style, text, day):
    estate = estate_of({"Costs!A2": text, "Settings!A4": "Date style", "Settings!B4": style})
    assert estate["costs"]["on_date"][0] == pd.Timestamp(day)


@pytest.mark.parametrize(
    ("style", "text", "said"),
    [
        (
            "day first",
            "11/13/2024",
            "is not a date with the day first; with the month first it is 2024-11-13.",
        ),
        ("month first", "13/11/2024", "with the day first it is 2024-11-13."),
        (
            "year first",
            "01/11/2024",
            "with the day first it is 2024-11-01 and with the month first it is 2024-01-11.",
        ),
        ("day first", "31/02/2024", "is not a day of the calendar."),
        ("day first", "2024-02-30", "is not a day of the calendar."),
        ("day first", "01/11/24", "has a year of two digits."),
        ("day first", "in November", "is not a date."),
        ("day first", "01/11-2024", "is not a date."),
        (
            "day first",
            "45597",
            "is a number, not a date; as a spreadsheet's day number it would be 2024-11-01.",
        ),
        ("day first", "2024", "is a number, not a date."),
    ],
)
def test_text_that_does_not_fit_the_date_style_shows_the_readings(style, text, said):
    finding = only({"Costs!A2": text, "Settings!A4": "Date style", "Settings!B4": style})
    assert (finding.place, finding.value) == ("Costs!A2", text)
    assert said in finding.rule


def test_a_serial_number_in_a_date_column_is_not_taken_for_a_date():
    # 45597 is 1 November 2024 in the 1900 date system (ECMA-376 Part 1, 18.17.4.1).
    finding = only({"Costs!A2": 45597.0})
    assert (finding.place, finding.value) == ("Costs!A2", "45597")
    assert "2024-11-01" in finding.rule


@pytest.mark.parametrize("day", [datetime(1899, 12, 31), date(2201, 1, 1), "0024-11-01"])
def test_dates_outside_1900_to_2200_are_refused(day):
    finding = only({"Costs!B2": day})
    assert finding.place == "Costs!B2"
    assert "outside the years 1900 to 2200" in finding.rule


def test_dates_with_a_time_are_whole_days():
    assert estate_of({"Costs!A2": datetime(2024, 11, 1, 17, 45)})["costs"]["on_date"][0] == pd.Timestamp("2024-11-01")


@pytest.mark.parametrize(
    ("place", "text", "says"),
    [
        ("Movements!E2", "40 hl", 4000.0),
        ("Movements!E2", "4000 L", 4000.0),
        ("Movements!E2", "4 000 litres", 4000.0),
        ("Movements!E2", "4000l", 4000.0),
        ("Pressings!D2", "4 t", 4000.0),
    ],
)
def test_a_unit_beside_the_number_is_read_where_it_fits(place: str, text: str, says: float) -> None:
    table, column = {"M": ("movements", "out_l"), "P": ("pressings", "weight_kg")}[place[0]]
    assert estate_of({place: text})[table][column].iloc[0] == says


def test_a_unit_that_does_not_fit_is_named() -> None:
    finding = only({"Movements!E2": "40 bottles"})
    assert (finding.value, finding.rule) == ("40 bottles", "is in bottles, no unit of this column.")


def test_a_unit_in_the_cell_stands_before_that_of_the_header() -> None:
    estate = estate_of({"Movements!E1": "Out (hl)", "Movements!E2": "4000 L"})
    assert estate["movements"]["out_l"].tolist()[:2] == [4000.0, 395_000.0]
