"""Published figures reproduced through whole runs: rows in, `run`, the printed value of stock or what was expensed.

Each figure names its source. Tables of interest factors, and examples marked so, are from memory; the arithmetic of
each is one line, which the test of the figure does not do.
"""

from __future__ import annotations

from functools import partial

import pytest

from tests.published.figures import Figure
from tests.published.whole_runs import (
    AT_SPLIT_OFF,
    CUPS,
    CUPS_2010,
    FINISHED,
    GALLONS,
    MORE,
    borrowed,
    escalated,
    held,
    joint_figure,
    kilograms_of_a_bottle,
    overhead,
    paid_in_parts,
    process_figure,
    saved,
    stored,
    with_premium,
)

ACCA = "ACCA F2 Management Accounting, integrated workbook, chapter 9, pages 144 and 148-150"
OPENSTAX_JOINT = "OpenStax, Principles of Accounting 2"
HORNGREN = "Horngren, Datar and Foster, Cost Accounting, joint-cost exercises (figures of 2008 and 2010)"
XNPV = "Microsoft, documentation of XNPV (2,086.65), brought to its last day"
FV = "Microsoft, documentation of FV; from memory"
# section 10.5 of the one; of the other the appendix, future value of 1, from memory
FVIF = "OpenStax, Principles of Finance"
I_OVER_DELTA = "Formulae and Tables for Actuarial Examinations, i/δ; from memory"
TRADE = "Champagne, 1.2 kg of grapes a bottle (trade): 102 L of 160 kg, less 1.5 % and 0.5 % by the specification"
IAS_2 = "IAS 2, paragraph 13 (fixed overheads on normal capacity); amounts are arithmetic"
BORROWING = "IAS 23, paragraph 14 (weighted average of borrowings): 3.99 of 39 million"


def margin_of_cups(which: int) -> float:
    cost = joint_figure(which, "constant margin", 20_000.0, CUPS, FINISHED, MORE) + (5_000, 0)[which]
    return 1 - cost / (50_000, 30_000)[which]


FIGURES = [
    Figure(ACCA, "a kilogram of the output expected", 23.00, 2, lambda: process_figure(900, 20_700, 0) / 900),
    Figure(ACCA, "a kilogram, normal loss sold", 22.80, 2, lambda: process_figure(800, 20_520, 0) / 800),
    *(
        Figure(HORNGREN, f"constant margin of product {at + 1}", 0.6875, 4, partial(margin_of_cups, at))
        for at in (0, 1)
    ),
    *(
        Figure(
            ACCA,
            f"{kg} kg out of 1,000 at {cost:,}: {name}",
            stated,
            0,
            partial(process_figure, kg, cost, at, gains=gain),
        )
        for kg, cost, gain, output, beyond in (
            (900, 20_700, False, 20_700, 0),
            (950, 20_700, True, 21_850, -1_150),
            (800, 20_520, False, 18_240, 2_280),
            (950, 20_520, True, 21_660, -1_140),
        )
        for at, (name, stated) in enumerate((("output", output), ("abnormal", beyond)))
    ),
    *(
        Figure(source, f"{method}, {('first', 'second')[at]}", stated, digits, partial(joint_figure, at, method, *case))
        for source, method, digits, case, both in (
            (OPENSTAX_JOINT, "volume", 2, (40_000.0, *GALLONS), (36_521.74, 3_478.26)),
            (OPENSTAX_JOINT, "sales value", 2, (40_000.0, *GALLONS), (26_967.74, 13_032.26)),
            (HORNGREN, "volume", 0, (20_000.0, CUPS, AT_SPLIT_OFF), (4_000, 16_000)),
            (HORNGREN, "sales value", 0, (20_000.0, CUPS, AT_SPLIT_OFF), (8_000, 12_000)),
            (HORNGREN, "nrv", 0, (20_000.0, CUPS, FINISHED, MORE), (12_000, 8_000)),
            (HORNGREN, "constant margin", 0, (20_000.0, CUPS, FINISHED, MORE), (10_625, 9_375)),
            (HORNGREN, "volume", 0, (31_680.0, *CUPS_2010), (7_920, 23_760)),
            (HORNGREN, "sales value", 0, (31_680.0, *CUPS_2010), (17_424, 14_256)),
        )
        for at, stated in enumerate(both)
    ),
    *(
        Figure(FVIF, f"{rate:.0%}, {years} years", stated, 4, partial(held, rate, years))
        for rate, years, stated in (
            *((0.03, 10, 1.3439), (0.05, 5, 1.2763), (0.05, 10, 1.6289), (0.06, 7, 1.5036), (0.08, 3, 1.2597)),
            *((0.08, 5, 1.4693), (0.08, 10, 2.1589), (0.10, 3, 1.3310), (0.10, 8, 2.1436), (0.12, 6, 1.9738)),
        )
    ),
    *(
        Figure(FVIF, f"a planned rate rising {rate:.0%} for {years} years", stated, 4, partial(escalated, rate, years))
        for rate, years, stated in ((0.02, 5, 1.1041), (0.03, 10, 1.3439), (0.04, 3, 1.1249), (0.05, 10, 1.6289))
    ),
    *(
        Figure(
            FV, f"{number} of {payment:,.0f}", stated, 2, partial(saved, rate, payment, number, first, at_start=start)
        )
        for rate, payment, number, first, start, stated in (
            (0.06 / 12, 200.0, 10, 500.0, True, 2_581.40),
            (0.12 / 12, 1_000.0, 12, 0.0, False, 12_682.50),
            (0.11 / 12, 2_000.0, 35, 0.0, True, 82_846.25),
            (0.06 / 12, 100.0, 12, 1_000.0, True, 2_301.40),
        )
    ),
    Figure(FVIF, "8%, seven years and five", 1.7138 + 1.4693, 3, partial(with_premium, 0.08)),
    Figure(FVIF, "10%, seven years and five", 1.9487 + 1.6105, 3, partial(with_premium, 0.10)),
    Figure(TRADE, "kilograms of grapes a bottle", 1.2004, 4, kilograms_of_a_bottle, is_worked_out=True),
    Figure(XNPV, "four parts by terms", 2_086.6476, 4, partial(paid_in_parts, True)),
    Figure(XNPV, "four invoices", 2_086.6476, 4, partial(paid_in_parts, False)),
    *(
        Figure(I_OVER_DELTA, f"{rate:.0%}", stated, 6, partial(stored, rate))
        for rate, stated in ((0.04, 1.019869), (0.05, 1.024797), (0.06, 1.029709), (0.08, 1.039487), (0.10, 1.049206))
    ),
]

OWN_AMOUNTS = [
    *(
        Figure(IAS_2, f"{made:,.0f} bottles: {('borne', 'idle')[at]}", stated, 2, partial(overhead, made, at))
        for made, both in ((40_000.0, (160_000, 40_000)), (50_000.0, (200_000, 0)), (80_000.0, (200_000, 0)))
        for at, stated in enumerate(both)
    ),
    Figure(BORROWING, "capitalisation rate", 0.102308, 6, borrowed),
]
"""Beside a paragraph, with amounts of our own: not counted."""


@pytest.mark.parametrize("figure", [*FIGURES, *OWN_AMOUNTS], ids=lambda figure: figure.name)
def test_a_published_figure_comes_out_of_a_whole_run(figure: Figure) -> None:
    figure.check()
