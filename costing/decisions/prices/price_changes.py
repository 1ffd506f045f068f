"""What follows from the release prices: increases and what they rest on, promotions, formats, presentations,
scarce bottles.

    increase     price that keeps the margin, or the money per bottle, when cost moves from what was spent to what
                 the bottle would cost to make again (replacement cost); volume that may be lost meanwhile
    promotion    change of volume that leaves the contribution as it was: m/(m − d) − 1
    format       extra price − extra cost of one large bottle against its wine in bottles of 75 cl
    presentation dry goods of a gift box, and the net price that pays for them after commission
    scarcity     bottles of a release to the channel of highest contribution first, within floors and caps

Conventions: every table speaks of the next release (`next_of_each`) of each cuvée, format and channel, scarcity of each
release. A bottle less saves its replacement cost and its cost of selling: it would have to be made again. Floors
and caps of Channels hold for each release; floors that a small release cannot meet are cut in one proportion. How
demand answers: `price_response`.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from costing.decisions.keeping_costs import presentation_per_bottle
from costing.decisions.prices.channels import round_up
from costing.decisions.prices.price_tables import next_of_each
from costing.decisions.prices.pricing import (
    break_even_volume_change,
    format_parity,
    price_after_cost_change,
    price_increase,
)
from costing.decisions.prices.releases_to_sell import to_sell
from costing.decisions.prices.scarcity import allocate_bottles
from costing.decisions.prices.terms_in_force import channel_terms
from costing.graph.arrays import days
from costing.inputs.estate import Estate
from costing.results.costs import element_amounts
from costing.results.origins import release_states
from costing.results.results import Results
from costing.units import FORMATS_L

DISCOUNTS = (0.05, 0.10, 0.15, 0.20)
_ROUNDING_ROOM = 1e-12  # so that floors cut to what is there do not add up to a hair more
_KEYS = ["cuvee", "format", "channel"]
_PRESENTED = ("dry_goods_per_bottle", "net_price_that_pays", "net_price_brought")


def with_terms(prices: pd.DataFrame, estate: Estate, day: int) -> pd.DataFrame:
    """Next releases of `release_prices` that have a net price above 0, with discount and commission of their
    channels, and the bottles of all releases.
    """
    terms = channel_terms(estate, day)[["discount", "commission"]].fillna(0.0)
    priced = prices[prices["net_price_at_list"] > 0]
    frame = next_of_each(priced)
    bottles = priced.groupby(_KEYS, sort=False)["bottles_to_sell"].sum()
    frame["bottles_to_sell"] = bottles.loc[pd.MultiIndex.from_frame(frame[_KEYS])].to_numpy()
    return frame.merge(terms, left_on="channel", right_index=True, how="left", sort=False)


def price_increases(prices: pd.DataFrame, estate: Estate, day: int) -> pd.DataFrame:
    """Price that follows the replacement cost, and what it does.

    Table `price_increases`: spent is economic cost, to make again replacement cost; the increase is that of the net
    price that keeps the margin; the list price is as the list is given, rounded up to the price step; the gain is on
    the bottles of all releases to sell if nobody leaves.
    """
    frame = with_terms(prices, estate, day)
    net, fee, selling = (
        frame[name].to_numpy(dtype=float) for name in ("net_price_at_list", "commission", "selling_cost")
    )
    old, new = (
        frame[name].to_numpy(dtype=float) + selling for name in ("economic_per_bottle", "replacement_per_bottle")
    )
    same_margin = price_after_cost_change(net, old, new, "margin", fee)
    increase = same_margin / net - 1.0
    able = (net * (1.0 - fee) > new) & (same_margin * (1.0 - fee) > new)
    rise = price_increase(
        np.where(able, net, 1.0),
        frame["bottles_to_sell"].to_numpy(dtype=float),
        np.where(able, new, 0.0),
        np.where(able, increase, 0.0),
        np.where(able, fee, 0.0),
    )
    given, step = frame["list_price_as_given"].to_numpy(dtype=float), estate.settings.price_step
    table = frame[_KEYS].assign(
        net_price_at_list=net,
        spent_per_bottle=frame["economic_per_bottle"],
        again_spent=frame["replacement_per_bottle"],
        rise_of_cost=new / old - 1.0,
        net_price_same_margin=same_margin,
        net_price_same_money=price_after_cost_change(net, old, new, "money per bottle", fee),
        increase=increase,
        from_list_price=given,
        to_list_price=round_up(given * (1.0 + increase), step),
        list_currency=frame["list_currency"],
        gain_same_volume=np.where(able, rise.extra_at_same_volume, np.nan),
        volume_bearable_loss=np.where(able, rise.bearable_volume_loss, np.nan),
    )
    return table.reset_index(drop=True)


def cost_rises(economic: Results, replacement: Results) -> pd.DataFrame:
    """Figures of the increase letter: what each cost element of the next release of a cuvée and format was and
    would be today (table `cost_rises`).
    """
    rows = next_of_each(to_sell(economic), ("cuvee", "format"))
    lines = []
    for _, row in rows.iterrows():
        state = release_states(economic, str(row["release"]))
        old, new = (element_amounts(results, state).sum() / row["bottles"] for results in (economic, replacement))
        both = pd.DataFrame({"spent_per_bottle": old, "again_spent": new}).fillna(0.0)
        both["rise_per_bottle"] = both["again_spent"] - both["spent_per_bottle"]
        whole = both["rise_per_bottle"].sum()
        both["part_of_rise"] = both["rise_per_bottle"] / whole if whole else np.nan
        keys = {"cuvee": row["cuvee"], "format": row["format"], "release": row["release"]}
        lines.append(both.rename_axis("element").reset_index().assign(**keys))
    names = ["cuvee", "format", "release", "element", "spent_per_bottle", "again_spent"]
    names += ["rise_per_bottle", "part_of_rise"]
    return pd.concat(lines, ignore_index=True)[names] if lines else pd.DataFrame(columns=names)


def promotions(prices: pd.DataFrame, estate: Estate, day: int, discounts: Sequence[float] = DISCOUNTS) -> pd.DataFrame:
    """Change of volume at which a discount on the net price leaves the contribution as it was; NaN where it
    takes all of it (table `promotions`). What is left is over replacement and selling cost, its share of what
    commission leaves of the price.
    """
    frame = with_terms(prices, estate, day)
    kept = (frame["net_price_at_list"] * (1.0 - frame["commission"])).to_numpy(dtype=float)
    left = kept - (frame["replacement_per_bottle"] + frame["selling_cost"]).to_numpy(dtype=float)
    share = left / kept
    table = frame[[*_KEYS, "net_price_at_list"]].assign(left_over_replacement=left, contribution_of_receipt=share)
    for discount in discounts:
        able = share > discount
        change = break_even_volume_change(np.where(able, share, 1.0), -discount)
        table[f"at_discount:{100 * discount:g} %"] = np.where(able, change, np.nan)
    return table.reset_index(drop=True)


def format_parities(prices: pd.DataFrame, estate: Estate, day: int) -> pd.DataFrame:
    """Every other format against the same cuvée in bottles of 75 cl, channel by channel (table
    `format_parities`). Cost beyond it: economic, selling and commission.
    """
    frame = with_terms(prices, estate, day)
    spent = frame["economic_per_bottle"] + frame["selling_cost"] + frame["commission"] * frame["net_price_at_list"]
    frame = frame.assign(spent=spent)
    usual = frame[frame["format"] == "bottle"].set_index(["cuvee", "channel"])
    lines = []
    for _, row in frame[frame["format"] != "bottle"].iterrows():
        key = (row["cuvee"], row["channel"])
        if key not in usual.index:
            continue
        beside = usual.loc[key]
        parity = format_parity(
            FORMATS_L[row["format"]],
            row["net_price_at_list"],
            row["spent"],
            beside["net_price_at_list"],
            beside["spent"],
        )
        lines.append(
            [
                *(*(row[name] for name in _KEYS), parity.equivalent, row["net_price_at_list"], parity.parity_price),
                *(parity.extra_price, parity.extra_cost, parity.extra_contribution),
            ]
        )
    names = ["bottles_of_75cl", "net_price_at_list", "price_of_75cl_bottles"]
    names += ["price_beyond_75cl", "cost_beyond_75cl", "earned_beyond_75cl"]
    return pd.DataFrame(lines, columns=[*_KEYS, *names])


def presentations(estate: Estate, day: int) -> pd.DataFrame:
    """Gift boxes and other presentations: what their dry goods cost on a day, what pays for them, what they
    brought (table `presentations`): realised net price above that of the same cuvée, format, channel and year without
    it, weighted by bottles; NaN where both were never sold.
    """
    goods = estate["dry_goods"]
    goods = goods[goods["presentation"].notna() & (days(goods["from_date"]) <= day)]
    terms, brought = channel_terms(estate, day), _brought(estate)
    lines = []
    for name in dict.fromkeys(goods["presentation"]):
        of_presentation = goods[goods["presentation"] == name]
        sizes = [form for form in FORMATS_L if (of_presentation["format"] == form).any()] or ["bottle"]
        for size in sizes:
            cost = float(presentation_per_bottle(estate, str(name), size, np.array([day]), day)[0])
            for channel, each in terms.iterrows():
                commission = float(np.nan_to_num(each["commission"]))
                more = brought.get((str(name), size, str(channel)), np.nan)
                lines.append((name, size, channel, cost, cost / (1.0 - commission), more))
    return pd.DataFrame(lines, columns=["presentation", "format", "channel", *_PRESENTED])


def _brought(estate: Estate) -> dict[tuple[str, str, str], float]:
    """Realised extra net price by presentation, format and channel, in the currency of the sale."""
    sent = estate["dispatches"].dropna(subset=["net_price"])
    from_lot = estate["disgorgements"].drop_duplicates("release_lot").set_index("release_lot")["from_lot"].astype(str)
    tirage = estate["tirage"].drop_duplicates("to_lot").set_index("to_lot")
    stack = sent["release_lot"].astype(str).map(from_lot)
    frame = pd.DataFrame(
        {
            "cuvee": stack.map(tirage["cuvee"].astype(str)),
            "format": stack.map(tirage["format"].astype(str)),
            "channel": sent["channel"].astype(str),
            "year": sent["on_date"].dt.year,
            "bottles": sent["bottles"],
            "worth": sent["bottles"] * sent["net_price"],
            "presentation": sent["presentation"].astype(object).fillna(""),
        }
    ).dropna(subset=["cuvee"])
    keys = ["cuvee", "format", "channel", "year"]
    summed = frame.groupby([*keys, "presentation"], as_index=False)[["bottles", "worth"]].sum()
    plain = summed[summed["presentation"] == ""]
    both = summed[summed["presentation"] != ""].merge(plain, on=keys, suffixes=("", "_plain"))
    both["extra"] = both["worth"] - both["bottles"] * both["worth_plain"] / both["bottles_plain"]
    totals = both.groupby(["presentation", "format", "channel"], as_index=False)[["bottles", "extra"]].sum()
    return {
        (str(row["presentation"]), str(row["format"]), str(row["channel"])): float(row["extra"] / row["bottles"])
        for _, row in totals.iterrows()
    }


def allocations(prices: pd.DataFrame, estate: Estate, day: int) -> pd.DataFrame:
    """Bottles of each release to its channels for the highest contribution, beside what is planned (table
    `scarce_bottles`): NaN where neither plans nor shares say it. Contribution is today's, per bottle, over what can
    still be avoided.
    """
    terms = channel_terms(estate, day)
    priced = prices[prices["contribution_today"].notna()].reset_index(drop=True)
    of_channel = terms.index.get_indexer(pd.Index(priced["channel"].astype(object)))
    floor = np.nan_to_num(terms["floor_bottles"].to_numpy(dtype=float))[of_channel]
    cap = np.nan_to_num(terms["cap_bottles"].to_numpy(dtype=float), nan=np.inf)[of_channel]
    a_bottle, planned, wanted = (
        priced[name].to_numpy(dtype=float, copy=True)
        for name in ("contribution_today", "bottles_to_sell", "bottles_of_release")
    )
    least, bottles, as_planned, at_most, more = (np.zeros(len(priced)) for _ in range(5))
    for rows in priced.groupby("release", sort=False, observed=True).indices.values():
        available, asked = float(wanted[rows[0]]), floor[rows].sum()
        cut = available / asked * (1.0 - _ROUNDING_ROOM) if asked > available else 1.0
        least[rows] = np.minimum(floor[rows] * cut, cap[rows])
        best = allocate_bottles(available, a_bottle[rows], least[rows], cap[rows])
        bottles[rows], at_most[rows], more[rows] = (
            best.bottles,
            best.contribution,
            best.worth_of_one_more,
        )
        if planned[rows].sum() > available + 1e-6:  # no shares: each channel by itself could take them all
            planned[rows] = np.nan
        as_planned[rows] = (planned[rows] * a_bottle[rows]).sum()
    return priced[["release", *_KEYS]].assign(
        contribution_today=a_bottle,
        bottles_planned=planned,
        at_least=least,
        at_most=np.where(np.isfinite(cap), cap, np.nan),
        bottles_for_most=bottles,
        contribution_as_planned=as_planned,
        contribution_at_most=at_most,
        bottle_more=more,
    )
