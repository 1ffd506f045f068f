"""Result sheets of January: vats and reserves on hand, what they would do to the blends, and the trial blends
side by side, with the cheapest blend within the bounds of each.
"""

from __future__ import annotations

from costing.charts import Chart
from costing.decisions.blending import TRIALS, lots_on_hand, trial_blends, trials_side_by_side
from costing.decisions.cheapest_blend import CHEAPEST, SHADOWS, cheapest_blends
from costing.decisions.reserves import IN_BLENDS, JANUARY, january_tables
from costing.results.results import Results
from costing.workbook.ageing_sheets import own_headers
from costing.workbook.write import ResultSheet, ResultTable

_PER_LITRE = (
    "Book per litre",
    "Economic per litre",
    "Market per litre",
    "Cost of a year per litre",
    "Worth keeping at, per litre",
)
_GAINS = ("Gain if used now", "Gain if kept a year", "Gain if sold now")
_AT_TIRAGE = ("Book per bottle at tirage", "Economic per bottle at tirage", "At market value per bottle")


def vat_sheets(book: Results, economic: Results) -> list[ResultSheet]:
    """Sheet Vats in January, if there is any wine on hand."""
    vats, joined = january_tables(book, economic)
    if not len(vats):
        return []
    formats = {
        **dict.fromkeys(_PER_LITRE, "money4"),
        **dict.fromkeys(_GAINS, "money"),
        "Litres": "quantity",
    }
    shares = ("Reserve of the blend", "Reserve with it", "Second pressing of the blend", "Second pressing with it")
    effects = ResultTable(
        "vats_in_blends",
        joined.rename(columns=IN_BLENDS).assign(Planned=["yes" if one else "no" for one in joined["planned"]]),
        {
            **dict.fromkeys((*shares, "Part of the blend"), "percent"),
            "Tirage": "date",
            "Litres that fit in": "quantity",
            "Change of economic cost per bottle": "money4",
            "Gain if used": "money",
        },
        title="What each vat would do to the blends that it could join",
    )
    apart = ["reserve", "second_pressing", "vintages", "varieties", "villages"]  # in a table of their own: it prints
    tables = [ResultTable("vats", vats.drop(columns=apart).rename(columns=JANUARY), formats, ("Litres",))]
    made_of = vats[["lot", *apart]].rename(columns=JANUARY)
    parts = dict.fromkeys(("Reserve", "Second pressing"), "percent")
    tables.append(ResultTable("vats_made_of", made_of, parts, title="What each vat is made of"))
    sheet = ResultSheet(
        "Vats in January",
        f"Every vat and reserve: use, keep or sell ({economic.estate.settings.currency})",
        (
            "Keep a vat a year if you expect it to be worth more then than 'Worth keeping at'.",
            "Used: it saves the average litre of the blend. Kept: its market value in a year as reserve wine, less "
            "loss, storage and capital. Sold: its market value. Each less its economic cost of today.",
            "A vat could join a blend that has wine of its sort already. The palate and local rules decide.",
        ),
        tuple([*tables, effects] if len(joined) else tables),
    )
    return [sheet]


def trial_sheets(book: Results, economic: Results) -> list[ResultSheet]:
    """Sheet Trials costed, if a trial blend names lots on hand."""
    on_hand = lots_on_hand(book, economic)
    trials, findings = trial_blends(book, economic, on_hand)
    if not len(trials):
        return []
    cheapest, shadows, more = cheapest_blends(book, economic, on_hand)
    currency = economic.estate.settings.currency
    costs = (
        *_AT_TIRAGE,
        "Book per bottle at release",
        "Economic per bottle at release",
        "Economic over last blend",
        "Economic over cheapest trial",
    )
    formats = {
        "Litres": "quantity",
        "Bottles": "integer",
        "Release": "date",
        **dict.fromkeys(("Reserve", "Second pressing"), "percent"),
        **dict.fromkeys(costs, "money4"),
    }
    apart = ["vintages", "varieties", "villages", "left"]  # shown trial by trial in tables of their own
    tables = [ResultTable("trial_blends_costed", trials.drop(columns=apart).rename(columns=TRIALS), formats)]
    made_of, left = trials_side_by_side(book, economic, on_hand)
    headers = own_headers([str(name) for name in made_of.columns], ("Made of", "Name", "Lot", "On hand"))
    made_of = made_of.rename(columns=headers).rename_axis(["Made of", "Name"]).reset_index()
    left = left.rename(columns=headers).rename_axis(["Lot", "On hand"]).reset_index()
    shares = dict.fromkeys(headers.values(), "percent")
    tables.append(ResultTable("trials_made_of", made_of, shares, title="What each trial is made of"))
    litres = dict.fromkeys(["On hand", *headers.values()], "integer")
    tables.append(ResultTable("trials_leave", left, litres, title="Litres that each trial leaves"))
    if len(cheapest):
        each = {"Bottles": "integer", "Litres": "quantity", "Part of the blend": "percent"}
        money = dict.fromkeys(("Economic per bottle at tirage", "Saving per bottle over the trial"), "money4")
        name = "Cheapest blend of the same lots within the bounds of each trial"
        tables.append(ResultTable("cheapest_blends", cheapest.rename(columns=CHEAPEST), {**each, **money}, title=name))
    if len(shadows):
        each = {**dict.fromkeys(("Share asked", "Share attained"), "percent")}
        each |= {"A bottle cheaper per point given way": "money4"}
        name = "What each bound costs"
        tables.append(ResultTable("bounds_of_blends", shadows.rename(columns=SHADOWS), each, title=name))
    notes = tuple(str(finding) for finding in [*findings, *more]) or ("Every trial draws no more than is there.",)
    chart = Chart(
        "column",
        "Trial blends: cost per bottle at tirage",
        "trial_blends_costed",
        "Trial",
        _AT_TIRAGE,
        "Trial",
        f"{currency} per 75 cl",
    )
    title = f"Candidate blends side by side ({currency} per 75 cl)"
    return [ResultSheet("Trials costed", title, notes, tuple(tables), (chart,))]
