"""The settings of an estate agree with the schema that the Settings sheet is read by."""

from __future__ import annotations

from datetime import date

import annotated_types
import pytest

from costing.inputs.estate import Settings
from costing.inputs.schema import settings

PYTHON_TYPES = {"text": str, "choice": str, "number": float, "integer": int, "date": date}


def test_schema_and_settings_have_the_same_fields():
    assert list(settings()) == list(Settings.model_fields)


@pytest.mark.parametrize("name", list(settings()))
def test_schema_and_settings_agree_on_type_default_and_bounds(name):
    row, fieldinfo = settings()[name], Settings.model_fields[name]
    assert PYTHON_TYPES[row.type] in (fieldinfo.annotation, *getattr(fieldinfo.annotation, "__args__", ()))
    if row.default:
        assert fieldinfo.default == PYTHON_TYPES[row.type](row.default)
    else:
        assert fieldinfo.default is None
    bounds = {type(bound): bound for bound in fieldinfo.metadata}
    lower, upper = bounds.get(annotated_types.Ge), bounds.get(annotated_types.Le)
    assert (lower.ge if lower else None, upper.le if upper else None) == (row.lower, row.upper)
