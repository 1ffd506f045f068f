"""No finding of a rule across rows changes unnoticed: each is asked of drawn rows, and what it says is kept by rule and
draw (`python -m tests.inputs.test_rules_as_kept` keeps it anew; read what changes before).
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from costing.inputs import checks, name_checks
from costing.inputs.estate import Estate
from costing.inputs.rows import Check
from tests.inputs.drawn_rows import drawn

KEPT = Path(__file__).with_name("rules_as_kept.csv")
COLUMNS = ("module", "rule", "draw", "findings", "words")
DRAWS = 6
Line = tuple[str, ...]
_estate = cache(drawn)


def _modules() -> dict[str, dict[str, Check]]:
    """Every rule by the module in which it stands, and by its name there."""
    found = {"name_checks": {"unknown_names": Check(name_checks.unknown_names)}}
    taken = set[Check]()
    for module in (name_checks, *checks._MODULES, checks):
        own = {name: rule for name, rule in vars(module).items() if isinstance(rule, Check) and rule not in taken}
        found.setdefault(module.__name__.rpartition(".")[2], {}).update(own)
        taken |= set(own.values())
    return found


def said(module: str) -> Iterator[Line]:
    """One line per rule and draw: how many findings, and a digest of them and of the rows that are refused."""
    for name, rule in _modules()[module].items():
        for seed in range(DRAWS):
            estate: Estate = replace(_estate(seed), refused={})
            texts = [f"{finding.severity} {finding}" for finding in rule(estate)]
            refused = [
                f"{table} {column} {rows.tolist()}" for table, found in estate.refused.items() for rows, column in found
            ]
            digest = hashlib.sha256("\n".join([*texts, *refused]).encode()).hexdigest()[:12]
            yield module, name, str(seed), str(len(texts)), digest


@pytest.mark.parametrize("module", _modules())
def test_what_a_rule_says_of_drawn_rows_is_as_kept(module: str) -> None:
    with KEPT.open(encoding="utf-8", newline="") as file:
        kept = [tuple(line) for line in csv.reader(file) if line[0] == module]
    assert list(said(module)) == kept


def test_every_rule_finds_something() -> None:
    with KEPT.open(encoding="utf-8", newline="") as file:
        silent = {line["rule"] for line in csv.DictReader(file)}
        file.seek(0)
        silent -= {line["rule"] for line in csv.DictReader(file) if line["findings"] != "0"}
    assert not silent


if __name__ == "__main__":
    with KEPT.open("w", encoding="utf-8", newline="") as file:
        lines = (line for module in _modules() for line in said(module))
        csv.writer(file, lineterminator="\n").writerows([COLUMNS, *lines])
