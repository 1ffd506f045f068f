"""The README's program runs and prints what the README says it prints."""

from __future__ import annotations

import io
import re
import tomllib
from contextlib import redirect_stdout
from pathlib import Path

import pytest

from costing.cli import main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def _blocks(language: str) -> list[str]:
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.S)


@pytest.mark.slow
def test_the_program_prints_its_answer(monkeypatch) -> None:
    monkeypatch.chdir(ROOT)
    program = _blocks("python")[0]
    printed = io.StringIO()
    with redirect_stdout(printed):
        exec(compile(program, "README.md", "exec"), {})
    answer = _blocks("text")[0]
    assert printed.getvalue().strip() == answer.strip()


def test_the_first_hour_goes_as_written(monkeypatch, capsys, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "100")
    steps = re.split(r"^\$ ", _blocks("console")[0], flags=re.M)[1:]
    assert len(steps) == 3
    for step in steps:
        command, _, expected = step.partition("\n")
        assert main(command.split()[1:]) == 0
        assert capsys.readouterr().out.strip() == expected.strip(), command


def test_every_picture_is_there() -> None:
    pictures = re.findall(r"!\[.+?\]\((.+?)\)", README)
    assert len(pictures) == 2
    assert all((ROOT / picture).read_bytes().startswith(b"\x89PNG") for picture in pictures)


def test_test_command_is_what_ci_runs() -> None:
    command = _blocks("sh")[1]
    ci = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert '-e ".[test]"' in command
    assert '-e ".[test]"' in ci
    assert command.strip().endswith("python -m pytest")


def test_console_command_is_declared() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["scripts"]["costing"] == "costing.cli:main"
