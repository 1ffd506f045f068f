"""What is wrong or doubtful on the sheets that prices are made of: Channels, Targets, Price list, Dispatches.

Each finding names its cell. Errors would leave a price without an answer; cautions leave something out of
the tables. What the reading of the estate refuses already (`costing.inputs.price_checks`: shares of 100 %, a
currency that no channel has a rate for, two equal rows) is not looked for again, except where only the
meaning of a blank makes two rows equal.
"""

from __future__ import annotations

import numpy as np

from costing.decisions.prices.price_tables import HIGHEST_RETURN
from costing.decisions.prices.terms_in_force import channel_terms, currency_rates, target_of
from costing.errors import Finding, InputError, caution
from costing.graph.arrays import days
from costing.graph.flows import valuation_day
from costing.inputs.estate import Estate
from costing.once import asked_once
from costing.results.ways_out import channel_rows


def price_findings(estate: Estate) -> list[Finding]:
    """Every error that leaves a price without an answer, at its cell."""
    return [*_equal_prices(estate), *_rates(estate), *_targets(estate)]


def price_cautions(estate: Estate) -> list[Finding]:
    """Cautions: no hurdle rate; dispatches on which no terms of their channel hold yet are in no margin."""
    sent = estate["dispatches"]
    none = channel_rows(estate, sent["channel"], days(sent["on_date"])) < 0
    none &= sent["channel"].isin(estate["channels"]["channel"].astype(object)).to_numpy()  # else said on reading
    free = caution(
        "Interest rates",
        "",
        "holds no hurdle rate: economic cost, prices and verdicts leave capital out.",
        "Enter the yearly return that money in stock must earn, with the date from which it holds.",
    )
    return [free] * bool(estate["interest_rates"]["hurdle_rate"].isna().all()) + [
        caution(
            estate.place("dispatches", int(row), "channel"),
            str(sent["channel"].iloc[row]),
            f"has no terms on {sent['on_date'].iloc[row].date()}: the sale is in no margin.",
            "Enter the terms with an earlier first day, or leave it blank.",
        )
        for row in np.flatnonzero(none)
    ]


def elasticity_finding(elasticity: float) -> Finding | None:
    """Finding for an elasticity that has no best price: 1 or less in size; None for a good one."""
    if abs(elasticity) > 1:
        return None
    return Finding(
        "elasticity",
        f"{elasticity:g}",
        "is 1 or less in size: every higher price would earn more, so that no price is best.",
        "Enter the per cent of volume lost per per cent of price, beyond 1 in size (−2 for instance).",
    )


def check_elasticity(elasticity: float) -> float:
    """The elasticity itself; InputError where it has no best price."""
    wrong = elasticity_finding(elasticity)
    if wrong is not None:
        raise InputError([wrong])
    return elasticity


def _equal_prices(estate: Estate) -> list[Finding]:
    """Two list prices of one key and date, a blank currency being the estate's."""
    table = estate["price_list"]
    own = estate.settings.currency
    keys = table[["from_date", "cuvee", "format", "channel", "currency"]].astype(object)
    filled = keys.assign(currency=keys["currency"].where(keys["currency"].notna(), own))
    later = filled.duplicated(keep="first").to_numpy() & ~keys.duplicated(keep=False).to_numpy()
    findings = []
    for row in np.flatnonzero(later):
        same = (filled.iloc[:row].fillna("") == filled.iloc[row].fillna("")).all(axis=1)
        first = estate.place("price_list", int(np.flatnonzero(same)[0]), "list_price")
        findings.append(
            Finding(
                estate.place("price_list", int(row), "list_price"),
                f"{table['list_price'].iloc[row]:g}",
                f"is a second price for the key and date of {first}: a blank currency is {own}.",
                "Keep one of the two.",
            )
        )
    return findings


def _rates(estate: Estate) -> list[Finding]:
    """Prices in a currency that has a rate, but none that is in force on their day."""
    findings = []
    for sheet, date_column, price in (
        ("dispatches", "on_date", "net_price"),
        ("price_list", "from_date", "list_price"),
    ):
        table = estate[sheet]
        day = days(table[date_column])
        if sheet == "price_list":  # a price from last year is paid at today's rate
            day = np.maximum(day, valuation_day(estate))
        currency, channel = (table[name].astype(object).to_numpy() for name in ("currency", "channel"))
        rate = currency_rates(estate, currency, channel, day)
        for row in np.flatnonzero(np.isnan(rate) & table[price].notna().to_numpy()):
            on = np.datetime64(int(day[row]), "D")
            findings.append(
                Finding(
                    estate.place(sheet, int(row), "currency"),
                    str(currency[row]),
                    f"has no currency rate that is in force on {on}.",
                    "Enter one on Channels from an earlier day, or leave its first day blank.",
                )
            )
    return findings


@asked_once
def _targets(estate: Estate) -> list[Finding]:
    """Targets that no price reaches in some channel where they count."""
    table = estate["targets"]
    by_target: dict[tuple[int, str], Finding] = {}
    for row in np.flatnonzero((table["target"] == "return").to_numpy() & (table["value"] > HIGHEST_RETURN).to_numpy()):
        by_target[int(row), ""] = Finding(
            estate.place("targets", int(row), "value"),
            f"{100 * table['value'].iloc[row]:g} %",
            "is a return above 100 % a year, which no basis reckons with.",
            "Enter 100 % or less.",
        )
    terms = channel_terms(estate, valuation_day(estate))
    commission = np.nan_to_num(terms["commission"].to_numpy(dtype=float))
    for cuvee, size in _cuvees_and_formats(estate):
        for channel, part in zip(map(str, terms.index), commission, strict=True):
            goal = target_of(estate, cuvee, size, channel, "margin")
            if goal.row >= 0 and goal.value + part >= 1.0:
                by_target[goal.row, channel] = Finding(
                    estate.place("targets", goal.row, "value"),
                    f"{100 * goal.value:g} %",
                    f"and the commission of '{channel}' ({100 * part:g} %) take the whole price: no price reaches it.",
                    "Lower the target margin or the commission.",
                )
    return list(by_target.values())


def _cuvees_and_formats(estate: Estate) -> list[tuple[str, str]]:
    """Cuvées and formats that are bottled, held or listed."""
    pairs: dict[tuple[str, str], None] = {}
    for sheet in ("opening_stock", "deliveries", "tirage", "price_list"):
        table = estate[sheet][["cuvee", "format"]].astype(object).dropna(subset=["cuvee"])
        for cuvee, size in zip(table["cuvee"], table["format"].fillna("bottle"), strict=True):
            pairs[str(cuvee), str(size)] = None
    return list(pairs)
