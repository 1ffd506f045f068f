"""Where a result sheet breaks into pages."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from costing.workbook.pages.paging import LEAST_TYPE, TYPE, Paging

NARROW = Paging(100.0, 4, {})
WIDER = 1.06  # how much wider than the rule LibreOffice shows a column, measured: what just fits by the rule does not


def test_a_page_holds_what_a4_lying_holds() -> None:
    # 8.27 inches less margins of 0.5 and 0.6 are 516.24 points: 34 rows of 15.
    assert NARROW.page == pytest.approx((8.27 - 1.1) * 72)
    # Half as wide again as the paper (10.89 inches, 96 to the inch, 7 a character): half as many rows again.
    wide = Paging(1.5 * 10.89 * 96 / 7 / WIDER, 0, {})
    assert wide.page == pytest.approx(1.5 * NARROW.page)


def test_a_sheet_too_wide_for_legible_type_takes_pages_beside_each_other() -> None:
    # Type of 11 points is 7 points at 7/11 of its size: a page then takes 10.89 * 11/7 inches.
    widest = 10.89 * 96 / 7 * TYPE / LEAST_TYPE / WIDER
    assert Paging(widest - 0.1, 0, {}).pages_wide == 1
    assert Paging(widest + 0.1, 0, {}).pages_wide == 2
    assert Paging(2 * widest + 0.1, 0, {}).pages_wide == 3


def test_nothing_stands_across_two_pages_nor_beside_a_repeated_row() -> None:
    page = NARROW.page
    placed = NARROW.clear_of_breaks(4, [262.0] * 5, [], (4, 4))
    tops = [60.0 + below for below in placed]
    assert tops[0] >= 75.0, "below the row that is printed again"
    first, later = 0.92 * page, 0.92 * (page - 15.0)
    starts = [0.0, first, *(first + step * later for step in range(1, 5))]
    for top in tops:
        assert not any(top < edge < top + 262.0 - 1e-9 for edge in starts[1:])
    assert all(after - before >= 262.0 - 1e-9 for before, after in pairwise(tops))


def test_rows_printed_again_that_fill_a_page_leave_room_for_a_tenth_of_it() -> None:
    page, high = NARROW.page, Paging(NARROW.width, 0, {0: 2.0 * NARROW.page})
    assert high.page == page
    placed = high.clear_of_breaks(3, [page / 20] * 3, [], (0, 0))
    assert placed == sorted(placed)
    assert len(placed) == 3


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


def test_a_block_that_just_fills_what_is_left_of_a_page_needs_no_break() -> None:
    spare = (1.0 - 0.92) * NARROW.page
    rest = NARROW.page - 150.0 - spare
    for more, breaks in ((0.0, []), (1.0, [10])):
        page = replace(NARROW, heights={10: rest + more})
        assert page.breaks_before([(0, 10), (10, 11)], (0, 1)) == breaks


def test_a_block_that_just_fills_a_page_stands_on_its_own() -> None:
    later = NARROW.page - 30.0
    for more, breaks in ((0.0, [10]), (1.0, [])):
        page = replace(NARROW, heights={10: later + more})
        assert page.breaks_before([(0, 10), (10, 11)], (0, 1)) == breaks


def test_a_block_longer_than_a_page_begins_where_a_quarter_of_one_is_left() -> None:
    above = NARROW.page - 0.25 * NARROW.page
    for more, breaks in ((0.0, []), (1.0, [1])):
        page = replace(NARROW, heights={0: above + more})
        assert page.breaks_before([(0, 1), (1, 90)], (0, 1)) == breaks


def test_what_just_fills_a_page_is_held_by_it() -> None:
    rest = 0.92 * (NARROW.page - 30.0)
    assert [replace(NARROW, heights={5: rest + more}).holds((5, 6)) for more in (0.0, 1.0)] == [True, False]
    least = (8.27 - 0.5 - 0.6) * 72 * TYPE / LEAST_TYPE
    tallest = [replace(NARROW, heights={0: least + more}).for_blocks([(0, 1)]).tallest for more in (0.0, 1.0)]
    assert tallest == [least, 0.0], "as small as type may be, and no page for what is higher still"


def test_a_chart_that_ends_where_a_repeated_row_begins_stays_above_it() -> None:
    """Rows 0 to 5 stand above the header that is printed again: 90 points."""
    for high, placed in ((60.0, [0.0]), (61.0, [75.0])):
        assert NARROW.clear_of_breaks(2, [high], [], (6, 6)) == placed


def test_rows_of_their_own_height_count() -> None:
    tall = Paging(100.0, 4, dict.fromkeys(range(2, 12), 45.0))
    assert tall.breaks_before([(2, 12), (13, 20)], (0, 1)) == [13]
    assert NARROW.breaks_before([(2, 12), (13, 20)], (0, 1)) == []


def test_where_charts_stand_every_page_begins_where_it_is_said() -> None:
    breaks = NARROW.every_break([20], (4, 4), 100, 0.0)
    assert breaks[0] == 20
    rows = np.diff([*breaks, 100])
    room = 0.92 * (NARROW.page - 15.0)
    assert all(15.0 * count <= room for count in rows)
    assert all(15.0 * (count + 1) > room for count in rows[:-1])


def test_a_chart_below_the_last_row_is_not_cut_by_a_page_that_nobody_set() -> None:
    # LibreOffice begins a page of its own where none is set: every page that a chart reaches is set.
    heights = [200.0] * 6
    until = 2.0 * sum(heights)
    breaks = NARROW.every_break([], (4, 4), 10, until)
    points = NARROW.clear_of_breaks(4, heights, breaks, (4, 4))
    edges = [NARROW.high(0, row) for row in breaks]
    tops = [NARROW.high(0, 4) + point for point in points]
    assert edges[-1] > tops[-1], "a page is set below the last chart"
    assert not [(top, edge) for top in tops for edge in edges if top < edge < top + 200.0]
    assert all(below - above <= NARROW.page - 15.0 for above, below in pairwise(edges))


def test_type_shrinks_to_keep_a_table_on_one_page_but_stays_legible() -> None:
    # 42 rows of 15 points are 630 points, on 516 of paper of which 0.92 are filled.
    shrunk = NARROW.for_blocks([(2, 42)])
    assert shrunk.page == pytest.approx(630 / 0.92)
    assert shrunk.percent == int(100 * NARROW.page / (630 / 0.92))
    assert shrunk.percent / 100 * TYPE >= LEAST_TYPE
    assert NARROW.for_blocks([(2, 10), (11, 51)]).page == pytest.approx((600 + 30) / 0.92), "below two repeated rows"
    assert NARROW.for_blocks([(2, 92)]) == NARROW, "a longer table goes on over pages"
    assert NARROW.percent == 0
