"""A person's own workbook taken on: links proposed, corrected, followed; every other byte as it was."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from datetime import datetime
from functools import cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import openpyxl
import pandas as pd
import pytest
import xlsxwriter

from costing.cli import main
from costing.commands.records import demo_folder
from costing.errors import CAUTION, Finding, InputError
from costing.inputs.estate import Estate
from costing.inputs.load import load, read_frames, read_inputs
from costing.inputs.schema import sheets
from costing.inputs.translations import names_of, needs_unit, our_word, unit_factor, unit_of
from costing.workbook.adopt.adopt import Adopted, adopt
from costing.workbook.adopt.headers import meanings
from costing.workbook.adopt.propose import _fixed, _number_style
from costing.workbook.adopt.understand import ForeignSheet, Understood, _holds, understand
from costing.workbook.blank.blank import blank_bytes
from costing.workbook.file.package import changed_parts, read_package
from costing.workbook.file.scan import SheetScan
from costing.workbook.file.sheets import LISTS_SHEET, changeable_parts, read_book
from costing.workbook.linked import Header, headers_above
from costing.workbook.read import read_workbook
from tests.form import every, in_full
from tests.workbook.adopt.foreign import LAYOUTS, Layout, foreign_book, kept_frames
from tests.workbook.test_read import rewritten

SMALL = demo_folder() / "small"
_ROWS = re.compile(rb"(?s)<row .*</row>")
Page = list[list[Any]]
MOVES: Page = [
    ["Date", "Opération", "Cuve de départ", "Volume soutiré (hl)", "Cuve d'arrivée", "Volume arrivé (hl)"],
    [datetime(2025, 2, 1), "assemblage", "V1", 85, "A25", 84.5],
    [datetime(2025, 2, 2), "soutirage", "A25", 84.5, "A26", 84],
]
STOCK: Page = [
    ["Date", "Cuve", "Nature", "Quantité (hl)"],
    [datetime(2025, 1, 1), "V1", "vin", 90],
]


def book(pages: dict[str, Page], also: Callable[[Any, dict[str, Any]], None] = lambda *_: None) -> bytes:
    """A workbook of these pages, dates as dates."""
    content = io.BytesIO()
    workbook = xlsxwriter.Workbook(content, {"in_memory": True, "default_date_format": "dd/mm/yyyy"})
    written = {}
    for title, rows in pages.items():
        written[title] = workbook.add_worksheet(title)
        for number, row in enumerate(rows):
            written[title].write_row(number, 0, row)
    also(workbook, written)
    workbook.close()
    return content.getvalue()


def adopted(content: bytes, *only: str) -> Adopted:
    """A workbook taken on. only: the sheets of ours that come into it, if not the links and what they are read with."""
    return adopt(read_package(content, "own.xlsx"), only or ("links", "settings"))


@cache
def ledger() -> Adopted:
    """A stock and a register of movements taken on."""
    return adopted(book({"Stock initial": STOCK, "Registre de cave": MOVES}))


def links_of(content: bytes | None) -> list[dict[str, Any]]:
    assert content is not None
    sheet = openpyxl.load_workbook(io.BytesIO(content), read_only=True)["Links"]
    header, *rows = sheet.iter_rows(values_only=True)
    return [dict(zip(header, row, strict=True)) for row in rows if any(row)]


def corrected(content: bytes | None, change: Callable[[Any], None]) -> bytes:
    """The workbook as a person saves it after working on it, without the hidden lists, which are long and not read."""
    assert content is not None
    package = read_package(content, "own.xlsx")
    lists = read_book(package).sheet(LISTS_SHEET)
    assert lists
    workbook = openpyxl.load_workbook(io.BytesIO(rewritten(content, lists.part, lambda xml: _ROWS.sub(b"", xml))))
    change(workbook)
    saved = io.BytesIO()
    workbook.save(saved)
    return saved.getvalue()


def findings(content: bytes) -> list[Finding]:
    try:
        return list(load(read_workbook(content)).cautions)
    except InputError as wrong:
        return wrong.findings


def assert_same_rows(one: Estate, other: Estate, names: Any) -> None:
    for name in names:
        pd.testing.assert_frame_equal(one[name], other[name], check_categorical=False, check_dtype=False, rtol=1e-12)


def kept_parts(before: bytes, after: bytes) -> set[str]:
    """Parts of a person's own that an adoption changed: none, but for the lists of parts and of styles."""
    old, new = read_package(before, "a.xlsx"), read_package(after, "a.xlsx")
    return {part for part in changed_parts(old, new) if part in old.members} - changeable_parts(old)


@pytest.mark.slow
@pytest.mark.parametrize("layout", every(8, LAYOUTS), ids=lambda one: f"{one.language}-{one.seed}")
def test_the_same_estate_is_read_from_any_layout(layout: Layout) -> None:
    frames = kept_frames(read_inputs(SMALL))
    foreign = foreign_book(frames, layout)
    found = adopt(read_package(foreign, "own.xlsx"))
    assert set(found.read_as) == set(frames)
    assert not found.findings
    assert found.content is not None
    expected = load(read_frames(frames), settings_required=False)
    assert_same_rows(load(read_workbook(found.content)), expected, frames)
    assert not kept_parts(foreign, found.content)


@in_full
@pytest.mark.parametrize("language", ["fr", "de"])
def test_a_grown_estate_of_twenty_sheets_is_read_too(language: str, demo_estate: Estate) -> None:
    frames = kept_frames(demo_estate)
    assert len(frames) >= 20
    found = adopt(read_package(foreign_book(frames, Layout(language, 7)), "own.xlsx"))
    expected = load(read_frames(frames), settings_required=False)
    assert found.content is not None
    assert_same_rows(load(read_workbook(found.content)), expected, frames)


@pytest.mark.slow
@pytest.mark.parametrize("language", every(2, ["fr", "de"], 1))
def test_a_french_and_a_german_ledger_are_adopted_run_and_otherwise_kept(language: str, tmp_path: Path, capsys) -> None:
    path = tmp_path / "cave.xlsx"
    foreign = foreign_book(kept_frames(read_inputs(SMALL)), Layout(language, 1))
    path.write_bytes(foreign)
    assert main(["adopt", str(path)]) == 0
    assert "is read as Movements" in capsys.readouterr().out
    assert main(["run", str(path)]) == 0
    printed = capsys.readouterr().out
    assert "9.75" in printed  # as the same rows give in the small example
    assert main(["run", str(path)]) == 0
    assert not kept_parts(foreign, path.read_bytes())


@pytest.mark.slow
def test_the_next_year_of_an_adopted_ledger_has_its_links_and_sheets(tmp_path: Path, capsys) -> None:
    path, following = tmp_path / "cave.xlsx", tmp_path / "next.xlsx"
    path.write_bytes(foreign_book(kept_frames(read_inputs(SMALL)), Layout("fr", 1)))
    assert main(["adopt", str(path)]) == 0
    assert main(["close", str(path), "--date", "2025-12-31"]) == 0
    assert main(["open-year", str(path), str(following), "--date", "2025-12-31"]) == 0
    assert links_of(following.read_bytes()) == links_of(path.read_bytes())
    kept, opened = (openpyxl.load_workbook(one, read_only=True).sheetnames for one in (path, following))
    assert set(kept) <= set(opened)
    capsys.readouterr()
    assert main(["check", str(following)]) == 0
    assert "0 errors" in capsys.readouterr().out


def test_two_rows_of_headers_and_lines_above_them() -> None:
    def page(_: Any, written: dict[str, Any]) -> None:
        sheet = written["Registre de cave"]
        sheet.write_string("A1", "Registre de cave 2025")
        for area, text in (("A3:A4", "Date"), ("B3:B4", "Opération"), ("C3:D3", "Sortie"), ("E3:F3", "Entrée")):
            sheet.merge_range(area, text)
        sheet.write_row("C4", ["Cuve", "hl", "Cuve", "hl"])
        sheet.write_row("A5", MOVES[1])

    found = adopted(book({"Stock initial": STOCK, "Registre de cave": []}, page))
    linked = {row["Your column"]: row for row in links_of(found.content) if row["Our sheet"] == "Movements"}
    assert {name: row["Our column"] for name, row in linked.items() if name} == {
        "Date": "Date",
        "Opération": "Operation",
        "Sortie / Cuve": "From lot",
        "Sortie / hl": "Out (L)",
        "Entrée / Cuve": "To lot",
        "Entrée / hl": "In (L)",
    }
    assert linked["Sortie / hl"]["Unit"] == "hl"
    assert {row["First row"] for row in linked.values()} == {5}
    moves = load(read_workbook(found.content or b""))["movements"]
    assert moves[["from_lot", "out_l", "to_lot", "in_l"]].astype(object).to_numpy().tolist() == [
        ["V1", 8_500.0, "A25", 8_450.0]
    ]


def test_headers_are_read_right_above_the_rows_with_their_group_and_no_title() -> None:
    def read(*rows: list[Any]) -> list[tuple[int, str]]:
        return [(header.position, header.whole) for header in headers_above([*rows, [1, 2, 3]], len(rows) + 1)]

    assert read(["Domaine X"], ["Date", "Cuve"]) == [(1, "Date"), (2, "Cuve")]
    assert read(["Domaine X"], [], ["Date", None, "hl"]) == [(1, "Date"), (3, "hl")]
    assert read(["Cave", "2025"], [], ["Date", "Cuve"]) == [(1, "Date"), (2, "Cuve")]
    assert read([None, "Sortie", None], ["Date", "Cuve", "hl"]) == [(1, "Date"), (2, "Cuve"), (3, "hl")]
    groups = ["Jour", "Sortie", None, "Note"]
    assert read(groups, [None, "Cuve", "hl"]) == [(1, "Jour"), (2, "Sortie / Cuve"), (3, "Sortie / hl"), (4, "Note")]
    assert read() == []


def test_headers_printed_again_further_down_are_no_second_beginning() -> None:
    understood = understand(_tab("Mouvements", [*MOVES, *MOVES]))
    assert understood is not None
    assert understood.first_row == 2


def test_a_unit_that_nobody_knows_stands_on_links_to_be_put_right() -> None:
    """It was meant to be one: left out, the figures would be read in ours."""
    moves = sheets()["movements"]
    assert [meanings(moves, Header(1, f"Volume soutiré ({unit})", "", 1))[0].unit for unit in ("hL", "seaux")] == [
        *("hl", "seaux")
    ]


def _tab(title: str, rows: Page) -> ForeignSheet:
    return ForeignSheet(title, rows, (), SheetScan((), "", frozenset(), frozenset()))


def test_a_title_says_the_operation_of_movements_and_not_what_a_rate_is_for() -> None:
    said = {}
    for name in ("movements", "operation_rates"):
        columns = sheets()[name].columns
        understood = Understood(_tab("Soutirages 2025", []), sheets()[name], 2, (), {}, 1.0)
        said[name] = {column.name: fixed for column in columns if (fixed := _fixed(understood, column, {}))}
    assert said == {"movements": {"operation": "racking"}, "operation_rates": {}}


def test_a_unit_alone_is_no_name_of_a_column() -> None:
    stock: Page = [["Date", "Cuve", "Nature", "Quantité"], [None, "Nom", None, "hl"], *STOCK[1:]]
    linked = {
        row["Our column"]: row["Your column"] for row in links_of(adopted(book({"Stock initial": stock})).content)
    }
    assert (linked["Quantity"], linked["Lot"], linked["Kind"]) == ("Quantité / hl", "Nom", "Nature")


def test_rows_below_a_gap_are_named_unless_they_are_whole_or_a_total() -> None:
    def said(*rows: list[Any]) -> list[tuple[str, str]]:
        found = adopted(book({"Stock initial": STOCK, "Registre de cave": [*MOVES, [], *rows]}))
        return [(one.place, one.value) for one in findings(found.content or b"") if "blank row" in one.rule]

    later: list[Any] = [datetime(2025, 3, 1), "soutirage", "A26", 84, "A27", 83]
    assert said(later, [None, None, "Total", 169]) == []
    assert said([None, None, "à suivre"], [None, "demain"]) == [("Registre de cave!C5", "à suivre")]


def test_only_the_sheets_asked_for_are_added() -> None:
    content = book({"Stock initial": STOCK, "Registre de cave": MOVES})
    assert adopted(content, "channels", "opening_stock").added == ("channels",)
    again = adopted(content, "links")
    assert again.added == ()
    assert set(again.read_as) == {"opening_stock", "movements"}


@pytest.mark.parametrize(
    ("column", "cells", "holds"),
    [
        ("kind", [1, 2, 3, "x", "y"], False),
        ("kind", [1, 2, "x", "y", "z"], True),
        ("kind", ["wine", "wine", "wine", "x", "y"], True),
        ("quantity", [1, 2, 3, "x", "y"], True),
        ("quantity", [1, 2, "x", "y", "z"], False),
        ("on_date", [*["2025-01-01"] * 3, "x", "y"], True),
        ("lot", [*["2025-01-01"] * 3, "x", "y"], False),
        ("lot", [*["2025-01-01"] * 2, "x", "y", "z"], True),
        ("lot", [1, 2], True),
        ("lot", [], True),
    ],
)
def test_three_cells_of_five_say_what_a_column_holds(column: str, cells: list[Any], holds: bool) -> None:
    assert _holds(sheets()["opening_stock"].column(column), cells) == holds


def test_a_unit_that_the_number_format_shows_is_taken() -> None:
    plain = [[cell.partition(" (")[0] if isinstance(cell, str) else cell for cell in row] for row in MOVES]

    def page(workbook: Any, written: dict[str, Any]) -> None:
        shown = workbook.add_format({"num_format": '0.0" hl"'})
        for row, cells in enumerate(MOVES[1:], 1):
            written["Registre de cave"].write_number(row, 3, cells[3], shown)
            written["Registre de cave"].write_number(row, 5, cells[5], shown)

    found = adopted(book({"Stock initial": STOCK, "Registre de cave": plain}, page))
    assert not found.findings
    assert load(read_workbook(found.content or b""))["movements"]["out_l"].tolist() == [8_500.0, 8_450.0]


def test_findings_name_the_cells_of_the_persons_own_sheet() -> None:
    found = adopted(book({"Stock initial": STOCK, "Registre de cave": [["Domaine X"], [], *MOVES]}))

    def mistype(workbook: Any) -> None:
        workbook["Registre de cave"]["D4"] = "viel"
        workbook["Registre de cave"]["C5"] = "V9"

    places = {finding.place: finding for finding in findings(corrected(found.content, mistype))}
    assert "is not a number" in places["Registre de cave!D4"].rule
    assert "V9" in places["Registre de cave!C5"].value


@pytest.mark.slow
def test_words_of_a_column_are_linked_and_may_be_corrected() -> None:
    odd = [*MOVES, [datetime(2025, 2, 3), "dépotage", "A26", 84, "A27", 83]]
    found = adopted(book({"Stock initial": STOCK, "Registre de cave": odd}))
    words = {row["Your word"]: row["Fixed value"] for row in links_of(found.content) if row["Your word"]}
    assert words == {"vin": "wine", "assemblage": "blending", "soutirage": "racking", "dépotage": None}
    (finding,) = [one for one in findings(found.content or b"") if one.severity != CAUTION]
    assert (finding.place, finding.value) == ("Registre de cave!B4", "dépotage")

    def say(workbook: Any) -> None:
        for row in workbook["Links"].iter_rows(min_row=2):
            if row[6].value == "dépotage":
                row[7].value = "transfer"

    moves = load(read_workbook(corrected(found.content, say)))["movements"]
    assert moves["operation"].tolist() == ["blending", "racking", "transfer"]


def test_a_sheet_for_each_operation_is_read_as_movements() -> None:
    without = [[*row[:1], *row[2:]] for row in MOVES]
    pages = {"Stock initial": STOCK, "Assemblages": [without[0], without[1]], "Soutirages": [without[0], without[2]]}
    found = adopted(book(pages))
    assert found.read_as["movements"] == ("Assemblages", "Soutirages")
    estate = load(read_workbook(found.content or b""))
    assert estate["movements"]["operation"].tolist() == ["blending", "racking"]
    assert estate.sources["movements"].sheet.tolist() == ["Assemblages", "Soutirages"]


@pytest.mark.slow
def test_rows_added_later_are_read_and_links_follow_no_one_else(tmp_path: Path, capsys) -> None:
    path = tmp_path / "own.xlsx"
    path.write_bytes(book({"Stock initial": STOCK, "Registre de cave": MOVES}))
    assert main(["adopt", str(path)]) == 0

    def add(workbook: Any) -> None:
        workbook["Registre de cave"].append([datetime(2025, 3, 1), "soutirage", "A26", 84, "A27", 83.5])
        workbook["Links"]["E2"] = "Date"

    path.write_bytes(corrected(path.read_bytes(), add))
    assert len(load(read_workbook(path))["movements"]) == 3
    assert main(["adopt", str(path)]) == 0  # the links stay as the person left them
    assert "has no sheet to link" in capsys.readouterr().out
    workbook = openpyxl.load_workbook(path)
    workbook["Links"].delete_rows(3, 30)
    workbook.save(path)
    assert main(["adopt", str(path), "--only", "Links"]) == 0
    assert len(load(read_workbook(path))["movements"]) == 3


def test_the_blank_workbook_has_nothing_to_adopt(tmp_path: Path, capsys) -> None:
    path = tmp_path / "estate.xlsx"
    path.write_bytes(blank_bytes())
    before = path.read_bytes()
    assert main(["adopt", str(path)]) == 0
    assert "no sheet to link" in capsys.readouterr().out
    assert path.read_bytes() == before


def only_finding(found: list[Finding]) -> Finding:
    (one,) = found
    return one


def test_two_sheets_that_both_look_like_movements_are_one_finding() -> None:
    found = adopted(book({"Stock initial": STOCK, "Registre de cave": MOVES, "Journal de cave": MOVES}))
    finding = only_finding(list(found.findings))
    assert finding.place == "Journal de cave"
    assert "'Registre de cave'" in finding.rule
    assert len(load(read_workbook(found.content or b""))["movements"]) == 2
    yearly = adopted(
        book({"Stock initial": STOCK, "Mouvements 2025": MOVES[:2], "Mouvements 2026": [MOVES[0], MOVES[2]]})
    )
    assert not yearly.findings
    assert len(load(read_workbook(yearly.content or b""))["movements"]) == 2


def test_a_link_to_a_column_that_has_gone_is_one_finding() -> None:
    found = ledger()

    def rename(workbook: Any) -> None:
        workbook["Registre de cave"]["D1"] = "Litrage"

    wrong = [one for one in findings(corrected(found.content, rename)) if one.severity != CAUTION]
    finding = only_finding(wrong)
    assert finding.place.startswith("Links!")
    assert finding.value == "Volume soutiré (hl)"
    assert "no column of 'Registre de cave'" in finding.rule


def test_a_header_that_two_columns_have_is_one_finding_and_a_letter_tells_them_apart() -> None:
    def written(values: dict[str, str]) -> bytes:
        """The second lot headed as the first, and what stands on Links in the place of each."""

        def change(workbook: Any) -> None:
            workbook["Registre de cave"]["E1"] = "Cuve de départ"
            for row in workbook["Links"].iter_rows(min_row=2):
                row[2].value = values.get(row[2].value, row[2].value)

        return corrected(ledger().content, change)

    twice = written({"Cuve d'arrivée": "Cuve de départ", "Cuve de départ": "C"})
    finding = only_finding([one for one in findings(twice) if one.severity != CAUTION])
    assert (finding.value, finding.remedy) == ("Cuve de départ", "Write the letter of the one meant.")
    assert "several columns of 'Registre de cave': C, E." in finding.rule
    moves = load(read_workbook(written({"Cuve d'arrivée": "E", "Cuve de départ": "C"})))["movements"]
    assert moves[["from_lot", "to_lot"]].astype(object).to_numpy().tolist() == [["V1", "A25"], ["A25", "A26"]]


@pytest.mark.parametrize(
    ("texts", "style"), [(["1,5", "2,25"], "comma"), (["1.5", "1,25", "2.5"], "point"), (["1", "x"], ""), ([12.5], "")]
)
def test_numbers_typed_as_text_say_how_they_are_written(texts: list[Any], style: str) -> None:
    column = sheets()["opening_stock"].column("quantity")
    read: Any = SimpleNamespace(columns={4: SimpleNamespace(column=column)}, cells=lambda _: texts)
    assert _number_style([read]) == style


@pytest.mark.slow
@pytest.mark.parametrize(("rows", "first"), [(2, 4), (-1, 1)])
def test_headers_that_have_moved_are_one_finding(rows: int, first: int) -> None:
    found = adopted(book({"Stock initial": STOCK, "Registre de cave": [["Domaine X"], *MOVES]}))

    def move(workbook: Any) -> None:
        sheet = workbook["Registre de cave"]
        sheet.insert_rows(1, rows) if rows > 0 else sheet.delete_rows(1, -rows)

    wrong = [one for one in findings(corrected(found.content, move)) if one.severity != CAUTION]
    assert f"Set First row to {first + 1}" in only_finding(wrong).remedy


def test_a_sheet_that_has_gone_is_one_finding() -> None:
    found = ledger()

    def rename(workbook: Any) -> None:
        workbook["Registre de cave"].title = "Registre de cave 2"

    wrong = [one for one in findings(corrected(found.content, rename)) if "Links" in one.place]
    assert "Did you mean 'Registre de cave 2'?" in only_finding(wrong).remedy


def test_a_unit_is_asked_for_where_a_figure_may_be_in_several() -> None:
    asked = {
        column.name
        for name in ("pressings", "movements", "disgorgements", "tirage")
        for column in sheets()[name].columns
        if needs_unit(column)
    }
    assert {"weight_kg", "volume_l", "out_l", "in_l", "wine_l"} <= asked
    assert not {"dosage_g_per_l", "sugar_g_per_l", "in_bottles", "fixed_share", "on_date"} & asked


@pytest.mark.slow
@pytest.mark.parametrize(("unit", "said"), [("bouteilles", "does not fit"), (None, "names no unit")])
def test_a_unit_that_does_not_fit_is_one_finding(unit: str | None, said: str) -> None:
    found = ledger()

    def change(workbook: Any) -> None:
        for row in workbook["Links"].iter_rows(min_row=2):
            if row[2].value == "Volume soutiré (hl)":
                row[5].value = unit

    finding = only_finding([one for one in findings(corrected(found.content, change)) if one.severity != CAUTION])
    assert finding.place.startswith("Links!F")
    assert said in finding.rule
    assert "L" in finding.remedy


def test_a_header_that_a_formula_computes_is_one_finding_and_linked_by_its_letter() -> None:
    def page(_: Any, written: dict[str, Any]) -> None:
        written["Registre de cave"].write_formula("D1", '="Volume soutiré"&" (hl)"', None, "Volume soutiré (hl)")

    found = adopted(book({"Stock initial": STOCK, "Registre de cave": MOVES}, page))
    finding = only_finding(list(found.findings))
    assert finding.place == "Registre de cave!D1"
    assert "formula" in finding.rule
    assert [row["Your column"] for row in links_of(found.content) if row["Our column"] == "Out (L)"] == ["D"]
    assert load(read_workbook(found.content or b""))["movements"]["out_l"].tolist() == [8_500.0, 8_450.0]


def test_a_name_in_two_alphabets_is_one_finding() -> None:
    moves = [[*MOVES[0][:2], "Сuve de départ", *MOVES[0][3:]], *MOVES[1:]]  # its first letter is Cyrillic
    found = adopted(book({"Stock initial": STOCK, "Registre de cave": moves}))
    finding = only_finding([one for one in found.findings if one.severity == CAUTION])
    assert finding.place == "Registre de cave!C1"
    assert "two alphabets (Cyrillic and Latin)" in finding.rule


def test_a_sheet_of_the_persons_own_named_links_is_left_alone(tmp_path: Path, capsys) -> None:
    path = tmp_path / "own.xlsx"
    path.write_bytes(book({"Links": [["https://example.org"]], "Registre de cave": MOVES}))
    before = path.read_bytes()
    assert main(["adopt", str(path)]) == 1
    assert "Rename it" in capsys.readouterr().err
    assert path.read_bytes() == before


def test_units_fit_their_columns() -> None:
    deliveries, moves = sheets()["deliveries"], sheets()["movements"]
    assert unit_factor(moves, moves.column("out_l"), "hl") == 100.0
    assert unit_factor(moves, moves.column("out_l"), "Flaschen") is None
    assert unit_factor(deliveries, deliveries.column("quantity"), "quintali") == 100.0
    assert unit_factor(deliveries, deliveries.column("price_per_unit"), "€/t") == 0.001
    assert unit_factor(deliveries, deliveries.column("on_date"), "hl") is None
    prices = sheets()["grape_prices"]
    asked = [unit_factor(prices, prices.column("price_per_kg"), text) for text in ("€/kg", "€/q", "€/L", "€")]
    assert asked == [1.0, 0.01, None, 1.0]
    assert (unit_of("Prix €/kg"), unit_of("°"), unit_of("")) == ("per kg", "% vol", "")


def test_every_translation_names_something_and_words_lead_back() -> None:
    for sheet in sheets().values():
        for column in sheet.columns:
            for word in column.choices:
                for spelling in names_of("unit" if column.name == "unit" else "word", word):
                    assert our_word(column, spelling), f"{sheet.name}.{column.name}: {spelling}"


@pytest.mark.slow
@pytest.mark.parametrize("title", every(4, ["Stock", "Stocks 2025", "Bestand", "Existencias", "Giacenze"], 1))
def test_a_sheet_called_stock_is_what_lies_there_and_no_delivery(title: str) -> None:
    """Date, lot, kind and quantity would do for Deliveries too."""
    found = adopted(book({title: STOCK, "Mouvements": MOVES}))
    assert found.read_as["opening_stock"] == (title,)
    assert "deliveries" not in found.read_as
