"""Every mutant is a module of its own that compiles and differs in one place."""

from __future__ import annotations

import ast
from pathlib import Path
from typing import Any

import pytest

from costing.engine import carrying
from tests.form import every
from tests.mutants.changes import mutants
from tests.mutants.trial import exchange

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


def test_what_a_call_says_of_a_case_that_never_comes_is_left_alone() -> None:
    assert {mutant.before for mutant in mutants("x = a.max(initial=0), list(zip(a, b, strict=True)), f(g=1)")} == {"1"}


@pytest.mark.parametrize("source", [SOURCE, Path(carrying.__file__).read_text("utf-8")], ids=["small", "carrying"])
def test_each_mutant_is_another_program(source: str) -> None:
    right = ast.dump(ast.parse(source))
    assert all(ast.dump(ast.parse(mutant.module)) != right for mutant in every(10, mutants(source)))


def test_what_a_call_evaluates_and_what_loading_a_module_does_are_told_apart() -> None:
    assert {mutant.before for mutant in mutants(SOURCE) if not mutant.in_function} == {"0.5"}
    two_lines = mutants("def f(a):\n    return g(\n        a + 1,\n    )\n")
    assert [(mutant.line, mutant.lines) for mutant in two_lines] == [(3, range(2, 5))] * 2


def test_loaded_functions_take_the_code_of_a_mutant() -> None:
    path, space = Path(__file__).with_name("nowhere.py"), dict[str, Any]()
    source = "def f(a):\n    return sum(a + b for b in (1, 2))\n\n\nclass C:\n    def f(self):\n        return 7\n"
    exec(compile(source, str(path), "exec"), space)
    functions = {str(path): [space["f"], space["C"].f]}
    changed = {}
    for mutant in mutants(source):
        exchange(path, mutant, functions)
        changed[mutant.after] = space["f"](10), space["C"]().f()
    assert changed == {"a - b": (17, 7), "2": (24, 7), "3": (24, 7), "8": (23, 8)}
    with pytest.raises(LookupError):
        exchange(path, mutants(source)[0], {str(path): []})
