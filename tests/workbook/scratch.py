"""A scratch workbook with result sheets, as the library's writer makes it, and plain zips for tests.

All names and figures are invented.
"""

from __future__ import annotations

import io
import zipfile

import xlsxwriter

Parts = dict[str, bytes]


def parts_of(content: bytes) -> Parts:
    """Every member of a zip by name."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        return {info.filename: archive.read(info) for info in archive.infolist()}


def zip_of(parts: Parts, *, stored: tuple[str, ...] = (), comment: bytes = b"") -> bytes:
    """A zip of these members."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.comment = comment
        for name, content in parts.items():
            info = zipfile.ZipInfo(name, (2021, 3, 4, 5, 6, 8))
            info.compress_type = zipfile.ZIP_STORED if name in stored else zipfile.ZIP_DEFLATED
            info.external_attr = 0o640 << 16
            archive.writestr(info, content)
    return buffer.getvalue()


def scratch_results(factor: float = 1.0, *, bottles: int = 2) -> bytes:
    """Two result sheets as the library's writer makes them: table, totals, chart, links, notes."""
    buffer = io.BytesIO()
    book = xlsxwriter.Workbook(buffer, {"in_memory": True, "strings_to_formulas": False})
    money = book.add_format({"num_format": "#,##0.0000", "font_color": "#333333"})
    head = book.add_format({"bold": True, "bottom": 1, "bg_color": "#EFEFEF", "text_wrap": True})
    warn = book.add_format({"bg_color": "#F5D0C5", "num_format": "0.00"})
    costs, origins = book.add_worksheet("Cost per bottle"), book.add_worksheet("Origins")
    rows = [(f"Cuvée {n}", n * 100, round(4.5 * n * factor, 4)) for n in range(1, bottles + 1)]
    last = 3 + len(rows)
    costs.write_string("A1", "Demonstration, invented figures & <no estate>", head)
    total = f"=SUM(C4:C{last})"
    costs.add_table(
        2, 0, last, 2,
        {
            "name": "Cost_per_bottle",
            "total_row": True,
            "data": rows,
            "columns": [
                {"header": "Cuvée", "total_string": "Total", "header_format": head},
                {"header": "Bottles", "total_function": "sum", "total_value": sum(row[1] for row in rows)},
                {"header": "EUR per bottle", "format": money},
            ],
        },
    )  # fmt: skip
    costs.write_formula(last, 2, total, money, round(sum(row[2] for row in rows), 4))
    # XlsxWriter names the column alone, which LibreOffice can't calculate; Excel writes the table's name too.
    bottles_sum = sum(row[1] for row in rows)
    costs.write_formula(last, 1, "=SUBTOTAL(109,Cost_per_bottle[Bottles])", None, bottles_sum)
    costs.set_column(0, 0, 22, None)
    costs.set_column(2, 2, 14, money)
    costs.set_row(1, 30, head)
    costs.conditional_format(3, 2, last - 1, 2, {"type": "cell", "criteria": ">", "value": 5, "format": warn})
    costs.conditional_format(3, 1, last - 1, 1, {"type": "data_bar"})
    costs.repeat_rows(2)
    costs.set_landscape()
    costs.fit_to_pages(1, 0)
    costs.write_comment("A1", "as of the valuation date")
    chart = book.add_chart({"type": "column"})
    chart.add_series(
        {
            "name": "EUR per bottle",
            "categories": ["Cost per bottle", 3, 0, last - 1, 0],
            "values": ["Cost per bottle", 3, 2, last - 1, 2],
        }
    )
    costs.insert_chart("F3", chart)
    for line, (cuvee, _, cost) in enumerate(rows):
        origins.write_url(line + 1, 0, "internal:'Cost per bottle'!A4", string=cuvee)
        origins.write_number(line + 1, 1, cost, money)
        origins.write_formula(line + 1, 2, f"='Cost per bottle'!C{line + 4}*2", money, cost * 2)
    origins.write_url("E1", "https://example.org/sources", string="=1+1 is text, not a formula")
    origins.data_validation("F2", {"validate": "list", "source": ["book", "economic"]})
    origins.write_boolean("G1", True)
    book.define_name("Costing_run", "='Cost per bottle'!$C$4")
    book.close()
    return buffer.getvalue()


RESULT_SHEETS = ("Cost per bottle", "Origins")
