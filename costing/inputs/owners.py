"""Other people's goods: whose each lot is, and their rows apart from our own.

A lot belongs to whom the delivery or the opening stock names that filled it (blank: the estate). What is pressed,
moved, bottled or disgorged from it belongs to the same, so every row that moves goods is wholly ours or wholly
somebody else's: a row between owners is refused, for goods change hands by a sale.

`own_part` leaves our own rows in the tables of the estate and puts the others beside; `kept_for_others` gives those as
an estate of their own, under the same rates, pools and norms. Nothing but what is shared by a driver ever sees both.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import csr_matrix

from costing.array_types import Flags, Ints, Names
from costing.errors import Finding
from costing.inputs.estate import Estate, Others, empty_table, joined_rows, some_rows
from costing.inputs.numbered import lots_named
from costing.inputs.rows import Breach, Check, Rows, rule_of
from costing.inputs.schema import sheets
from costing.once import asked_once

OWN = ""
_FILLED = ("opening_stock", "deliveries")
_PASSED_ON = (
    ("movements", "from_lot", "to_lot"),
    ("tirage", "wine_lot", "to_lot"),
    ("disgorgements", "from_lot", "release_lot"),
    ("disgorgements", "liqueur_lot", "release_lot"),
)
_OF_LOTS = (
    *("opening_stock", "opening_costs", "opening_composition", "deliveries", "pressings", "movements", "stocktakes"),
    *("tirage", "disgorgements", "dispatches", "costs"),
)
"""Sheets whose rows are of a lot, and so of its owner."""
_NO_MONEY = (
    ("deliveries", "price_per_unit"),
    ("deliveries", "growing_cost_per_unit"),
    ("deliveries", "premium_per_unit"),
    ("deliveries", "expected_premium_per_unit"),
    ("opening_costs", "amount"),
    ("movements", "proceeds"),
    ("dispatches", "net_price"),
)
_OURS_ALONE = (("offers", "lot"), ("trial_blends", "lot"), ("market_values", "lot"))


@dataclass(frozen=True)
class _Passes:
    """What goes from one lot to another: table, row and column of the lot filled, numbers of both. A press load stands
    between the grapes and the must as a lot of its own, numbered after the lots.
    """

    table: Names
    row: Ints
    column: Names
    source: Ints
    target: Ints


def any_others(estate: Estate) -> bool:
    """Whether a row names an owner."""
    return any(estate[table]["owner"].notna().any() for table in _FILLED)


def _passes(estate: Estate) -> _Passes:
    lots, loads = lots_named(estate), estate["pressings"]["load"].cat.codes.to_numpy().astype(np.int64)
    load = np.where(loads >= 0, loads + len(lots.names), -1)
    parts = [(table, end, lots.of_rows(table, start), lots.of_rows(table, end)) for table, start, end in _PASSED_ON]
    parts += [("pressings", "from_lot", lots.of_rows("pressings", "from_lot"), load)]
    parts += [("pressings", "to_lot", load, lots.of_rows("pressings", "to_lot"))]
    passes = []
    for name, line, given, other in parts:
        rows = np.flatnonzero((given >= 0) & (other >= 0))
        table, column = (np.full(len(rows), word, dtype=object) for word in (name, line))
        passes.append((table, rows, column, given[rows], other[rows]))
    return _Passes(*(np.concatenate(column) for column in zip(*passes, strict=True)))


def _of_others(estate: Estate) -> Flags:
    """Whether each lot is not ours, by number, and False at the end. Where owners are mixed, ours come first."""
    lots = len(lots_named(estate).names)
    theirs = _owners(estate).of_lot[:lots] > 0 if any_others(estate) else np.zeros(lots, dtype=bool)
    return np.append(theirs, False)


@dataclass(frozen=True)
class _Owners:
    """names: our own first; of_lot: number of the owner of each lot and press load (−1: no row fills it), −1 last;
    named: number of the owner that each row names, by table.
    """

    names: Names
    of_lot: Ints
    named: dict[str, Ints]


@asked_once
def _owners(estate: Estate) -> _Owners:
    """Owner of every lot and press load that a row fills."""
    passes, lots = _passes(estate), lots_named(estate)
    named = [_named(estate, table) for table in _FILLED]
    names, number = np.unique(np.concatenate([np.array([OWN], dtype=object), *named]).astype(str), return_inverse=True)
    rows = np.split(number[1:], [len(named[0])])
    owner = np.full(len(lots.names) + len(estate["pressings"]["load"].cat.categories) + 1, -1, dtype=np.int64)
    for table, of_row in reversed(list(zip(_FILLED, rows, strict=True))):
        filled = lots.of_rows(table, "lot")
        owner[filled[::-1]] = of_row[::-1]  # the last to be written is the first row
    owner[-1] = -1
    goods = passes.column != "release_lot"  # a release is whose the bottles were, whatever liqueur it is dosed with
    goods |= np.isin(passes.source, lots.of_rows("disgorgements", "from_lot"))
    source, target = passes.source[goods], passes.target[goods]
    begins = [np.flatnonzero(owner == number) for number in range(len(names))]
    for one, begin in enumerate(begins):
        free = owner < 0
        onward = free[target]
        reached = _reached(source[onward], target[onward], begin, len(owner) - 1)
        owner[reached[free[reached]]] = one
    return _Owners(names.astype(object), owner, dict(zip(_FILLED, rows, strict=True)))


def _reached(source: Ints, target: Ints, begin: Ints, n: int) -> Ints:
    """Lots, of n, that what lies in the first ones comes into."""
    onward = csr_matrix((np.ones(len(source)), (source, target)), shape=(n, n))
    reached, new = np.zeros(n, dtype=bool), begin
    while len(new):
        reached[new] = True
        new = np.unique(onward[new].indices)
        new = new[~reached[new]]
    return np.flatnonzero(reached)


def _named(estate: Estate, table: str) -> Names:
    """Owner that each row names; the estate's own name is no other."""
    named = estate[table]["owner"].astype(object)
    return np.asarray(named.where(named.notna() & (named != estate.settings.estate), OWN))


@Check
def goods_change_hands(estate: Estate) -> Iterator[Finding]:
    """Yield rows that move goods between owners, and lots that two owners fill."""
    if not any_others(estate):
        return
    owner, passes, lots = _owners(estate), _passes(estate), lots_named(estate)
    remedy = (
        "Goods change hands by a sale: enter what goes as a bulk sale or a dispatch, and what comes as a delivery of "
        "its new owner. A lot of another owner has a name of its own."
    )
    for table in _FILLED:
        lot = lots.of_rows(table, "lot")
        for row in np.flatnonzero((lot >= 0) & (owner.of_lot[lot] != owner.named[table])):
            rule = f"fills lot '{lots.names[lot[row]]}', which is {_whose(owner.names[owner.of_lot[lot[row]]])}."
            yield from Rows(estate, table).findings([int(row)], "owner", rule, remedy)
    from_, to = owner.of_lot[passes.source], owner.of_lot[passes.target]
    for line in np.flatnonzero((from_ != to) & (from_ >= 0) & (to >= 0)):
        table, column = str(passes.table[line]), str(passes.column[line])
        given, held = _whose(owner.names[from_[line]]), _whose(owner.names[to[line]])
        rule = f"would mix owners without a sale: what goes in is {given}, the rest {held}."
        yield from Rows(estate, table).findings([int(passes.row[line])], column, rule, remedy)


def _whose(owner: str) -> str:
    return f"of '{owner}'" if owner else "our own"


@Check
def money_of_others(estate: Estate) -> Iterator[Finding]:
    """Yield prices and costs of others' goods, their lots where only ours can stand, and own goods handed back."""
    others, lots = _of_others(estate), lots_named(estate)
    any_theirs = bool(others.any())
    for table, column in _NO_MONEY if any_theirs else ():
        theirs = _rows_of(estate, table, others) & np.asarray(estate[table][column].fillna(0.0) != 0)
        rule = "stands on goods of another owner, which are neither bought nor sold by us."
        remedy = "Empty it; what they pay for the work stands on Service rates. Goods that we bought have no owner."
        yield from Rows(estate, table).findings(theirs, column, rule, remedy)
    for table, column in _OURS_ALONE if any_theirs else ():
        theirs = estate[table][column].isin(lots.names[others[:-1]]).to_numpy()
        rule, remedy = "is a lot of another owner: only our own can stand here.", "Name a lot of ours."
        yield from Rows(estate, table).findings(theirs, column, rule, remedy)
    moves = estate["movements"]
    back = (moves["operation"] == "handing back").to_numpy()
    if back.any():
        ours = back & ~others[lots.of_rows("movements", "from_lot")]
        rule, remedy = "is a lot of our own: there is nobody to hand it back to.", "Enter a sale, or the owner."
        yield from Rows(estate, "movements").findings(ours, "from_lot", rule, remedy)


@rule_of("service_rates")
def service_rates_hold(rates: Rows) -> Iterator[Breach]:
    """Yield service rates in another currency without its rate, and of an owner of no goods."""
    estate = rates.estate
    foreign = rates.given("currency") & ~rates.are("currency", estate.settings.currency)
    rule = "is another currency, and no rate of it stands here."
    yield foreign & ~rates.given("currency_rate"), "currency", rule, "Enter the currency rate."
    known = {name for table in _FILLED for name in _named(estate, table)}
    rule, remedy = "has no goods here.", "Enter the owner as on Deliveries or Opening stock, or leave it blank."
    yield rates.given("owner") & ~rates.are("owner", *known), "owner", rule, remedy


def _rows_of(estate: Estate, table: str, which: Flags) -> Flags:
    """Rows of a table that are of some lots (by number, False at the end); of a press load all."""
    lots, of_lots = lots_named(estate), np.zeros(len(estate[table]), dtype=bool)
    for column in sheets()[table].columns:
        if column.refers == "lot":
            of_lots |= which[lots.of_rows(table, column.name)]
    if table == "pressings":
        load = estate[table]["load"].cat.codes.to_numpy()
        of_lots = np.isin(load, load[of_lots])
    return of_lots


def own_part(estate: Estate) -> Estate:
    """The estate with other people's rows beside its own; the same where it keeps nothing for others."""
    theirs = _of_others(estate)
    if not theirs.any():
        return estate
    names, owner = lots_named(estate).names[theirs[:-1]], _owners(estate)
    of_lot = owner.names[owner.of_lot[: len(theirs) - 1][theirs[:-1]]]
    rows = {table: _rows_of(estate, table, theirs) for table in _OF_LOTS}
    tables, sources = some_rows(estate, {table: ~those for table, those in rows.items()})
    return replace(
        estate,
        tables={**estate.tables, **tables},
        sources={**estate.sources, **sources},
        others=Others(*some_rows(estate, rows), dict(zip(names.tolist(), of_lot.tolist(), strict=True))),
    )


@asked_once
def kept_for_others(estate: Estate) -> Estate | None:
    """The lots of others as an estate, under the rates, pools and norms that hold for ours; None without any.

    They lie there until our own valuation date. Nobody bought them: no price list speaks of them.
    """
    if estate.others is None:
        return None
    nothing = {name: empty_table(name) for name in ("grape_prices", "yearend_stock")}
    return replace(
        estate,
        tables={**estate.tables, **estate.others.tables, **nothing},
        sources={**estate.sources, **estate.others.sources},
        cautions=(),
        others=None,
    )


@asked_once
def both_sides(estate: Estate) -> Estate:
    """The estate with everybody's rows in its tables again, other people's after our own."""
    if estate.others is None:
        return estate
    tables, sources = dict(estate.tables), dict(estate.sources)
    for name, theirs in estate.others.tables.items():
        parts, places = (tables[name], theirs), (sources[name], estate.others.sources[name])
        if len(theirs):
            tables[name] = joined_rows(parts)
            typed = [
                np.zeros(len(part), bool) if place.hectolitres is None else place.hectolitres
                for part, place in zip(parts, places, strict=True)
            ]
            sheet, row = (np.concatenate([getattr(place, of) for place in places]) for of in ("sheet", "row"))
            sources[name] = replace(places[0], sheet=sheet, row=row, hectolitres=np.concatenate(typed))
    return replace(estate, tables=tables, sources=sources, others=None)


def rows_in_whole(estate: Estate, table: Ints, row: Ints) -> Ints:
    """Where rows of other people's tables stand in those of `both_sides`. table: numbers in the order of the schema."""
    after = np.zeros(len(sheets()), dtype=np.int64)
    names = list(sheets())
    for name in estate.others.tables if estate.others else ():
        after[names.index(name)] = len(estate[name])
    return row + after[table]
