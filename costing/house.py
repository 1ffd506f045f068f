"""The way in from Python: an estate, opened, whose answers are methods.

    house = costing.open("estate.xlsx")
    house.cost_per_bottle()
    dearer = house.replace(grape_prices=lambda t: t.assign(price_per_kg=t.price_per_kg * 1.1))
    dearer.compare(house)

Every answer is computed when asked for and once. What a method needs is loaded when it is called, so that opening the
module costs nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from costing.errors import CostingError, nearest

if TYPE_CHECKING:
    import pandas as pd

    from costing.answers.answer import Answer
    from costing.inputs.estate import Estate
    from costing.model import Runs


def open_house(source: str | Path | Mapping[str, pd.DataFrame]) -> House:
    """Open a workbook, a folder of CSV files, or data frames by sheet.

    InputError with every finding if the input has errors; WorkbookError if the file can't be read.
    """
    from costing.workbook.source import read_estate

    name = "data frames" if isinstance(source, Mapping) else Path(source).resolve().name
    return House(read_estate(source), name)


class House:
    """An estate and the answers to what is asked of it."""

    def __init__(self, estate: Estate, name: str = "estate") -> None:
        self.estate = estate
        self.name = name

    @cached_property
    def runs(self) -> Runs:
        """Results on every basis."""
        from costing.model import Runs

        return Runs(self.estate)

    def __repr__(self) -> str:
        """Three lines: what was opened, how much of it, what is doubtful."""
        rows = sum(len(table) for table in self.estate.tables.values())
        filled = sum(len(table) > 0 for table in self.estate.tables.values())
        count = len(self.estate.cautions)
        return (
            f"House '{self.name}': amounts in {self.estate.settings.currency}\n"
            f"{rows:,} rows on {filled} sheets\n"
            f"{count} caution{'' if count == 1 else 's'} when read"
        )

    def frames(self) -> dict[str, pd.DataFrame]:
        """Every filled table by name, as `costing.open` takes them; percentages in percent points."""
        from costing.inputs.frames import frames_of

        return frames_of(self.estate)

    def replace(self, **tables: pd.DataFrame | Callable[[pd.DataFrame], pd.DataFrame]) -> House:
        """Another house with these tables in place of its own, validated as a workbook is.

        tables: sheet name -> frame, or a function from the present frame to the new one. CostingError with the
        nearest name for a sheet or column that there is not; InputError with every finding.
        """
        from dataclasses import replace

        from costing.inputs.frames import as_entered
        from costing.inputs.owners import both_sides
        from costing.workbook.source import read_estate

        frames = self.frames()
        for name, change in tables.items():
            if name not in self.estate.tables and name != "settings":
                msg = f"there is no sheet '{name}'. {nearest(name, self.estate.tables)}".strip()
                raise CostingError(msg)
            present = frames[name] if name == "settings" else as_entered(name, both_sides(self.estate)[name])
            frames[name] = _changed(name, change, present) if callable(change) else change
        estate = read_estate(frames)
        kept = {name: source for name, source in self.estate.sources.items() if name not in tables}
        return House(replace(estate, sources={**estate.sources, **kept}), f"{self.name}, changed")

    def compare(self, other: House) -> Answer:
        """Cost per bottle and stock beside those of another house, which stands as recorded."""
        from costing.decisions.changes.scenarios import estates_compared

        return estates_compared(other.runs, {self.name: self.runs})

    def cost_per_bottle(self) -> Answer:
        """Cost per bottle of every release on both bases, with its build-up."""
        from costing.accounts.costs import costs

        return costs(self.runs)

    def stock(self) -> Answer:
        """Stock on hand and its roll-forward."""
        from costing.accounts.stock import stock

        return stock(self.runs)

    def origins(self, release: str) -> Answer:
        """Where the economic cost of a release, or of a lot on hand, came from, and what it is made of."""
        from costing.accounts.origins import origins_of

        return origins_of(self.runs, release)

    def amounts_charged(self) -> Answer:
        """What became of the money of every row."""
        from costing.accounts.amounts_charged import charged

        return charged(self.runs)

    def ageing(self) -> Answer:
        """Every stack on lees: hold or release, and why."""
        from costing.decisions.hold_or_release import ageing

        return ageing(self.runs)

    def plan(
        self, without: Collection[str] = (), own: pd.DataFrame | None = None, *, whole_campaigns: bool = False
    ) -> Answer:
        """One plan for every lot. without: kinds of limit left out; own: lot, date and bottles of a plan to compare;
        whole_campaigns: with their cost and least size of Settings, which takes about half a minute.
        """
        from costing.decisions.plan.views import plan_answer

        return plan_answer(self.runs, without, own, whole_campaigns=whole_campaigns)

    def cash(self, months_ahead: int = 24, *, planned: bool = False) -> Answer:
        """Cash month by month, what is owed and owing, and what the stock will bear of debt. planned: with the best
        joint plan in place of the disgorgements and sales typed.
        """
        from costing.decisions.cash.cash import cash

        return cash(self.runs, months_ahead, planned=planned)

    def tirage(self) -> Answer:
        """Bottles to fill this spring by cuvée and format, and the reserve to keep after it."""
        from costing.decisions.filling.spring_tirage import tirage

        return tirage(self.runs)

    def futures(self, without: Collection[str] = (), own: pd.DataFrame | None = None) -> Answer:
        """The plan under every scenario: what this quarter has in common in all, what every plan loses in each."""
        from costing.decisions.changes.futures import futures

        return futures(self.runs, without, own)

    def offers(self) -> Answer:
        """Offers to us and for ours: buy, sell or pass, and the price at which that turns."""
        from costing.decisions.filling.offers import offers

        return offers(self.runs)

    def vats(self) -> Answer:
        """Every vat and reserve: used now, kept a year, or sold."""
        from costing.decisions.cellar.reserves import vats

        return vats(self.runs)

    def blend(self) -> Answer:
        """Trial blends side by side, and the cheapest within their bounds."""
        from costing.decisions.cellar.cheapest_blend import trials

        return trials(self.runs)

    def recipes(self) -> Answer:
        """Cuvées not made yet, against what they cost now."""
        from costing.decisions.cellar.recipes import recipes

        return recipes(self.runs)

    def prices(self, elasticity: float | None = None) -> Answer:
        """What every release still to sell must fetch in each channel, beside its list price.

        elasticity: of demand, below -1, tried in place of the price response of every market. InputError with every
        finding of the sheets that prices are made of.
        """
        from costing.decisions.prices.prices import prices

        return prices(self.runs, elasticity)

    def margins(self) -> Answer:
        """What was sold, by cuvée, channel and year, and what each earns on the money that it keeps tied up."""
        from costing.decisions.prices.margins import margins

        return margins(self.runs)

    def services(self) -> Answer:
        """What owners of goods kept here pay for the work on them, what it cost, and what of theirs lies here."""
        from costing.accounts.services import services

        return services(self.runs)

    def scenarios(self, others: Mapping[str, House] | None = None) -> Answer:
        """Named changes, rerun side by side; others: whole houses as scenarios, by name."""
        from costing.decisions.changes.scenarios import scenarios_answer

        runs_of = {name: other.runs for name, other in others.items()} if others else None
        return scenarios_answer(self.runs, runs_of)

    def why(self, first: str | None = None, second: str | None = None, before: House | None = None) -> Answer:
        """Why a cost moved between two releases, or from another house to this one, in parts that add up."""
        from costing.decisions.changes.why import why_answer

        return why_answer(self.runs, first, second, None if before is None else before.estate)

    def sensitivity(self, release: str | None = None) -> Answer:
        """What moves the cost of a bottle most: a release, a cuvée, or all."""
        from costing.decisions.changes.sensitivity import sensitivity

        return sensitivity(self.runs, release)

    def forecast(
        self, draws: int = 10_000, seed: int = 1, progress: Callable[[int, int], None] | None = None
    ) -> Answer:
        """The uncertain figures drawn many times: how sure costs, target prices and verdicts are.

        Same seed, same figures; progress: called with exact runs done and all of them.
        """
        from costing.decisions.changes.uncertainty_tables import forecast_answer

        return forecast_answer(self.runs, draws, seed, progress)

    def report(self, stamp: str = "") -> str:
        """All answers on one page of HTML, to read in a browser or to print. stamp: a line on when it was made."""
        from costing.report import report_page

        return report_page(self.runs, stamp)


def _changed(name: str, change: Callable[[pd.DataFrame], Any], present: pd.DataFrame) -> Any:
    """What a function makes of a table. CostingError where it reads or adds a column that there is not."""
    from costing.inputs.schema import sheets

    known, possible = list(map(str, present.columns)), [of.name for of in sheets()[name].columns]
    try:
        changed = change(present)
    except (KeyError, AttributeError) as fault:
        word = str(fault.args[0]).rpartition("attribute '")[2].strip("'") if fault.args else ""
        blank = f"column '{word}' of sheet '{name}' is blank in this estate: give a whole table in its place."
        raise CostingError(blank if word in possible else _no_column(name, word, known)) from fault
    known += possible
    for column in getattr(changed, "columns", ()):
        if column not in known:
            raise CostingError(_no_column(name, str(column), known))
    return changed


def _no_column(name: str, column: str, known: Iterable[str]) -> str:
    return f"sheet '{name}' has no column '{column}'. {nearest(column, known)}".strip()
