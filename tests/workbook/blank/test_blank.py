"""The input workbook: made from the schema, filled, and read back to the same estate."""

from __future__ import annotations

import io
import re
from pathlib import Path

import pandas as pd
import pytest
from openpyxl import Workbook, load_workbook
from openpyxl.worksheet.worksheet import Worksheet

from costing.commands.records import demo_folder
from costing.errors import InputError, WorkbookError
from costing.inputs.estate import Estate, Settings
from costing.inputs.load import load, read_inputs
from costing.inputs.schema import Column, lists, settings, sheets
from costing.workbook.blank.blank import FRONT_SHEET, blank_bytes, blank_workbook, names_added
from costing.workbook.blank.contents import tables_from_csv, tables_from_estate
from costing.workbook.blank.instructions import INSTRUCTIONS_SHEET
from costing.workbook.blank.lists import NAME_LISTS, closed_lists
from costing.workbook.file.package import read_package
from costing.workbook.file.scan import all_tables
from costing.workbook.file.sheets import LISTS_SHEET, read_book
from costing.workbook.pages import look
from costing.workbook.read import read_workbook
from tests.form import chosen
from tests.workbook.looks import EACH_SHEET, differences, looks_of_inputs

EXAMPLE = chosen(full=demo_folder(), short=EACH_SHEET)
USER_SHEETS = {name: sheets()[name] for name in names_added("first year", "when asked")}


@pytest.fixture(scope="module")
def empty() -> bytes:
    return blank_bytes()


@pytest.fixture(scope="module")
def opened(empty: bytes) -> Workbook:
    return load_workbook(io.BytesIO(empty))


@pytest.fixture(scope="module")
def example() -> bytes:
    """An estate with rows on every sheet."""
    return blank_bytes(tables_from_csv(EXAMPLE), note="Everything here is invented.")


def estate_of(content: bytes) -> Estate:
    return load(read_workbook(content))


def assert_same(one: Estate, other: Estate) -> None:
    """Same settings and rows; the order of words behind a column of words is not part of an estate."""
    assert one.settings == other.settings
    for name in set(sheets()) - {"settings"}:
        pd.testing.assert_frame_equal(
            one[name], other[name], check_exact=True, check_categorical=False, check_dtype=False
        )
        assert [t.kind for t in one[name].dtypes] == [t.kind for t in other[name].dtypes]


def validations(sheet: Worksheet, column: int) -> list[object]:
    letter = sheet.cell(1, column).column_letter
    return [rule for rule in sheet.data_validations.dataValidation if f"{letter}2" in rule.sqref]


def test_looks_are_as_kept() -> None:
    """`tests/workbook/looks.py` says how looks are kept anew."""
    assert differences("inputs", looks_of_inputs()) == []


def test_sheets_in_order_with_one_table_each(empty: bytes, opened: Workbook) -> None:
    assert opened.sheetnames == [
        FRONT_SHEET,
        INSTRUCTIONS_SHEET,
        *(sheet.title for sheet in USER_SHEETS.values()),
        LISTS_SHEET,
    ]
    assert opened[LISTS_SHEET].sheet_state == "hidden"
    found = {sheet.name: table.name for sheet, table in all_tables(read_book(read_package(empty, "a.xlsx")))}
    assert found == {sheet.title: name for name, sheet in USER_SHEETS.items()}
    for sheet in USER_SHEETS.values():
        table = next(iter(opened[sheet.title].tables.values()))
        assert table.ref.startswith("A1:")
        assert table.totalsRowCount in (None, 0)


def test_headers_units_and_notes_come_from_the_schema(opened: Workbook) -> None:
    for sheet in USER_SHEETS.values():
        for position, column in enumerate(sheet.columns, 1):
            cell = opened[sheet.title].cell(1, position)
            assert cell.value == column.title
            assert column.meaning in cell.comment.text
            assert column.example in cell.comment.text
            if column.choices:
                assert ", ".join(column.choices) in cell.comment.text


def test_required_columns_are_told_from_optional_ones_and_inputs_from_headers(opened: Workbook) -> None:
    for sheet in USER_SHEETS.values():
        for position, column in enumerate(sheet.columns, 1):
            ground = opened[sheet.title].cell(1, position).fill.fgColor.rgb[-6:]
            assert ground == (look.SLATE if column.required else look.SLATE_LIGHT).removeprefix("#")
            assert opened[sheet.title].cell(2, position).fill.fgColor.rgb[-6:] == look.INPUT_GROUND.removeprefix("#")


def test_number_formats_by_type(opened: Workbook) -> None:
    shown = {
        column.name: opened[sheet.title].cell(2, position).number_format
        for sheet in USER_SHEETS.values()
        for position, column in enumerate(sheet.columns, 1)
    }
    assert shown["on_date"] == "yyyy-mm-dd"
    assert shown["amount"] == "#,##0.00"
    assert shown["volume_l"] == "#,##0.0"
    assert shown["bottles"] == "#,##0"
    assert shown["discount"] == "General"


def test_every_closed_list_drops_down_with_exactly_its_words(opened: Workbook) -> None:
    lists = opened[LISTS_SHEET]
    seen = 0
    for sheet in USER_SHEETS.values():
        for position, column in enumerate(sheet.columns, 1):
            if column.choices and sheet.name != "settings":
                (rule,) = validations(opened[sheet.title], position)
                area = rule.formula1.removeprefix(f"{LISTS_SHEET}!").replace("$", "")
                assert tuple(cell.value for (cell,) in lists[area]) == column.choices
                assert rule.type == "list"
                assert rule.errorStyle in (None, "stop")
                seen += 1
    assert seen > 30


def test_references_drop_down_over_the_users_own_names_and_never_block(opened: Workbook) -> None:
    for sheet in USER_SHEETS.values():
        for position, column in enumerate(sheet.columns, 1):
            if column.refers not in NAME_LISTS:
                continue
            rules = validations(opened[sheet.title], position)
            if rules:
                assert rules[0].formula1 == NAME_LISTS[column.refers].name
                assert rules[0].errorStyle == "warning"
                assert rules[0].showErrorMessage is not column.introduces
            else:
                assert column.introduces
    assert set(opened.defined_names) == {names.name for names in NAME_LISTS.values()}


def bounds_of(column: Column) -> tuple[float, float]:
    return (-1e12 if column.lower is None else column.lower, 1e12 if column.upper is None else column.upper)


def test_bounds_and_dates_are_checked_as_the_loader_checks_them(opened: Workbook) -> None:
    for sheet in USER_SHEETS.values():
        for position, column in enumerate(sheet.columns, 1):
            if column.type in ("number", "percent", "integer"):
                (rule,) = validations(opened[sheet.title], position)
                assert (float(rule.formula1), float(rule.formula2)) == bounds_of(column)
            if column.type == "date":
                (rule,) = validations(opened[sheet.title], position)
                # 1900-01-01 and 2200-12-31 as day numbers (ECMA-376-1, 18.17.4.1).
                assert (rule.type, rule.formula1, rule.formula2) == ("date", "1", "109939")


def test_settings_are_prefilled_with_the_defaults(opened: Workbook, empty: bytes) -> None:
    rows = {row[0]: row[1] for row in opened["Settings"].iter_rows(min_row=2, values_only=True)}
    assert list(rows) == [setting.title for setting in settings().values()]
    assert rows["Currency"] == "EUR"
    assert rows["Price step"] == 0.05
    assert estate_of(empty).settings == Settings()


def test_an_untouched_workbook_is_an_empty_estate_without_findings(empty: bytes) -> None:
    estate = estate_of(empty)
    assert all(len(estate[name]) == 0 for name in sheets() if name != "settings")
    assert estate.cautions == ()


def test_printing_and_panes(opened: Workbook) -> None:
    for sheet in USER_SHEETS.values():
        page = opened[sheet.title]
        assert page.page_setup.orientation == "landscape"
        assert (page.sheet_properties.pageSetUpPr.fitToPage, page.page_setup.fitToHeight) == (True, 0)
        assert page.print_title_rows == "$1:$1"
        assert page.freeze_panes == "A2"
        assert page.sheet_properties.tabColor is not None


def test_instructions_say_the_first_steps_and_every_caution(opened: Workbook) -> None:
    page = opened[INSTRUCTIONS_SHEET]
    words = " ".join(str(cell.value) for row in page.iter_rows() for cell in row if cell.value)
    for said in (
        "bottles burst",
        "not accounting, tax or legal advice",
        "date and source",
        "costing run",
        "Opening stock: one row",
    ):
        assert said in words
    targets = {cell.hyperlink.location for row in page.iter_rows() for cell in row if cell.hyperlink}
    assert targets == {f"'{sheet.title}'!A1" for sheet in USER_SHEETS.values()}
    assert (page.page_setup.fitToWidth, page.page_setup.fitToHeight) == (None, None)  # 1 and 1, the defaults
    assert page.sheet_properties.pageSetUpPr.fitToPage


def test_every_sheet_has_one_colour_group() -> None:
    groups = [sheet.tab_group for sheet in sheets().values()]
    assert list(dict.fromkeys(groups)) == list(look.TAB_COLOURS)
    assert sorted(groups, key=list(look.TAB_COLOURS).index) == groups  # tabs of a group stand together


def test_open_and_closed_lists_have_a_column_each() -> None:
    assert lists()["element"] in closed_lists()
    assert len(set(closed_lists().values())) == len(closed_lists())


@pytest.mark.slow
def test_an_estate_by_workbook_is_the_estate_by_csv(example: bytes) -> None:
    assert_same(estate_of(example), read_inputs(EXAMPLE))


@pytest.mark.slow
def test_estate_written_and_read_is_the_same_estate(example: bytes) -> None:
    estate = estate_of(example)
    again = estate_of(blank_bytes(tables_from_estate(estate)))
    assert again.settings == estate.settings
    for name in set(sheets()) - {"settings"}:
        pd.testing.assert_frame_equal(
            again[name],
            estate[name],
            check_exact=False,
            rtol=1e-15,
            check_categorical=False,
            check_dtype=False,
        )


def test_places_name_the_cell_of_the_workbook(example: bytes) -> None:
    estate = estate_of(example)
    sheet, cell = estate.place("movements", 5, "from_lot").split("!")
    named = load_workbook(io.BytesIO(example), read_only=True)[sheet][cell].value
    assert named == estate["movements"]["from_lot"][5]
    assert named not in estate["movements"]["from_lot"][:5].to_list()


def test_dates_and_numbers_are_typed_cells(example: bytes) -> None:
    row = [cell.value for cell in load_workbook(io.BytesIO(example), read_only=True)["Movements"][2]]
    assert row[0] == pd.Timestamp(row[0])
    assert isinstance(row[4], (int, float))


def filled(name: str, **columns: list[object]) -> bytes:
    frame = pd.DataFrame({key.replace("_", " "): pd.Series(cells, dtype=object) for key, cells in columns.items()})
    return blank_bytes({name: frame}, names=("settings",))


def test_units_and_columns_of_the_users_own_are_kept() -> None:
    frame = pd.DataFrame({"Date": ["2024-09-12"], "Load": ["P1"], "Must (hl)": [20.5], "My note": ["early"]})
    content = blank_bytes({"pressings": frame}, names=())
    headers = [cell.value for cell in load_workbook(io.BytesIO(content), read_only=True)["Pressings"][1]]
    assert "Must (hl)" in headers
    assert "Must (L)" not in headers
    assert headers[-1] == "My note"
    (table,) = [table for table in read_workbook(content) if table.sheet == "Pressings"]
    assert table.frame["Must (hl)"][0] == 20.5


def test_library_names_of_columns_become_headers() -> None:
    frame = pd.DataFrame({"on_date": ["2024-12-31"], "lot": ["V1"], "quantity": [1990.5], "cause": ["lees"]})
    (table,) = read_workbook(blank_bytes({"stocktakes": frame}, names=()))
    headers = [column.title for column in sheets()["stocktakes"].columns]
    assert list(table.frame.columns) == headers
    assert table.frame["Measured"][0] == 1990.5


def test_percent_points_leave_an_estate_without_noise() -> None:
    content = filled("Loss norms", Operation_or_stage=["racking"], **{"Norm_(%)": [7]}, Time_base=["per movement"])
    estate = estate_of(content)
    assert 0.07 * 100 != 7
    assert tables_from_estate(estate)["Loss norms"]["Norm (%)"].tolist() == [7.0]


@pytest.mark.slow
def test_a_percentage_typed_as_such_counts_once() -> None:
    # 1.5% typed into a general cell is stored as 0.015 in a percent format (common practice, no source).
    workbook = load_workbook(
        io.BytesIO(filled("Loss norms", Operation_or_stage=["racking"], Time_base=["per movement"]))
    )
    cell = workbook["Loss norms"]["B2"]
    assert cell.number_format == "General"
    cell.value, cell.number_format = 0.015, "0.00%"
    content = io.BytesIO()
    workbook.save(content)
    assert estate_of(content.getvalue())["loss_norms"]["percent"].tolist() == [0.015]


def test_yearly_frames_get_a_sheet_and_a_table_of_their_own() -> None:
    frame = pd.DataFrame({"Date": ["2024-12-31"], "Lot": ["V1"], "Measured": [5.0]})
    content = blank_bytes({"Stocktakes": frame, "stocktakes_2026": frame}, names=())
    book = read_book(read_package(content, "a.xlsx"))
    names = [sheet.name for sheet in book.sheets]
    assert names.index("Stocktakes 2026") == names.index("Stocktakes") + 1
    assert {table.name for _, table in all_tables(book)} >= {"stocktakes", "stocktakes_2026"}
    raw = [table for table in read_workbook(content) if table.sheet.startswith("Stocktakes")]
    assert [len(table.frame) for table in raw] == [1, 1]


def test_what_does_not_read_stays_text_and_is_found(tmp_path: Path) -> None:
    (tmp_path / "settings.csv").write_text("Setting,Value\nNumber style,comma\n", encoding="utf-8")
    (tmp_path / "loss_norms.csv").write_text(
        'Operation or stage,Norm (%),Time base\nracking,"1,5",per movement\nblending,much,per movement\n',
        encoding="utf-8",
    )
    content = blank_bytes(tables_from_csv(tmp_path), names=())
    assert [cell.value for cell in load_workbook(io.BytesIO(content))["Loss norms"]["B"][:3]] == [
        "Norm (%)",
        1.5,
        "much",
    ]
    with pytest.raises(InputError) as refused:
        estate_of(content)
    assert [finding.place for finding in refused.value.findings] == ["Loss norms!B3"]


def test_text_is_never_a_formula_or_a_link() -> None:
    content = filled("Stocktakes", Lot=["=cmd|' /C calc'!A0", "http://example.org"], Measured=[1.0, 2.0])
    sheet = load_workbook(io.BytesIO(content))["Stocktakes"]
    assert [sheet["C2"].data_type, sheet["C3"].data_type] == ["s", "s"]
    assert sheet["C2"].value == "=cmd|' /C calc'!A0"
    assert sheet["C3"].hyperlink is None


def test_closed_years_are_the_librarys_sheets() -> None:
    frame = pd.DataFrame({"Closing date": [pd.Timestamp("2024-12-31")], "Lot": ["V1"]})
    content = blank_bytes({"yearend_stock": frame}, names=())
    book = read_book(read_package(content, "a.xlsx"))
    assert [sheet.name for sheet in book.owned()] == [FRONT_SHEET, "Year-end stock"]


def test_names_introduced_by_any_table_are_listed_once() -> None:
    opening = pd.DataFrame({"Lot": ["V1", "v1", 2024.0]})
    moves = pd.DataFrame({"From lot": ["V1", "V1"], "To lot": ["V9", "V1"]})
    content = blank_bytes({"opening_stock": opening, "movements": moves}, names=())
    sheet = load_workbook(io.BytesIO(content), data_only=True)[LISTS_SHEET]
    column = next(cell.column for cell in sheet[1] if cell.value == "Lots")
    names = [sheet.cell(row, column).value for row in range(2, 7)]
    assert [name for name in names if name] == ["V1", "2024", "V9"]


def test_equal_tables_give_equal_bytes() -> None:
    one, other = (filled("Stocktakes", Lot=["V1"], Measured=[5.0]) for _ in range(2))
    assert one == other


def test_a_file_that_is_there_is_left_alone(tmp_path: Path, empty: bytes) -> None:
    path = tmp_path / "estate.xlsx"
    path.write_text("mine")
    with pytest.raises(WorkbookError, match="exists already"):
        blank_workbook(path)
    assert path.read_text() == "mine"
    blank_workbook(path.with_name("next.xlsx"))
    assert path.with_name("next.xlsx").read_bytes() == empty


def test_a_folder_that_is_not_there_is_said_in_one_line(tmp_path: Path) -> None:
    with pytest.raises(WorkbookError, match=r"can't be written \(No such file"):
        blank_workbook(tmp_path / "nowhere" / "estate.xlsx", names=())


def test_a_frame_of_no_sheet_is_refused() -> None:
    with pytest.raises(WorkbookError, match="'Movments'"):
        blank_bytes({"Movments": pd.DataFrame({"Date": ["2024-01-01"]})})


def test_no_machine_path_or_clock_is_left_in_the_file(empty: bytes) -> None:
    core = read_package(empty, "a.xlsx").part("docProps/core.xml")
    assert set(re.findall(rb">(\d{4})-\d\d-\d\dT", core)) == {b"1980"}


def test_sheets_columns_units_and_figures_are_offered_where_they_are_named(tmp_path: Path) -> None:
    """`Links`, `Scenarios`, `Uncertainty` and `Recipes` speak of other sheets: a person chooses from their names."""
    path = tmp_path / "whole.xlsx"
    names = ("links", "scenarios", "uncertainty", "recipes", "movements")
    blank_workbook(path, names=names)
    book = load_workbook(path)
    offered = {}
    for title, header in (("Links", "Our sheet"), ("Links", "Our column"), ("Links", "Unit"), ("Scenarios", "Sheet"),
                          ("Uncertainty", "Column"), ("Recipes", "What")):  # fmt: skip
        sheet = book[title]
        letter = next(cell.column_letter for cell in sheet[1] if cell.value == header)
        (rule,) = [one for one in sheet.data_validations.dataValidation if f"{letter}2" in one.sqref]
        place = re.fullmatch(r"(?:.*)!\$([A-Z]+)\$2:\$\1\$(\d+)", rule.formula1)
        cells = book[LISTS_SHEET][f"{place[1]}2:{place[1]}{place[2]}"]
        offered[title, header] = [cell.value for (cell,) in cells]
        assert rule.errorStyle == "warning"  # a list of one's own kind is questioned, not refused
    assert {"Movements", "Tirage"} <= set(offered["Links", "Our sheet"])
    assert "Out (L)" in offered["Links", "Our column"]
    assert {"hl", "t", "bottles"} <= set(offered["Links", "Unit"])
    assert offered["Scenarios", "Sheet"] == offered["Links", "Our sheet"]
    assert "Price per kg" in offered["Uncertainty", "Column"]
    assert "grape price per kg" in offered["Recipes", "What"]
