"""The next workbook is a copy of this one: what a person put in is there, and the figures are the same.

What a workbook may hold: ECMA-376 part 1, 18.3 (sheets), 18.5 (tables), 18.7 (comments), 20.5 and 21.2 (drawings).
"""

from __future__ import annotations

import datetime as dt
import io
import re
import shutil
from pathlib import Path

import openpyxl
import pytest
import xlsxwriter

from costing.cli import main
from costing.house import open_house
from costing.model import loaded
from costing.workbook.file.package import open_package, read_package
from costing.workbook.file.rows import RowEdits
from costing.workbook.file.sheets import read_book
from costing.workbook.following import _with_a_row, following_workbook
from costing.workbook.read import read_workbook
from tests.workbook.books import new_figures, opened_with, year_kept
from tests.workbook.torture import PIXEL

DAY = dt.date
MOVES = [
    (DAY(2025, 2, 1), "racking", "V1", 20.0, "V2", 19.8, "old"),
    (DAY(2025, 12, 31), "racking", "V1", 5.0, "V2", 4.9, "on the day"),
    (DAY(2026, 1, 15), "racking", "V1", 10.0, "V3", 9.9, "kept 1"),
    (DAY(2026, 2, 15), "racking", "V2", 3.0, "V3", 3.0, "kept 2"),
]
PICTURES = {0: "beside the header", 1: "at a closed row", 3: "at the first row kept", 11: "below the table"}
"""Pictures on Movements, by the row at which each begins (0: the first)."""


def _own_parts(book: xlsxwriter.Workbook, picture: Path) -> None:
    notes = book.add_worksheet("My notes")
    notes.write("A1", "litres moved")
    notes.write_formula("B1", "=SUM(Movements!D2:D500)", None, 38)
    notes.insert_image("D4", str(picture))
    chart = book.add_chart({"type": "column"})
    chart.add_series({"values": "='My notes'!$B$1:$B$3"})
    notes.insert_chart("D12", chart)
    notes.conditional_format("B1:B9", {"type": "cell", "criteria": ">", "value": 5})
    book.define_name("my_range", "='My notes'!$B$1:$B$9")


def _movements(book: xlsxwriter.Workbook, date: object, picture: Path) -> None:
    sheet = book.add_worksheet("Movements")
    headers = ["Date", "Operation", "From lot", "Out (hl)", "To lot", "In (hl)", "Remark", "Twice"]
    for row, values in enumerate(MOVES, 1):
        for column, value in enumerate(values):
            if column:
                sheet.write(row, column, value)
            else:
                sheet.write_datetime(row, column, value, date)
        sheet.write_formula(row, 7, f"=D{row + 1}*2", None, 2 * values[3])
    sheet.add_table(0, 0, len(MOVES), 7, {"name": "moves_of_mine", "columns": [{"header": one} for one in headers]})
    sheet.write_comment(3, 6, "about the third")
    sheet.write_comment(1, 6, "about the first")
    sheet.conditional_format("D2:D500", {"type": "cell", "criteria": ">", "value": 15})
    sheet.set_column(0, 0, 33)
    sheet.set_background(str(picture))
    for row, description in PICTURES.items():
        sheet.insert_image(row, 9, str(picture), {"description": description, "y_scale": 90})


def _plain(book: xlsxwriter.Workbook, title: str, headers: list[str], rows: list[list[object]], date: object) -> None:
    sheet = book.add_worksheet(title)
    sheet.write_row(0, 0, headers)
    for row, values in enumerate(rows, 1):
        for column, value in enumerate(values):
            if isinstance(value, dt.date):
                sheet.write_datetime(row, column, value, date)
            else:
                sheet.write(row, column, value)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A workbook in a person's own hand, closed, and the next one opened from it; not to be changed."""
    folder = tmp_path_factory.mktemp("kept")
    path, picture = folder / "mine.xlsx", folder / "dot.png"
    picture.write_bytes(PIXEL)
    book = xlsxwriter.Workbook(path)
    date = book.add_format({"num_format": "dd.mm.yyyy", "bg_color": "#FFEEDD"})
    settings = [["Valuation date", DAY(2025, 12, 31)], ["Currency", "EUR"], ["Accounts approved on", DAY(2026, 3, 1)]]
    _plain(book, "Settings", ["Setting", "Value"], [*settings, ["Volume tolerance (L)", 0.5]], date)
    stock = ["Date", "Lot", "Kind", "Quantity", "Unit", "Location", "Vintage", "Loss allowance", "Whose"]
    rows = [[DAY(2025, 1, 1), f"V{n}", "wine", 50.0, "hl", "Hall", "2024", None, "mine"] for n in (1, 2)]
    _plain(book, "Opening stock", stock, rows, date)
    costs = ["Lot", "Basis", "Stage", "Element", "Amount", "Mean payment date"]
    _plain(
        book,
        "Opening costs",
        costs,
        [["V1", None, None, "grapes", 9e3, None], ["V2", None, None, "grapes", 8e3, None]],
        date,
    )
    _movements(book, date, picture)
    _plain(
        book,
        "Costs",
        ["Date incurred", "Lot", "Element", "Amount"],
        [[DAY(2025, 3, 1), "V1", "labour", 100.0], [DAY(2026, 3, 1), "V1", "labour", 50.0]],
        date,
    )
    norms = [["racking", 1.0, "per movement"]]
    _plain(book, "Loss norms", ["Operation or stage", "Norm (%)", "Time base"], norms, date)
    _own_parts(book, picture)
    book.close()
    following = folder / "next.xlsx"
    assert main(["close", str(path), "--date", "2025-12-31"]) == 0
    assert main(["open-year", str(path), str(following), "--date", "2025-12-31"]) == 0
    return path, following


@pytest.fixture
def copies(kept: tuple[Path, Path], tmp_path: Path) -> tuple[Path, Path]:
    """Copies of both, with what stands beside them, to be run."""
    folder = shutil.copytree(kept[0].parent, tmp_path / "copies")
    return folder / kept[0].name, folder / kept[1].name


@pytest.mark.slow
def test_every_part_of_a_persons_own_goes_along(kept: tuple[Path, Path]) -> None:
    before, after = (open_package(path) for path in kept)
    own = [name for name in before.members if re.search(r"media/|charts/|drawings/drawing|printerSettings", name)]
    own = [name for name in own if b"closed row" not in before.part(name)]
    assert len(own) >= 3
    book = openpyxl.load_workbook(kept[1])
    notes = openpyxl.load_workbook(kept[0])["My notes"]
    assert (
        book.sheetnames[: len(openpyxl.load_workbook(kept[0]).sheetnames)] == openpyxl.load_workbook(kept[0]).sheetnames
    )
    for name in own:
        assert after.part(name) == before.part(name), name
    assert [cell.value for cell in book["My notes"]["B"]] == [cell.value for cell in notes["B"]]
    assert book.defined_names["my_range"].attr_text == "'My notes'!$B$1:$B$9"
    assert len(book["My notes"].conditional_formatting) == 1
    assert [str(one.sqref) for one in book["Movements"].conditional_formatting] == ["D2:D500"]


def test_closed_rows_are_taken_out_and_the_others_keep_what_stands_in_them(kept: tuple[Path, Path]) -> None:
    sheet = openpyxl.load_workbook(kept[1])["Movements"]
    rows = list(sheet.iter_rows(values_only=True))
    assert rows[0] == ("Date", "Operation", "From lot", "Out (hl)", "To lot", "In (hl)", "Remark", "Twice")
    assert [(row[3], row[6], row[7]) for row in rows[1:]] == [(10, "kept 1", "=D2*2"), (3, "kept 2", "=D3*2")]
    assert sheet.tables["moves_of_mine"].ref == "A1:H3"
    assert sheet["G2"].comment.text == "about the third"
    assert sheet["G3"].comment is None
    assert sheet["A2"].number_format == "dd.mm.yyyy"
    assert sheet.column_dimensions["A"].width == pytest.approx(33, abs=1)


@pytest.mark.parametrize("totals", [0, 1])
@pytest.mark.parametrize(
    ("edit", "dropped", "cleared"),
    [
        (RowEdits(dropped=[2, 3]), [3], [2]),
        (RowEdits(dropped=[3]), [3], []),
        (RowEdits(dropped=[2, 3], fresh=[{}], first=2), [2, 3], []),
        (RowEdits(dropped=[2, 3], fresh=[{}], first=9), [3], [2]),
    ],
)
def test_a_table_keeps_a_blank_row_where_none_would_be_left(
    edit: RowEdits, dropped: list[int], cleared: list[int], totals: int
) -> None:
    content = io.BytesIO()
    workbook = xlsxwriter.Workbook(content, {"in_memory": True})
    workbook.add_worksheet("Costs").add_table(0, 0, 2 + totals, 1, {"total_row": bool(totals)})
    workbook.close()
    after = _with_a_row(read_book(read_package(content.getvalue(), "a.xlsx")), "Costs", edit)
    assert (sorted(after.dropped), sorted(after.cleared)) == (dropped, cleared)


def test_pictures_on_a_sheet_whose_rows_are_taken_out_stay_beside_their_rows(kept: tuple[Path, Path]) -> None:
    """Two rows are taken out above: a picture at a closed row stands at the first one kept; none loses its size."""
    anchors = [_anchors(path) for path in kept]
    begin, size = (
        [{name: row for name, (row, _) in one.items()} for one in anchors],
        [{name: rows for name, (_, rows) in one.items()} for one in anchors],
    )
    assert begin[0] == {name: row for row, name in PICTURES.items()}
    assert begin[1] == {"beside the header": 0, "at a closed row": 1, "at the first row kept": 1, "below the table": 9}
    assert size[0] == size[1]
    assert min(size[1].values()) > 2
    assert len(openpyxl.load_workbook(kept[1])["Movements"]._images) == len(PICTURES)


def _anchors(path: Path) -> dict[str, tuple[int, int]]:
    """First row (from 0) and rows of each picture on Movements, by its description."""
    package = open_package(path)
    (part,) = [
        name for name in package.members if re.search("drawings/drawing", name) and b"closed row" in package.part(name)
    ]
    pattern = r'<xdr:from>.*?<xdr:row>(\d+)<.*?<xdr:to>.*?<xdr:row>(\d+)<.*?descr="(.*?)"'
    found = re.findall(pattern, package.part(part).decode(), re.DOTALL)
    return {name: (int(first), int(last) - int(first)) for first, last, name in found}


def test_opening_stock_stands_in_the_columns_that_were_there(kept: tuple[Path, Path]) -> None:
    book = openpyxl.load_workbook(kept[1])
    stock = list(book["Opening stock"].iter_rows(values_only=True))
    assert stock[0][-1] == "Whose"
    # by hand: V1 50 − 20 − 5 = 25 hl, V2 50 + 19.8 + 4.9 = 74.7 hl
    assert [(row[1], row[3], row[4]) for row in stock[1:]] == [("V1", 2500, "L"), ("V2", 7470, "L")]
    assert book["Opening stock"]["A2"].value.date() == DAY(2025, 12, 31)
    assert [row[1].value for row in book["Settings"].iter_rows(min_row=4, max_row=4)] == [None]
    assert [row[3].value for row in book["Costs"].iter_rows(min_row=2)] == [50]


def test_it_gives_the_same_values(copies: tuple[Path, Path], capsys) -> None:
    values = []
    for path in copies:
        stock = open_house(path).stock()["stock_value"].set_index("lot")
        values.append(stock[["quantity", "book_value", "economic_value"]])
    assert values[0].sort_index().to_numpy() == pytest.approx(values[1].sort_index().to_numpy(), rel=1e-9)
    capsys.readouterr()
    assert main(["check", str(copies[1])]) == 0
    assert main(["run", str(copies[1])]) == 0
    assert "Typed on result sheets" not in capsys.readouterr().err


def test_every_figure_that_changes_on_a_sheet_is_changed() -> None:
    """All but one were left as they were, so that a workbook with a final premium or two pools was not opened."""
    package = year_kept()
    estate = loaded(read_workbook(package))
    content = following_workbook(package, estate, opened_with(estate, new_figures))
    book = openpyxl.load_workbook(io.BytesIO(content))
    assert [row[0].value for row in book["Pools"]["G2:G3"]] == [750, 1000]
    assert [cell.value for cell in book["Grape prices"][2]][3:] == [6.8, None, None]


@pytest.mark.slow
def test_the_workbook_as_closed_is_kept_whatever_is_run_afterwards(copies: tuple[Path, Path]) -> None:
    path = copies[0]
    closed = path.with_name("mine.closed-2025-12-31.xlsx")
    content = closed.read_bytes()
    for _ in range(2):
        assert main(["run", str(path)]) == 0
    assert main(["close", str(path), "--date", "2025-12-31", "--again"]) == 0
    assert closed.read_bytes() == content
    assert path.with_name("mine.closed-2025-12-31-2.xlsx").exists()
