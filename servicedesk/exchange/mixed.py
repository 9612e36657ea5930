"""Cells that tell several things at once: ``3 x 6 kg ABC``, ``CO2 5 KG 55B``, ``2A:10B:C``.

>>> split_mixed("6kg ABC")
Mixed(agent='abc', measure='6 kg', construction='', rating='', count=None, is_wheeled=False)
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

from inventory.measures.units import Dimension, dimension_of, spellings
from servicedesk.exchange.words import ambiguous_agents, kinds, plain, unit_words, words_of


@dataclass(frozen=True, slots=True)
class Mixed:
    """What one cell tells: agent words, size with unit, code of construction, rating, number of units."""

    agent: str = ""
    measure: str = ""
    construction: str = ""
    rating: str = ""
    count: int | None = None
    is_wheeled: bool = False


_COUNT = re.compile(
    r"(?P<count>\d{1,4})\s*(?:[x×*]|(?:units?|pcs?|pieces?|nos|stk|stück|stueck|uds?|unidades|pezzi|pz|stuks)\b\.?)"
    r"\s*(?:of|von|de|di|à|a)?\s*(?P<rest>\S.*)",
    re.IGNORECASE,
)
# Ratings of UL 711 (2-A:10-B:C) and EN 3-7 (13A 89B C); forms from memory. They are no size.
_RATING = re.compile(
    r"(?<![\w.,])(?:\d{1,2}\s?-?\s?A(?![A-Za-z])(?!\s+B\s+C)"
    r"(?:[\s:/,-]*\d{1,3}\s?-?\s?B(?![ABD-Za-z])(?:[\s:/,-]*C(?![A-Za-z]))?)?"
    r"|\d{1,3}\s?-?\s?B(?![A-Za-z])(?:[\s:/,-]*C(?![A-Za-z]))?)"
    r"(?:[\s:/,-]*(?:\d{1,2}\s?)?[FK](?![A-Za-z]))?"
)
_NOISE = frozenset(
    {
        *(
            "extinguisher",
            "extinguishers",
            "fire",
            "ext",
            "portable",
            "hand",
            "held",
            "handheld",
            "type",
            "unit",
        ),
        *("feuerloscher", "loscher", "handfeuerloscher", "extincteur", "extincteurs", "portatif", "extintor"),
        *(
            "portatil",
            "estintore",
            "estintori",
            "portatile",
            "blusser",
            "brandblusser",
            "draagbaar",
            "of",
            "a",
        ),
        *("de", "di", "mit", "with", "charge", "typ", "tipo"),
    }
)


@cache
def _measure_form() -> re.Pattern[str]:
    words = [
        word
        for word, unit in spellings().items()
        if dimension_of(unit) in (Dimension.MASS, Dimension.VOLUME) and word != "#"
    ]
    words += unit_words()
    units = "|".join(re.escape(word) for word in sorted(words, key=len, reverse=True))
    return re.compile(
        r"(?<![\w.,/])(?P<figure>(?:\d+\s+)?\d{1,2}/\d{1,2}|\d+(?:[.,]\d+)?\s?[¼½¾]?|[¼½¾])\s*-?\s*"
        rf"(?P<unit>{units})\.?(?![\w])",
        re.IGNORECASE,
    )


def is_agent(words: str) -> bool:
    """Return whether plain ``words`` name an agent, alone or together with its construction."""
    return words in words_of("agents") or words in kinds() or words in ambiguous_agents()


def split_mixed(text: str) -> Mixed | None:
    """Return the parts of a cell that tells several things, ``None`` when it is not clear what they are.

    Every word must be accounted for: what is neither agent, size, construction, rating nor a word
    without meaning here (``extinguisher``) keeps the whole cell from being split.
    """
    count: int | None = None
    counted = _COUNT.fullmatch(text)
    rest = text
    if counted:
        count, rest = int(counted["count"]), counted["rest"]
    sizes = list(_measure_form().finditer(rest))
    if len(sizes) > 1:
        return None
    measure = ""
    if sizes:
        size = sizes[0]
        measure = f"{size['figure'].strip()} {size['unit']}"
        rest = f"{rest[: size.start()]} {rest[size.end() :]}"
    rating = ""
    rated = _RATING.search(rest)
    if rated:
        rating = rated[0].strip()
        rest = f"{rest[: rated.start()]} {rest[rated.end() :]}"
    words = plain(rest)
    is_wheeled = False
    construction = ""
    agent = words
    if not is_agent(words):
        kept = []
        for word in words.split():
            if word in ("wheeled", "trolley", "fahrbar", "carrellato", "verrijdbaar"):
                is_wheeled = True
            elif word not in _NOISE:
                kept.append(word)
        agent = " ".join(kept)
        if agent and not is_agent(agent):
            agent, construction = _without_construction(agent)
        if agent and not is_agent(agent):
            return None
    if not agent and not measure and not rating and not construction:
        return None
    return Mixed(agent, measure, construction, rating, count, is_wheeled)


def _without_construction(words: str) -> tuple[str, str]:
    """Take the longest name of a construction out of ``words`` when an agent or nothing remains."""
    padded = f" {words} "
    for phrase in _phrases():
        if f" {phrase} " in padded:
            rest = " ".join(padded.replace(f" {phrase} ", " ", 1).split())
            if not rest or is_agent(rest):
                return rest, words_of("constructions")[phrase]
    return words, ""


@cache
def _phrases() -> tuple[str, ...]:
    return tuple(sorted(words_of("constructions"), key=len, reverse=True))
