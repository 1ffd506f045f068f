"""A folder of CSV files is read as the sheets of a workbook are; its faults are named by sheet and cell."""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd
import pytest

from costing.errors import InputError, WorkbookError
from costing.inputs.load import read_csv_folder, read_inputs
from tests.inputs.planted import FOLDER, estate_of

OPENING = "Date,Lot,Kind,Quantity,Unit\n2023-01-01,R1,reserve,100,hl\n"


def _folder(tmp_path: Path, **files: str) -> Path:
    for name, text in {"settings": "Setting,Value\n", **files}.items():
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8", newline="")
    return tmp_path


def _found(folder: Path) -> list[str]:
    with pytest.raises(InputError) as refused:
        read_inputs(folder)
    return [str(finding) for finding in refused.value.findings]


def test_folder_and_frames_give_the_same_estate():
    folder, frames = read_inputs(FOLDER), estate_of()
    assert folder.settings == frames.settings
    for name, table in frames.tables.items():
        pd.testing.assert_frame_equal(folder[name], table)
        assert folder.sources[name].letters == frames.sources[name].letters
        assert list(folder.sources[name].row) == list(frames.sources[name].row)


@pytest.mark.parametrize("separator", [",", ";"])
@pytest.mark.parametrize("line_end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_separators_line_ends_and_byte_order_marks(tmp_path, separator, line_end, mark):
    text = mark + OPENING.replace(",", separator).replace("\n", line_end)
    estate = read_inputs(_folder(tmp_path, opening_stock=text))
    assert estate["opening_stock"]["quantity"][0] == 10_000
    assert estate.place("opening_stock", 0, "quantity") == "Opening stock!D2"


@pytest.mark.parametrize(
    "name", ["Opening stock", "opening stock", "OPENING_STOCK", "opening_stock 2023", "Opening_stock_2023"]
)
def test_file_names_are_titles_or_library_names(tmp_path, name):
    assert len(read_inputs(_folder(tmp_path, **{name: OPENING}))["opening_stock"]) == 1


def test_a_first_line_that_names_the_separator_counts_as_a_row(tmp_path):
    text = "sep=;\r\n" + OPENING.replace(",", ";").replace("reserve", "resrve")
    assert _found(_folder(tmp_path, opening_stock=text))[0].startswith("Opening stock!C3: 'resrve'")


def test_blank_lines_keep_the_count_of_rows(tmp_path):
    text = OPENING.replace("\n2023", "\n\n,,,,\n2023").replace("reserve", "resrve")
    assert _found(_folder(tmp_path, opening_stock=text))[0].startswith("Opening stock!C4: 'resrve'")


def test_short_lines_are_blank_to_the_right(tmp_path):
    assert _found(_folder(tmp_path, opening_stock=OPENING.replace(",100,hl", ""))) == [
        "Opening stock!D2: is blank: 'Quantity' is required. Enter it: how much.",
        "Opening stock!E2: is blank: 'Unit' is required. Enter it: unit of the quantity.",
    ]


def test_cells_beyond_the_headers_are_named(tmp_path):
    found = _found(_folder(tmp_path, opening_stock=OPENING.replace("100", "1,100")))
    assert found[0].startswith("Opening stock!F2: 'hl' stands beyond the last header.")


def test_blank_cells_beyond_the_headers_do_no_harm(tmp_path):
    assert len(read_inputs(_folder(tmp_path, opening_stock=OPENING.replace("hl", "hl,,")))["opening_stock"]) == 1


def test_a_quotation_mark_that_never_closes_is_refused(tmp_path):
    found = _found(_folder(tmp_path, opening_stock=OPENING.replace("reserve", '"reserve')))
    assert found[0].startswith("opening_stock.csv: can't be read as CSV: unexpected end of data.")
    assert len(found) == 1


def test_a_file_in_another_encoding_is_refused(tmp_path):
    folder = _folder(tmp_path)
    (folder / "cuvees.csv").write_bytes("Cuvée,Category\nBrut,rosé\n".encode("latin-1"))
    assert _found(folder) == ["cuvees.csv: is not UTF-8 text. Save it as 'CSV UTF-8'."]


def test_a_file_close_to_a_sheet_is_an_error_and_others_are_left_alone(tmp_path):
    folder = _folder(tmp_path, movment=OPENING, weather="a,b\n1,2\n", opening_stock=OPENING)
    (folder / "README.txt").write_text("notes")
    (folder / "old.csv").mkdir()
    assert [finding.split(". ")[0] for finding in _found(folder)] == [
        "movment.csv: is no sheet of the library, and close to one"
    ]


def test_a_copied_file_is_refused(tmp_path):
    folder = _folder(tmp_path, opening_stock=OPENING, **{"opening_stock (2)": OPENING})
    assert _found(folder)[0].startswith("opening_stock (2).csv: looks like a copy of the sheet 'Opening stock'")


def test_settings_are_required(tmp_path):
    (tmp_path / "opening_stock.csv").write_text(OPENING)
    assert _found(tmp_path)[0].startswith("Settings: is missing.")


@pytest.mark.parametrize("text", ["", "\n\n", "Setting,Value\n", "\ufeff"])
def test_an_empty_settings_file_means_the_defaults(tmp_path, text):
    assert read_inputs(_folder(tmp_path, settings=text, opening_stock=OPENING)).settings.currency == "EUR"


def test_no_folder_and_a_folder_without_sheets_are_refused_in_one_line(tmp_path):
    with pytest.raises(WorkbookError, match="is not a folder of CSV files"):
        read_csv_folder(tmp_path / "none")
    with pytest.raises(WorkbookError, match="holds no CSV file named after a sheet"):
        read_inputs(tmp_path)


def test_the_demo_estate_reads_without_a_finding():
    demo = Path(__file__).parents[2] / "demo_estate"
    assert read_inputs(demo).cautions == ()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes are POSIX's")
def test_a_pipe_in_the_place_of_a_file_is_named(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "costs.csv")
    (tmp_path / "settings.csv").symlink_to(tmp_path / "gone.csv")
    with pytest.raises(InputError) as wrong:
        read_inputs(tmp_path)
    assert [(one.place, one.rule[:9]) for one in wrong.value.findings if one.rule.startswith("is a pipe")] == [
        ("costs.csv", "is a pipe"),
        ("settings.csv", "is a pipe"),
    ]
