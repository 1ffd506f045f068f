"""Cases in words, a line each, kept in a file per section: what is found now beside what was kept."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

Sections = Mapping[str, Callable[[], Iterator[str]]]


def by_name(*sections: Callable[[], Iterator[str]]) -> Sections:
    """Sections by the names of their functions, which their files have."""
    return {section.__name__: section for section in sections}


def found(sections: Sections, name: str) -> list[str]:
    """Lines of a section now."""
    return [line.replace("\n", "\\n") for line in sections[name]()]


def kept(folder: Path, name: str) -> list[str]:
    """Lines of a section as they were kept."""
    return (folder / f"{name}.txt").read_text("utf-8").split("\n")[:-1]


def keep(folder: Path, sections: Sections) -> None:
    """Keep every section anew."""
    folder.mkdir(exist_ok=True)
    for name in sections:
        (folder / f"{name}.txt").write_text("".join(f"{line}\n" for line in found(sections, name)), "utf-8")
