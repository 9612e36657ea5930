"""How texts are compared when somebody searches: one case, no accents, no marks inside a number.

``fold("Café  AB-12.3") == "cafe ab123"``. The index holds folded texts and a search is folded the same
way, so that a serial is found with or without its dashes. PostgreSQL folds by ``SQL_FOLD``, made from the
same table; SQLite calls ``fold``.
"""

from __future__ import annotations

import re
import unicodedata

MOST_WORDS = 6
"""More words narrow nothing down and only cost time."""

LEAST_LETTERS = 3
"""An index of trigrams leads to no shorter fragment."""

DROPPED = "-‐‑–./'’‘`´:_"
"""Left out: people write numbers with and without them."""

_MARKS = "".join(map(chr, range(0x0300, 0x0370)))
_WIDE = {"ß": "ss", "ẞ": "ss", "æ": "ae", "Æ": "ae", "œ": "oe", "Œ": "oe", "þ": "th", "Þ": "th"}
_BARE = {
    "ø": "o",
    "Ø": "o",
    "đ": "d",
    "Đ": "d",
    "ð": "d",
    "Ð": "d",
    "ł": "l",
    "Ł": "l",
    "ı": "i",
    "ħ": "h",
    "Ħ": "h",
}


def _table() -> dict[str, str]:
    """One letter for one: Latin, Greek and Cyrillic letters without accents, in small."""
    found = _BARE | {"\u00a0": " ", "\u202f": " "}
    for code in (*range(0x00C0, 0x0250), *range(0x0386, 0x0460), *range(0x1E00, 0x1F00)):
        letter = chr(code)
        base = unicodedata.normalize("NFKD", letter)[0].lower()
        if (
            letter.isalpha()
            and letter not in _WIDE
            and letter not in found
            and len(base) == 1
            and base != letter
        ):
            found[letter] = base
    return found


LETTERS = _table()
_TRANSLATION = str.maketrans(LETTERS | _WIDE | dict.fromkeys(DROPPED + _MARKS, ""))

_SMALL = bytes(range(128)).lower() + bytes(range(128, 256))
_DROPPED_BYTES = bytes(ord(letter) for letter in DROPPED if letter.isascii())


def fold(text: str | None) -> str:
    """``text`` as it is compared; words stay apart by one blank, and there is one at either end."""
    text = text or ""
    if text.isascii():
        # Nearly every text, and each row that is written pays for it.
        bare = text.encode().translate(_SMALL, _DROPPED_BYTES).decode()
    else:
        bare = text.translate(_TRANSLATION).lower()
    words = bare.split()
    return f" {' '.join(words)} "


def words_of(text: str) -> tuple[str, ...]:
    """The words of a search, folded, none twice, at most ``MOST_WORDS``."""
    # No text of the register holds a NUL, and no database takes one.
    plain = fold(text.replace("\0", " "))
    return tuple(dict.fromkeys(word[:60] for word in plain.split()))[:MOST_WORDS]


def squeezed(text: str) -> str:
    """The whole search as one number, if it is one that was typed in parts; else nothing."""
    one = "".join(fold(text).split())
    parted = len(text.split()) > 1
    return one if parted and re.search(r"\d", one) and LEAST_LETTERS <= len(one) <= 60 else ""


def sql_fold() -> str:
    """The body of the function by which PostgreSQL folds its argument ``$1``; the same as ``fold``."""
    wide = "coalesce($1, '')"
    for letter, letters in _WIDE.items():
        wide = f"replace({wide}, '{letter}', '{letters}')"
    quoted = (DROPPED + _MARKS).replace("'", "''")
    olds = "".join(LETTERS) + quoted
    news = "".join(LETTERS.values())
    folded = f"lower(translate({wide}, '{olds}', '{news}'))"
    return f"SELECT ' ' || ltrim(regexp_replace({folded} || ' ', '\\s+', ' ', 'g'))"
