"""The Settings sheet: every setting is read, and a wrong value is named at its cell."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from typing import Any

import pandas as pd
import pytest

from costing.errors import InputError
from costing.inputs.estate import Settings
from costing.inputs.load import read_inputs
from costing.inputs.schema import settings
from tests.inputs.test_estate import PYTHON_TYPES


def _read(*rows: tuple[Any, Any]) -> Settings:
    frame = pd.DataFrame({"Setting": [row[0] for row in rows], "Value": [row[1] for row in rows]}, dtype=object)
    return read_inputs({"Settings": frame}).settings


def _place_and_rule(*rows: tuple[Any, Any]) -> list[tuple[str, str]]:
    with pytest.raises(InputError) as refused:
        _read(*rows)
    return [(finding.place, finding.rule) for finding in refused.value.findings]


def _other(name: str) -> Any:
    """What a setting may be set to."""
    row = settings()[name]
    if name == "rule_set":
        return "Champagne"
    if row.type == "choice":
        return row.choices[-1]
    if row.lower is not None and row.type != "date":
        return row.lower
    return {"text": "XYZ", "number": 0.25, "integer": 3, "date": datetime(2025, 12, 31)}.get(row.type)


def _is_read(read: Settings, name: str) -> None:
    other, value = _other(name), getattr(read, name)
    assert value == (other.date() if isinstance(other, datetime) else other)
    assert type(value) is PYTHON_TYPES[settings()[name].type]


@pytest.mark.parametrize("name", list(settings()))
def test_every_setting_is_read_by_its_title(name: str) -> None:
    _is_read(_read((settings()[name].title, _other(name))), name)


@pytest.mark.parametrize("written", [lambda name: settings()[name].title.upper(), str], ids=["capitals", "library"])
def test_all_settings_are_read_by_titles_in_capitals_and_by_library_names(written: Callable[[str], str]) -> None:
    read = _read(*((written(name), _other(name)) for name in settings()))
    for name in settings():
        _is_read(read, name)


def test_blank_values_and_an_empty_sheet_mean_the_defaults():
    assert _read(("Day count", ""), ("Price step", None)) == Settings.model_validate({})
    assert _read() == Settings.model_validate({})


def test_values_follow_the_styles_wherever_those_stand():
    read = _read(
        ("Price step", "0,25"),
        ("Valuation date", "12/31/2025"),
        ("Number style", "comma"),
        ("Date style", "month first"),
    )
    assert (read.price_step, read.valuation_date) == (0.25, date(2025, 12, 31))


@pytest.mark.parametrize(
    ("title", "value", "rule"),
    [
        ("Price step", "cheap", "is not a number."),
        ("Price step", 0, "is below the least allowed, 0.0001."),
        ("Ageing step (months)", 1.5, "is not a whole number."),
        ("Ageing step (months)", 61, "is above the most allowed, 60."),
        ("Day count", "Act/364", "is not in the list for 'Day count'."),
        ("Valuation date", "soon", "is not a date."),
        ("Volume tolerance (L)", True, "is not a number."),
        ("Currency", "#REF!", "is an error, not a value."),
    ],
)
def test_a_wrong_value_is_named_at_its_cell(title, value, rule):
    assert _place_and_rule(("Currency", "EUR") if title != "Currency" else ("Day count", None), (title, value)) == [
        ("Settings!B3", rule)
    ]


def test_an_unknown_setting_is_told_the_nearest_or_all():
    with pytest.raises(InputError) as refused:
        _read(("Valuation day", "2025-12-31"), ("Colour", "red"))
    near, far = refused.value.findings
    assert (near.place, near.remedy) == ("Settings!A2", "Did you mean 'Valuation date'?")
    assert (far.place, far.remedy[:25]) == ("Settings!A3", "Settings are: Estate, Cur")


def test_a_setting_given_twice_is_refused():
    assert _place_and_rule(("Currency", "EUR"), ("currency", "GBP")) == [
        ("Settings!A3", "is set twice; first at Settings!B2.")
    ]


def test_a_rule_set_that_is_not_shipped_is_told_the_nearest():
    with pytest.raises(InputError) as refused:
        _read(("Currency", "EUR"), ("Rule set", "Champange"))
    assert str(refused.value.findings[0]) == "Settings!B3: 'Champange' is no rule set. Did you mean 'Champagne'?"


def test_settings_keep_what_was_written_as_a_table():
    frame = pd.DataFrame(
        {"Setting": ["Valuation date", "Price step"], "Value": [datetime(2025, 12, 31), 0.25]}, dtype=object
    )
    table = read_inputs({"Settings": frame})["settings"]
    assert list(table["value"]) == ["2025-12-31", "0.25"]


def test_a_sheet_without_its_values_is_not_taken_for_the_defaults():
    with pytest.raises(InputError, match="Settings: has no column 'Value'"):
        read_inputs({"Settings": pd.DataFrame({"Setting": ["Currency"], "What": ["GBP"]})})
