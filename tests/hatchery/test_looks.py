"""What a keeper may say of a hatch."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hatchmon.hatchery.looks import WORDS, read_look
from hatchmon.hatchery.types import Refused

KNOWN = "none, few, some, most, nearly all, complete"


@pytest.mark.parametrize(
    ("said", "stored"),
    [
        *((word, word) for word in WORDS),
        ("MOST", "most"),
        ("  nearly   all ", "nearly all"),
        ("nearly-all", "nearly all"),
        ("Nearly All", "nearly all"),
        ("60", "60 %"),
        ("60%", "60 %"),
        (" 60 % ", "60 %"),
        ("0", "0 %"),
        ("100%", "100 %"),
        ("12.5", "12.5 %"),
        ("12,5 %", "12.5 %"),
        ("007", "7 %"),
    ],
)
def test_words_and_percentages(said: str, stored: str) -> None:
    assert read_look(said) == stored


@pytest.mark.parametrize(
    ("said", "sentence"),
    [
        ("100.5", "A look of 100.5 % is more than everything; give 0 to 100."),
        ("0.6", "'0.6' may mean 60% or 0.6%; write one of them."),
        ("999 %", "A look of 999 % is more than everything; give 0 to 100."),
        ("1000", f"'1000' is not a look. Say one of: {KNOWN}; or a percentage such as 60%."),
        ("lots", f"'lots' is not a look. Say one of: {KNOWN}; or a percentage such as 60%."),
        ("", f"'' is not a look. Say one of: {KNOWN}; or a percentage such as 60%."),
        ("60 percent", f"'60 percent' is not a look. Say one of: {KNOWN}; or a percentage such as 60%."),
        ("60%%", f"'60%%' is not a look. Say one of: {KNOWN}; or a percentage such as 60%."),
        ("nan", f"'nan' is not a look. Say one of: {KNOWN}; or a percentage such as 60%."),
    ],
)
def test_what_is_no_look(said: str, sentence: str) -> None:
    with pytest.raises(Refused) as refused:
        read_look(said)
    assert str(refused.value) == sentence


@settings(deadline=None)
@given(st.text(max_size=30))
def test_any_text_is_a_look_or_refused(said: str) -> None:
    try:
        stored = read_look(said)
    except Refused:
        return
    assert stored in WORDS or 0 <= float(stored.removesuffix(" %")) <= 100
    assert read_look(stored) == stored


@settings(deadline=None)
@given(st.integers(0, 1000))
def test_a_percentage_is_kept(tenths: int) -> None:
    assert read_look(f"{tenths / 10}%") == f"{tenths / 10:g} %"
    plain = f"{tenths / 10}" + ("%" if 0 < tenths < 10 else "")  # 0.6 alone may mean 60 % as well
    assert read_look(read_look(plain)) == f"{tenths / 10:g} %"
