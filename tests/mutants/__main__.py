"""Draw mutants of a package, run its tests on each, print the kill rate and the survivors.

The tests run on a copy of the project, those of the package first, and stop at the first that fails. Whether a
survivor is equivalent (gives the same figures by another way) is for a reader to say.
"""

from __future__ import annotations

import argparse
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

import costing
from tests.mutants.changes import Mutant, mutants

ROOT = Path(costing.__file__).parents[1]
COPIED = ("costing", "tests", "demo_estate", "workbooks", "pyproject.toml", "README.md", "DEVELOPERS.md")
WIDER = (
    "tests/golden",
    "tests/results",
    "tests/decisions",
    "tests/properties",
    "tests/published",
    "tests/test_house.py",
)
SECONDS = 900


def main() -> int:
    """Print a line per mutant and the rate; 1 where any survived."""
    options = _options()
    files = sorted((ROOT / "costing" / options.package).rglob("*.py"))
    drawn = [(path, mutant) for path in files for mutant in mutants(path.read_text("utf-8"))]
    drawn = random.Random(options.seed).sample(drawn, min(options.n, len(drawn)))
    survivors = []
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder)
        for name in COPIED:
            whole = ROOT / name
            (shutil.copytree if whole.is_dir() else shutil.copy)(whole, copy / name)
        for number, (path, mutant) in enumerate(drawn, 1):
            inside = path.relative_to(ROOT)
            killer = _killer(copy, inside, mutant, options.package)
            print(f"{number}/{len(drawn)} {inside}:{mutant.line} {_said(mutant)}: {killer or 'SURVIVES'}", flush=True)
            survivors += [] if killer else [(inside, mutant)]
    killed = len(drawn) - len(survivors)
    print(f"\n{killed} of {len(drawn)} killed ({killed / max(len(drawn), 1):.0%}), seed {options.seed}")
    for inside, mutant in survivors:
        print(f"  {inside}:{mutant.line} {_said(mutant)}")
    return int(bool(survivors))


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__.partition("\n")[0])
    packages = sorted(path.name for path in (ROOT / "costing").iterdir() if (path / "__init__.py").is_file())
    parser.add_argument("--package", required=True, choices=packages)
    parser.add_argument("--n", type=int, default=40, help="how many mutants")
    parser.add_argument("--seed", type=int, default=1)
    return parser.parse_args()


def _killer(copy: Path, inside: Path, mutant: Mutant, package: str) -> str:
    """Name of the first test that fails on the mutant; none where all pass."""
    target = copy / inside
    right = target.read_text("utf-8")
    target.write_text(mutant.module, "utf-8")
    try:
        own = f"tests/{package}"
        stages = [[own], [name for name in WIDER if name != own]] if (copy / own).is_dir() else [list(WIDER)]
        for stage in stages:
            command = [sys.executable, "-m", "pytest", "-q", "-x", "-m", "not office", "--no-header", *stage]
            try:
                done = subprocess.run(command, cwd=copy, capture_output=True, text=True, timeout=SECONDS, check=False)
            except subprocess.TimeoutExpired:
                return f"more than {SECONDS} s"
            if done.returncode:
                failed = [line for line in done.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
                return failed[0].partition(" - ")[0] if failed else f"exit {done.returncode}"
    finally:
        target.write_text(right, "utf-8")
    return ""


def _said(mutant: Mutant) -> str:
    return f"{mutant.before[:50]} -> {mutant.after[:50]}".replace("\n", " ")


if __name__ == "__main__":
    sys.exit(main())
