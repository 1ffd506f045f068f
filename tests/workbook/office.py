"""LibreOffice without a window, for tests: a private profile that calculates every workbook on opening."""

from __future__ import annotations

import atexit
import csv
import os
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import pytest

_SETTINGS = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry" xmlns:xs="http://www.w3.org/2001/XMLSchema">
<item oor:path="/org.openoffice.Office.Calc/Formula/Load"><prop oor:name="OOXMLRecalcMode" oor:op="fuse">
<value>0</value></prop></item></oor:items>
"""
# Separator, quote, UTF-8, from line 1, all sheets (LibreOffice help, "Filter Options for CSV").
_CSV = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,-1"


def require_libreoffice() -> str:
    """The program. A test is skipped where there is none, or fails where COSTING_NEED_OFFICE is set."""
    program = shutil.which("soffice")
    if program is None:
        assert "COSTING_NEED_OFFICE" not in os.environ, "LibreOffice is missing"
        pytest.skip("LibreOffice is not installed")
    return program


@cache
def _profile() -> Path:
    """The profile of this process: made once, for the first start in a new one takes longest."""
    folder = Path(tempfile.mkdtemp(prefix="office-profile-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    (folder / "user").mkdir()
    (folder / "user" / "registrymodifications.xcu").write_text(_SETTINGS)
    return folder


def convert(path: Path, kind: str, folder: Path) -> list[Path]:
    """Open the workbook, calculate it, and save it as another kind of file into `folder`."""
    program = require_libreoffice()
    out = folder / f"as-{kind}"
    wanted = _CSV if kind == "csv" else kind
    command = [program, f"-env:UserInstallation={_profile().as_uri()}", "--headless", "--norestore"]
    command += ["--convert-to", wanted, "--outdir", str(out), str(path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    found = sorted(out.glob(f"*.{kind}")) if out.exists() else []
    assert found, done.stdout + done.stderr
    return found


def sheets_as_calculated(path: Path, folder: Path) -> dict[str, list[list[str]]]:
    """Every sheet's cells as text, as LibreOffice calculates them."""
    found = {}
    for file in convert(path, "csv", folder):
        with file.open(encoding="utf-8", newline="") as lines:
            found[file.stem.removeprefix(f"{path.stem}-")] = list(csv.reader(lines))
    return found
