"""Release prices: for every release still to be sold and every sales channel, the floor, the costs, the
targets and the list.

Floor: what is avoidable from now on (selling cost, finished storage while it sells; for a planned release
also what is still to be spent on it). Target price: the return that the Targets sheet asks for, on the
economic cost, sold evenly over the channel's months and paid after the customer's days; or the margin on book
cost. Without a target: the hurdle. List price before discount, rounded up to the price step. Chain from
cellar to shelf and back: `costing.decisions.channels`; arithmetic of a target: `costing.decisions.pricing`.
"""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd

from costing.decisions.ageing_tables import storage_per_bottle_year
from costing.decisions.channels import Chain, list_price, round_up, to_cellar, to_shelf
from costing.decisions.pricing import SalePlan, monthly_dispatches, price_for_margin, target_price
from costing.engine.carrying import RateCurve
from costing.errors import Finding
from costing.graph.arrays import days
from costing.inputs.basis import ECONOMIC
from costing.inputs.estate import Estate
from costing.money.charges import capital_curve
from costing.results.costs import releases
from costing.results.results import Results
from costing.results.stock import stock_values
from costing.units import FORMATS_L, STANDARD_BOTTLE_L

PRICES = {
    "release": "Release",
    "cuvee": "Cuvée",
    "format": "Format",
    "channel": "Channel",
    "bottles": "Bottles to sell",
    "floor": "Floor",
    "book": "Book cost",
    "economic": "Economic cost",
    "replacement": "Replacement cost",
    "target": "Target",
    "target_price": "Target price, net",
    "advised_list": "Advised list price",
    "list_price": "List price in force",
    "net_price": "Net price at list",
    "margin": "Margin per bottle",
    "margin_percent": "Margin",
    "gap": "List over advised",
    "target_per_75cl": "Target price per 75 cl",
}


def most_particular(table: pd.DataFrame, wanted: dict[str, str], fits: np.ndarray | None = None) -> int:
    """Position of the row that fits `wanted` in every key column (blank fits all) most particularly; −1 if none does.

    Of equals the last one in the table wins. fits: rows that may be chosen.
    """
    able = np.ones(len(table), dtype=bool) if fits is None else fits.copy()
    exact = np.zeros(len(table))
    for weight, (column, value) in enumerate(reversed(list(wanted.items())), start=1):
        same = (table[column] == value).to_numpy()
        able &= same | table[column].isna().to_numpy()
        exact += same * 2.0**weight
    rows = np.flatnonzero(able)
    return int(rows[len(rows) - 1 - int(exact[rows][::-1].argmax())]) if len(rows) else -1


def channel_terms(estate: Estate, day: int) -> pd.DataFrame:
    """Sales channels with the terms in force on a day, by name."""
    table = estate["channels"]
    since = days(table["from_date"])
    table = table.assign(_since=since)[(since <= day) & (table["way_out"] == "sale").to_numpy()]
    return table.sort_values("_since", kind="stable").drop_duplicates("channel", keep="last").set_index("channel")


def listed(estate: Estate, cuvee: str, bottle_format: str, channel: str, day: int, rate: float) -> float:
    """List price in force, in the estate's currency; NaN where none is given."""
    table = estate["price_list"]
    table = table.iloc[np.argsort(days(table["from_date"]), kind="stable")]
    in_force = days(table["from_date"]) <= day
    at = most_particular(table, {"cuvee": cuvee, "format": bottle_format, "channel": channel}, in_force)
    if at < 0:
        return float("nan")
    currency = table["currency"].iloc[at]
    foreign = pd.notna(currency) and currency != estate.settings.currency
    return float(table["list_price"].iloc[at]) * (rate if foreign else 1.0)


def chain_of(terms: pd.Series) -> Chain:
    """Chain from cellar to shelf of one row of Channels; ValueError where a term leaves nothing."""
    given = {each.name: terms[each.name] for each in fields(Chain) if each.name in terms.index}
    return Chain(**{name: value for name, value in given.items() if pd.notna(value)})


def to_sell(results: Results) -> pd.DataFrame:
    """Releases with bottles in stock at the valuation date, and planned ones: bottles to sell, day of first
    sale.
    """
    made = releases(results)
    stock = stock_values(results).set_index("lot")["quantity"]
    made["to_sell"] = np.where(made["planned"], made["bottles"], made["release"].map(stock).fillna(0.0))
    return made[made["to_sell"] > 0].reset_index(drop=True)


def release_prices(book: Results, economic: Results, replacement: Results) -> pd.DataFrame:
    """Floor, costs, target, list and margin of every release to sell in every sales channel (columns of
    `PRICES`).
    """
    estate, today = economic.estate, economic.chain.valuation_day
    mine, theirs, again = (to_sell(one) for one in (book, economic, replacement))
    hurdle = capital_curve(estate, ECONOMIC)
    assert hurdle is not None
    rows = []
    storages: dict[tuple[str, int], float] = {}
    for channel, terms in channel_terms(estate, today).iterrows():
        rate = float(terms["currency_rate"]) if pd.notna(terms["currency_rate"]) else 1.0
        for at, (_, release) in enumerate(theirs.iterrows()):
            per_bottle = [float((frame["total"] / frame["bottles"]).iloc[at]) for frame in (mine, theirs, again)]
            rows.append(_one(estate, release, str(channel), terms, per_bottle, hurdle, today, rate, storages))
    return pd.DataFrame(rows, columns=list(PRICES))


def _one(
    estate: Estate,
    release: pd.Series,
    channel: str,
    terms: pd.Series,
    cost: list[float],
    hurdle: RateCurve,
    today: int,
    rate: float,
    storages: dict[tuple[str, int], float],
) -> dict[str, object]:
    book, economic, again = cost
    cuvee, size = str(release["cuvee"]), str(release["format"])
    disgorged = int(days(pd.Series([release["disgorged"]]))[0])
    first = max(disgorged, today)
    goals = estate["targets"]
    goal = most_particular(goals, {"cuvee": cuvee, "format": size, "channel": channel})
    kind, value = (
        (str(goals["target"].iloc[goal]), float(goals["value"].iloc[goal])) if goal >= 0 else ("return", np.nan)
    )
    curve = hurdle if np.isnan(value) or kind == "margin" else RateCurve.flat(value, hurdle.day_count)
    months = int(np.nan_to_num(terms["sell_through_months"]))
    when, bottles = monthly_dispatches(float(release["to_sell"]), first, months)
    if (size, first) not in storages:
        at = np.array([first])
        storages[size, first] = float(storage_per_bottle_year(estate, "finished stock", size, at, today)[0])
    storage = storages[size, first]
    commission = float(np.nan_to_num(terms["commission"]))

    def price(per_bottle: float, rate_curve: RateCurve, start: int) -> float:
        plan = SalePlan(
            per_bottle * float(release["to_sell"]),
            start,
            when,
            bottles,
            int(np.nan_to_num(terms["customer_days"])),
            commission,
            float(np.nan_to_num(terms["selling_cost_per_bottle"])),
            storage,
        )
        return target_price(plan, rate_curve).price

    ahead = float(release.get("finishing", 0.0) + release.get("dressing", 0.0)) / float(release["bottles"])
    floor = price(ahead if release["planned"] else 0.0, hurdle, first)
    wanted = price_for_margin(book, value) if kind == "margin" else price(economic, curve, disgorged)
    discount = float(np.nan_to_num(terms["discount"]))
    advised = float(round_up(list_price(wanted, discount), estate.settings.price_step))
    in_force = listed(estate, cuvee, size, channel, first, rate)
    net = in_force * (1.0 - discount)
    selling = float(np.nan_to_num(terms["selling_cost_per_bottle"]))
    margin = net * (1.0 - commission) - selling - book
    said = f"{value:.1%} {kind}" if not np.isnan(value) else "hurdle"
    return {
        "release": release["release"],
        "cuvee": cuvee,
        "format": size,
        "channel": channel,
        "bottles": release["to_sell"],
        "floor": floor,
        "book": book,
        "economic": economic,
        "replacement": again,
        "target": said,
        "target_price": float(wanted),
        "advised_list": advised,
        "list_price": in_force,
        "net_price": net,
        "margin": margin,
        "margin_percent": margin / net if net else np.nan,
        "gap": in_force - advised,
        "target_per_75cl": float(wanted) * STANDARD_BOTTLE_L / FORMATS_L[size],
    }


def price_chains(estate: Estate, prices: pd.DataFrame, day: int) -> pd.DataFrame:
    """From cellar to shelf and back, per cuvée, format and channel: step, amount (market currency), running
    total.

    prices: `release_prices`; the first release of each with a list price is taken. The way back starts from
    the shelf price and must give the net price again.
    """
    terms = channel_terms(estate, day)
    strength = estate["cuvees"].drop_duplicates("cuvee").set_index("cuvee")["alcohol"]
    rows = []
    chosen = prices.dropna(subset=["net_price"]).drop_duplicates(["cuvee", "format", "channel"])
    for _, price in chosen.iterrows():
        chain = chain_of(terms.loc[price["channel"]])
        bottle_l = FORMATS_L[price["format"]]
        given = strength.get(price["cuvee"], np.nan)
        alcohol = 100.0 * float(given) if pd.notna(given) else 12.0
        up = to_shelf(chain, price["net_price"], bottle_l, alcohol)
        shelf = float(np.sum(up.amounts))
        back = to_cellar(chain, shelf, bottle_l, alcohol)
        total = 0.0
        for step, amount in zip(up.steps, np.ravel(up.amounts), strict=True):
            total += float(amount)
            rows.append(
                (price["cuvee"], price["format"], price["channel"], str(step), float(amount), total,
                 float(np.ravel(up.rounded_shelf_price)[0]), float(np.ravel(back.amounts)[0]))
            )  # fmt: skip
    names = ["cuvee", "format", "channel", "step", "amount", "running", "shelf_rounded", "back_at_cellar"]
    return pd.DataFrame(rows, columns=names)


def price_findings(estate: Estate) -> list[Finding]:
    """Channels whose terms leave nothing, as findings at their row."""
    found = []
    for row, (_, terms) in enumerate(estate["channels"].iterrows()):
        try:
            chain_of(terms)
        except ValueError as wrong:
            place = estate.place("channels", row, "channel")
            found.append(Finding(place, str(terms["channel"]), str(wrong), "Lower the deductions of this channel."))
    return found
