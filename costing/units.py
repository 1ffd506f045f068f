"""Kilograms, litres and bottle formats: the one home of conversions.

Internal units: grapes in kg, must and wine in L, bottles in pieces of one format. Money is in the estate's
currency.
"""

from __future__ import annotations

LITRES_PER_HECTOLITRE = 100.0
STANDARD_BOTTLE_L = 0.75

# Names and nominal volumes in litres. UK SI 1988/2039 Schedule A1 lists 0.125, 0.20, 0.375, 0.75 and 1.5 L for
# sparkling wine between 0.125 and 1.5 L; names of the larger formats are common practice, no source.
FORMATS_L: dict[str, float] = {
    "quarter": 0.20,
    "half": 0.375,
    "bottle": 0.75,
    "magnum": 1.5,
    "jeroboam": 3.0,
    "rehoboam": 4.5,
    "methuselah": 6.0,
    "salmanazar": 9.0,
    "balthazar": 12.0,
    "nebuchadnezzar": 15.0,
}
