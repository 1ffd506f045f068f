"""The live link with LibreOffice in a window, as a person has it: on a screen that is only in memory."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from costing.workbook.blank import blank_bytes
from costing.workbook.contents import tables_from_csv
from costing.workbook.link import Refresher, attach
from costing.workbook.read import read_workbook
from costing.workbook.stale import STALE
from costing.workbook.update import open_source, write_results
from costing.workbook.write import ResultSheet
from tests.workbook.running import running_office
from tests.workbook.test_blank import DEMO
from tests.workbook.test_link_office import costs_of, digest

pytestmark = pytest.mark.office


@contextmanager
def screen() -> Iterator[str]:
    """A display of its own number."""
    if shutil.which("Xvfb") is None:
        assert "COSTING_NEED_OFFICE" not in os.environ, "Xvfb is missing"
        pytest.skip("Xvfb is not installed")
    reading, writing = os.pipe()
    command = ["Xvfb", "-displayfd", str(writing), "-screen", "0", "1400x900x24", "-nolisten", "tcp"]
    server = subprocess.Popen(command, pass_fds=[writing], stderr=subprocess.DEVNULL)
    os.close(writing)
    try:
        with os.fdopen(reading) as numbers:
            yield f":{numbers.readline().strip()}"
    finally:
        server.terminate()
        server.wait(10)


def photograph(display: str, name: str) -> None:
    """Keep a picture of the screen in the folder COSTING_PICTURES, where one is named."""
    folder = os.environ.get("COSTING_PICTURES")
    if folder and shutil.which("import"):
        time.sleep(2.0)
        command = ["import", "-display", display, "-window", "root", str(Path(folder) / f"{name}.png")]
        subprocess.run(command, timeout=30, check=True)


def test_a_sheet_in_front_of_the_user_is_refreshed_where_it_stands(tmp_path: Path) -> None:
    path = tmp_path / "demo.xlsx"
    path.write_bytes(blank_bytes(tables_from_csv(DEMO)))
    package = open_source(path)
    results = costs_of_file(path)
    write_results(package, path, results, [sheet.name for sheet in results], version="0.1", basis="book and economic")
    before = digest(path)
    with screen() as display, running_office(tmp_path, display=display) as office:
        hand = office.hand
        hand.open(str(path))
        hand.show("Cost per bottle")
        charts = hand.charts("Cost per bottle")
        assert charts
        workbook = attach(path, office.pipe)
        try:
            refresher = Refresher(workbook, costs_of, "0.1", "book and economic")
            refresher()
            assert hand.text("Cost per bottle", "A3")[0] == ""
            photograph(display, "link-before")
            old = hand.see("Cost per bottle", "A10:K20")
            for row in range(2, 20):
                hand.type("Dry goods", f"G{row}", 5.0)
            assert hand.text("Cost per bottle", "A3")[0] == STALE
            photograph(display, "link-stale")
            said = refresher()
            assert "refreshed" in said
            print(said)
            photograph(display, "link-after")
            new = hand.see("Cost per bottle", "A10:K20")
            assert [row[0] for row in new] == [row[0] for row in old]
            dearer = [mine[-1] > theirs[-1] for mine, theirs in zip(new, old, strict=True) if mine[-1] != ""]
            assert any(dearer)
            assert hand.charts("Cost per bottle") == charts
            hand.type("Movements", "D5", "NO-SUCH-LOT")
            assert "1 errors" in refresher()
            hand.show("Run check")
            photograph(display, "link-findings")
            hand.type("Movements", "D5", "")
        finally:
            workbook.close()
        assert hand.modified()
        hand.close()
    assert digest(path) == before


def costs_of_file(path: Path) -> list[ResultSheet]:
    return costs_of(read_workbook(path))
