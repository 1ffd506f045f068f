"""Does the run add up, and what is doubtful.

cost in + capital charged = stock + cost of goods sold and other exits + expensed + services
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from costing.accounts.costs import SAID
from costing.answers.answer import Answer
from costing.errors import Finding
from costing.inputs.estate import Estate
from costing.inputs.schema import policies, settings
from costing.model import Runs

NOT_CHOSEN = "not set: counts from its own day"
FINDING_COLUMNS = ("place", "found_value", "rule", "remedy")


def check(runs: Runs, cautions: Sequence[Finding]) -> Answer:
    """The identity of the run on both bases, and its cautions."""
    book, economic = runs.book.reconciliation(), runs.economic.reconciliation()
    identity = pd.DataFrame(
        {
            "line": book["line"],
            "book_amount": book["amount"].round(2) + 0.0,
            "economic_amount": economic["amount"].round(2) + 0.0,
        }
    )
    rows = [(finding.place, finding.value, finding.rule, finding.remedy) for finding in cautions]
    findings = pd.DataFrame(rows, columns=list(FINDING_COLUMNS))
    now, last = (str(np.datetime64(day, "D")) for day in (runs.today, runs.chain.horizon_day))
    says = (
        f"All records count here, planned ones to {last} included; Stock value and Roll-forward stand at {now}.",
        SAID,
    )
    facts = {"currency": runs.currency, "cautions": str(len(findings))}
    tables = {"run_identity": identity, "findings": findings, "policies": policy_table(runs.estate)}
    return Answer(tables, says=says, facts=facts)


def policy_table(estate: Estate) -> pd.DataFrame:
    """Policies of the books as Settings choose them: policy, chosen, usual, paragraph, who should ask their auditor."""
    rows = []
    for policy in policies():
        setting = settings()[policy.setting]
        chosen, usual = getattr(estate.settings, policy.setting), setting.default
        shown = NOT_CHOSEN if chosen is None else str(chosen)
        rows.append((policy.policy, shown, usual or NOT_CHOSEN, policy.paragraph, policy.ask, setting.title))
    columns = ["policy", "policy_chosen", "policy_usual", "paragraph", "ask_auditor", "policy_setting"]
    return pd.DataFrame(rows, columns=columns)


def out_by(runs: Runs) -> float:
    """Largest difference that the identity leaves on either basis."""
    return max(abs(float(results.reconciliation()["amount"].iloc[-1])) for results in (runs.book, runs.economic))
