"""The live link with LibreOffice in a window, as a person has it: on a screen that is only in memory."""

from __future__ import annotations

import os
import queue
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from costing.cli import main
from costing.commands import records
from costing.workbook.file.stale import STALE
from costing.workbook.live.link import Refresh, link
from costing.workbook.update import OWNED_SHEETS
from tests.form import in_full
from tests.workbook.live.test_link_office import digest
from tests.workbook.running import SECONDS, running_office

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
    """Keep a picture of the screen in the folder COSTING_PICTURES, where one is named (Pillow takes it)."""
    folder = os.environ.get("COSTING_PICTURES")
    if folder:
        from PIL import ImageGrab

        time.sleep(2.0)
        ImageGrab.grab(xdisplay=display).save(Path(folder) / f"{name}.png")


class AtTheTerminal:
    """`costing link` in a thread: lines are typed to it, what it says is read."""

    def __init__(self, path: Path, pipe: str, monkeypatch: pytest.MonkeyPatch) -> None:
        self._typed: queue.Queue[str | None] = queue.Queue()
        self._said: queue.Queue[str] = queue.Queue()
        keyboard = iter(self._typed.get, None)

        def linked(where: Path, refresh: Refresh, **options: Any) -> None:
            link(where, refresh, **{**options, "keyboard": keyboard, "pipe": pipe, "say": self._said.put})

        monkeypatch.setattr(records, "link", linked)
        self._thread = threading.Thread(target=main, args=(["link", str(path)],), daemon=True)
        self._thread.start()

    def says(self, expected: str) -> str:
        """Wait for a line with that text."""
        while True:
            said = self._said.get(timeout=SECONDS)
            if expected in said:
                return said

    def refresh(self, expected: str) -> str:
        """Press Enter, and wait for the answer."""
        self._typed.put("\n")
        return self.says(expected)

    def quit(self) -> None:
        self._typed.put("q\n")
        self._thread.join(30)
        assert not self._thread.is_alive()
        self._typed.put(None)


@in_full
def test_the_link_command_at_an_open_window(
    demo_with_results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "demo.xlsx"
    path.write_bytes(demo_with_results.read_bytes())
    assert main(["ageing", str(path), "--write"]) == 0
    before = digest(path)
    with screen() as display, running_office(tmp_path, display=display) as office:
        hand = office.hand
        hand.open(str(path))
        hand.show("Cost per bottle")
        results = [name for name in hand.sheets() if name in (*OWNED_SHEETS,)]
        assert "Hold or release" in results
        charts = hand.charts("Cost per bottle")
        assert charts
        photograph(display, "1-before")
        person = AtTheTerminal(path, office.pipe, monkeypatch)
        person.says("sheets refreshed")
        assert [hand.text(name, "A3")[0] for name in results] == [""] * len(results)
        old = hand.see("Cost per bottle", "A8:K26")
        prices = hand.see("Grape prices", "E2:E40")
        for row, (price,) in enumerate(prices, 2):
            if price != "":
                hand.type("Grape prices", f"E{row}", price * 1.5)
        assert hand.text("Cost per bottle", "A3")[0] == STALE
        photograph(display, "2-stale")
        person.refresh("sheets refreshed")
        assert hand.text("Cost per bottle", "A3")[0] == ""
        photograph(display, "3-after")
        new = hand.see("Cost per bottle", "A8:K26")
        assert [row[0] for row in new] == [row[0] for row in old]
        per_75cl = 1  # its column, after the name of cuvée and format
        pairs = [(mine[per_75cl], theirs[per_75cl]) for mine, theirs in zip(new, old, strict=True)]
        assert sum(isinstance(mine, float) and mine > 1.2 * theirs for mine, theirs in pairs) > 5
        # The chart of the sheet draws these very cells: what it draws has moved with them.
        assert hand.charts("Cost per bottle") == charts
        assert any("Behind the charts" in area for area in charts), charts
        assert hand.text("Hold or release", "A3")[0] == "", "every sheet of a run is refreshed"
        # A mistake that leaves numbers and filled cells as many as they were: no formula sees it.
        place, lot = next((f"D{row}", lot) for row, (lot,) in enumerate(hand.see("Movements", "D2:D99"), 2) if lot)
        assert isinstance(lot, str)
        hand.type("Movements", place, "NO-SUCH-LOT")
        assert hand.text("Cost per bottle", "A3")[0] == ""
        person.refresh("1 error, listed")
        hand.show("Run check")
        photograph(display, "4-findings")
        assert hand.text("Run check", "A1")[0] == "The inputs have errors: nothing was computed"
        shown = [cell for row in hand.see("Run check", "A8:D20") for cell in row]
        assert f"Movements!{place}" in shown
        assert "NO-SUCH-LOT" in shown
        marked = {name: hand.text(name, "A3")[0] for name in results if name != "Run check"}
        assert marked == dict.fromkeys(marked, STALE)
        person.quit()
        # Linked anew while the mistake stands, the sheets of the file still don't pass for current.
        for name in marked:
            assert hand.text(name, "A3")[1] == f'="{STALE}"'
        hand.type("Movements", place, lot)
        again = AtTheTerminal(path, office.pipe, monkeypatch)
        again.says("sheets refreshed")
        assert hand.text("Cost per bottle", "A3")[0] == ""
        assert hand.text("Run check", "A1")[0] == "Does the run add up, and what is doubtful"
        again.quit()
        assert hand.modified()
        hand.close()
    assert digest(path) == before
