"""Data validation as LibreOffice applies it. Run by the system's own Python, which alone has `uno`:

    python3 validity.py WORKBOOK SHEET COLUMN ROW TEXT...

Opens the workbook without a window and prints JSON: "invalid", the sheets with a cell that its validation
would refuse; "tried", for each text whether the cell (counted from 0) would be refused with it.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path


def connect(pipe: str):  # type: ignore[no-untyped-def]
    """Desktop of the program that listens on the pipe."""
    import uno

    local = uno.getComponentContext()
    resolver = local.ServiceManager.createInstanceWithContext("com.sun.star.bridge.UnoUrlResolver", local)
    for _ in range(120):
        try:
            context = resolver.resolve(f"uno:pipe,name={pipe};urp;StarOffice.ComponentContext")
            return context.ServiceManager.createInstanceWithContext("com.sun.star.frame.Desktop", context)
        except Exception:  # the bridge raises types that can't be imported
            time.sleep(0.5)
    sys.exit("LibreOffice did not start")


def main(path: str, sheet: str, column: str, row: str, *texts: str) -> None:
    """Print what the validations of the workbook say."""
    with tempfile.TemporaryDirectory() as profile:
        pipe = f"validity{Path(profile).name}"
        options = [f"-env:UserInstallation={Path(profile).as_uri()}", "--headless", "--norestore"]
        office = subprocess.Popen(["soffice", *options, f"--accept=pipe,name={pipe};urp;"], stderr=subprocess.DEVNULL)
        try:
            desktop = connect(pipe)
            document = desktop.loadComponentFromURL(Path(path).resolve().as_uri(), "_blank", 0, ())
            # showInvalid marks the cells that their validation refuses, and says whether there are any.
            invalid = [one.Name for one in document.Sheets if one.showInvalid()]
            tried = {}
            page = document.Sheets.getByName(sheet)
            for text in texts:
                page.getCellByPosition(int(column), int(row)).setString(text)
                page.clearArrows()
                tried[text] = page.showInvalid()
            print(json.dumps({"invalid": invalid, "tried": tried}))
            document.close(True)
            desktop.terminate()
            office.wait(30)
        finally:
            if office.poll() is None:
                office.terminate()
                office.wait(30)


if __name__ == "__main__":
    main(*sys.argv[1:])
