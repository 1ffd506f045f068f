"""A whole workbook with every sheet that any command writes: three runs through the command on a workbook full of other
things, and every formula and rate of return before LibreOffice. The short form takes the small example and its sheets.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import openpyxl
import pytest

from costing.cli import main
from costing.commands.records import demo_folder
from costing.decisions.prices import realised
from costing.workbook.blank.contents import tables_from_csv
from costing.workbook.file.graft import graft
from costing.workbook.file.package import Package, open_package, read_package
from costing.workbook.file.scan import all_tables
from costing.workbook.file.sheets import changeable_parts, read_book
from costing.workbook.pages.result_sheet import ResultSheet, ResultTable
from costing.workbook.pages.write import result_workbook
from costing.workbook.update import OWNED_SHEETS
from tests.form import FULL, chosen
from tests.known import Known
from tests.workbook.office import sheets_as_calculated
from tests.workbook.pages.test_sheets_in_office import assert_agree, stored_and_calculated
from tests.workbook.torture import torture_workbook

STAMP = re.compile(rb"Run \d{4}-\d\d-\d\d \d\d:\d\d")
WRITING = (
    *(
        ["ageing"],
        ["vats"],
        ["blend"],
        ["recipes"],
        ["price"],
        ["margins"],
        ["scenarios"],
        ["tirage"],
        ["offers"],
        ["plan", "--futures"],
        ["forecast", "--draws", "200"],
    ),
    *(["why", "--from", "D24-3-BRUT", "--to", "D25-3-BRUT"], ["sensitivity", "Brut"]),
)
OF_A_SMALL_ESTATE = (["ageing"], ["vats"], ["price"], ["margins"])


def parts(package: Package) -> dict[str, bytes]:
    return {name: package.part(name) for name in package.members}


@pytest.mark.slow
def test_three_runs_on_a_workbook_full_of_other_things(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tables = tables_from_csv(chosen(full=demo_folder(), short=demo_folder() / "small"))
    inputs = [
        ResultSheet(title, title, (), (ResultTable(f"demo_{number}", frame),))
        for number, (title, frame) in enumerate(tables.items())
    ]
    path = tmp_path / "estate.xlsm"
    path.write_bytes(
        graft(read_package(torture_workbook(), path), result_workbook(inputs), [sheet.name for sheet in inputs])
    )
    first = open_package(path)
    foreign = set(first.members) - changeable_parts(first)
    assert {"xl/vbaProject.bin", "xl/media/image1.png"} <= foreign
    assert len(foreign) > 40
    runs = []
    for _ in range(3):
        assert main(["run", str(path)]) == 0
        assert "Cost per bottle in EUR" in capsys.readouterr().out
        runs.append(open_package(path))
        for name in foreign:
            assert runs[-1].members[name].packed == first.members[name].packed, name
    one, two, three = map(parts, runs)
    assert list(one) == list(two) == list(three)
    log = next(sheet for sheet in read_book(runs[2]).owned() if sheet.name == "Run log")
    grown = {log.part, *(part for part in three if b'name="run_log"' in three[part])}
    assert len(grown) == 2
    differing = {part for part in three if STAMP.sub(b"", three[part]) != STAMP.sub(b"", two[part])}
    assert differing == grown, "only the log of runs grows"


@pytest.mark.office
def test_libreoffice_calculates_every_formula_of_every_result_sheet_as_stored(
    request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    everything = tmp_path / "estate.xlsx"
    everything.write_bytes(request.getfixturevalue(chosen(full="demo_workbook", short="small_workbook")).read_bytes())
    assert main(["close", str(everything), "--date", "2024-12-31"]) == 0
    assert main(["run", str(everything)]) == 0
    for command, *options in chosen(full=WRITING, short=OF_A_SMALL_ESTATE):
        assert main([command, str(everything), *options, "--write"]) == 0
    written = set(OWNED_SHEETS) & set(openpyxl.load_workbook(everything, read_only=True).sheetnames)
    assert len(written) >= 25
    if FULL:  # the last is only there once a closed year was edited
        assert written == set(OWNED_SHEETS) - {"Prior-year difference"}, "every sheet that a command may write is there"
    found = [one for one in stored_and_calculated(everything, tmp_path) if one[0].split("!")[0] in OWNED_SHEETS]
    assert {place.split("!")[0] for place, *_ in found} == written
    assert_agree(found)
    totals = [value for _, value, _ in found if isinstance(value, (int, float))]
    assert len(totals) > 30
    assert sum(value != 0 for value in totals) > 25


@pytest.mark.office
def test_libreoffice_finds_the_returns_on_the_sheet_of_margins(
    book: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = Known()  # every return is sought in here
    known.installed(monkeypatch)
    flows: list[tuple[np.ndarray, np.ndarray]] = []
    rate_of_return = realised.rate_of_return

    def noted(when: Sequence[int], amounts: Sequence[float]):
        flows.append((np.asarray(when), np.asarray(amounts)))
        return rate_of_return(when, amounts)

    monkeypatch.setattr(realised, "rate_of_return", noted)
    assert main(["margins", str(book), "--write"]) == 0
    shown = openpyxl.load_workbook(book, data_only=True, read_only=True)["Margins"]
    at = next(table for _, table in all_tables(read_book(open_package(book))) if table.name == "margins_by_capital")
    _, *rows = shown.iter_rows(at.first_row, at.last_row, at.first_column, at.last_column, values_only=True)
    written = sorted(row[at.headers.index("Return a year")] for row in rows)
    checked = openpyxl.Workbook()
    sheet = checked.active
    for number, (when, amounts) in enumerate(flows):
        # XIRR knows whole days: what falls on half a day is laid half on each of its neighbours.
        around = np.concatenate([np.floor(when), np.ceil(when)]).astype(int)
        days, at = np.unique(around, return_inverse=True)
        summed = np.bincount(at, np.tile(amounts / 2, 2))
        for row, (day, amount) in enumerate(zip(days.tolist(), summed.tolist(), strict=True), start=4):
            sheet.cell(row, 2 * number + 1, day + 25569)  # 1970-01-01 in the 1900 system
            sheet.cell(row, 2 * number + 2, amount)
        dates, money = (sheet.cell(4, 2 * number + one).column_letter for one in (1, 2))
        last = 3 + len(days)
        area = f"{money}4:{money}{last},{dates}4:{dates}{last}"
        sheet.cell(1, 2 * number + 2, f"=XIRR({area})")
        sheet.cell(2, 2 * number + 2, f"=XNPV({money}1,{area})")
        sheet.cell(3, 2 * number + 2, f"=SUM({money}4:{money}{last})")
    oracle = tmp_path / "oracle.xlsx"
    checked.save(oracle)
    lines = sheets_as_calculated(oracle, tmp_path)["Sheet"]
    found = sorted(float(value) for value in lines[0][1::2])
    assert len(found) == len(rows) > 5
    assert found == pytest.approx(written, abs=1e-6)
    for (_, amounts), worth, total in zip(flows, lines[1][1::2], lines[2][1::2], strict=True):
        assert float(worth) == pytest.approx(0.0, abs=1e-6 * np.abs(amounts).sum())
        assert float(total) == pytest.approx(amounts.sum(), abs=1e-9 * np.abs(amounts).sum())
