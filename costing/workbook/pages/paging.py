"""How a result sheet prints: legible, headers repeated, no header left alone, no chart cut in two.

Conventions: A4 lying; heights in points, widths in characters of the default font (7 pixels, with 5 around
them, at 96 to the inch). A block is a table with what stands above it. A break is put before a block that would be
cut, unless it is longer than a page; then only where little of it would stand at the foot. A sheet is printed as wide
as one page while its type stays at `LEAST_TYPE` points, else as wide as two. Its charts print beside its tables where
both are as wide as one page; elsewhere the report shows them. Row breaks are a hint: a program that scales pages by
itself may set its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import ceil
from typing import Any

_PAPER_WIDE, _PAPER_HIGH = 11.69, 8.27  # inches
_LEFT_RIGHT, _TOP, _BOTTOM = 0.4, 0.5, 0.6
_POINTS_HIGH = (_PAPER_HIGH - _TOP - _BOTTOM) * 72
ROW_POINTS = 15.0
TYPE, LEAST_TYPE = 11.0, 7.0
"""Points of the type of a cell, and the least that is printed."""
_LEAST_AT_FOOT = 0.25  # of a page
_FILLED = 0.92  # of a page, where its breaks are set: programs differ in the height of a row
_WIDER = 1.06  # how much wider than the rule some programs show a column
_SCREEN, _LEAST_ZOOM = 1440, 75  # pixels of a screen of 1600 beside bars and row numbers; percent
Block = tuple[int, int]
"""First row, and the row below the last."""


def set_page(
    sheet: Any,
    repeated: tuple[int, int],
    breaks: Sequence[int],
    paging: Paging,
    area: tuple[int, int] | None,
    below: int,
) -> None:
    """Set paper, margins, scale, footer, the rows repeated on each page (first, last), the row breaks, and what prints.

    area: last row and column that print; None: all; below: the row below the last. Where a sheet takes pages beside
    each other, the columns that name its rows are repeated.
    """
    sheet.set_landscape()
    sheet.set_paper(9)
    if paging.percent:
        sheet.set_print_scale(paging.percent)
    else:
        sheet.fit_to_pages(paging.pages_wide, 0)
    sheet.set_margins(left=_LEFT_RIGHT, right=_LEFT_RIGHT, top=_TOP, bottom=_BOTTOM)
    cut = area is not None and area[0] < below - 1
    sheet.set_footer(f"&L&A{'&CFirst page alone: clear the print area to print all' if cut else ''}&R&P / &N")
    sheet.repeat_rows(*repeated)
    if area:
        sheet.print_area(0, 0, *area)
    if paging.pages_wide > 1:
        sheet.repeat_columns(0, paging.keys - 1)
    if breaks:
        sheet.set_h_pagebreaks(list(breaks))


def set_one_page(sheet: Any, below: int, columns: int) -> None:
    """Print the rows above `below` on one page, upright: what stands there are links, which paper does not follow."""
    sheet.set_portrait()
    sheet.fit_to_pages(1, 1)
    sheet.print_area(0, 0, below - 1, columns - 1)


@dataclass(frozen=True)
class Paging:
    """How much of a sheet a page takes. width: of all columns that print; heights: of rows that have their own;
    tallest: points that a page is to hold, if need be in smaller type; keys: columns that name a row.
    """

    width: float
    columns: int
    heights: Mapping[int, float]
    tallest: float = 0.0
    keys: int = 1

    @property
    def _inches(self) -> float:
        return _WIDER * (self.width * 7 + self.columns * 5) / 96

    @property
    def pages_wide(self) -> int:
        """Pages beside each other that the sheet takes with legible type."""
        return max(1, ceil(self._inches * LEAST_TYPE / TYPE / (_PAPER_WIDE - 2 * _LEFT_RIGHT)))

    @property
    def on_screen(self) -> bool:
        """Whether all columns find room on a screen in type that can still be read."""
        return self._inches * 96.0 * _LEAST_ZOOM / 100 <= _SCREEN

    @property
    def zoom(self) -> int:
        """Percent at which all columns find room on a screen, in type that can still be read."""
        return max(_LEAST_ZOOM, min(100, int(100.0 * _SCREEN / (self._inches * 96.0))))

    @property
    def _as_wide(self) -> float:
        """Points of the sheet on a page that is as wide as the sheet."""
        wide = self._inches / self.pages_wide
        scale = min(1.0, (_PAPER_WIDE - 2 * _LEFT_RIGHT) / wide) if wide else 1.0
        return _POINTS_HIGH / scale

    @property
    def page(self) -> float:
        """Points of the sheet on one page."""
        return max(self._as_wide, min(self.tallest, _POINTS_HIGH * TYPE / LEAST_TYPE))

    @property
    def percent(self) -> int:
        """Scale of the print, in percent, where it is smaller than its width asks for; else 0."""
        return int(100.0 * _POINTS_HIGH / self.page) if self.page > self._as_wide else 0

    def for_blocks(self, blocks: Sequence[Block]) -> Paging:
        """The same with pages that hold each of these blocks, the first with all above it and the others below two
        repeated rows, where their type stays legible.
        """
        most = _POINTS_HIGH * TYPE / LEAST_TYPE
        needed = [
            self.high(0, 2) * (number > 0) + self.high(first * (number > 0), below)
            for number, (first, below) in enumerate(blocks)
        ]
        tallest = max((min(height / _FILLED, most) for height in needed if height <= most), default=0.0)
        return replace(self, tallest=tallest)

    def high(self, first: int, below: int) -> float:
        """Points of some rows."""
        return sum(self.heights.get(row, ROW_POINTS) for row in range(first, below))

    def holds(self, block: Block) -> bool:
        """Whether a page holds a block for sure, below two repeated rows."""
        return self.high(*block) <= _FILLED * self._later((0, 1))

    def breaks_before(self, blocks: Sequence[Block], repeated: tuple[int, int]) -> list[int]:
        """Rows before which a new page begins. blocks: from the top, in order; repeated: rows printed again on each
        page, which leave less of it.
        """
        later, spare = self._later(repeated), (1.0 - _FILLED) * self.page
        breaks, room, reached = [], self.page, 0
        for first, below in blocks:
            room -= self.high(reached, first)
            needed, reached = self.high(first, below), below
            if (
                reached != blocks[0][1]
                and needed > room - spare
                and (needed <= later or room < _LEAST_AT_FOOT * self.page)
            ):
                breaks.append(first)
                room = later
            room -= needed
            if room < 0:
                room %= later
        return breaks

    def every_break(self, breaks: Sequence[int], repeated: tuple[int, int], below: int, until: float) -> list[int]:
        """These breaks, and one wherever a page is filled before row `below`, or before so many points from the top:
        charts may reach further down than the rows.
        """
        rows_of_breaks: list[int] = []
        used, room, reached, row = 0.0, _FILLED * self.page, 0.0, 0
        while row < below or reached < until:
            high = self.high(row, row + 1)
            used, reached = used + high, reached + high
            if row in breaks or used > room:
                rows_of_breaks.append(row)
                used, room = high, _FILLED * self._later(repeated)
            row += 1
        return rows_of_breaks

    def filled(self, below: int) -> int:
        """How many rows, of those before `below`, the first page holds."""
        used = 0.0
        for row in range(below):
            used += self.high(row, row + 1)
            if used > _FILLED * self.page:
                return row
        return below

    def _later(self, repeated: tuple[int, int]) -> float:
        return max(self.page - self.high(repeated[0], repeated[1] + 1), 0.1 * self.page)  # some rows must find room

    def clear_of_breaks(
        self, first: int, heights: Sequence[float], breaks: Sequence[int], repeated: tuple[int, int]
    ) -> list[float]:
        """Points below the top of row `first` at which things of these heights stand one below the other, none of them
        across two pages, nor beside a repeated row, with which it would be printed again.
        """
        edges = self._edges(breaks, repeated, self.high(0, first) + 3.0 * sum(heights))
        again = self.high(0, repeated[0]), self.high(0, repeated[1] + 1)
        reached, begin = self.high(0, first), self.high(0, first)
        placed = []
        for height in heights:
            if reached < again[1] and reached + height > again[0]:
                reached = again[1]
            for top, bottom in pairwise(edges):
                if top <= reached < bottom and reached + height > bottom and height <= self.page:
                    reached = bottom
            placed.append(reached - begin)
            reached += height
        return placed

    def _edges(self, breaks: Sequence[int], repeated: tuple[int, int], until: float) -> list[float]:
        """Points from the top of the sheet at which pages begin."""
        later = _FILLED * self._later(repeated)
        forced = [self.high(0, row) for row in breaks]
        edges = [0.0]
        while edges[-1] < until:
            room = _FILLED * self.page if len(edges) == 1 else later
            edges.append(min([edges[-1] + room, *(edge for edge in forced if edge > edges[-1])]))
        return edges
