"""Cylinder specifications as stamped on a shell, reduced to the families that tables name.

>>> spec_family("DOT 4BW195"), spec_family("3AL-1800"), spec_family("4B240ET")
('4BW', '3AL', '4B240ET')
"""

from __future__ import annotations

import re
from functools import lru_cache

# The rows of 49 CFR 180.209 Table 1. Longest first, because 4B is the beginning of 4BA.
SPEC_FAMILIES = (
    "4B240ET",
    "4AA480",
    "3AAX",
    "3AA",
    "3AL",
    "3AX",
    "3BN",
    "3HT",
    "4BA",
    "4BW",
    "4DA",
    "4DS",
    "8AL",
    "3A",
    "3B",
    "3E",
    "3T",
    "4B",
    "4D",
    "4E",
    "4L",
    "3",
    "8",
    "foreign",
    "special_permit",
    "none",
)

NO_SPEC = "none"

_ISSUER = re.compile(r"^(?:US)?(?:DOT|ICC)[\s./-]*")
_PERMIT = re.compile(r"^(?:SP|E)[\s./-]*\d{3,}|SPECIAL ?PERMIT")
_FOREIGN = re.compile(r"^(?:TC|CTC|UN|BS|EN|ISO|IS|CE|PI|TPED)\b|^(?:FOREIGN)$")


@lru_cache(maxsize=4096)
def spec_family(stamped: str) -> str:
    """Return the family of a stamped specification, ``none`` without one, ``""`` for an unknown text.

    An issuer's letters before it and the service pressure after it do not count. ``none`` and
    ``""`` are different: a shell without a specification is a fact, an unread mark is not.
    """
    text = " ".join(stamped.upper().split())
    if not text:
        return NO_SPEC
    text = _ISSUER.sub("", text)
    if _PERMIT.search(text):
        return "special_permit"
    if _FOREIGN.search(text):
        return "foreign"
    for family in SPEC_FAMILIES[:-3]:
        rest = text.removeprefix(family)
        if rest != text and (not rest or re.fullmatch(r"[\s./-]*\d[\d\s./-]*", rest)):
            if len(family) == 1 and rest and rest[0].isdigit():
                continue  # "3600" is a pressure, not specification 3 at 600
            return family
    return ""
