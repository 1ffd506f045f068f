"""What reaches the terminal, and what does not: control codes, signs it can't show, nobody reading, Ctrl-C."""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from costing import cli, terminal
from costing.cli import STOPPED, main
from costing.commands import records
from costing.errors import CostingError, Finding, InputError, caution
from costing.terminal import counted, finish, print_findings, tell
from costing.workbook.file.backups import backups
from tests.commands.books import first_hour
from tests.form import chosen, every

POSIX = pytest.mark.skipif(os.name == "nt", reason="signals, pipes and file names of POSIX")
_READY = """import signal, sys
signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell lets what runs in its background ignore it
from costing.cli import main
print("ready", file=sys.stderr, flush=True)
sys.exit(main(sys.argv[1:]))
"""
MOMENTS = chosen(full=[0.05 + 0.25 * step for step in range(8)], short=[0.05, 0.5])
WRONG = Finding("Costs!A2", "x", "is no day.", "Mend it.")
DOUBTFUL = caution("Costs!A1", "z", "is odd.", "Look.")
STRANGE = "T25\x1b[31m\x07\x9b2J\u202e"


def costing(*words: str | Path, encoding: str = "utf-8", **options: object) -> subprocess.Popen[bytes]:
    """The command as a process of its own, its output in pipes."""
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "PYTHONUTF8": "0"}
    pipes: dict[str, object] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    command = [sys.executable, "-c", _READY, *words]
    return subprocess.Popen(command, env=environment, **pipes)  # type: ignore[call-overload, no-any-return]


@pytest.fixture(scope="module")
def small_workbook(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """The workbook of a small estate, run, with signs that not every terminal can show."""
    folder = tmp_path_factory.mktemp("small")
    estate = first_hour(folder / "small")
    tirage = estate / "tirage.csv"
    tirage.write_text(tirage.read_text("utf-8").replace("Brume", "Bruyère Œil €"), encoding="utf-8")
    assert main(["run", str(estate)]) == 0
    return (folder / "small.results.xlsx").read_bytes()


@pytest.fixture
def small(small_workbook: bytes, tmp_path: Path) -> Path:
    """A copy of it."""
    path = tmp_path / "small.results.xlsx"
    path.write_bytes(small_workbook)
    return path


def test_control_codes_are_escaped_and_json_stays_json(capsys) -> None:
    tell(f"lot {STRANGE}\tand\nnext")
    said = capsys.readouterr().out
    assert said == "lot T25\\u001b[31m\\u0007\\u009b2J\\u202e\tand\nnext\n"
    tell(json.dumps([STRANGE], ensure_ascii=False))
    assert json.loads(capsys.readouterr().out) == [STRANGE]


@pytest.mark.slow
def test_control_codes_in_lot_names_do_not_reach_the_terminal(tmp_path: Path, capsys) -> None:
    estate = first_hour(tmp_path / "estate")
    tirage = estate / "tirage.csv"
    tirage.write_text(tirage.read_text("utf-8").replace("T25", "T25\x1b[31m\x07"), encoding="utf-8")
    for words in (["run"], ["run", "--json"], ["check"], ["ageing"], ["vats"]):
        main([words[0], str(estate), *words[1:]])
        said = capsys.readouterr()
        assert not set("\x1b\x07\x9b") & set(said.out + said.err)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("encoding", "more"),
    [
        *((encoding, ["ageing", "--write"]) for encoding in every(4, ("ascii", "cp1252", "cp437", "utf-8"))),
        *(("ascii", more) for more in every(2, (["run"], ["run", "--json"], ["vats", "--json", "--write"]))),
    ],
)
def test_output_that_cannot_show_a_sign_writes_all_the_same(
    encoding: str, more: list[str], small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """`run` stopped at the first accent, before it wrote."""
    pipe = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(pipe, encoding=encoding, errors="strict"))
    assert main([more[0], str(small), *more[1:]]) == 0
    printed = pipe.getvalue().decode(encoding)
    assert len(backups(small)) == 1
    if "--json" in more:
        assert "Bruyère Œil €" in json.dumps(json.loads(printed), ensure_ascii=False)


class Unwilling(io.StringIO):
    """An output that takes nothing."""

    def __init__(self, fault: OSError) -> None:
        super().__init__()
        self.fault = fault

    def write(self, _: str) -> int:
        raise self.fault


@pytest.mark.parametrize(
    ("fault", "code", "said"),
    [(BrokenPipeError(32, "Broken pipe"), 0, ""), (OSError(28, "No space left on device"), 1, "could not be written")],
)
def test_output_that_is_gone_or_full_takes_nothing_from_what_is_written(
    fault: OSError, code: int, said: str, small: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    monkeypatch.setattr(sys, "stdout", Unwilling(fault))
    assert main(["run", str(small)]) == code
    printed = capsys.readouterr().err
    assert "Results written to" in printed
    assert said in printed
    assert len(backups(small)) == 1


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        (CostingError("It is late."), "It is late.\n"),
        (FileNotFoundError(2, "No such file or directory", "/a.csv"), "/a.csv: No such file or directory. {}"),
        (OSError("the disk is gone"), "A file: the disk is gone. {}"),
        (InputError([WRONG]), "error: Costs!A2: 'x' is no day. Mend it.\n1 error. Nothing was written.\n"),
        (
            InputError([DOUBTFUL, WRONG, WRONG]),
            "caution: Costs!A1: 'z' is odd. Look.\n"
            + "error: Costs!A2: 'x' is no day. Mend it.\n" * 2
            + "2 errors. Nothing was written.\n",
        ),
    ],
)
def test_every_fault_is_said_in_lines_and_an_exit_code(
    fault: Exception, said: str, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    def refused(_: object) -> None:
        raise fault

    class Parser:
        @staticmethod
        def parse_args(_: object) -> SimpleNamespace:
            return SimpleNamespace(command=refused)

    monkeypatch.setattr(cli, "_parser", Parser)
    assert main(["check"]) == 1
    assert capsys.readouterr() == ("", said.format("No file is half written.\n"))


def test_what_nobody_reads_goes_nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A pipe that was closed, or a full disk: the rest is dropped, and a full disk is said once."""
    opened = Path("/proc/self/fd")
    before = len([*opened.iterdir()]) if opened.is_dir() else 0
    for number, fault in enumerate((BrokenPipeError(32, "Broken pipe"), OSError(28, "No space left on device"))):
        path = tmp_path / f"{number}.txt"
        with path.open("w") as stream:
            monkeypatch.setattr(sys, "stdout", stream)
            tell("first")
            stream.flush()
            with monkeypatch.context() as patch:
                patch.setattr(terminal, "print", _raising(fault), raising=False)
                tell("lost")
            tell("after")
            with contextlib.nullcontext() if number == 0 else pytest.raises(CostingError) as refused:
                finish()
            finish()
        assert path.read_text() == "first\n"
    assert str(refused.value) == (
        "What was to be printed could not be written (No space left on device); files were written as said."
    )
    assert before in (0, len([*opened.iterdir()]))


def _raising(fault: Exception) -> Callable[..., None]:
    def refused(*_: object, **__: object) -> None:
        raise fault

    return refused


def test_signs_that_an_output_has_no_code_for_are_escaped(capsys) -> None:
    stream = io.TextIOWrapper(pipe := io.BytesIO(), encoding="cp1252")
    print_findings([WRONG, replace(DOUBTFUL, value="Λ😀é")], stream)
    stream.flush()
    assert pipe.getvalue().decode("cp1252").splitlines() == [
        "error: Costs!A2: 'x' is no day. Mend it.",
        "caution: Costs!A1: '\\u039b\\ud83d\\ude00é' is odd. Look.",
    ]
    with pytest.raises(UnicodeDecodeError):
        b"\xff".decode("ascii", "costing.escaped")
    assert (counted(1, "error"), counted(0, "error"), counted(1_200, "caution")) == ("1 error", "0 errors",
                                                                                     "1,200 cautions")  # fmt: skip


@pytest.mark.parametrize("moment", ["Source", "answers_of_run", "write_sheets"])
def test_ctrl_c_is_a_line_and_an_exit_code(moment: str, small: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    before = small.read_bytes()

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(records, moment, interrupted)
    assert main(["run", str(small)]) == STOPPED
    assert capsys.readouterr().err == "Stopped. No file is half written.\n"
    assert small.read_bytes() == before


@POSIX
@pytest.mark.parametrize("is_pressed", [True, False])
def test_an_import_cut_short_by_ctrl_c_is_a_stop_and_one_that_fails_is_not(
    is_pressed: bool, small: Path, monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    """numpy's compiled part answers Ctrl-C with an ImportError."""

    def broken(*_: object, **__: object) -> None:
        with contextlib.suppress(KeyboardInterrupt):
            if is_pressed:
                os.kill(os.getpid(), signal.SIGINT)
                time.sleep(5)
        raise ImportError("numpy._core.multiarray failed to import")

    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored in the background of a shell
    monkeypatch.setattr(records, "Source", broken)
    try:
        with contextlib.nullcontext() if is_pressed else pytest.raises(ImportError):
            assert main(["run", str(small)]) == STOPPED
            assert capsys.readouterr().err == "Stopped. No file is half written.\n"
    finally:
        signal.signal(signal.SIGINT, before)


class _Let:
    """Ctrl-C comes while this is let go."""

    def __del__(self) -> None:
        os.kill(os.getpid(), signal.SIGINT)


@POSIX
def test_ctrl_c_that_python_drops_comes_up_again(small: Path, monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    """It was a traceback, and the command went on."""

    def going_on(*_: object, **__: object) -> None:
        _Let()
        for _ in range(500):
            time.sleep(0.01)

    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # ignored in the background of a shell
    monkeypatch.setattr(records, "Source", going_on)
    try:
        assert main(["run", str(small)]) == STOPPED
        assert capsys.readouterr().err == "Stopped. No file is half written.\n"
    finally:
        signal.signal(signal.SIGINT, before)


@pytest.mark.slow
@POSIX
def test_a_real_ctrl_c_at_any_moment_ends_in_a_line(small: Path) -> None:
    """It was a traceback with every command."""
    codes = set()
    for seconds in MOMENTS:
        process = costing("run", str(small))
        assert process.stderr is not None
        assert process.stderr.readline() == b"ready\n"
        time.sleep(seconds)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=120)
        codes.add(process.returncode)
        assert process.returncode in (0, STOPPED), said
        assert b"Traceback" not in said
        assert process.returncode == 0 or said.endswith(b"No file is half written.\n")
    assert STOPPED in codes


@pytest.mark.slow
@POSIX
def test_a_name_that_is_not_utf_8_is_run_and_reported(small: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The run log was read a second time, by a reader that takes no such name.

    One command is a process of its own, whose words the operating system hands over.
    """
    strange = small.with_name(os.fsdecode(b"caf\xe9.xlsx"))
    try:
        small.rename(strange)
    except OSError:
        pytest.skip("this file system takes no such name")
    following = strange.with_name(os.fsdecode(b"n\xe9xt.xlsx"))
    process = costing("run", strange, encoding="utf-8:strict")
    _, said = process.communicate(timeout=120)
    assert process.returncode == 0, said
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(io.BytesIO(), encoding="utf-8", errors="strict"))
    for verb, *more in (
        *(["report"], ["close", "--date", "2025-04-15"], ["scenarios", "--json", "--write", "--with", strange]),
        *(["why", "--before", strange, "--to", "stock", "--json"], ["open-year", following, "--date", "2025-04-15"]),
    ):
        assert main([verb, *(str(word) for word in (strange, *more))]) == 0
    names = [os.fsencode(path.name) for path in small.parent.iterdir()]
    assert b"caf\xe9.report.html" in names
    assert b"n\xe9xt.xlsx" in names
    assert sum(name.startswith(b"caf\xe9.bak-") for name in names) >= 2


@POSIX
def test_a_named_pipe_is_refused_at_once(tmp_path: Path, capsys) -> None:
    """It waited for ever."""
    pipe = tmp_path / "estate.xlsx"
    os.mkfifo(pipe)
    for words in (["check"], ["run"], ["report"], ["close", "--date", "2025-12-31"]):
        assert main([words[0], str(pipe), *words[1:]]) == 1
        assert "it is no file" in capsys.readouterr().err


def test_a_name_longer_than_a_name_can_be_is_one_line(tmp_path: Path, capsys) -> None:
    path = tmp_path / f"{'e' * 251}.xlsx"
    for verb in ("check", "run", "report", "new"):
        assert main([verb, str(path)]) == 1
        said = capsys.readouterr().err
        assert len(said.splitlines()) == 1
        assert "too long" in said
