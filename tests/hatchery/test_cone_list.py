"""Lists of cones, as names and ranges."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hatchmon.hatchery.cone_list import MOST_CONES, NoCones, cones_of, in_words, written

NAMES = st.from_regex(r"[A-Za-z0-9_-]{1,6}", fullmatch=True)
NUMBERED = st.builds(lambda n, w: f"a{n:0{w}}", st.integers(0, 1200), st.integers(1, 4))


@pytest.mark.parametrize(
    ("entries", "names"),
    [
        (["bench"], ["bench"]),
        (["a1..a3", "bench"], ["a1", "a2", "a3", "bench"]),
        (["a009..a011"], ["a009", "a010", "a011"]),
        (["a9..a11"], ["a9", "a10", "a11"]),
        (["a98..a101"], ["a98", "a99", "a100", "a101"]),
        (["7..9"], ["7", "8", "9"]),
        (["r2-08..r2-10"], ["r2-08", "r2-09", "r2-10"]),
        (["a1b1..a1b2"], ["a1b1", "a1b2"]),
        (["1-2", "1-3"], ["1-2", "1-3"]),  # shelf and place, no range
    ],
)
def test_what_a_list_means(entries: list[str], names: list[str]) -> None:
    assert cones_of(entries) == names


@pytest.mark.parametrize(
    ("entries", "index", "said"),
    [
        (["a b"], 0, 'must be a name of 1 to 32 of A-Z a-z 0-9 _ - or a range; "a b" is not'),
        (["ok", ""], 1, 'must be a name of 1 to 32 of A-Z a-z 0-9 _ - or a range; "" is not'),
        (["a1-a9"], 0, '"a1-a9" looks like a range; write it "a1..a9"'),
        (["hall-1-hall-9"], 0, '"hall-1-hall-9" looks like a range; write it "hall-1..hall-9"'),
        (
            ["a..c"],
            0,
            'must be a range such as "a001..a500", from one numbered cone to another; "a..c" is not',
        ),
        (
            ["a1.."],
            0,
            'must be a range such as "a001..a500", from one numbered cone to another; "a1.." is not',
        ),
        (
            ["a1..a2..a3"],
            0,
            'must be a range such as "a001..a500", from one numbered cone to another; "a1..a2..a3" is not',
        ),
        (
            ["a1..b9"],
            0,
            '"a1..b9" goes from "a" to "b"; both ends need the same before the number',
        ),
        (["a9..a1"], 0, '"a9..a1" does not count upwards; write the lower number first'),
        (["a1..a1"], 0, '"a1..a1" does not count upwards; write the lower number first'),
        (["a1..a010"], 0, '"a1..a010": counting up from a1 gives a10, not a010'),
        (["a01..a9"], 0, '"a01..a9": counting up from a01 gives a09, not a9'),
        (["a1..a9999"], 0, '"a1..a9999" is 9999 cones; one share takes 2000 at most'),
        (["a1..a" + "9" * 31], 0, f'"a1..a{"9" * 31}" is {"9" * 31} cones; one share takes 2000 at most'),
        (["x", "x"], 1, '"x" is named already; name each cone once'),
        (["a1..a5", "a3"], 1, '"a3" is named by "a1..a5" already; name each cone once'),
        (
            ["a3", "a1..a5"],
            1,
            '"a1..a5" holds a3, which is named already; name each cone once',
        ),
        (
            ["a1..a5", "a4..a8"],
            1,
            '"a4..a8" holds a4, which is named by "a1..a5" already; name each cone once',
        ),
        (["a1..a2000", "b"], 1, "makes more than 2000 cones; give some to another share"),
    ],
)
def test_what_a_list_cannot_mean(entries: list[str], index: int, said: str) -> None:
    with pytest.raises(NoCones) as caught:
        cones_of(entries)
    assert (caught.value.index, str(caught.value)) == (index, said)


@pytest.mark.parametrize(
    ("names", "entries"),
    [
        ([], []),
        (["b", "a"], ["a", "b"]),
        (["a2", "a1"], ["a1", "a2"]),  # a range of two says no more
        (["a3", "a1", "a2", "bench"], ["a1..a3", "bench"]),
        ([f"a{n}" for n in range(8, 13)], ["a8..a12"]),
        ([f"a{n:03}" for n in (1, 2, 3, 7, 8, 9)], ["a001..a003", "a007..a009"]),
        ([f"a{n:02}" for n in range(98, 102)], ["a98..a101"]),
    ],
)
def test_the_shortest_list(names: list[str], entries: list[str]) -> None:
    assert written(names) == entries


@given(st.lists(st.one_of(NAMES, NUMBERED), max_size=60, unique=True))
def test_a_list_written_and_read_again_means_the_same(names: list[str]) -> None:
    ranges = [entry for entry in written(names) if ".." in entry]
    single = {entry for entry in written(names) if ".." not in entry}
    assert {*cones_of(ranges), *single} == set(names)
    assert len(written(names)) <= len(names)


@given(st.lists(st.text(max_size=12), max_size=5))
def test_any_text_is_read_or_refused(entries: list[str]) -> None:
    try:
        names = cones_of(entries)
    except NoCones:
        return
    assert len(set(names)) == len(names) <= MOST_CONES


def test_a_long_list_is_cut_short_in_words() -> None:
    assert in_words([f"a{n}" for n in range(1, 500)]) == "a1..a499"
    assert in_words([f"a{n}" for n in range(1, 40, 2)], 3) == "a1, a3, a5 and 17 more"
