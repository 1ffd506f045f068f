"""ACCA F2 Management Accounting, integrated workbook (a teaching set), chapter 9, pages 144 and 148-150.

1,000 kg at 18 a kg, labour 1,800 and overheads 900 enter a process with a normal loss of 10 %.
"""

import pytest

from costing.graph.losses import abnormal_share

PROCESS_COST = 1_000 * 18 + 1_800 + 900  # 20,700
SCRAP = 100 * 1.80  # the normal loss, sold


def process_account(cost, output_kg):
    """Value of the output and of the abnormal loss (below 0: gain)."""
    share = float(abnormal_share(1_000, output_kg, 0.10, allow_gains=True))
    return cost * (1 - share), cost * share


def test_output_as_expected():
    output, abnormal = process_account(PROCESS_COST, 900)
    assert output == pytest.approx(20_700)
    assert output / 900 == pytest.approx(23.00)
    assert abnormal == 0.0


def test_abnormal_gain_without_scrap_value():
    # 5.3: 950 kg, 23 a kg
    output, abnormal = process_account(PROCESS_COST, 950)
    assert output == pytest.approx(21_850)
    assert abnormal == pytest.approx(-1_150)


def test_abnormal_loss_with_scrap_value():
    # 6.3: 800 kg, (20,700 - 180) / 900 = 22.80 a kg
    net_cost = PROCESS_COST - SCRAP
    output, abnormal = process_account(net_cost, 800)
    assert net_cost / 900 == pytest.approx(22.80)
    assert output == pytest.approx(18_240)
    assert abnormal == pytest.approx(2_280)


def test_abnormal_gain_with_scrap_value():
    # 6.4: 950 kg
    net_cost = PROCESS_COST - SCRAP
    output, abnormal = process_account(net_cost, 950)
    assert output == pytest.approx(21_660)
    assert abnormal == pytest.approx(-1_140)


def test_a_basis_without_gains_leaves_the_gain_in_the_unit_cost():
    # our own rule beside the teaching set: without abnormal gains the 950 kg carry the process cost, 20,700
    assert abnormal_share(1_000, 950, 0.10) == 0.0
