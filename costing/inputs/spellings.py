"""When two names are one name in two spellings.

Names are compared without case, accents, signs and runs of spaces, and with letters of another alphabet read as the
Latin ones that they look like; a sign between two digits stays (`V25-1-2` is not `V25-12`). Other digits are another
name: `V25-1` and `V25-2` are a series. Two names are one letter apart where one word of at least four letters has a
letter more, less, changed or exchanged with its neighbour; short words (`PN`, `PM`) and Roman numbers are codes.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from costing.inputs.cells import without_accents

SHORTEST_WORD = 4
_MOST_NAMES = 20_000
"""Words beyond which names are codes, in which a letter says as much as a digit."""
_LOOK_ALIKE = str.maketrans("авекмнорстухіјѕαβεηικμνορτυχ", "abekmhopctyxijsabehikmvoptyx")
_SIGNS = re.compile(r"[^\w\n]|_")
_ASCII_SIGNS = str.maketrans(dict.fromkeys((sign for sign in map(chr, range(32, 127)) if not sign.isalnum()), " "))
_SPACES = re.compile(r"(?m)^ +| +$| +(?= )")
_JOINTS = re.compile(r" (?:(?<!\d )|(?!\d))")
_BORDERS = re.compile(r"(?<=[^\W\d])(?=\d)|(?<=\d)(?=[^\W\d])")
_ZEROS = re.compile(r"0(?<!\d0)0*(?=\d)")
_WORDS = re.compile(rf"[^\W\d_]{{{SHORTEST_WORD},}}")
_ROMAN = re.compile(r"[ivxlcdm]+")


def _folded(names: Sequence[str]) -> str:
    """Names one to a line, small letters and numbers with single spaces for signs: all at once, since an estate may
    have some hundred thousand lots.
    """
    text = "\n".join(names).casefold()
    if text.isascii():
        text = text.translate(_ASCII_SIGNS)
    else:
        text = _SIGNS.sub(" ", without_accents(text).translate(_LOOK_ALIKE))
    edges = text.startswith(" ") or text.endswith(" ") or any(pair in text for pair in ("  ", " \n", "\n "))
    return _SPACES.sub("", text) if edges else text


def keys_of(names: Sequence[str]) -> list[str]:
    """What two spellings of one name have in common: `v25pm2` of `V25-PM 2`, empty without a letter or number."""
    return _JOINTS.sub("", _folded(names)).split("\n") if names else []


def without_zeros(keys: Sequence[str]) -> list[str]:
    """Keys with their numbers as numbers: `v25-07` is `v25-7`."""
    return _ZEROS.sub("", "\n".join(keys)).split("\n") if keys else []


def differs_in(name: str, usual: str) -> str:
    """In what two names with one key differ."""
    if name.casefold() == usual.casefold():
        return "its capital letters"
    bare = [without_accents(spelling.casefold()) for spelling in (name, usual)]
    if bare[0] == bare[1]:
        return "its accents"
    if bare[0].translate(_LOOK_ALIKE) == bare[1].translate(_LOOK_ALIKE):
        return "letters of another alphabet that look alike"
    return "its spaces or signs"


def one_letter_apart(names: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Yield pairs of names that are one letter apart."""
    text = _folded(names)
    words = sorted({word for word in _WORDS.findall(text) if not _ROMAN.fullmatch(word)})
    near = _near_words(words) if len(words) <= _MOST_NAMES else []
    if not near:
        return
    parts = [tuple(line.split(" ")) for line in _BORDERS.sub(" ", text).split("\n")]
    by_parts = dict(zip(parts[::-1], names[::-1], strict=True))
    for near_one, near_word in near:
        for name, own in zip(names, parts, strict=True):
            if near_one in own:
                twin = by_parts.get(tuple(near_word if part == near_one else part for part in own))
                if twin is not None:
                    yield name, twin


def _near_words(words: Sequence[str]) -> list[tuple[str, str]]:
    """Pairs of words one letter apart: those that are alike once a letter of each, or of one, is left out."""
    alike: dict[str, list[str]] = {}
    for word in words:
        for part in {word, *(word[:place] + word[place + 1 :] for place in range(len(word)))}:
            alike.setdefault(part, []).append(word)
    pairs = {
        (first, second)
        for group in alike.values()
        if len(group) > 1
        for first in group
        for second in group
        if first < second and _one_slip(first, second)
    }
    return sorted(pairs)


def near_keys(key: str, other: str) -> bool:
    """Whether two keys differ by a letter or digit more or less, or by two exchanged. One changed makes another name:
    `V25-01` and `V25-02` are a series.
    """
    if len(key) == len(other):
        return sorted(key) == sorted(other) and key != other and _one_slip(key, other)
    short, long = sorted((key, other), key=len)
    return any(long[:place] + long[place + 1 :] == short for place in range(len(long)))


def _one_slip(name: str, usual: str) -> bool:
    """Whether a letter more, less, changed or exchanged with its neighbour makes one word of the other."""
    if len(name) != len(usual):
        return True  # they share the shorter word, with which one letter was left out of the longer
    unlike = [place for place, (a, b) in enumerate(zip(name, usual, strict=True)) if a != b]
    if len(unlike) == 1:
        return True
    first, last = unlike[0], unlike[-1]
    return len(unlike) == 2 and last == first + 1 and name[first] == usual[last] and name[last] == usual[first]
