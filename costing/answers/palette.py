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
