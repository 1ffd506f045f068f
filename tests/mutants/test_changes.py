"""Every mutant is a module of its own that compiles and differs in one place."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from costing.engine import carrying
from tests.mutants.changes import mutants

SOURCE = '''"""A text with 1 + 1 in it."""
def rate(days: int, at: float = 0.5) -> float:
    if days > 365 and not at < 1:
        return -at * days
    return f"{days + 1}" if at == 0 else [days - 2]
'''


def test_what_is_changed() -> None:
    found = {(mutant.before, mutant.after) for mutant in mutants(SOURCE)}
    assert found == {
        ("0.5", "1.5"),
        ("days > 365 and (not at < 1)", "days > 365 or not at < 1"),
        ("days > 365", "days >= 365"),
        ("365", "366"),
        ("not at < 1", "at < 1"),
        ("at < 1", "at <= 1"),
        ("1", "2"),
        ("-at", "at"),
        ("-at * days", "-at / days"),
        ("f'{days + 1}' if at == 0 else [days - 2]", "[days - 2] if at == 0 else f'{days + 1}'"),
        ("at == 0", "at != 0"),
        ("0", "1"),
        ("days - 2", "days + 2"),
        ("2", "3"),
    }


@pytest.mark.parametrize("source", [SOURCE, Path(carrying.__file__).read_text("utf-8")], ids=["small", "carrying"])
def test_each_mutant_is_another_program(source: str) -> None:
    right = ast.dump(ast.parse(source))
    assert all(ast.dump(ast.parse(mutant.module)) != right for mutant in mutants(source))
