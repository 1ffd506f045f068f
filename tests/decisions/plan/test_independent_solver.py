"""The programme of the plan solved by another method of other people: Clarabel, an interior point solver of its own
(P. Goulart and Y. Chen, "Clarabel: an interior-point solver for conic programs with quadratic objectives", 2024).
"""

from __future__ import annotations

import clarabel
import numpy as np
import pytest
from scipy.sparse import csc_matrix, eye, vstack

from costing.decisions.plan.from_estate import plan_inputs
from costing.decisions.plan.planning import Search
from costing.decisions.plan.programme import System
from tests.decisions.plan.test_planning import facts_of
from tests.form import every


def best_value(system: System) -> float:
    """max c·x as min −c·x with A·x + s = b, s in cones: zero for rows that are equal, positive for the others."""
    one = eye(len(system.worth), format="csc")
    equal = system.row_least == system.row_most
    over, under = ~equal & np.isfinite(system.row_most), ~equal & np.isfinite(system.row_least)
    most, least = np.isfinite(system.most), np.isfinite(system.least)
    matrix = csc_matrix(system.matrix)
    rows = vstack([matrix[equal], matrix[over], -matrix[under], one[most], -one[least]], format="csc")
    right = [system.row_most[equal], system.row_most[over], -system.row_least[under]]
    right += [system.most[most], -system.least[least]]
    count = int(equal.sum())
    cones = [clarabel.ZeroConeT(count), clarabel.NonnegativeConeT(rows.shape[0] - count)]
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    settings.tol_gap_rel = settings.tol_gap_abs = settings.tol_feas = 1e-10
    nothing = csc_matrix((len(system.worth), len(system.worth)))
    solver = clarabel.DefaultSolver(nothing, -system.worth, rows, np.concatenate(right), cones, settings)
    found = solver.solve()
    assert str(found.status) in {"Solved", "AlmostSolved"}
    return -float(found.obj_val)


@pytest.mark.parametrize("seed", every(5, range(20)))
def test_random_plans_agree(seed: int) -> None:
    programme = Search(facts_of(seed)).programme
    assert best_value(programme.system()) == pytest.approx(programme.best().value, rel=1e-7)


def test_the_plan_of_the_demo_agrees(demo_runs) -> None:
    programme = Search(plan_inputs(demo_runs).facts).programme
    assert best_value(programme.system()) == pytest.approx(programme.best().value, rel=1e-7)
