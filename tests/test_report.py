"""The report: well-formed, self-contained, with the figures of the run and a picture that adds up."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import html5lib
import numpy as np
import pandas as pd
import pytest

from costing import ECONOMIC, read_estate, run
from costing.answers import catalogue
from costing.answers.kinds import COLUMN_KINDS
from costing.decisions.changes.uncertainty_tables import forecast_answer
from costing.errors import Finding, caution
from costing.model import Runs
from costing.report import page_of
from costing.report.pictures import amount_text, figure_text, flow_picture, stacked_bars
from costing.results.cost_flow import LEFT, SOLD, CostFlow, cost_flow, flow_lines
from costing.results.costs import by_cuvee
from costing.results.stock import stock_values
from tests.form import every
from tests.golden import as_kept
from tests.properties.estates import estate_drawn

PLACES = ["kind", "cuvee", "added", "stock"]
PASSED = ["from_kind", "from_cuvee", "to_kind", "to_cuvee", "amount"]
VOID = {"meta", "br", "hr", "img"}


class _Tags(HTMLParser):
    """Every tag closed in its order; everything that would be fetched."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.seen: set[str] = set()
        self.fetched: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.seen.add(tag)
        self.fetched += [value for name, value in attrs if name in ("src", "href", "xlink:href")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.add(tag)

    def handle_endtag(self, tag):
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)


@pytest.fixture(scope="module")
def both(demo_runs):
    return demo_runs.book, demo_runs.economic


@pytest.fixture(scope="module")
def page(demo_runs):
    found = [caution("Costs!F3", "9 <b>", "is odd & new.", "Look."), Finding("Tirage!A2", "x", "is wrong.", "Mend it.")]
    drawn = forecast_answer(demo_runs, 200)
    return page_of(demo_runs, found, "version 0", drawn)


def test_the_page_is_well_formed_and_fetches_nothing(page) -> None:
    tags = _Tags()
    tags.feed(page)
    assert not tags.wrong
    assert not tags.open
    assert not tags.fetched
    assert "script" not in tags.seen
    assert not re.search(r"https?://|@import|url\((?!#)", page)


def test_every_picture_is_xml(page) -> None:
    pictures = re.findall(r"<svg.*?</svg>", page, re.DOTALL)
    assert pictures
    assert page.count('<figure class="bars">') >= 5
    for picture in pictures:
        ElementTree.fromstring(picture)


def test_the_page_shows_the_figures_of_the_run(page, both) -> None:
    for results in both:
        for one in by_cuvee(results)["per_bottle"]:
            assert COLUMN_KINDS["money per unit"].written(one) in page
    for heading in [section.heading for section in catalogue.sections()]:
        assert heading in page
    assert "not accounting, tax or legal advice" in page
    assert "bottles burst" in page


def test_findings_are_shown_as_text(page) -> None:
    assert "9 &lt;b&gt;" in page
    assert "is odd &amp; new." in page
    assert "1 errors, 1 cautions." in page


def _balance(flow: CostFlow) -> pd.Series:
    places = flow.places.set_index(["kind", "cuvee"])
    into = flow.passed.groupby(["to_kind", "to_cuvee"])["amount"].sum().rename_axis(["kind", "cuvee"])
    out = flow.passed.groupby(["from_kind", "from_cuvee"])["amount"].sum().rename_axis(["kind", "cuvee"])
    whole = places["added"].add(into, fill_value=0.0).sub(places["stock"].add(out, fill_value=0.0), fill_value=0.0)
    return whole.drop([(SOLD, ""), (LEFT, "")], errors="ignore")


def test_the_flow_of_cost_adds_up_place_by_place(both) -> None:
    for results in both:
        flow = cost_flow(results)
        assert np.allclose(_balance(flow), 0.0, atol=1e-4)
        later = 2e-3  # premiums fixed after the valuation date are in the flow, not yet in the stock
        assert flow.places["stock"].sum() == pytest.approx(stock_values(results)["value"].sum(), rel=later)


@pytest.mark.parametrize("seed", every(3, range(8)))
def test_the_flow_of_random_estates_adds_up(seed) -> None:
    results = run(estate_drawn(seed, 50), ECONOMIC)
    flow = cost_flow(results)
    assert np.allclose(_balance(flow), 0.0, atol=1e-6 * max(1.0, results.total.sum()))
    picture = flow_picture(flow, "EUR")
    if picture:
        ElementTree.fromstring(picture.split("<p class")[0])


@pytest.mark.parametrize(
    ("amount", "text"),
    [(999.99, "999.99"), (1_000.0, "1 k"), (999_499.0, "999 k"), (999_500.0, "1.00 M"), (-1_000.0, "-1 k")],
)
def test_a_figure_beside_a_bar_is_short(amount: float, text: str) -> None:
    assert figure_text(amount) == text


@pytest.mark.parametrize(("amount", "text"), [(949.0, "949"), (950.0, "1 k"), (-949.0, "-949")])
def test_an_amount_in_the_picture_is_in_thousands(amount: float, text: str) -> None:
    assert amount_text(amount) == text


def test_a_place_through_which_nothing_went_is_not_drawn() -> None:
    places = pd.DataFrame([("grapes", "", 100.0, 0.0), ("must", "", 0.0, 100.0)], columns=PLACES)
    passed = pd.DataFrame([("grapes", "", "must", "", 100.0), ("must", "", "wine", "", 0.0)], columns=PASSED)
    drawn = flow_picture(CostFlow(places, passed), "EUR")
    assert (">must 100<" in drawn, ">wine" in drawn) == (True, False)


def test_ribbons_are_as_wide_as_their_cost() -> None:
    flow = CostFlow(
        pd.DataFrame([("grapes", "", 100.0, 0.0), ("must", "", 0.0, 25.0)], columns=PLACES),
        pd.DataFrame(
            [("grapes", "", "must", "", 100.0), ("must", "", "wine", "", 75.0)],
            columns=PASSED,
        ),
    )
    drawn = re.findall(
        r'<path d="M([\d.]+),([\d.]+)C[^L]*L([\d.]+),([\d.]+)C[^Z]*?([\d.]+),([\d.]+)Z"', flow_picture(flow, "EUR")
    )
    widths = [float(one[5]) - float(one[1]) for one in drawn]
    assert widths[1] / widths[0] == pytest.approx(0.75, abs=0.01)


def _picture(added: float, stock: float, whole: float = 484.0, kind: str = "must", cuvee: str = "") -> str:
    """Cost from grapes by way of a place, which adds and holds some of it, to what is sold; of 484, on a scale of 1."""
    places = pd.DataFrame([("grapes", "", whole - added, 0.0), (kind, cuvee, added, stock)], columns=PLACES)
    ways = [("grapes", "", kind, cuvee, whole - added), (kind, cuvee, SOLD, "", whole - stock)]
    return flow_picture(CostFlow(places, pd.DataFrame(ways, columns=PASSED)), "EUR")


def test_the_flow_of_less_than_one_of_a_currency_is_drawn() -> None:
    assert all(word in _picture(0.0, 0.0, whole=0.5) for word in (">grapes 0<", ">must 0<", f">{SOLD}<"))


def test_what_is_just_wide_enough_to_be_seen_is_drawn_whichever_way_it_goes() -> None:
    least = 0.003 * 484.0
    drawn = {amount: _picture(amount, amount) for amount in (least, 0.99 * least)}
    assert ["added here: 1<" in one for one in drawn.values()] == [True, False]
    assert ["in stock: 1<" in one for one in drawn.values()] == [True, False]
    places = pd.DataFrame([("grapes", "", 484.0, 0.0), ("must", "", 0.0, 400.0)], columns=PLACES)
    for amount, left_out in ((least, False), (0.99 * least, True)):
        passed = pd.DataFrame([("grapes", "", "must", "", 484.0), ("must", "", SOLD, "", amount)], columns=PASSED)
        assert ("left out" in flow_picture(CostFlow(places, passed), "EUR")) == left_out


def test_what_is_as_high_as_its_words_at_most_goes_without_them() -> None:
    """Seven of a scale of 1, forty beside what lies on the lees."""
    for high, said in ((7.0, False), (8.0, True)):
        picture = _picture(high, high)
        assert (f">+{high:.0f}<" in picture, f">{high:.0f}<" in picture) == (said, said)
    for high, said in ((40.0, False), (41.0, True)):
        assert (f">+{high:.0f}<" in _picture(high, 0.0, kind="finished", cuvee="Brut")) == said


def test_a_name_that_just_finds_room_is_written_out() -> None:
    for name, heading in (("A" * 22, f">{'A' * 22} 484<"), ("A" * 23, f">{'A' * 21}… 484<")):
        assert heading in _picture(0.0, 0.0, kind="finished", cuvee=name)


def test_the_picture_is_drawn_as_it_was_kept() -> None:
    """Look at it in a browser before keeping it anew: `python -m tests.golden.as_kept`."""
    assert as_kept.picture().splitlines() == as_kept.PICTURE.read_text("utf-8").splitlines()


def test_bars_are_as_long_as_their_figures() -> None:
    table = pd.DataFrame({"name": ["a", "b"], "one": [1.0, 2.0], "two": [3.0, 2.0]})
    drawn = stacked_bars(table, "name", ("one", "two"), "EUR", percent=False)
    widths = [float(one) for one in re.findall(r"width:([\d.]+)%", drawn)]
    assert sum(widths[:2]) <= 100.0
    assert widths[1] / widths[0] == pytest.approx(3.0, rel=1e-3)
    assert sum(widths[:2]) == pytest.approx(sum(widths[2:]), rel=1e-3)
    assert stacked_bars(table[:0], "name", ("one",), "EUR", percent=False) == ""


def test_an_estate_in_its_first_hour_has_a_page() -> None:
    settings = pd.DataFrame({"Setting": ["Valuation date"], "Value": ["2024-12-31"]})
    rates = pd.DataFrame({"From": ["2020-01-01"], "Hurdle rate (%)": [8]})
    estate = read_estate({"settings": settings, "interest_rates": rates})
    page = page_of(Runs(estate))
    assert "Cautions" in page
    assert "From grapes to bottles" not in page


def test_margins_shown_tie_to_the_price_and_costs_beside_them(page) -> None:
    """The selling cost was left out, so that no reader could follow the margin."""
    text = page[page.index("Cuvées side by side") :]
    header = re.findall(r"<th scope=.col.[^>]*>([^<]*)</th>", text[: text.index("</thead>")])
    rows = re.findall(r"<tr>(<th scope=.row.*?)</tr>", text[text.index("<tbody>") : text.index("</table>")])
    assert rows
    for row in rows:
        cell = dict(zip(header, re.findall(r"<t[dh][^>]*>([^<]*)</t[dh]>", row), strict=True))
        names = ("Net receipt", "Selling cost", "Book per bottle", "Margin per bottle")
        price, selling, cost, margin = (float(cell[name].replace(",", "")) for name in names)
        assert price - selling - cost == pytest.approx(margin, abs=0.021)


def test_coverage_stands_beside_the_costs_of_the_page(page) -> None:
    assert ">Coverage</th>" in page
    assert "<td>complete</td>" in page


def test_a_validator_finds_nothing_and_every_column_has_its_scope(page) -> None:
    """html5lib, no part of the project, follows the parsing rules of the WHATWG HTML standard, section 13.2."""
    parser = html5lib.HTMLParser(tree=html5lib.getTreeBuilder("etree"), namespaceHTMLElements=False)
    parsed = parser.parse(page)
    assert parser.errors == []
    headers = parsed.findall(".//th")
    assert headers
    assert {header.get("scope") for header in headers} == {"col", "row"}
    assert all(table.find("caption") is not None for table in parsed.findall(".//table"))
    pictures = [one for one in parsed.iter() if one.get("role") == "img"]
    assert len(pictures) >= 6
    assert all(re.search(r"\d", one.get("aria-label", "").split(". Largest")[-1]) for one in pictures)


def test_the_figures_behind_the_flow_stand_with_it(page, demo_runs) -> None:
    lines = flow_lines(cost_flow(demo_runs.economic))
    shown = page[page.index("The figures of this picture") :]
    assert shown.count("<tr>", 0, shown.index("</table>")) == len(lines) + 1
    bottles = lines[lines["to_place"].str.startswith("on lees") & (lines["from_place"] == "blend")]
    assert bottles["passed"].sum() > 0


def test_parts_of_a_whole_are_said_as_such() -> None:
    parts = pd.DataFrame({"name": ["a"], "one": [0.25], "two": [0.75]})
    drawn = stacked_bars(parts, "name", ("one", "two"), "Share", percent=True)
    assert re.findall(r">(\d+%)</", drawn) == ["25%", "75%", "100%"]


def test_no_label_of_the_flow_stands_on_another(demo_runs) -> None:
    """Boxes of the labels as wide as their characters in the picture's own measure."""
    picture = flow_picture(cost_flow(demo_runs.economic), "EUR")
    boxes = []
    for x, y, anchor, words in re.findall(
        r'<text x="([\d.]+)" y="([\d.]+)" text-anchor="(\w+)"[^>]*>([^<]*)<', picture
    ):
        wide = 6.2 * len(words)
        left = float(x) - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor]
        boxes.append((left, left + wide, float(y) - 10.0, float(y), words))
    assert len(boxes) > 20
    for at, one in enumerate(boxes):
        for other in boxes[at + 1 :]:
            apart = one[1] <= other[0] or other[1] <= one[0] or one[3] <= other[2] or other[3] <= one[2]
            assert apart, f"{one[4]} on {other[4]}"
