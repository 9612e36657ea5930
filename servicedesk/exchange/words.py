"""The words that register files use, and the codes they stand for (``words.toml``)."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from enum import StrEnum
from functools import cache, lru_cache
from importlib import resources
from typing import Any

from inventory.measures.kinds import Agent, Construction, Environment, Shell, TestMethod

_WORD_SECTIONS: tuple[tuple[str, type[StrEnum] | None], ...] = (
    ("columns", None),
    ("agents", Agent),
    ("constructions", Construction),
    ("shells", Shell),
    ("environments", Environment),
    ("test_methods", TestMethod),
    ("yes_no", None),
    ("countries", None),
    ("unit_states", None),
)


@cache
def words_of(section: str) -> dict[str, str]:
    """Return every word of one section of words.toml, plain, with the code it stands for."""
    found: dict[str, str] = {}
    for code, words in word_file()[section].items():
        for word in (code, *words):
            bare = plain(word)
            if found.setdefault(bare, code) != code:
                raise ValueError(f'words.toml [{section}]: "{word}" stands for {found[bare]} and for {code}.')
    return found


@cache
def word_file() -> dict[str, Any]:
    words: dict[str, Any] = tomllib.loads(
        resources.files("servicedesk.exchange").joinpath("words.toml").read_text(encoding="utf-8")
    )
    for section, codes in _WORD_SECTIONS:
        if codes is not None:
            for code in words[section]:
                codes(code)  # refuses a code that no longer exists
    return words


@cache
def kinds() -> dict[str, tuple[Agent, Construction]]:
    return {
        plain(word): (Agent(both["agent"]), Construction(both["construction"]))
        for word, both in word_file()["kinds"].items()
    }


@cache
def ambiguous_agents() -> dict[str, tuple[Agent, ...]]:
    return {
        plain(word): tuple(Agent(code) for code in codes)
        for word, codes in word_file()["ambiguous_agents"].items()
    }


@cache
def doubtful_columns() -> dict[str, tuple[str, ...]]:
    """Return the headings that can mean several fields, plain, with those fields."""
    return {plain(word): tuple(fields) for word, fields in word_file()["doubtful_columns"].items()}


@cache
def unit_words() -> dict[str, str]:
    """Return names of units in other languages, in lower case, with the unit each stands for."""
    return {word: unit for unit, words in word_file()["unit_words"].items() for word in words}


def promises(heading: str) -> bool:
    """Return whether a heading tells what falls due rather than what was done."""
    words = plain(heading)
    return any(words == start or words.startswith(f"{start} ") for start in word_file()["promises"]["words"])


_NO_WORD = re.compile(r"[\W_]+")


@lru_cache(maxsize=50_000)  # a register repeats its words
def plain(text: str) -> str:
    """Return ``text`` without case, accents and punctuation, for comparing words."""
    if text.isascii():
        return " ".join(_NO_WORD.sub(" ", text.lower()).split())
    spread = unicodedata.normalize("NFKD", text)
    bare = "".join(sign for sign in spread if not unicodedata.combining(sign)).casefold()
    return " ".join(_NO_WORD.sub(" ", bare).split())


UNKNOWN_WORDS = frozenset(
    {
        *("", "n a", "na", "none", "nil", "null", "unknown", "unk", "not known", "missing", "tbc", "tbd"),
        *("not readable", "unreadable", "not legible", "illegible", "no serial", "worn", "painted over"),
        *("x", "xx", "xxx"),
    }
)


def is_unknown(text: str) -> bool:
    """Return whether ``text`` says that nobody knows: blank, ``?``, ``n/a`` and the like."""
    return plain(text) in UNKNOWN_WORDS
