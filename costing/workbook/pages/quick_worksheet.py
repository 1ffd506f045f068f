"""A sheet of XlsxWriter that does not look for what result sheets never hold."""

from __future__ import annotations

from typing import Any

from xlsxwriter.utility import xl_range
from xlsxwriter.worksheet import Worksheet


class QuickWorksheet(Worksheet):  # type: ignore[misc]  # XlsxWriter has no types
    """Takes formulas as they stand, and tables that stand below each other. XlsxWriter looks in each formula for every
    function that is newer than the file format, of which ours use none, and at each cell of a table for another that
    overlaps it: together a quarter of the time of writing.
    """

    def _prepare_formula(self, formula: str, expand_future_functions: bool = False) -> str:
        del expand_future_functions
        return formula.removeprefix("=")

    def add_table(
        self, first_row: int, first_col: int, last_row: int, last_col: int, options: dict[str, Any] | None = None
    ) -> int:
        """Add a table as if it had one row, and let it reach down to its last; whoever asks writes its totals."""
        totals = bool(options and options.get("total_row"))
        one_row = first_row + 1 + totals
        refused: int = super().add_table(first_row, first_col, min(one_row, last_row), last_col, options)
        if refused or one_row >= last_row:
            return refused
        table = self.tables[-1]
        table["range"] = xl_range(first_row, first_col, last_row, last_col)
        table["a_range"] = xl_range(first_row, first_col, last_row - totals, last_col)
        if table.get("autofilter"):
            table["autofilter"] = table["a_range"]
        if totals:
            del self.table[one_row]
        return 0
