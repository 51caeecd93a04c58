"""How people's names are kept and compared: what looks the same is the same, and a name is written in one script."""

from __future__ import annotations

import re
import unicodedata

FORM = re.compile(r"[^\W_]([\w .'-]{0,38}[\w.])?")
FORM_WORDS = "letters, digits, blanks, and . ' - between them"
EAST_ASIAN = frozenset({"CJK", "HIRAGANA", "KATAKANA", "KATAKANA-HIRAGANA", "HANGUL", "BOPOMOFO"})
"""Written together in one name as a matter of course."""
TWINS = str.maketrans("авекмнорстухіјѕһԁԛԝ" "αβεζηικμνορτυχϲ", "abekmhopctyxijshdqw" "abezhikmnoptyxc")
"""Cyrillic and Greek letters whose capitals or small letters pass for a Latin one (from memory, not complete)."""


def kept(name: str) -> str:
    """The name as it is kept: NFKC (UAX #15), so that full-width and other dressed-up letters become plain ones, and the
    apostrophe that telephones type becomes the one of keyboards."""
    return unicodedata.normalize("NFKC", name).replace("\N{RIGHT SINGLE QUOTATION MARK}", "'")


def alike(name: str) -> str:
    """What two names are compared by. Not for showing."""
    return kept(kept(name).casefold()).translate(TWINS)


def scripts(name: str) -> frozenset[str]:
    """Which scripts the letters are of, by the first word of each letter's name in Unicode."""
    found = {unicodedata.name(letter, "NAMELESS").partition(" ")[0] for letter in name if letter.isalpha()}
    return frozenset("EAST ASIAN" if script in EAST_ASIAN else script for script in found)


def is_hidden(name: str) -> bool:
    """Whether something stands in it that no screen shows, such as a joiner of no width."""
    return any(unicodedata.category(letter) == "Cf" for letter in name)
