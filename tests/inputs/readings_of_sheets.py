"""What whole sheets, links, folders and refused estates are read as: cases, and what is read of each in words."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from costing.errors import CostingError, Finding, InputError
from costing.inputs.estate import Estate
from costing.inputs.links import read_links
from costing.inputs.load import load, read_csv_folder, read_frames
from costing.inputs.raw import Linked, RawTable, column_letter
from costing.inputs.schema import sheets
from costing.inputs.translations import (
    alphabets,
    header_spellings,
    is_currency,
    mixed_word,
    names_of,
    needs_unit,
    our_word,
    plain,
    spellings,
    title_spellings,
    unit_factor,
    unit_of,
    units_of,
)


def raw(title: str, rows: list[dict[str, Any]], first: int = 2, **more: Any) -> RawTable:
    """A sheet of those rows, its columns in the order in which they are named first."""
    headers = list(dict.fromkeys(header for row in rows for header in row))
    frame = pd.DataFrame([[row.get(header) for header in headers] for row in rows], columns=headers, dtype=object)
    letters = {header: column_letter(place) for place, header in enumerate(headers)}
    return RawTable(title, frame, np.arange(first, first + len(rows)), letters, **more)


def links() -> Iterator[str]:
    """Rows of Links, right and wrong, and the sheets that they link."""
    ours = {"Your sheet": "Keller", "Our sheet": "Movements"}
    cases: dict[str, list[dict[str, Any]]] = {
        "right": [
            {**ours, "First row": 5, "Your column": "Datum", "Our column": "Date"},
            {**ours, "Your column": "C", "Our column": "Out (L)", "Unit": "hl"},
            {**ours, "Our column": "operation", "Fixed value": "racking"},
            {**ours, "Our column": "Operation", "Your word": "Abstich", "Fixed value": "racking"},
            {**ours, "Our column": "Operation", "Your word": "Sonst"},
            {**ours},
            {},
        ],
        "two sheets of one": [
            {**ours, "Your column": "Datum", "Our column": "Date"},
            {"Your sheet": "keller", "Our sheet": "stocktakes", "Your column": "Bestand", "Our column": "Quantity"},
            {"Your sheet": "Notizen"},
            {"Your sheet": "Notes", "Our sheet": "Costs", "Your column": "Betrag", "Our column": "Amount"},
        ],
        "titles": [
            {"Your sheet": "Keler", "Our sheet": "Movements", "Our column": "Date", "Your column": "A"},
            {"Your sheet": "Keller", "Our sheet": "Movement", "Our column": "Date", "Your column": "A"},
            {"Your sheet": "Keller", "Our sheet": "Links", "Our column": "Unit", "Your column": "A"},
            {"Your sheet": "Keller", "Our sheet": "Cost build-up", "Our column": "Unit", "Your column": "A"},
            {"Our sheet": "Costs", "Our column": "Amount", "Your column": "B"},
            {"Your sheet": "zzz", "Our sheet": "Costs", "Our column": "Amount", "Your column": "B"},
        ],
        "columns": [
            {**ours, "Your column": "A", "Our column": "Dates"},
            {**ours, "Your column": "A", "Our column": "zzz"},
            {**ours, "Your column": "B", "Our column": "Date"},
            {**ours, "Your column": "C", "Our column": "date"},
            {**ours, "Our column": "Location"},
        ],
        "units": [
            {**ours, "Your column": "A", "Our column": "Out", "Unit": "hl"},
            {**ours, "Your column": "B", "Our column": "Out", "Unit": "bottles"},
            {**ours, "Your column": "C", "Our column": "In (L)"},
            {**ours, "Our column": "Added", "Fixed value": "5"},
            {**ours, "Your column": "D", "Our column": "Date", "Unit": "kg"},
            {**ours, "Your column": "E", "Our column": "Proceeds", "Unit": "kg"},
            {**ours, "Your column": "F", "Our column": "In (bottles)", "Unit": "hl"},
        ],
        "of two columns the one that the unit fits": [
            {**ours, "Your column": "B", "Our column": "Out", "Unit": "bottles"},
            {**ours, "Your column": "C", "Our column": "In", "Unit": "bottles"},
            {**ours, "Your column": "A", "Our column": "Out"},
        ],
        "no column of theirs": [{**ours, "Our column": "Location", "Fixed value": "cellar"}],
        "two first rows": [
            {**ours, "First row": 4, "Your column": "A", "Our column": "Date"},
            {**ours, "First row": 5, "Your column": "B", "Our column": "Location"},
        ],
        "no first row": [{**ours, "First row": "x", "Your column": "A", "Our column": "Date"}],
        "first row 0": [{**ours, "First row": 0, "Your column": "A", "Our column": "Date"}],
    }
    for title, rows in cases.items():
        read = read_links([raw("Links", rows)], ["Keller", "Notes", "Movements"])
        for linked in read.sheets:
            columns = [(link.place, link.column.name, link.theirs, link.factor, link.fixed) for link in linked.links]
            yield f"{title}: {linked.title} {linked.sheet.name} from row {linked.first_row}: {columns} {linked.words}"
        listed = [len(read.of(name)) for name in ("KELLER", "Notes", "x")]
        yield f"{title}: {read.listed} {sorted(read.named)} {listed} {[str(finding) for finding in read.findings]}"


MOVE = {"Date": "2024-10-01", "Operation": "racking", "From lot": "A", "Out (L)": "100", "To lot": "B", "In (L)": "99"}
_IN = {"Date": "2024-09-10", "Lot": "G", "What": "grapes", "Quantity": "100", "Unit": "kg", "Price per unit": "5"}


def sheets_read() -> Iterator[str]:
    """Sheets with blank rows, totals, missing columns, yearly parts, links and cells at fault."""
    error = Finding("Movements!D3", "#REF!", "is an error, not a value.", "Mend the formula.")
    cases: dict[str, list[RawTable]] = {
        "blank rows and totals": [
            raw(
                "Movements",
                [
                    MOVE,
                    {},
                    {"Out (L)": "Total", "In (L)": "99"},
                    {**MOVE, "From lot": "Total"},
                    {"From lot": "Total", "Out (L)": "5"},
                    {"Own": "Total", "In (L)": "5"},
                    {"In (L)": "6"},
                    {"Own": "total", "Date": "2024-10-02", "Operation": "racking", "From lot": "A", "Out (L)": "1"},
                ],
            )
        ],
        "a total beside a name and a date": [
            raw("Costs", [{"Lot": "Total", "Element": "labour", "Amount": "5", "Date": "2024-10-01"}]),
        ],
        "two years": [
            raw("Movements 2025", [{**MOVE, "In (hl)": "1", "In (L)": None}], 4),
            raw("Movements", [dict(reversed(MOVE.items())), {**MOVE, "Out (L)": "-5"}]),
        ],
        "a year without rows": [raw("Movements 2025", [MOVE]), raw("Movements", [{"Date": None, "Operation": None}])],
        "hectolitres by row": [
            raw(
                "Deliveries",
                [
                    {**_IN, "Quantity": "2", "Unit": "hl", "What": "must"},
                    {**_IN, "Quantity": "3", "Unit": "hl", "What": "grapes"},
                    {**_IN, "Quantity": "-4", "Unit": "L", "What": "must"},
                    {**_IN, "Quantity": "-5", "Unit": "hl", "What": "must"},
                ],
            )
        ],
        "missing columns": [raw("Movements", [{"Date": "2024-10-01", "From lot": "A"}])],
        "no header": [raw("Movements", [{"Foo": "1", "Bar": "2"}], header_row=3)],
        "near headers": [raw("Movements", [{**MOVE, "Opertion": "x", "To lots": "y", "In (gal)": "3"}])],
        "a header twice": [raw("Movements", [{**MOVE, "date": "2024-11-01", "Location": "c", "location": "d"}])],
        "many of one fault": [raw("Movements", [{**MOVE, "Out (L)": f"about {row}"} for row in range(9)])],
        "many with one and the same": [raw("Movements", [{**MOVE, "Out (L)": "about"} for _ in range(9)])],
        "required and blank": [raw("Movements", [{**MOVE, "Operation": None}, {**MOVE, "Date": "  "}])],
        "shown as percentages": [
            raw(
                "Loss norms",
                [
                    {"Applies to": "racking", "Percent (%)": 0.5, "Time base": "per movement"},
                    {"Applies to": "on lees", "Percent (%)": 0.5, "Time base": "per year"},
                    {"Applies to": "filtration", "Percent (%)": "0.5", "Time base": "per movement"},
                ],
                percent_formatted={"Percent (%)": np.array([True, False, True])},
            )
        ],
        "at fault already": [
            raw("Movements", [MOVE, {**MOVE, "Out (L)": None}], findings=(error,), faulty=frozenset(["D3"])),
        ],
        "linked": [
            raw(
                "Keller",
                [{key: value for key, value in MOVE.items() if key != "Operation"}],
                linked=Linked("movements", {"Out (L)": 100.0}, {"operation": "racking"}, {"operation": "Links!B4"}),
            )
        ],
        "linked with a wrong word": [
            raw(
                "Keller",
                [{key: value for key, value in MOVE.items() if key != "Operation"}],
                linked=Linked("movements", {}, {"operation": "rackin"}, {"operation": "Links!B4"}),
            )
        ],
        "linked without a column": [
            raw("Keller", [{"Date": "2024-10-01", "From lot": "A"}], linked=Linked("movements")),
        ],
        "a copy, a near title and one of no sheet": [
            *(raw("Movements (2)", [MOVE]), raw("Movments", [MOVE]), raw("Notes", [MOVE])),
        ],
        "not read at all": [RawTable("Movements", pd.DataFrame(), np.array([]), {}, (error,))],
        "long words": [raw("Movements", [{**MOVE, "Out (L)": "y" * 200, "Operation": "rack\ning" * 30}])],
    }
    for title, given in cases.items():
        try:
            estate = load([*given, *_lots(given)], settings_required=title == "two years")
            yield from (f"{title}: {line}" for line in _read(estate))
            said = list(estate.cautions)
        except InputError as refused:
            said, kept = refused.findings, refused.readable
            rows = {name: len(kept.estate[name]) for name in ("movements", "deliveries")} if kept else None
            yield f"{title}: refused; readable: {rows} {sorted(kept.doubtful) if kept else ''}"
        yield from (f"{title}: {finding.severity} {finding}" for finding in said)
    for given_frames in ({"Movments": pd.DataFrame()}, {"movements": [1]}):
        try:
            yield str([(table.sheet, [str(one) for one in table.findings]) for table in read_frames(given_frames)])
        except CostingError as refused_frames:
            yield str(refused_frames)


def _lots(given: list[RawTable]) -> list[RawTable]:
    """Lots for the movements to draw from."""
    start = {"Date": "2024-01-01", "Kind": "wine", "Quantity": "1000", "Unit": "L"}
    none = any(table.sheet == "Opening stock" for table in given)
    return [] if none else [raw("Opening stock", [{**start, "Lot": "A"}])]


def _read(estate: Estate) -> Iterator[str]:
    for table in ("movements", "deliveries", "loss_norms", "costs"):
        for row in range(len(estate[table])):
            cells = estate[table].iloc[row].dropna()
            places = [estate.place(table, row, column) for column in cells.index]
            units = [estate.unit_typed(table, row, column) for column in cells.index if column in ("out_l", "quantity")]
            yield f"{table} {row}: {cells.to_dict()} {places} {units} {estate.place(table, row)}"


def folders() -> Iterator[str]:
    """Folders of CSV files, regular and not."""
    files: dict[str, bytes] = {
        "movements.csv": b"Date;From lot\n2024-10-01;A\n",
        "Costs.CSV": b'sep=,\nDate,Lot,Amount\n2024-10-01,A,"1,5"\n',
        "dry_goods.csv": b"\xef\xbb\xbfItem;Unit price;;Item\nglass;1,5;x;y\n",
        "pressings.csv": b"Load,Date\nP1,2024-09-10,left over, \nP2\nP3,2024-09-11, ,more,yet more\n",
        "stocktakes.csv": "Menge\nä".encode("latin-1"),
        "tirage.csv": b"sep=;\nCuv\xc3\xa9e;Bottles\nA;1;b\xc3\xa9yond\n",
        "disgorgements.csv": b"  \n",
        "dispatches.csv": b'Channel,Bottles\nshop,1,2\n"open,2\n',
        "movement.csv": b"Date\n",
        "movements (2).csv": b"Date\n",
        "notes.csv": b"x\n",
        "terms.txt": b"x\n",
    }
    with tempfile.TemporaryDirectory() as folder:
        for name, content in files.items():
            (Path(folder) / name).write_bytes(content)
        (Path(folder) / "pools.csv").symlink_to("nowhere")
        (Path(folder) / "limits.csv").mkdir()
        for table in read_csv_folder(folder):
            cells = table.frame.to_numpy(dtype=object).tolist()
            yield f"{table.sheet}: {list(table.frame.columns)} {cells} {np.asarray(table.row_numbers).tolist()}"
            said = [str(finding) for finding in table.findings]
            yield f"{table.sheet}: {dict(table.letters)} headers in row {table.header_row} {said}"


def translations() -> Iterator[str]:
    """Units, words and currencies in several languages, and what one of a unit is in a column."""
    units = ("hl", "HL", "hectolitres", "L", "litres", "l", "kg", "t", "tonnes", "q", "Bouteilles", "%", "°", "° vol")
    units += ("€/kg", "EUR per kg", "€ pro Flasche", "par litre", "EUR", "€", "HT", "per t", "per hl", "/q", "k€ HT")
    units += ("fraction", "zzz", "")
    places = [("movements", "out_l"), ("pressings", "weight_kg"), ("deliveries", "quantity"), ("costs", "amount")]
    places += [("deliveries", "price_per_unit"), ("pressings", "value_per_l"), ("grape_prices", "price_per_kg")]
    places += [("channels", "freight_per_bottle"), ("dispatches", "bottles"), ("cuvees", "alcohol")]
    places += [("movements", "operation"), ("deliveries", "unit"), ("costs", "element"), ("loss_norms", "applies_to")]
    places += [("loss_norms", "percent")]
    words = ("Soutirage", "racking", "hl", "Liter", "Glas", "on lees", "", "zzz")
    for unit in units:
        fits = [unit_factor(sheets()[sheet], sheets()[sheet].column(name), unit) for sheet, name in places]
        yield f"{unit!r}: {unit_of(unit)!r} {is_currency(unit)} {plain(unit)!r} {fits}"
    for sheet, name in places:
        column = sheets()[sheet].column(name)
        known = [our_word(column, text) for text in words]
        yield f"{sheet}.{name}: {units_of(column)} {needs_unit(column)} {known} {names_of('column', name, sheet)}"
    for text in ("N° de lot", "n. de lot", "Prix/kg", "Ölfaß", "20 €", "m³"):
        yield f"{text!r}: {plain(text)!r}"
    for text in ("Вино", "Bино", "Rosé", "λevain", "2024", "日本 wine"):
        yield f"{text!r}: {alphabets(text)} {mixed_word(['ok', text])}"
    yield str(sorted(spellings(("rest",))))
    yield str(sorted(title_spellings().items())[::7])
    yield str({sheet: sorted(header_spellings(sheet).items())[::5] for sheet in ("movements", "deliveries")})
