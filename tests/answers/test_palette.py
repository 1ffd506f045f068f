"""Colours of pictures: contrast on white, and distance for eyes that see fewer colours.

Contrast: WCAG 2.2, relative luminance and success criterion 1.4.11 (3:1 for graphics). Fewer colours: matrices of
Machado, Oliveira and Fernandes, A Physiologically-based Model for Simulation of Color Vision Deficiency, IEEE TVCG
15(6), 2009, severity 1.0. Distance: CIE 1976 L*a*b*, D65. All these figures are from memory; about 2.3 is a just
noticeable difference (Mahy and others, 1994, from memory too).
"""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest

from costing.answers.palette import COLOURS, FALL, INKS, RISE, TOTAL
from costing.workbook.pages import look

SEEN = {
    "all colours": np.eye(3),
    "no red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "no green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "no blue": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
TO_XYZ = [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]


def linear(colour: str) -> np.ndarray:
    part = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)


def contrast(one: str, other: str) -> float:
    light, dark = sorted((float(np.dot(TO_XYZ[1], linear(each))) for each in (one, other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def lab(colour: str, eye: str) -> np.ndarray:
    xyz = np.array(TO_XYZ) @ np.clip(np.array(SEEN[eye]) @ linear(colour), 0, 1) / [0.95047, 1.0, 1.08883]
    x, y, z = np.where(xyz > 216 / 24389, np.cbrt(xyz), (24389 / 27 * xyz + 16) / 116)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def apart(one: str, other: str, eye: str) -> float:
    return float(np.linalg.norm(lab(one, eye) - lab(other, eye)))


def test_black_on_white_is_twenty_one_to_one() -> None:
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)


@pytest.mark.parametrize("colour", COLOURS)
def test_every_colour_stands_out_from_white(colour: str) -> None:
    assert contrast(colour, "#FFFFFF") >= 3.0


@pytest.mark.parametrize("colour", COLOURS)
def test_words_on_every_colour_can_be_read(colour: str) -> None:
    assert contrast(colour, INKS[colour]) >= 4.5  # WCAG 2.2, success criterion 1.4.3


@pytest.mark.parametrize("eye", SEEN)
def test_neighbours_are_apart_for_every_eye(eye: str) -> None:
    assert min(apart(one, other, eye) for one, other in pairwise(COLOURS)) > 15.0
    assert min(apart(one, other, eye) for one, other in combinations(COLOURS, 2)) > 5.0
    assert min(apart(one, other, eye) for one, other in combinations((TOTAL, RISE, FALL), 2)) > 10.0


def test_words_on_headers_and_verdicts_can_be_read() -> None:
    # 4.5 to 1 for text: WCAG 2.2, success criterion 1.4.3.
    assert contrast("#FFFFFF", look.WINE) >= 4.5
    for ground in ("#FFFFFF", look.WINE_LIGHT, *look.VERDICT_FILLS.values()):
        assert contrast(look.INK, ground) >= 4.5
    for ink in (look.FAINT, look.WARNING_INK, look.SLATE, look.WINE):
        assert contrast(ink, "#FFFFFF") >= 4.5
