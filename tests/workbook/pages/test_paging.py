"""Where a result sheet breaks into pages."""

from __future__ import annotations

import pytest

from costing.workbook.pages.paging import Paging

NARROW = Paging(100.0, 4, {})


def test_a_page_holds_what_a4_lying_holds() -> None:
    # 8.27 inches less margins of 0.5 and 0.6 are 516.24 points: 34 rows of 15.
    assert NARROW.page == pytest.approx((8.27 - 1.1) * 72)
    # Twice as wide as the paper (10.89 inches, 96 to the inch, 7 a character): half the scale, twice the rows.
    wide = Paging(2 * 10.89 * 96 / 7, 0, {})
    assert wide.page == pytest.approx(2 * NARROW.page)


@pytest.mark.parametrize(
    ("blocks", "expected"),
    [
        ([(2, 20), (21, 30)], []),  # both on one page
        ([(2, 20), (21, 44)], [21]),  # the second would be cut
        ([(2, 20), (21, 44), (45, 50)], [21]),  # the third stands below the second
        ([(2, 60)], []),  # longer than a page, from its top
        ([(2, 30), (31, 90)], [31]),  # longer than a page, and hardly begun at the foot
        ([(2, 12), (13, 90)], []),  # longer than a page, well begun
        ([(0, 40), (41, 60)], []),  # on what the first leaves of the second page
    ],
)
def test_no_block_is_cut_that_fits_on_a_page(blocks: list[tuple[int, int]], expected: list[int]) -> None:
    assert NARROW.breaks_before(blocks, (0, 1)) == expected


def test_a_chart_stays_with_its_table() -> None:
    blocks = [(2, 14), (15, 25), (26, 49)]
    assert NARROW.breaks_before(blocks, (0, 1)) == [26]
    assert NARROW.breaks_before(blocks, (0, 1), charts=[(26, 49)]) == [26], "both are longer than a page"
    blocks = [(2, 28), (29, 34), (35, 58)]
    assert NARROW.breaks_before(blocks, (0, 1), charts=[(35, 58)]) == [29]


def test_rows_of_their_own_height_count() -> None:
    tall = Paging(100.0, 4, dict.fromkeys(range(2, 12), 45.0))
    assert tall.breaks_before([(2, 12), (13, 20)], (0, 1)) == [13]
    assert NARROW.breaks_before([(2, 12), (13, 20)], (0, 1)) == []
