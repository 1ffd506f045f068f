"""Sentences round to what a person says; tables hold the figures in full."""

from __future__ import annotations

import re

import pytest

from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.answers.kinds import about
from costing.house import House
from costing.inputs.estate import Estate

_DECIMALS = re.compile(r"\d\.\d{3,}")
_FIVE_FIGURES = re.compile(
    r"(?<![\d,.-])(\d{1,3}(?:,\d{3})+|\d{5,})(?! (?:of the )?\d*,?\d* ?(?:bottles|L\b|kg|places))"
)
_ASKED = ("plan", "prices", "margins", "cash", "ageing", "vats", "tirage", "offers", "scenarios", "recipes", "blend")


@pytest.mark.parametrize(
    ("amount", "text"), [(0.4, "0"), (11_752, "11,800"), (-438.4, "-438"), (4_487_168, "4,490,000"), (999.6, "1,000")]
)
def test_an_estimate_is_said_in_three_figures(amount: float, text: str) -> None:
    assert about(amount) == text


def _sentences(answer: Answer) -> list[str]:
    """What an answer says, and the reasons in its tables; what to do in bottles is an order, not an estimate."""
    reasons = [
        str(text)
        for frame in answer.tables.values()
        for name in frame.columns
        if catalogue.column(str(name)).kind == "text"
        for text in frame[name].dropna().unique()
    ]
    return [*answer.says, *(text for text in reasons if text.count(" ") > 1)]


@pytest.mark.parametrize("asked", _ASKED)
def test_no_sentence_gives_more_figures_than_a_person_says(demo_estate: Estate, asked: str) -> None:
    answer: Answer = getattr(House(demo_estate), asked)()
    said = _sentences(answer)
    assert not [text for text in said if _DECIMALS.search(text)]
    exact = [(number, text) for text in said for number in _FIVE_FIGURES.findall(text)]
    assert not [pair for pair in exact if len(pair[0].replace(",", "").rstrip("0")) > 4]
