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

NOT_CHOSEN = "not set: a final premium counts from its own day"


def run_check(runs: Runs, cautions: Sequence[Finding]) -> Answer:
    """The identity of the run on both bases, and its cautions."""
    book, economic = runs.book.reconciliation(), runs.economic.reconciliation()
    identity = pd.DataFrame(
        {
            "line": book["line"],
            "book_amount": book["amount"].round(2),
            "economic_amount": economic["amount"].round(2),
        }
    )
    now, last = (str(np.datetime64(day, "D")) for day in (runs.today, runs.chain.horizon_day))
    says = (
        f"All records count here, also those planned up to {last}; Stock value and Roll-forward stop at {now}.",
        SAID,
    )
    facts = {"currency": runs.currency, "cautions": str(len(cautions))}
    tables = {"run_identity": identity, "findings": finding_table(cautions), "policies": policy_table(runs.estate)}
    return Answer(tables, says=says, facts=facts)


def finding_table(findings: Sequence[Finding]) -> pd.DataFrame:
    """Findings as a table: place, value found, rule, remedy, source."""
    rows = [(each.place, each.value, each.rule, each.remedy, each.source) for each in findings]
    return pd.DataFrame(rows, columns=["place", "found_value", "rule", "remedy", "source"])


def policy_table(estate: Estate) -> pd.DataFrame:
    """Policies of the books as Settings choose them: policy, chosen, usual, source, who should ask their auditor."""
    rows = []
    for policy in policies():
        setting = settings()[policy.setting]
        chosen, usual = getattr(estate.settings, policy.setting), setting.default
        shown = NOT_CHOSEN if chosen is None else str(chosen)
        rows.append((policy.policy, shown, usual or NOT_CHOSEN, policy.source, policy.ask, setting.title))
    columns = ["policy", "policy_chosen", "policy_usual", "source", "ask_auditor", "policy_setting"]
    return pd.DataFrame(rows, columns=columns)


def out_by(runs: Runs) -> float:
    """Largest difference that the identity leaves on either basis."""
    return max(abs(float(results.reconciliation()["amount"].iloc[-1])) for results in (runs.book, runs.economic))
