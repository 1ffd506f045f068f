"""An answer as text for a terminal: its tables within the screen, its sentences wrapped below.

Rule: keys stand once a group; figures stand on the right; a table that is too wide for the screen loses its last
columns first, which one line names. Long texts are wrapped within their column, the longest has most room.

What it does not do: it knows no command.
"""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Sequence

import pandas as pd

from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.answers.kinds import COLUMN_KINDS, written

DEFAULT_WIDTH, NARROWEST_TEXT, WIDEST_TEXT, HEADER_LINES = 100, 16, 44, 3
SHORT_TEXT = 20
"""Characters up to which a text stays on one line."""
_GAP = "  "


def screen_width() -> int:
    """Characters across: those of the terminal, at most `DEFAULT_WIDTH`."""
    return min(shutil.get_terminal_size((DEFAULT_WIDTH, 24)).columns, DEFAULT_WIDTH)


def text_answer(answer: Answer, shown: Sequence[str] = (), *, wide: bool = False, width: int | None = None) -> str:
    """Tables of an answer (`shown`: which; none named: the first) and its sentences."""
    across = width or screen_width()
    names = [name for name in shown or list(answer.tables)[:1] if name in answer.tables]
    parts = [
        f"{textwrap.fill(answer.title(name), across)}\n{text_table(name, answer.tables[name], wide=wide, width=across)}"
        for name in names
        if len(answer.tables[name])
    ]
    parts = parts or [textwrap.fill(answer.empty, across)]
    if answer.says:
        parts.append("\n".join(textwrap.fill(sentence, across) for sentence in answer.says))
    return "\n\n".join(parts)


def text_table(name: str, frame: pd.DataFrame, *, wide: bool = False, width: int = DEFAULT_WIDTH) -> str:
    """One table. name: in `tables.csv`; wide: every column, however wide."""
    table = catalogue.table(name)
    columns = catalogue.in_order(table.columns if wide else table.columns[: table.on_screen], list(frame.columns))
    cells = {column: _cells(column, frame[column]) for column in columns}
    for key in table.keys[:-1]:
        if key in cells:
            cells[key] = _once_a_group(cells[key])
    longest = {column: max(map(len, cells[column]), default=0) for column in cells}
    left_out: list[str] = []
    limit = 10**9 if wide else width
    while True:
        widths = {column: _width(column, cells[column]) for column in cells}
        spare = limit - sum(widths.values()) - len(_GAP) * (len(widths) - 1)
        texts = [column for column in reversed(cells) if longest[column] > SHORT_TEXT and not _is_figure(column)]
        while spare < 0 and (long := [column for column in texts if widths[column] > NARROWEST_TEXT]):
            widths[min(long, key=lambda column: longest[column] / widths[column])] -= 1  # where it costs fewest lines
            spare += 1
        if spare >= 0 or len(cells) <= 2:
            break
        left_out.insert(0, catalogue.column(last := next(reversed(cells))).header)
        del cells[last]
    lines = _row([catalogue.column(column).header for column in cells], widths)
    for step in range(len(frame)):
        lines += _row([cells[column][step] for column in cells], widths)
    if left_out:
        lines += textwrap.wrap(f"Not shown for want of width: {', '.join(left_out)} (--wide shows all).", width)
    return "\n".join(lines)


def _cells(column: str, values: pd.Series) -> list[str]:
    of = catalogue.column(column)
    return [written(value, of.kind, of.decimals) for value in values]


def _once_a_group(cells: list[str]) -> list[str]:
    return ["" if step and cell == cells[step - 1] else cell for step, cell in enumerate(cells)]


def _is_figure(column: str) -> bool:
    return COLUMN_KINDS[catalogue.column(column).kind].is_figure


def _width(column: str, cells: list[str]) -> int:
    """Width of a column: a header takes `HEADER_LINES` lines at the most, a long text is broken at `WIDEST_TEXT`."""
    longest = max(map(len, cells), default=0)
    header = catalogue.column(column).header
    least = max(map(len, header.split()), default=0)
    while len(textwrap.wrap(header, least)) > HEADER_LINES:
        least += 1
    return max(min(longest, WIDEST_TEXT) if not _is_figure(column) else longest, least)


def _row(cells: list[str], widths: dict[str, int]) -> list[str]:
    """One row, in as many lines as its longest cell takes."""
    blocks = [textwrap.wrap(cell, width) or [""] for cell, width in zip(cells, widths.values(), strict=True)]
    lines = []
    for step in range(max(map(len, blocks))):
        parts = []
        for block, (column, width) in zip(blocks, widths.items(), strict=True):
            text = block[step] if step < len(block) else ""
            parts.append(text.rjust(width) if _is_figure(column) else text.ljust(width))
        lines.append(_GAP.join(parts).rstrip())
    return lines
