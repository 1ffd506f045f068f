"""The report as it is seen: on a phone, a tablet and a screen, by day and by night, and on paper.

Chromium photographs and prints, poppler reads the print: neither is part of the project. Widths in pixels of a phone,
a tablet and a screen, 11 pixels and 8 points as the least that is read: common practice, no source. Contrast of text,
4.5 to 1: WCAG 2.2, success criterion 1.4.3.
"""

from __future__ import annotations

import html
import json
import os
import re
import shutil
import subprocess
from collections import defaultdict
from pathlib import Path

import numpy as np
import pytest
from lxml import etree
from PIL import Image

from costing.decisions.changes.uncertainty_tables import forecast_answer
from costing.errors import caution
from costing.model import Runs
from costing.report import page_of
from tests.form import every

WIDTHS = (390, 768, 1440)
LEAST_PIXELS, LEAST_POINTS, LEAST_CONTRAST, ZOOM = 11.0, 8.0, 4.5, 3
DARK = "--blink-settings=preferredColorScheme=0"
LONG = "rules of place that stand in a long sentence, with their section, their date and a note of what is doubtful"
PROBE = """<script>
const shown = document.documentElement.clientWidth, seen = {width: shown, scroll: document.documentElement.scrollWidth,
  small: [], outside: [], faint: []};
const light = text => { const [r, g, b] = text.match(/[\\d.]+/g).map(x => { x /= 255;
  return x <= 0.04045 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4; }); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
const ground = box => { for (; box; box = box.parentElement) { const colour = getComputedStyle(box).backgroundColor;
  if (!/, 0\\)$/.test(colour)) return colour; } return 'rgb(255, 255, 255)'; };
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const box = walker.currentNode.parentElement, words = walker.currentNode.data.trim();
  if (!words || !box.checkVisibility() || box.closest('script')) continue;
  const style = getComputedStyle(box), where = box.getBoundingClientRect(), drawn = box.closest('svg');
  const scale = drawn ? drawn.getBoundingClientRect().width / drawn.viewBox.baseVal.width : 1;
  if (parseFloat(style.fontSize) * scale < LEAST) seen.small.push(words);
  if ((where.right > shown + 1 || where.left < -1) && !box.closest('.table, .picture')) seen.outside.push(words);
  const inks = [light(drawn ? style.fill : style.color), light(ground(box))].sort();
  if ((Math.max(...inks) + 0.05) / (Math.min(...inks) + 0.05) < CONTRAST) seen.faint.push(words);
}
parent.postMessage(JSON.stringify(seen), '*');
</script>""".replace("LEAST", str(LEAST_PIXELS)).replace("CONTRAST", str(LEAST_CONTRAST))
FRAMES = """<!DOCTYPE html><style>:root{{color-scheme:light dark}}
  body{{margin:0;white-space:nowrap;font-size:0}}</style>
<script>onmessage = told => document.body.append(
  Object.assign(document.createElement('pre'), {{textContent: told.data}}))</script><body>{frames}</body>"""
FRAME = '<iframe src="{page}" width={width} height=900 style="border:0"></iframe>'
"""A window is never narrower than 500 pixels; a frame is. The frames stand beside each other, without a gap."""


def chromium(*arguments: str) -> bytes:
    """What headless Chromium prints; a skip, or a failure where it must be there."""
    program = shutil.which("chromium")
    if program is None:
        (pytest.fail if os.environ.get("COSTING_NEED_OFFICE") else pytest.skip)("Chromium is not installed")
    fixed = ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--force-device-scale-factor=1")
    return subprocess.run([program, *fixed, *arguments], capture_output=True, timeout=120, check=True).stdout


@pytest.fixture(scope="module")
def report(demo_runs: Runs, tmp_path_factory: pytest.TempPathFactory) -> Path:
    doubts = [caution("Disgorgements!A3", "11 months", "is below 12 months.", "Look.", LONG)]
    path = tmp_path_factory.mktemp("report") / "report.html"
    path.write_text(page_of(demo_runs, doubts, "version 0", forecast_answer(demo_runs, 60)), encoding="utf-8")
    return path


@pytest.mark.office
@pytest.mark.parametrize("scheme", every(2, ["light", "dark"], 1))
def test_the_page_fits_its_screen_and_is_read_by_day_and_by_night(report: Path, scheme: str) -> None:
    probe, frame = (report.with_name(f"{part}-{scheme}.html") for part in ("probe", "frame"))
    probe.write_text(report.read_text(encoding="utf-8").replace("</body>", PROBE + "</body>"), encoding="utf-8")
    frames = "".join(FRAME.format(page=probe.as_uri(), width=width) for width in WIDTHS)
    frame.write_text(FRAMES.format(frames=frames), encoding="utf-8")
    dark = [DARK] if scheme == "dark" else []
    photograph = report.with_name(f"{scheme}.png")
    told = chromium(
        *dark,
        f"--window-size={sum(WIDTHS)},900",
        "--virtual-time-budget=9000",
        "--dump-dom",
        f"--screenshot={photograph}",
        frame.as_uri(),
    ).decode()
    found = [json.loads(html.unescape(one)) for one in re.findall(r"<pre>(.*?)</pre>", told, re.DOTALL)]
    assert sorted(seen["width"] for seen in found) == list(WIDTHS)
    for seen in found:
        assert seen["scroll"] <= seen["width"]
        assert (seen["outside"], seen["small"], seen["faint"]) == ([], [], []), seen["width"]
    with Image.open(photograph) as picture:
        grey = np.asarray(picture.convert("L"), dtype=float) / 255.0
    assert grey.shape == (900, sum(WIDTHS))
    for one in np.split(grey, np.cumsum(WIDTHS)[:-1], axis=1):
        assert np.median(one) < 0.2 if scheme == "dark" else np.median(one) > 0.9
        assert np.std(one[:, one.shape[1] // 2 :]) > 0.02  # something stands on the right half too


@pytest.mark.office
def test_on_paper_no_type_is_under_8_points_and_long_tables_repeat_their_header(report: Path, tmp_path: Path) -> None:
    if shutil.which("pdftohtml") is None:
        pytest.skip("poppler is not installed")
    pdf = tmp_path / "report.pdf"
    chromium("--no-pdf-header-footer", f"--print-to-pdf={pdf}", report.as_uri())
    command = ["pdftohtml", "-xml", "-i", "-hidden", "-zoom", str(ZOOM), "-stdout", str(pdf)]
    read = subprocess.run(command, capture_output=True, timeout=120, check=True).stdout
    fonts: dict[str, float] = {}
    small: dict[str, float] = {}
    right: dict[int, float] = defaultdict(float)
    pages = etree.fromstring(read, etree.XMLParser(recover=True, huge_tree=True)).findall("page")
    for number, page in enumerate(pages):
        fonts |= {font.get("id"): float(font.get("size")) / ZOOM for font in page.iterfind("fontspec")}
        for text in page.iterfind("text"):
            words = "".join(text.itertext()).strip()
            right[number] = max(right[number], (float(text.get("left")) + float(text.get("width"))) / ZOOM)
            if words and fonts[text.get("font")] + 1 / ZOOM < LEAST_POINTS:
                small[words] = fonts[text.get("font")]
    assert 4 <= len(pages) <= 20
    assert small == {}
    assert max(right.values()) <= 297 / 25.4 * 72 - 10 / 25.4 * 72  # A4 lying, its margin
    long_table = [page for page in pages if "From one year's release" in "".join(page.itertext())]
    after = pages[pages.index(long_table[0]) + 1]
    assert "What moved" in "".join(after.itertext())
