"""What an estate did against the rule set of its place: months, yields, sugar, alcohol, shares and pressure.

Every check takes rows as arrays of one length, looks up the figure in force on the day of each row and
yields cautions, never errors: figures are dated, partly second-hand, and local rules decide. `places` says
where each row stands (`Pressings!12`); `categories` is one text for all rows or one per row. Rows with nan
or NaT pass in silence; so do rows for which the set has no figure on that day.

Calendar months: `end` is n months after `start` from the day of the same number n months later on, or from
the last day of that month where it is shorter (31 January to 28 February: one month). Time on lees and to
sale: the figure in force on the day of tirage counts, since the wine was bottled under it; where the set has
none for that day, the one in force on the day of disgorgement or dispatch.

Sugar: 16.83 to 17 g/L ferment into 1 % vol. Pressure: 4 g/L give 1 bar at 10 °C; 24 g/L give 6 bar at 10 °C
and 8 bar at 20 °C. Sources, teaching sites (second-hand): guide-veron-champagne.com, «Chaptalisation»;
veron-oenologie.blogspot.com, «Prise de mousse» (6 June 2019); viticulture-oenologie-formation.fr, «Prise de
mousse – Champagne»; 17 g/L: common practice. An estimate and no measurement; it does not say what a bottle
bears.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import date

import numpy as np
from numpy.typing import ArrayLike

from costing.array_types import Days, Flags, Floats, Ints
from costing.calendar import add_months, months_between
from costing.errors import Finding, caution
from costing.inputs.appellations import DAY_UNITS, RuleFigure, RuleSet

_Rows = ArrayLike  # one value a row
Places = Sequence[str]
Categories = str | Sequence[object]
Say = Callable[[int, RuleFigure], tuple[str, str]]  # row, its figure -> what stands there, what it breaks

SUGAR_PER_PERCENT_VOL = (16.83, 17.0)  # g/L
SUGAR_PER_BAR_AT_10_C = 4.0  # g/L
USUAL_BAR_AT_10_C = 6.0
# ln p is linear in 1/T (van 't Hoff), through the 6 bar at 10 °C and 8 bar at 20 °C of the teaching site
VANT_HOFF_K = float(np.log(8 / 6) / (1 / 283.15 - 1 / 293.15))
BURST_CAUTION = (
    "Tirage sugar sets bottle pressure: above what the bottle is rated for, bottles burst; "
    "follow the glassmaker's rating and an oenologist."
)
LOCAL_RULES = "Rules change: confirm the one in force with the local authority or a professional."
_OVER = 1 + 1e-9  # so that 2,550.000000001 L is not more than 2,550 L
_NAT = np.datetime64("NaT", "D")


def press_yield(
    rules: RuleSet, dates: _Rows, kg: _Rows, litres: _Rows, places: Places, *, settled: bool = True
) -> Iterator[Finding]:
    """Litres of must of a load above what its kilograms allow.

    settled: litres measured after settling, as the rules count them; if False, the limit is raised by the
    most sediment that the set names.
    """
    weight, volume = _floats(kg), _floats(litres)
    index = rules.rows("press yield", "", dates)
    most = weight * _values(rules, index) / np.array([f.per for f in rules.figures])[index]
    if not settled:
        most = most * (1 + np.nan_to_num(_limit(rules, "settling sediment", dates)) / 100)

    def say(row: int, figure: RuleFigure) -> tuple[str, str]:
        shown = f"{volume[row]:,.0f} L from {weight[row]:,.0f} kg"
        return shown, f"is above {most[row]:,.0f} L ({figure.value:g} {figure.unit})"

    yield from _cautions(rules, index, volume > most * _OVER, places, say, "Check kilograms and litres.")


def earliest_tirage(
    rules: RuleSet, dates: _Rows, harvest_years: _Rows, places: Places, categories: Categories = ""
) -> Iterator[Finding]:
    """Tirage before the first day allowed after the youngest harvest in the wine (nan: unknown)."""
    day, years = _days(dates), _floats(harvest_years)
    index = rules.rows("earliest tirage", categories, day)
    first = np.full(day.shape, _NAT)
    for position in np.unique(index[index >= 0]):
        here, figure = (index == position) & ~np.isnan(years), rules.figures[position]
        month, number = (int(part) for part in figure.month_day.split("-"))
        months = (years[here].astype(np.int64) + DAY_UNITS[figure.unit] - 1970) * 12 + month - 1
        first[here] = months.astype("datetime64[M]").astype("datetime64[D]") + (number - 1)

    def say(row: int, _: RuleFigure) -> tuple[str, str]:
        return str(day[row]), f"is before {first[row]}, the first day of tirage for wine of {years[row]:.0f}"

    yield from _cautions(rules, index, day < first, places, say, "Check the date and the harvest.")


def months_on_lees(
    rules: RuleSet, tirage: _Rows, disgorged: _Rows, places: Places, categories: Categories = ""
) -> Iterator[Finding]:
    """Disgorgement before the least months on lees of the category (days, where a set names only those)."""
    first, last = _days(tirage), _days(disgorged)
    index = _ageing_rows(rules, "months on lees", categories, first, last)
    in_days = np.where(index >= 0, -1, _ageing_rows(rules, "days on lees", categories, first, last))
    days = np.where(np.isnat(last - first), np.nan, (last - first).astype(np.float64))
    spent = np.where(in_days >= 0, days, months_between(first, last))
    yield from _too_short(rules, np.maximum(index, in_days), spent, places, "on lees", "disgorge later")


def months_to_sale(
    rules: RuleSet, tirage: _Rows, dispatched: _Rows, places: Places, categories: Categories = ""
) -> Iterator[Finding]:
    """Dispatch before the least months from tirage to sale of the category."""
    index = _ageing_rows(rules, "months to sale", categories, _days(tirage), _days(dispatched))
    spent = months_between(tirage, dispatched)
    yield from _too_short(rules, index, spent, places, "from tirage to dispatch", "sell later")


def earliest_release(rules: RuleSet, tirage: _Rows, on: date, categories: Categories = "") -> tuple[Days, Days]:
    """First day of disgorgement and first day of sale, shape (n,) each; NaT where the set has no figure.

    on: the day whose figures count for wine bottled before the set begins. Sale is never before disgorgement.
    """
    first = _days(tirage)
    last = np.full(first.shape, np.datetime64(on, "D"))
    months, days, sale = (
        _values(rules, _ageing_rows(rules, rule, categories, first, last))
        for rule in ("months on lees", "days on lees", "months to sale")
    )
    by_days = np.where(np.isnan(days), _NAT, first + np.nan_to_num(days).astype(np.int64))
    disgorged = np.where(np.isnan(months), by_days, add_months(first, months))
    return disgorged, np.fmax(add_months(first, sale), disgorged)


def terms_for(rules: RuleSet, on: date, g_per_l: float, *, sugar_added: bool = False) -> list[str]:
    """Every sweetness term whose range holds `g_per_l` grams of sugar per litre of wine; ranges overlap.

    sugar_added: whether sugar was added after the second fermentation (no brut nature then).
    """
    bounds = rules.in_force("sugar maximum", on) + rules.in_force("sugar minimum", on)
    names = list(dict.fromkeys(figure.applies_to[0] for figure in bounds))
    days, sugar = np.full(len(names), np.datetime64(on, "D")), np.full(len(names), float(g_per_l))
    fits = _term_fits(rules, days, sugar, np.full(len(names), sugar_added), names)
    return [name for name, fit in zip(names, fits, strict=True) if fit]


def sweetness_terms(
    rules: RuleSet,
    dates: _Rows,
    dosage_g_per_l: _Rows,
    terms: Sequence[object],
    places: Places,
    residual_g_per_l: _Rows = 0.0,
) -> Iterator[Finding]:
    """Stated terms that do not fit the sugar of the finished wine: dosage plus what fermentation has left."""
    day, dosage = _days(dates), _floats(dosage_g_per_l)
    sugar = dosage + _floats(residual_g_per_l)
    stated = np.array([isinstance(term, str) and bool(term.strip()) for term in terms], dtype=np.bool_)
    misfit = ~_term_fits(rules, day, sugar, dosage > 0, terms) & stated & ~np.isnan(sugar) & ~np.isnat(day)
    for row in np.flatnonzero(misfit).tolist():
        on, added = day[row].item(), bool(dosage[row] > 0)
        figures = rules.in_force("sugar maximum", on)
        if not figures:
            continue
        fitting = ", ".join(terms_for(rules, on, sugar[row], sugar_added=added))
        tolerance = rules.figure("sugar tolerance", "", on)
        analysis = f" (tolerance {tolerance.value:g} g/L, {tolerance.note})" if tolerance else ""
        why = f"does not fit {sugar[row]:g} g/L{' with sugar added' if added else ''} (rules of {figures[0].rule_set})."
        remedy = f"Terms that fit{analysis}: {fitting}. {LOCAL_RULES}"
        yield caution(places[row], str(terms[row]), why, remedy, figures[0].cite())


def tirage_alcohol_gain(rules: RuleSet, dates: _Rows, sugar_g_per_l: _Rows, places: Places) -> Iterator[Finding]:
    """Tirage sugar (g per litre of mixture) that may raise total strength by more than the set allows."""
    sugar = _floats(sugar_g_per_l)
    high, low = (sugar / grams for grams in SUGAR_PER_PERCENT_VOL)
    index = rules.rows("alcohol gain by tirage", "", dates)

    def say(row: int, figure: RuleFigure) -> tuple[str, str]:
        gain = f"raises strength by {low[row]:.2f} to {high[row]:.2f} % vol"
        return f"{sugar[row]:g} g/L", f"{gain}, above {figure.value:g} % vol"

    over = high > _values(rules, index) * _OVER
    yield from _cautions(rules, index, over, places, say, f"Check the tirage sugar. {BURST_CAUTION}")


def technical_loss(
    rules: RuleSet, stage: str, dates: _Rows, litres_in: _Rows, litres_out: _Rows, places: Places
) -> Iterator[Finding]:
    """Loss at `stage` (`vinification` or `tirage`, else KeyError) above what the set admits as technical."""
    before = _floats(litres_in)
    loss = 100 * _ratio(before - _floats(litres_out), before)
    yield from _above(rules, f"technical loss at {stage}", dates, loss, places, f"% lost at {stage}")


def vintage_share(rules: RuleSet, dates: _Rows, vintage_l: _Rows, year_l: _Rows, places: Places) -> Iterator[Finding]:
    """Vintage wine of a year above its share of all wine of that year; dates: a day of the year's records."""
    share = 100 * _ratio(_floats(vintage_l), _floats(year_l))
    yield from _above(rules, "vintage share", dates, share, places, "% of the year's wine is vintage")


def named_vintage(
    rules: RuleSet, dates: _Rows, share: _Rows, made_of: Sequence[str], places: Places, categories: Categories = ""
) -> Iterator[Finding]:
    """Vintage bottlings with less of the year on their label than the set asks.

    share: part of the wine, liqueur left out, that is or may be of that year (nan: not known); made_of: its
    harvests in words.
    """
    index = rules.rows("named vintage", categories, dates)
    percent = 100 * _floats(share)

    def say(row: int, figure: RuleFigure) -> tuple[str, str]:
        return made_of[row], f"is below {figure.value:g} {figure.unit} of the year on the label"

    remedy = (
        "Bottle it under a cuvée without a vintage or blend in less of other harvests; where a harvest is wrong, put"
        " the vintage of its delivery or opening lot right, or the year on Cuvées."
    )
    yield from _cautions(rules, index, percent * _OVER < _values(rules, index), places, say, remedy)


def nominal_volume(rules: RuleSet, dates: _Rows, bottle_l: _Rows, places: Places) -> Iterator[Finding]:
    """Bottles of a volume that is not on the list, inside the range to which the list applies."""
    days, volume_ml = _days(dates), 1000 * _floats(bottle_l)
    index = rules.rows("nominal volume from", "", days)
    inside = (volume_ml >= _values(rules, index)) & (volume_ml <= _limit(rules, "nominal volume to", days))
    listed = np.zeros(days.shape, dtype=np.bool_)
    for figure in (rule for rule in rules.figures if rule.rule == "nominal volume"):
        first, last = np.datetime64(figure.in_force_from, "D"), np.datetime64(figure.last_day, "D")
        listed |= (days >= first) & (days <= last) & np.isclose(volume_ml, figure.value, rtol=1e-6)

    def say(row: int, figure: RuleFigure) -> tuple[str, str]:
        sizes = rules.in_force("nominal volume", days[row].item())
        return (
            f"{volume_ml[row]:g} mL",
            f"is not one of the sizes allowed: {', '.join(f'{size.value:g}' for size in sizes)} {figure.unit}",
        )

    yield from _cautions(rules, index, inside & ~listed, places, say, "Check the format.")


def estimated_pressure_bar(sugar_g_per_l: _Rows, temperature_c: _Rows = 10.0) -> Floats:
    """Estimated excess pressure after fermentation of the tirage sugar (g per litre of mixture), in bar."""
    kelvin = _floats(temperature_c) + 273.15
    return _floats(sugar_g_per_l) / SUGAR_PER_BAR_AT_10_C * np.exp(VANT_HOFF_K * (1 / 283.15 - 1 / kelvin))


def pressure_caution(
    sugar_g_per_l: _Rows, places: Places, rated_bar: _Rows = USUAL_BAR_AT_10_C, rated_at_c: float = 10.0
) -> Iterator[Finding]:
    """Tirages whose estimated pressure at `rated_at_c` is above `rated_bar` (unstated: 6 bar at 10 °C)."""
    sugar = _floats(sugar_g_per_l)
    rated = np.broadcast_to(_floats(rated_bar), sugar.shape)
    estimate, warm = (estimated_pressure_bar(sugar, celsius) for celsius in (rated_at_c, 20.0))
    for row in np.flatnonzero(estimate > rated * _OVER).tolist():
        both = f"{estimate[row]:.1f} bar at {rated_at_c:g} °C ({warm[row]:.1f} bar at 20 °C)"
        why = f"gives an estimated {both}, above {rated[row]:g} bar."
        yield caution(places[row], f"{sugar[row]:g} g/L", why, BURST_CAUTION)


def least_pressure(
    rules: RuleSet, dates: _Rows, sugar_g_per_l: _Rows, bottle_l: _Rows, places: Places
) -> Iterator[Finding]:
    """Tirages whose estimated pressure at 20 °C stays below the least that the set asks."""
    estimate = estimated_pressure_bar(sugar_g_per_l, 20.0)
    small = ["under 25 cl" if litres < 0.25 else "" for litres in _floats(bottle_l)]
    index = rules.rows("pressure", small, dates)

    def say(row: int, figure: RuleFigure) -> tuple[str, str]:
        return f"estimated {estimate[row]:.1f} bar at 20 °C", f"is below {figure.value:g} {figure.unit}"

    low = estimate * _OVER < _values(rules, index)
    yield from _cautions(rules, index, low, places, say, "Check the tirage sugar.")


def _above(rules: RuleSet, rule: str, dates: _Rows, amount: Floats, places: Places, what: str) -> Iterator[Finding]:
    index = rules.rows(rule, "", dates)

    def say(row: int, figure: RuleFigure) -> tuple[str, str]:
        return f"{amount[row]:.2f} {what}", f"is above {figure.value:g} {figure.unit}"

    over = amount > _values(rules, index) * _OVER
    yield from _cautions(rules, index, over, places, say, "Check the quantities.")


def _too_short(
    rules: RuleSet, index: Ints, spent: Floats, places: Places, what: str, instead: str
) -> Iterator[Finding]:
    def say(row: int, figure: RuleFigure) -> tuple[str, str]:
        kind = f" ({figure.applies_to[0]})" if figure.applies_to else ""
        return f"{spent[row]:.0f} {figure.unit} {what}", f"is below {figure.value:g} {figure.unit}{kind}"

    remedy = f"Check both dates and the category, or {instead}."
    yield from _cautions(rules, index, spent < _values(rules, index), places, say, remedy)


def _cautions(rules: RuleSet, index: Ints, flagged: Flags, places: Places, say: Say, remedy: str) -> Iterator[Finding]:
    for row in np.flatnonzero(flagged & (index >= 0)).tolist():
        figure = rules.figures[index[row]]
        shown, why = say(row, figure)
        why = f"{why} (rules of {figure.rule_set})."
        yield caution(places[row], shown, why, f"{remedy} {LOCAL_RULES}", figure.cite())


def _term_fits(rules: RuleSet, days: Days, sugar: Floats, added: Flags, terms: Sequence[object]) -> Flags:
    low, high = (rules.rows(f"sugar {end}", terms, days) for end in ("minimum", "maximum"))
    strict = np.array([figure.bound in ("above", "below") for figure in rules.figures])
    least, most = _values(rules, low), _values(rules, high)
    too_low = (sugar < least) | (strict[low] & (sugar == least))
    too_high = (sugar > most) | (strict[high] & (sugar == most))
    none_may_be_added = rules.rows("sugar added", terms, days) >= 0
    fits: Flags = ((low >= 0) | (high >= 0)) & ~(too_low | too_high | (none_may_be_added & added))
    return fits


def _ageing_rows(rules: RuleSet, rule: str, categories: Categories, first: Days, last: Days) -> Ints:
    index = rules.rows(rule, categories, first)
    return np.where(index >= 0, index, rules.rows(rule, categories, last))


def _values(rules: RuleSet, index: Ints) -> Floats:
    values: Floats = np.array([figure.value for figure in rules.figures] + [np.nan])[index]
    return values


def _limit(rules: RuleSet, rule: str, dates: _Rows) -> Floats:
    return _values(rules, rules.rows(rule, "", dates))


def _ratio(part: Floats, whole: Floats) -> Floats:
    out = np.full(np.broadcast(part, whole).shape, np.nan)
    np.divide(part, whole, out=out, where=whole > 0)
    return out


def _floats(values: _Rows) -> Floats:
    return np.atleast_1d(np.asarray(values, dtype=np.float64))


def _days(values: _Rows) -> Days:
    return np.atleast_1d(np.asarray(values, dtype="datetime64[D]"))
