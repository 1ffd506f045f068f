"""What bottles sent bring and cost in cash: customers, selling costs, duty and VAT.

    customers   price less commission, with the duty and VAT charged to them, on their day
    duty, VAT   some days after the end of the month of dispatch, as Channels says; blank days: the buyer pays it
    VAT         its rate on net price and duty

Conventions: a planned sale without a price goes at the list price in force, less the channel's discount; where there
is none its bottles are left out and counted. Samples and gifts bear duty and bring nothing.
"""

from __future__ import annotations

import numpy as np

from costing.array_types import Floats, Ints
from costing.decisions.budget.entries import CashEntries, cash_entries, nothing
from costing.decisions.prices.channels import EXCISE_BASES
from costing.decisions.prices.price_chains import USUAL_ALCOHOL
from costing.decisions.prices.realised import receipts
from costing.decisions.prices.terms_in_force import currency_rates
from costing.engine.carrying import day_numbers
from costing.errors import Finding, caution
from costing.graph.arrays import Flow
from costing.model import Runs
from costing.results.ways_out import SALE, channel_rows, ways_out


def cash_of_sales(runs: Runs) -> tuple[CashEntries, list[Finding]]:
    """Entries of every row of Dispatches, and how many bottles have no price."""
    estate, labels, flows = runs.estate, runs.labels, runs.chain.flows
    flow = np.flatnonzero(flows.kind == Flow.DISPATCH)
    flow = flow[np.argsort(flows.row[flow], kind="stable")]
    if not len(flow):
        return nothing(), []
    lot, bottles, day = flows.source[flow], flows.out[flow], flows.day[flow]
    receipt = receipts(estate, labels.cuvee[lot], labels.format[lot])
    terms_row = channel_rows(estate, estate["dispatches"]["channel"], day)
    terms = estate["channels"].reindex(terms_row)  # no row of Channels: blank terms

    def term(name: str) -> Floats:
        return np.asarray(terms[name].to_numpy(dtype=float))

    sale = (terms_row >= 0) & (ways_out(estate) == SALE)
    planned = day > runs.today
    kept = np.where(planned & np.isnan(receipt.price), receipt.at_list, receipt.price)
    full = kept / (1.0 - np.nan_to_num(term("commission")))
    counts = ~sale | np.isfinite(kept)
    duty = np.where(counts & np.isfinite(term("duty_days")), _duty(runs, terms_row, lot, day), 0.0)
    vat = np.where(sale & counts & np.isfinite(term("vat_days")), np.nan_to_num(term("vat")) * (full + duty), 0.0)
    row, month_end = np.arange(len(flow)), _month_end(day)
    charged = np.where(sale, duty + vat, 0.0)
    parts = [
        cash_entries("customers", "dispatches", row, day, receipt.paid, (kept + charged) * bottles),
        cash_entries("other", "dispatches", row, day, day, -np.where(counts, receipt.selling, 0.0) * bottles),
        cash_entries("duty", "dispatches", row, day, month_end + _whole(term("duty_days")), -duty * bottles),
        cash_entries("VAT", "dispatches", row, day, month_end + _whole(term("vat_days")), -vat * bottles),
    ]
    return CashEntries.joined(parts), _without_price(runs, planned & ~counts, bottles)


def _duty(runs: Runs, terms_row: Ints, lot: Ints, day: Ints) -> Floats:
    """Excise a bottle of each dispatch, in the estate's currency."""
    estate, terms = runs.estate, runs.estate["channels"]
    strength = estate["cuvees"].drop_duplicates("cuvee").set_index("cuvee")["alcohol"]
    alcohol = 100.0 * strength.reindex(runs.labels.cuvee[lot]).to_numpy(dtype=float)
    alcohol = np.where(np.isnan(alcohol), USUAL_ALCOHOL, alcohol)
    litres = runs.chain.lots.litres_per_unit[lot]
    currency = terms["currency"].astype(object).reindex(terms_row).to_numpy()
    rate = currency_rates(estate, currency, estate["dispatches"]["channel"].astype(object).to_numpy(), day)
    duty = np.zeros(len(lot))
    for row in np.unique(terms_row[terms_row >= 0]):
        sold = np.flatnonzero(terms_row == row)
        basis, amount = terms["excise_basis"].astype(object).iloc[row], np.nan_to_num(terms["excise_amount"].iloc[row])
        duty[sold] = EXCISE_BASES[str(basis)](float(amount), litres[sold], alcohol[sold]) * np.nan_to_num(rate[sold])
    return duty


def _without_price(runs: Runs, left_out: np.ndarray, bottles: Floats) -> list[Finding]:
    """A caution that says how many bottles planned sales without a price leave out."""
    rows = np.flatnonzero(left_out)
    if not len(rows):
        return []
    many = f"{len(rows)} planned sales have" if len(rows) > 1 else "a planned sale has"
    rule = f"{many} no price and no list price: {bottles[rows].sum():,.0f} bottles are left out of the cash."
    place = runs.estate.place("dispatches", int(rows[0]), "net_price")
    return [caution(place, "", rule, "Enter the net price, or a list price of the cuvée and format on Price list.")]


def _month_end(day: Ints) -> Ints:
    months = day.astype("datetime64[D]").astype("datetime64[M]")
    return day_numbers((months + 1).astype("datetime64[D]")) - 1


def _whole(values: Floats) -> Ints:
    return np.nan_to_num(values).astype(np.int64)
