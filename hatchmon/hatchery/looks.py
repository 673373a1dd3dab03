"""What a keeper can say of a hatch: six words, or a percentage."""

from __future__ import annotations

import math
import re
from statistics import NormalDist

from hatchmon.hatchery.types import Refused

# Words and the share hatched they stand for, as probit bounds.
_BOUNDS: dict[str, tuple[float, float]] = {
    "none": (-math.inf, -2.0),
    "few": (-2.0, -0.84),
    "some": (-0.84, 0.0),
    "most": (0.0, 0.84),
    "nearly all": (0.84, 1.645),
    "complete": (1.645, math.inf),
}
WORDS = tuple(_BOUNDS)
NOT_COMPLETE = "not complete"  # the last look of a note such as "not done at 20:00, done at 22:00"
_PERCENT_REACH = 0.10  # "60 %" means 50 to 70 %
_PERCENT = re.compile(r"(\d{1,3}(?:[.,]\d+)?)\s*%?")


def read_look(text: str) -> str:
    """The look in its stored form: one of WORDS, NOT_COMPLETE or ``"60 %"``. Raises Refused."""
    plain = " ".join(text.replace("-", " ").split()).lower()
    if plain in WORDS or plain == NOT_COMPLETE:
        return plain
    match = _PERCENT.fullmatch(plain)
    if match:
        percent = float(match[1].replace(",", "."))
        if 0 < percent < 1 and not plain.endswith("%"):
            raise Refused(f"'{text}' may mean {percent:.0%} or {percent:g}%; write one of them.")
        if percent <= 100:
            return f"{percent:g} %"
        raise Refused(f"A look of {percent:g} % is more than everything; give 0 to 100.")
    raise Refused(f"'{text}' is not a look. Say one of: {', '.join(WORDS)}; or a percentage such as 60%.")


def reaches_the_end(seen: str) -> bool:
    """Whether a stored look says that the hatch was as good as over."""
    return seen in ("nearly all", "complete") or (seen.endswith("%") and float(seen.rstrip(" %")) >= 85)


def look_bounds(seen: str) -> tuple[float, float, float]:
    """(low, high) probit bounds of a stored look, and the chance of it when it is a slip of the pen."""
    if seen in _BOUNDS:
        return (*_BOUNDS[seen], 1.0 / len(WORDS))
    if seen == NOT_COMPLETE:
        return -math.inf, _BOUNDS["complete"][0], 1.0 - 1.0 / len(WORDS)
    share = float(seen.rstrip(" %")) / 100.0
    low, high = share - _PERCENT_REACH, share + _PERCENT_REACH
    probit = NormalDist().inv_cdf
    return (
        probit(low) if low > 0 else -math.inf,
        probit(high) if high < 1 else math.inf,
        2 * _PERCENT_REACH,
    )
