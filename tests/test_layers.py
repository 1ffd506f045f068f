"""Each part imports only from the parts above it; the engine knows arrays alone."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import costing

ROOT = Path(costing.__file__).parent
ORDER = (
    "errors",
    "files",
    "ctrl_c",
    "packaged",
    "garbage",
    "once",
    "array_types",
    "units",
    "calendar",
    "inputs",
    "graph",
    "engine",
    "money",
    "results",
    "model",
    "answers",
    "accounts",
    "decisions",
    "report",
    "workbook",
    "house",
    "terminal",
    "commands",
    "cli",
)
USUAL_LINES, MOST_LINES = 300, 400
MOST_LINES_OF_A_FUNCTION, MOST_PARAMETERS = 60, 7


def _modules() -> dict[str, Path]:
    found = {}
    for path in ROOT.rglob("*.py"):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def _statements(path: Path) -> tuple[ast.Import | ast.ImportFrom | ast.FunctionDef, ...]:
    """Every import and function of a file, whatever they stand in."""
    kinds = (ast.Import, ast.ImportFrom, ast.FunctionDef)
    return tuple(node for node in ast.walk(_tree(path)) if isinstance(node, kinds))


@cache
def _imports(path: Path) -> set[str]:
    names = set()
    for statement in _statements(path):
        if isinstance(statement, ast.Import):
            names |= {alias.name for alias in statement.names}
        elif isinstance(statement, ast.ImportFrom):
            assert statement.level == 0, f"relative import in {path}"
            names |= {f"{statement.module}.{alias.name}" for alias in statement.names} | {str(statement.module)}
    return names


def _own(path: Path, modules: dict[str, Path]) -> set[str]:
    inside = {name.removeprefix("costing.") for name in _imports(path) if name.startswith("costing.")}
    return {name for name in inside if name in modules}


def test_parts_import_from_above() -> None:
    modules = _modules()
    for name, path in modules.items():
        if not name:
            continue
        part = name.split(".")[0]
        assert part in ORDER, f"{name} has no place in the order"
        for used in _own(path, modules):
            above = used.split(".")[0]
            assert ORDER.index(above) <= ORDER.index(part), f"{name} imports {used}, which stands below it"


def test_one_public_class_for_each_name() -> None:
    """A name means one thing: no two modules define a public class of the same name."""
    homes: dict[str, list[str]] = {}
    for module, path in _modules().items():
        for statement in _tree(path).body:
            if isinstance(statement, ast.ClassDef) and not statement.name.startswith("_"):
                homes.setdefault(statement.name, []).append(module)
    assert not {name: where for name, where in homes.items() if len(where) > 1}


def test_no_file_imports_itself_in_a_circle() -> None:
    modules = _modules()
    graph = {name: _own(path, modules) - {name} for name, path in modules.items() if name}
    list(TopologicalSorter(graph).static_order())


def test_no_room_of_a_part_imports_another_in_a_circle() -> None:
    """A room is a folder in a part, `decisions.prices`, or a file that stands beside the rooms."""
    modules = _modules()
    rooms: dict[str, set[str]] = {}
    for name, path in modules.items():
        room = ".".join(name.split(".")[:2])
        used = {".".join(one.split(".")[:2]) for one in _own(path, modules)}
        rooms.setdefault(room, set()).update(used - {room, room.split(".")[0]})
    list(TopologicalSorter(rooms).static_order())


def test_engine_imports_arrays_alone() -> None:
    allowed = {
        "numpy",
        "scipy",
        "costing.errors",
        "costing.array_types",
        "costing.calendar",
        "costing.engine",
        "__future__",
    }
    standard = {"collections", "dataclasses", "functools", "typing", "enum", "math"}
    for path in (ROOT / "engine").glob("*.py"):
        for name in _imports(path):
            top = name.split(".")[0]
            known = top in allowed | standard or any(name == one or name.startswith(f"{one}.") for one in allowed)
            assert known, f"{path.name} imports {name}"


def test_files_stay_readable() -> None:
    long = {
        path.name: n for path in ROOT.rglob("*.py") if (n := len(path.read_text("utf-8").splitlines())) > MOST_LINES
    }
    assert not long, f"more than {MOST_LINES} lines: {long}"


def _functions() -> Iterator[tuple[str, ast.FunctionDef]]:
    for module, path in _modules().items():
        for statement in _statements(path):
            if isinstance(statement, ast.FunctionDef):
                yield f"{module}.{statement.name}", statement


def _parameters(function: ast.FunctionDef) -> int:
    """How many values a caller may give: `self` and `cls` are none."""
    given = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
    rest = [name for name in (function.args.vararg, function.args.kwarg) if name]
    return len([name for name in given if name.arg not in ("self", "cls")]) + len(rest)


def test_functions_stay_readable() -> None:
    lines = {name: (function.end_lineno or 0) - function.lineno + 1 for name, function in _functions()}
    assert not {name: count for name, count in lines.items() if count > MOST_LINES_OF_A_FUNCTION}


def test_functions_take_few_parameters() -> None:
    assert not {name for name, function in _functions() if _parameters(function) > MOST_PARAMETERS}


def test_the_table_of_parts_is_the_folder() -> None:
    """DEVELOPERS.md names every part in its order, and no module that is not there."""
    text = (ROOT.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = [line.split("|")[1:3] for line in text.partition("| part |")[2].partition("\n\n")[0].splitlines()[2:]]
    named: list[str] = []
    for parts, holds in rows:
        inside = re.findall(r"`([\w.]+)(/?)`", parts)
        named += [name.removesuffix(".py") for name, _ in inside]
        assert all((ROOT / name).is_dir() if folder else (ROOT / name).is_file() for name, folder in inside), parts
        if len(inside) == 1 and inside[0][1]:
            modules = re.findall(r"`([a-z_]+)(?:\.py|/)?`", holds)
            missing = [name for name in modules if not list((ROOT / inside[0][0]).glob(f"{name}*"))]
            assert not missing, f"{parts} holds no {missing}"
    assert tuple(named) == ORDER
