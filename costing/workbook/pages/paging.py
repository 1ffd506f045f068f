"""How a result sheet prints: one page wide, headers repeated, no header left alone, no chart cut in two.

Conventions: A4 lying; heights in points, widths in characters of the default font (7 pixels, with 5 around
them, at 96 to the inch). A block is a table with what stands above it, or a row of charts. A break is
put before a block that would be cut, unless it is longer than a page; then only where little of it would stand
at the foot. Row breaks are a hint: a program that scales pages by itself may set its own.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

_PAPER_WIDE, _PAPER_HIGH = 11.69, 8.27  # inches
_LEFT_RIGHT, _TOP, _BOTTOM = 0.4, 0.5, 0.6
ROW_POINTS = 15.0
_LEAST_AT_FOOT = 0.25  # of a page
Block = tuple[int, int]
"""First row, and the row below the last."""


def set_page(sheet: Any, repeated: tuple[int, int], breaks: Sequence[int]) -> None:
    """Set paper, margins, scale, footer, the rows repeated on each page (first, last) and the row breaks."""
    sheet.set_landscape()
    sheet.set_paper(9)
    sheet.fit_to_pages(1, 0)
    sheet.set_margins(left=_LEFT_RIGHT, right=_LEFT_RIGHT, top=_TOP, bottom=_BOTTOM)
    sheet.set_footer("&L&A&R&P / &N")
    sheet.repeat_rows(*repeated)
    if breaks:
        sheet.set_h_pagebreaks(list(breaks))


def set_one_page(sheet: Any) -> None:
    """Print all of a sheet on one page, upright."""
    sheet.set_portrait()
    sheet.fit_to_pages(1, 1)


@dataclass(frozen=True)
class Paging:
    """How much of a sheet a page takes. width: of all columns that print; heights: of rows that have their own."""

    width: float
    columns: int
    heights: Mapping[int, float]

    @property
    def page(self) -> float:
        """Points of the sheet on one page."""
        inches = (self.width * 7 + self.columns * 5) / 96
        scale = min(1.0, (_PAPER_WIDE - 2 * _LEFT_RIGHT) / inches) if inches else 1.0
        return (_PAPER_HIGH - _TOP - _BOTTOM) * 72 / scale

    def high(self, first: int, below: int) -> float:
        """Points of some rows."""
        return sum(self.heights.get(row, ROW_POINTS) for row in range(first, below))

    def _together(self, blocks: Sequence[Block], charts: Collection[Block], later: float) -> list[Block]:
        """Blocks, each row of charts with what stands above it where both fit on one page."""
        found: list[Block] = []
        for block in blocks:
            if block in charts and found and self.high(found[-1][0], block[1]) <= later:
                found[-1] = found[-1][0], block[1]
            else:
                found.append(block)
        return found

    def breaks_before(
        self, blocks: Sequence[Block], repeated: tuple[int, int], charts: Collection[Block] = ()
    ) -> list[int]:
        """Rows before which a new page begins. blocks: from the top, in order; charts: those that are rows of charts
        below their table; repeated: rows printed again on each page, which leave less of it.
        """
        later = self.page - self.high(repeated[0], repeated[1] + 1)
        found, room, at = [], self.page, 0
        for first, below in self._together(blocks, charts, later):
            room -= self.high(at, first)
            needed, at = self.high(first, below), below
            if first and needed > room and (needed <= later or room < _LEAST_AT_FOOT * self.page):
                found.append(first)
                room = later
            room -= needed
            if room < 0:
                room %= later
        return found
