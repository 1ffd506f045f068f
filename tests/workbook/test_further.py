"""Input sheets added to a workbook that is there already."""

from __future__ import annotations

import pytest

from costing.errors import WorkbookError
from costing.workbook.file.package import read_package
from costing.workbook.file.sheets import LISTS_SHEET
from costing.workbook.further import with_sheets
from tests.workbook.adopt.test_adopt import book


@pytest.mark.parametrize(("name", "of"), [("my_names", LISTS_SHEET), ("lot_names", "Mine")])
def test_a_sheet_of_ones_own_named_as_the_hidden_lists_is_not_written_over(name: str, of: str) -> None:
    """Neither a name of one's own that leads to it makes it ours, nor a name of ours that leads elsewhere."""

    def named(workbook, _) -> None:
        workbook.define_name(name, f"={of}!$A$1")

    package = read_package(book({LISTS_SHEET: [["x"]], "Mine": [["y"]]}, named), "estate.xlsx")
    with pytest.raises(WorkbookError, match="has the name of the hidden sheet of the drop-downs"):
        with_sheets(package, ["costs"], {})
