"""The first page: what a bottle of each cuvée costs, what stock is worth, what to do this quarter, and where the rest
stands.

Each part is a table that another answer holds in full; nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import pandas as pd

from costing.accounts.costs import costs
from costing.accounts.stock import stock
from costing.answers import catalogue
from costing.answers.answer import Answer
from costing.decisions.cash.cash import cash
from costing.decisions.cellar.reserves import vats
from costing.decisions.plan.views import to_do
from costing.decisions.prices.prices import prices
from costing.errors import Finding
from costing.model import Runs

MOST_LINES, MOST_CUVEES = 8, 24


def front_page(
    runs: Runs, cautions: Sequence[Finding], sheets: Collection[str], waiting: Mapping[str, str] | None = None
) -> Answer:
    """One page of answers. sheets: the result sheets that stand beside it, each with a line and a link; waiting: what
    each sheet lacks that could not be filled.
    """
    doing, plan_said = to_do(runs)
    tables = {"front_costs": _costs(runs)}
    by_kind = stock(runs)["stock_by_kind"]
    tables["front_stock"] = by_kind.assign(
        share_of_stock=by_kind["economic_value"] / (by_kind["economic_value"].sum() or 1.0)
    )
    if len(doing):
        tables["front_do"] = doing.loc[doing["bottles_now"] > 0, ["lot", "do", "money_now", "reason"]].head(MOST_LINES)
    priced = prices(runs).main
    if "short_of_target" in priced:
        short = priced[priced["short_of_target"] > 0]
        tables["front_prices"] = short[["release", "do", "channel", "short_of_target"]].head(MOST_LINES)
    wine = vats(runs).main
    if "use" in wine:
        tables["front_vats"] = wine[["lot", "use", "gain_of_use", "litres"]].head(MOST_LINES)
    if len(cash(runs).main):
        tables["front_cash"] = _cash(runs)
    tables["contents"] = pd.DataFrame(
        [(name, of.question) for name, of in catalogue.sheet_plans().items() if name in sheets],
        columns=["sheet_link", "question"],
    )
    plans = [of for of in catalogue.sheet_plans().values() if of.name not in sheets]
    lacks = {**{of.name: of.written_by for of in plans if of.written_by}, **(waiting or {})}
    tables["front_waiting"] = pd.DataFrame(
        [(of.name, lacks[of.name]) for of in plans if of.name in lacks], columns=["what", "waits_for"]
    )
    day = costs(runs).facts["day"]
    name = runs.estate.settings.estate
    facts = {"currency": runs.currency, "day": day, "estate": f"{name}: " if name else ""}
    costed = len(costs(runs)["latest_costs"])
    more = (f"Of {costed} cuvées and formats those with most bottles; the rest stand on Cost per bottle.",)
    count = len(cautions)
    empty = "No bottles are disgorged yet."
    doubts = "No cautions." if not count else f"{count} caution{'s' if count > 1 else ''}: see Run check."
    return Answer(
        tables,
        says=(doubts, *([] if costed else [empty]), *filter(None, [plan_said]), *more[: costed > MOST_CUVEES]),
        facts=facts,
        empty=empty,
    )


def _costs(runs: Runs) -> pd.DataFrame:
    """Latest release of each cuvée and format, and its change on the latest of the year before."""
    answer = costs(runs)
    largest = answer["latest_costs"]["bottles"].nlargest(MOST_CUVEES).index.sort_values()
    latest = answer["latest_costs"].loc[
        largest, ["cuvee_format", "economic_per_75cl", "book_per_75cl", "release", "disgorged"]
    ]
    releases_made = answer["cost_per_bottle"]
    made = releases_made[releases_made["status"] == "made"]
    before = made.assign(year=made["disgorged"].dt.year, cuvee_format=made["cuvee"] + " " + made["format"])
    last = before.sort_values("disgorged").drop_duplicates(["cuvee_format", "year"], keep="last")
    cost = last.set_index(["cuvee_format", "year"])["economic_per_75cl"]
    keys = zip(latest["cuvee_format"], latest["disgorged"].dt.year - 1, strict=True)
    earlier = pd.Series([cost.get(key, float("nan")) for key in keys], index=latest.index, dtype=float)
    return latest.assign(change_on_last_year=latest["economic_per_75cl"] - earlier)


def _cash(runs: Runs) -> pd.DataFrame:
    """The month with the least money, what is owed and owing, and the debt after it."""
    answer = cash(runs)
    by_month, owed, day = answer["cash_by_month"], answer["owed_and_owing"]["amount"], answer.facts["day"]
    worst = by_month.set_index("cash_month").loc[answer.facts["worst"]]
    lines = [("In the bank in the worst month", worst["cash_balance"], answer.facts["worst"])]
    if "cash_headroom" in by_month:
        lines.append(("Headroom on lines then", worst["cash_headroom"], answer.facts["worst"]))
    lines += [("Owed by customers", owed[owed > 0].sum(), day), ("Incurred and unpaid", -owed[owed < 0].sum(), day)]
    return pd.DataFrame(lines, columns=["front_line", "front_amount", "when_month"])
