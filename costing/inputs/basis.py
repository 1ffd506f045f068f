"""A basis: the choices that turn one flow of wine into one cost.

`BOOK` is for the accounts: no capital, storage counts until disgorgement, abnormal losses are expensed, own
grapes at growing cost; `book_basis` is the same with the policies that Settings choose. `ECONOMIC` is for prices and
decisions: capital at the hurdle rate in every stage, survivors bear all losses, own grapes at transfer price.
`REPLACEMENT` is `ECONOMIC` with every posting brought to today's prices by the Price indices sheet. Another basis is a
`replace`: `ECONOMIC.replace(name="at 12 %", rate=0.12)`. None of them is accounting advice: the local standard decides
what a balance sheet may hold.
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, field_validator

from costing.array_types import Floats
from costing.inputs.estate import Settings
from costing.inputs.schema import lists

_STAGES: tuple[str, ...] = lists()["stage"]


class Basis(BaseModel):
    """Choices of one basis (frozen).

    capital: which rate of the Interest rates sheet capital accrues at; rate: effective annual rate that
    overrides the sheet; capital_stages: stages in which capital accrues; storage_stages: stages whose storage
    belongs to the cost of the wine (elsewhere it is expensed); expensed_elements: cost elements that never
    enter the cost of the wine; abnormal_loss: expensed, or borne by the survivors; abnormal_gains: whether a
    gain above the norm is credited to expense; own_grapes: growing cost or transfer price; by_product: credit
    at the split, when sold, or none; replacement: postings at the prices of the valuation date; split_method:
    overrides every press load's split.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    capital: Literal["none", "borrowing", "hurdle"] = "none"
    rate: float | None = Field(default=None, ge=0, le=1)
    capital_stages: tuple[str, ...] = _STAGES
    storage_stages: tuple[str, ...] = _STAGES
    expensed_elements: tuple[str, ...] = ()
    abnormal_loss: Literal["expensed", "survivors"] = "expensed"
    abnormal_gains: bool = False
    own_grapes: Literal["growing cost", "transfer price"] = "growing cost"
    by_product: Literal["at split", "at sale", "none"] = "at split"
    replacement: bool = False
    split_method: str | None = None

    @field_validator("capital_stages", "storage_stages")
    @classmethod
    def _known_stages(cls, stages: tuple[str, ...]) -> tuple[str, ...]:
        unknown = [stage for stage in stages if stage not in _STAGES]
        if unknown:
            msg = f"no such stage: {', '.join(unknown)}; stages are {', '.join(_STAGES)}"
            raise ValueError(msg)
        return stages

    @property
    def opening_costs(self) -> str:
        """Which rows of Opening costs it takes, beside those that name no basis: "book" or "economic"."""
        return "economic" if self.capital == "hurdle" else "book"

    def abnormal_share(self, abnormal: Floats) -> Floats:
        """Abnormal part of shares that passes on to nobody: where survivors bear losses 0, except where nothing
        survived, for a whole lot lost (1) is expensed on every basis; a gain (below 0) only where it is credited.
        """
        if self.abnormal_loss == "survivors":
            return np.where(abnormal >= 1.0, 1.0, 0.0)
        return abnormal if self.abnormal_gains else np.maximum(abnormal, 0.0)

    def replace(self, **changes: Any) -> Basis:
        """A basis that differs in the named choices, validated again."""
        return Basis(**{**self.model_dump(), **changes})


BOOK = Basis(
    name="book",
    storage_stages=tuple(stage for stage in _STAGES if stage != "finished stock"),
)
ECONOMIC = Basis(name="economic", capital="hurdle", abnormal_loss="survivors", own_grapes="transfer price")
REPLACEMENT = ECONOMIC.replace(name="replacement", replacement=True)

STORAGE_UNTIL = {"disgorgement": "finished stock", "tirage": "on lees", "never": _STAGES[0]}
"""Ends of the storage window that Settings offer, and the first stage whose storage is expensed."""


def book_basis(settings: Settings) -> Basis:
    """The book basis with the policies that Settings choose; `BOOK` where none is chosen."""
    ends = _STAGES.index(STORAGE_UNTIL[settings.book_storage_until])
    finished = _STAGES.index("finished stock")
    return BOOK.replace(
        own_grapes="transfer price" if settings.book_own_grapes == "market price" else "growing cost",
        by_product=settings.book_by_product,
        storage_stages=_STAGES[:ends],
        capital="borrowing" if settings.book_borrowing_cost == "capitalised" else "none",
        capital_stages=_STAGES[:finished] if settings.book_borrowing_cost == "capitalised" else _STAGES,  # IAS 23.22
        abnormal_gains=settings.book_abnormal_gain == "credited",
        abnormal_loss=settings.book_abnormal_loss,
    )
