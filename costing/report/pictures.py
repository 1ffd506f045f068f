"""Pictures of the report: the flow of cost from grapes to bottles as SVG text, and stacked bars.

    width of a ribbon = cost that passes

A picture draws a table that exists already. Places stand from left to right as wine moves; what a place adds comes
in from below on its left, what it holds stays as a hatched stub on its right. Ribbons too thin to see are left out
and said in words.

What it does not do: scripts, fonts from elsewhere, arithmetic beyond the layout.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape

import pandas as pd

from costing.answers.palette import COLOURS, INKS
from costing.results.cost_flow import LEFT, SOLD, CostFlow

FAINT = "#6B6B6B"
_COLUMNS = ("grapes", "must", "wine", "reserve", "blend", "on lees", "finished", SOLD)
_WIDTH, _HEIGHT, _TOP, _GAP, _BAR = 1120.0, 560.0, 46.0, 22.0, 13.0
_LEAST = 0.003
_TYPE, _LONGEST_NAME = 13.0, 22
"""Size of the type, which is 9 points on paper; characters of a name beside its bar."""


@dataclass
class _Place:
    """A place of the picture: name, what comes in and goes out, where it stands."""

    kind: str
    cuvee: str
    added: float = 0.0
    stock: float = 0.0
    into: float = 0.0
    out: float = 0.0
    x: float = field(init=False)
    y: float = field(init=False)
    taken_left: float = 0.0
    taken_right: float = 0.0
    colour: str = FAINT
    size: float = field(init=False)

    @property
    def name(self) -> str:
        """What stands above it."""
        return self.cuvee or self.kind


def amount_text(amount: float) -> str:
    """Amount in thousands or millions, for a label."""
    if abs(amount) >= 999_500:
        return f"{amount / 1e6:,.2f} M"
    return f"{amount / 1e3:,.0f} k" if abs(amount) >= 950 else f"{amount:,.0f}"


def figure_text(figure: float) -> str:
    """Figure beside a bar: with cents where it is small."""
    return amount_text(figure) if abs(figure) >= 1000.0 else f"{figure:,.2f}"


def flow_picture(flow: CostFlow, currency: str) -> str:
    """The flow of cost as SVG; an empty text where nothing has flowed."""
    places = _places(flow)
    if not places:
        return ""
    whole = max(
        sum(place.size for place in places.values() if _column(place) == number) for number in range(len(_COLUMNS))
    )
    most = max(sum(1 for place in places.values() if _column(place) == number) for number in range(len(_COLUMNS)))
    scale = (_HEIGHT - _TOP - 30.0 - _GAP * max(most - 1, 0)) / whole
    _stand(places, scale, flow)
    ribbons, left_out = _ribbons(flow, places, scale, whole)
    parts = [*ribbons]
    for place in places.values():
        parts += _drawn(place, scale, whole)
    sold = sum(place.into for place in places.values() if place.kind == SOLD)
    stock = sum(place.stock for place in places.values())
    words = f"Ribbons are as wide as the cost that passes ({currency}). Hatched: in stock at the valuation date."
    if left_out[0]:
        words += f" {left_out[0]} flows too small to see are left out ({amount_text(left_out[1])} together)."
    return (
        f'<div class="picture"><svg viewBox="0 0 {_WIDTH:.0f} {_HEIGHT:.0f}" role="img" '
        f'aria-label="Flow of cost from grapes to bottles: {amount_text(sold)} sold, {amount_text(stock)} in stock">'
        f'<defs><pattern id="held" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        f'<rect width="5" height="5" fill="#fff"/><line y2="5" stroke="{FAINT}" stroke-width="1.6"/>'
        f"</pattern></defs>{''.join(parts)}</svg></div><p class='under'>{escape(words)}</p>"
    )


def _places(flow: CostFlow) -> dict[tuple[str, str], _Place]:
    places: dict[tuple[str, str], _Place] = {}

    def at(kind: str, cuvee: str) -> _Place:
        return places.setdefault((kind, cuvee), _Place(kind, cuvee))

    for kind, cuvee, added, stock in flow.places.itertuples(index=False):
        place = at(str(kind), str(cuvee))
        place.added, place.stock = max(float(added), 0.0), max(float(stock), 0.0)
    for from_kind, from_cuvee, to_kind, to_cuvee, amount in flow.passed.itertuples(index=False):
        at(str(from_kind), str(from_cuvee)).out += max(float(amount), 0.0)
        at(str(to_kind), str(to_cuvee)).into += max(float(amount), 0.0)
    for place in places.values():
        place.size = max(place.into + place.added, place.out + place.stock)
    return {key: place for key, place in places.items() if place.size > 0}


def _column(place: _Place) -> int:
    return _COLUMNS.index(SOLD if place.kind == LEFT else place.kind)


def _stand(places: dict[tuple[str, str], _Place], scale: float, flow: CostFlow) -> None:
    """Give every place its corner and colour; bottles of one cuvée stand in one row and colour."""
    used = sorted({_column(place) for place in places.values()})
    step = (_WIDTH - 282.0) / max(len(used) - 1, 1)
    order = sorted({place.cuvee for place in places.values() if place.cuvee}, key=lambda cuvee: -_weight(places, cuvee))
    beside = flow.passed[(flow.passed["from_kind"] == "wine") & (flow.passed["to_kind"] == "blend")]["amount"].sum()
    for number, column in enumerate(used):
        in_column = [place for place in places.values() if _column(place) == column]
        in_column.sort(key=lambda place: (order.index(place.cuvee) if place.cuvee else -1, place.kind == LEFT))
        y = _TOP + (float(beside) * scale + 2.0 * _GAP if _COLUMNS[column] == "reserve" else 0.0)
        for place in in_column:
            place.x, place.y = 96.0 + number * step, y
            place.colour = COLOURS[order.index(place.cuvee) % len(COLOURS)] if place.cuvee else FAINT
            y += place.size * scale + _GAP


def _weight(places: dict[tuple[str, str], _Place], cuvee: str) -> float:
    return sum(place.size for place in places.values() if place.cuvee == cuvee)


def _ribbons(
    flow: CostFlow, places: dict[tuple[str, str], _Place], scale: float, whole: float
) -> tuple[list[str], tuple[int, float]]:
    """Ribbons, largest target first within a place, and how many were left out."""
    drawn, count, together = [], 0, 0.0
    lines = []
    for from_kind, from_cuvee, to_kind, to_cuvee, amount in flow.passed.itertuples(index=False):
        source, target = places.get((from_kind, from_cuvee)), places.get((to_kind, to_cuvee))
        if source is None or target is None or amount <= 0:
            continue
        if amount < _LEAST * whole or _column(target) <= _column(source):
            count, together = count + 1, together + float(amount)
            continue
        lines.append((source, target, float(amount)))
    for source, target, amount in sorted(lines, key=lambda line: (line[0].x, line[1].y)):
        wide = amount * scale
        x0, x1 = source.x + _BAR, target.x
        y0, y1 = source.y + source.taken_right, target.y + target.taken_left
        source.taken_right += wide
        target.taken_left += wide
        half = (x0 + x1) / 2.0
        colour = target.colour if target.cuvee else (source.colour if source.cuvee else "#A79A86")
        title = f"{source.kind} {source.cuvee} to {target.kind} {target.cuvee}: {amount:,.0f}"
        drawn.append(
            f'<path d="M{x0:.1f},{y0:.1f}C{half:.1f},{y0:.1f} {half:.1f},{y1:.1f} {x1:.1f},{y1:.1f}'
            f"L{x1:.1f},{y1 + wide:.1f}C{half:.1f},{y1 + wide:.1f} {half:.1f},{y0 + wide:.1f} "
            f'{x0:.1f},{y0 + wide:.1f}Z" fill="{colour}" fill-opacity="0.38"><title>{escape(title)}</title></path>'
        )
    return drawn, (count, together)


def _drawn(place: _Place, scale: float, whole: float) -> list[str]:
    """Bar of a place, its stubs and its words."""
    high = max(place.size * scale, 1.0)
    parts = [f'<rect x="{place.x:.1f}" y="{place.y:.1f}" width="{_BAR}" height="{high:.1f}" fill="{place.colour}"/>']
    wide = place.added * scale
    if place.added >= _LEAST * whole:
        y = place.y + place.taken_left
        parts.append(
            f'<path d="M{place.x - 24:.1f},{y + wide / 2 + 6:.1f}L{place.x:.1f},{y:.1f}L{place.x:.1f},{y + wide:.1f}Z" '
            f'fill="#C9B37E" fill-opacity="0.75"><title>added here: {place.added:,.0f}</title></path>'
        )
        if wide > (40.0 if place.kind == "finished" else 7.0):  # beside what lies on the lees
            parts.append(_text(place.x - 26, y + wide / 2 + 11, f"+{amount_text(place.added)}", "end", faint=True))
    if place.stock >= _LEAST * whole:
        y, wide = place.y + place.taken_right, place.stock * scale
        parts.append(
            f'<rect x="{place.x + _BAR:.1f}" y="{y:.1f}" width="16" height="{wide:.1f}" fill="url(#held)" '
            f'stroke="{FAINT}" stroke-width="0.6"><title>in stock: {place.stock:,.0f}</title></rect>'
        )
        if wide > 7.0:
            parts.append(
                _text(
                    place.x + _BAR + 20,
                    y + max(wide / 2 + 4.0, wide - 4.0),
                    amount_text(place.stock),
                    "start",
                    faint=True,
                )
            )
    if place.kind in (SOLD, LEFT):
        parts.append(_text(place.x + _BAR + 5, place.y + high / 2 + 4, place.kind, "start"))
        parts.append(_text(place.x + _BAR + 5, place.y + high / 2 + 17, amount_text(place.into), "start", faint=True))
        return parts
    heading = f"{_short(place.name)} {amount_text(place.size)}"
    parts.append(_text(place.x - 2, place.y - 5, heading, "start"))
    if place.y == _TOP and place.cuvee:
        parts.append(_text(place.x - 2, _TOP - 26, place.kind, "start", faint=True))
    return parts


def _text(x: float, y: float, words: str, anchor: str, *, faint: bool = False) -> str:
    """Words in the ink of the page, on a halo that keeps them apart from what they stand on."""
    attributes = f'x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-size="{_TYPE:g}"'
    kind = ' class="faint"' if faint else ""
    return f"<text {attributes}{kind}>{escape(words)}</text>"


def _short(name: str) -> str:
    """A name that finds room beside its bar."""
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"


def stacked_bars(
    table: pd.DataFrame, category: str, series: Sequence[str], unit: str, message: str = "", *, percent: bool
) -> str:
    """Lying stacked bars as boxes of the page, so that they and their type fit a phone: first row on top, a legend
    above, their sum behind each. series: columns that are stacked; message: what
    it shows, for those who do not see it; percent: they are parts of a whole.
    """
    text_of: Callable[[float], str] = "{:.0%}".format if percent else figure_text
    amounts = table[list(series)].clip(lower=0.0).fillna(0.0)
    largest = float(amounts.sum(axis=1).max()) if len(table) else 0.0
    if largest <= 0:
        return ""
    colours = [COLOURS[number % len(COLOURS)] for number in range(len(series))]
    legend = "".join(
        f'<span><i style="background:{colour}"></i>{escape(name)}</span>'
        for colour, name in zip(colours, series, strict=True)
    )
    lines = []
    for name, row in zip(table[category], amounts.to_numpy(), strict=True):
        boxes = "".join(
            f'<i style="width:{amount / largest:.2%};background:{colour};color:{INKS[colour]}" '
            f'title="{escape(of)}: {text_of(amount)}"><b>{text_of(amount)}</b></i>'
            for colour, of, amount in zip(colours, series, row.tolist(), strict=True)
            if amount > 0
        )
        lines.append(
            f"<div><span>{escape(str(name))}</span><div>{boxes}<em>{text_of(float(row.sum()))}</em></div></div>"
        )
    words = f'<figcaption>{escape(unit)}</figcaption><div class="legend">{legend}</div>'
    return f'<figure class="bars">{words}<div role="img" aria-label="{escape(message)}">{"".join(lines)}</div></figure>'
