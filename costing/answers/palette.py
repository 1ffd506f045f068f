"""Colours of series, in their order, for every picture.

Rule: each stands out from white by 3 to 1 at least (WCAG 2.2, success criterion 1.4.11), and from the next in order
for eyes that do not see red, green or blue.
"""

COLOURS = (
    *("#3D4F5C", "#B8772A", "#6E3B47", "#4A6FA5", "#C0563F"),
    *("#9A7FB5", "#5E8A72", "#2B2B2B", "#2F7FA3", "#6B8E23"),
)
TOTAL, RISE, FALL = COLOURS[0], COLOURS[4], COLOURS[8]
"""Steps of a waterfall."""


def _light(colour: str) -> float:
    """Relative luminance of a colour (WCAG 2.2)."""
    parts = [int(colour[start : start + 2], 16) / 255.0 for start in (1, 3, 5)]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


INKS = {colour: "#FFFFFF" if 1.05 / (_light(colour) + 0.05) >= 4.5 else "#000000" for colour in COLOURS}
"""Ink of words that stand on a colour: white, or black where white is under 4.5 to 1 (WCAG 2.2, 1.4.3)."""
