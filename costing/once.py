"""Questions that are answered once.

Estates, chains, results and runs never change after they are made, so what a function finds out about one of them
stays true for as long as it lives. A function marked `asked_once` computes its answer when first asked, keeps it with
its subject, and gives the same object to everybody who asks again: nobody may change it.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from functools import wraps
from inspect import Signature, signature
from typing import Any, Concatenate, ParamSpec, TypeVar

T = TypeVar("T")
P = ParamSpec("P")
S = TypeVar("S", bound="Once")


class Once:
    """A subject that never changes after it is made, and keeps what was asked of it."""


def asked_once(question: Callable[Concatenate[S, P], T]) -> Callable[Concatenate[S, P], T]:
    """Let a function of a subject keep its answers there; of several, with the last: what is found of an estate and a
    chain goes with the chain. Other arguments are told apart by value where they are plain, otherwise by identity.
    """
    parameters = signature(question)
    every = len(parameters.parameters) - 1

    @wraps(question)
    def answered(subject: S, /, *others: P.args, **named: P.kwargs) -> T:
        given = others if len(others) == every else _bound(parameters, subject, *others, **named)
        keeper = next((one for one in given[::-1] if isinstance(one, Once)), subject)
        kept: dict[tuple[object, ...], tuple[object, T]] = keeper.__dict__.setdefault("_kept", {})
        key = (question, id(subject), *map(_told_apart, given))
        if key not in kept:  # kept with what was given, or its identity is reused, but not with the keeper itself
            beside = tuple(one for one in (subject, *given) if one is not keeper)
            kept[key] = beside, question(subject, *others, **named)
        return kept[key][1]

    return answered


def _bound(parameters: Signature, subject: Once, *others: object, **named: object) -> tuple[object, ...]:
    """Arguments in the order of the parameters, those left out at their defaults, without the subject."""
    asked = parameters.bind(subject, *others, **named)
    asked.apply_defaults()
    return tuple(asked.arguments.values())[1:]


def _told_apart(value: Any) -> object:
    if isinstance(value, tuple):
        return tuple(map(_told_apart, value))
    plain = value is None or isinstance(value, (str, int, float, date))
    return (type(value), value) if plain else id(value)
