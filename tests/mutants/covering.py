"""Which test files may notice a change to a module: those whose imports lead to it, the nearest first.

Whole runs (worked cases, published figures) stand before other files that are as far away, for they assert most.
"""

from __future__ import annotations

import ast
from pathlib import Path

ROOT = Path(__file__).parents[2]
_ASSERT_MOST = ("tests/golden/", "tests/published/")


def module_name(path: Path) -> str:
    """Dotted name of a file of the project."""
    inside = path.relative_to(ROOT).with_suffix("")
    parts = inside.parts[:-1] if inside.name == "__init__" else inside.parts
    return ".".join(parts)


def imported_by(path: Path, known: frozenset[str]) -> set[str]:
    """Modules of the project that a file imports, at its head or inside a function."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
    if "costing" in names:  # its names are loaded when asked for
        names |= {"costing.model", "costing.house", "costing.workbook.source"}
    return names & known


def covering(target: Path) -> list[Path]:
    """Test files from which imports lead to the module, nearest first."""
    files = {module_name(path): path for top in ("costing", "tests") for path in sorted((ROOT / top).rglob("*.py"))}
    known = frozenset(files)
    importers: dict[str, set[str]] = {}
    for name, path in files.items():
        for other in imported_by(path, known) - {name}:
            importers.setdefault(other, set()).add(name)
    steps = {module_name(target): 0}
    waiting = [module_name(target)]
    for name in waiting:  # grows on the way: the nearest come first
        for importer in sorted(importers.get(name, ())):
            if importer not in steps:
                steps[importer] = steps[name] + 1
                waiting.append(importer)
    tests = [name for name in steps if files[name].name.startswith("test_")]
    return [files[name] for name in sorted(tests, key=lambda name: _rank(files[name], name, target, steps))]


def _rank(path: Path, name: str, target: Path, steps: dict[str, int]) -> tuple[bool, bool, int]:
    inside = path.relative_to(ROOT).as_posix()
    own = inside.startswith(f"tests/{target.relative_to(ROOT / 'costing').parts[0]}/")
    most = inside.startswith(_ASSERT_MOST)
    return not own, not most, steps[name]
