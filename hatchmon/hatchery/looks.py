"""What a keeper can say of a hatch: six words, or a percentage."""

from __future__ import annotations

import re

from hatchmon.hatchery.types import Refused

WORDS = ("none", "few", "some", "most", "nearly all", "complete")
_PERCENT = re.compile(r"(\d{1,3}(?:[.,]\d+)?)\s*%?")


def read_look(text: str) -> str:
    """The look in its stored form: one of WORDS or ``"60 %"``. Raises Refused."""
    plain = " ".join(text.replace("-", " ").split()).lower()
    if plain in WORDS:
        return plain
    match = _PERCENT.fullmatch(plain)
    if match:
        percent = float(match[1].replace(",", "."))
        if percent <= 100:
            return f"{percent:g} %"
        raise Refused(f"A look of {percent:g} % is more than everything; give 0 to 100.")
    raise Refused(f"'{text}' is not a look. Say one of: {', '.join(WORDS)}; or a percentage such as 60%.")
