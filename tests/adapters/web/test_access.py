"""The passphrase, the signed cookie and the waits after wrong guesses."""

from __future__ import annotations

import hashlib

import pytest

from hatchmon.adapters.web.access import (
    FREE_GUESSES,
    GUEST_FOR_S,
    LONGEST_WAIT_S,
    SIGNED_IN_FOR_S,
    Door,
    Sessions,
    bad_hash,
    hash_passphrase,
    new_secret,
    passphrase_matches,
)

WORDS = "tide pool lamp rope"


class Clock:
    """Seconds, moved by hand."""

    def __init__(self) -> None:
        self.s = 1000.0

    def __call__(self) -> float:
        return self.s


@pytest.fixture(scope="module")
def hashed() -> str:
    return hash_passphrase(WORDS)


def test_only_the_passphrase_itself_matches_and_no_two_hashes_are_alike(hashed: str) -> None:
    assert passphrase_matches(WORDS, hashed)
    for other in ("", WORDS + " ", WORDS.title(), "tide pool lamp"):
        assert not passphrase_matches(other, hashed)
    assert WORDS not in hashed
    assert hash_passphrase(WORDS) != hashed
    assert bad_hash(hashed) is None


def test_scrypt_is_that_of_rfc_7914() -> None:
    """The second vector of section 12 of RFC 7914, cut to 32 bytes: N = 1024, r = 8, p = 16."""
    made = hashlib.scrypt(b"password", salt=b"NaCl", n=1024, r=8, p=16, dklen=32, maxmem=2**26).hex()
    assert made == "fdbabe1c9d3472007856e7190d01e9fe7c6ad7cbc8237830e77376634b373162"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "hunter2",
        "scrypt:16384:8:1:AAAA:BBBB",
        "scrypt:16383:8:1:MDEyMzQ1Njc4OWFiY2RlZg:" + 43 * "A",
        "scrypt:1073741824:8:1:MDEyMzQ1Njc4OWFiY2RlZg:" + 43 * "A",
        "bcrypt:16384:8:1:MDEyMzQ1Njc4OWFiY2RlZg:" + 43 * "A",
        "scrypt:16384:8:-1:MDEyMzQ1Njc4OWFiY2RlZg:" + 43 * "A",
    ],
)
def test_what_is_no_hash_is_refused(text: str) -> None:
    assert "hatchmon passphrase" in str(bad_hash(text))


def test_a_session_is_read_back_until_it_ends() -> None:
    clock = Clock()
    sessions = Sessions(new_secret(), None, clock=clock)
    for signed_in, lasts_s in ((True, SIGNED_IN_FOR_S), (False, GUEST_FOR_S)):
        session = sessions.begin(signed_in)
        value, told_s = sessions.cookie(session)
        assert told_s == lasts_s
        known = sessions.read(value)
        assert known is not None
        assert (known.name, known.signed_in, known.token, known.fresh) == (
            session.name, signed_in, session.token, False,
        )  # fmt: skip
        clock.s += lasts_s + 1
        assert sessions.read(value) is None


def test_a_cookie_cannot_be_made_or_changed() -> None:
    sessions = Sessions(new_secret(), "x", clock=Clock())
    value, _ = sessions.cookie(sessions.begin())
    name, until, _, signature = value.split(".")
    for forged in (
        "", "...", "....", "é", f"{name}.{until}.1.{signature}", f"{name}.{int(until) + 9}.0.{signature}",
        value[:-1], value + "A", f"{name}.{until}.0.", f"other.{until}.0.{signature}",
    ):  # fmt: skip
        assert sessions.read(forged) is None, forged
    assert sessions.read(value) is not None


@pytest.mark.parametrize(("secret", "hashed"), [("b" * 32, "x"), ("a" * 32, "y")])
def test_another_secret_or_passphrase_ends_every_session(secret: str, hashed: str) -> None:
    before = Sessions("a" * 32, "x", clock=Clock())
    value, _ = before.cookie(before.begin(True))
    assert Sessions("a" * 32, "x", clock=Clock()).read(value) is not None
    assert Sessions(secret, hashed, clock=Clock()).read(value) is None


def test_every_session_has_a_token_of_its_own() -> None:
    sessions = Sessions(None, None)
    assert len({sessions.begin().token for _ in range(50)}) == 50


def test_wrong_guesses_make_the_next_wait_longer(hashed: str) -> None:
    clock = Clock()
    door = Door(hashed, monotonic=clock)
    for _ in range(FREE_GUESSES):
        assert not door.knock("wrong guess", "10.0.0.9")
        assert door.wait_s("10.0.0.9") == 0.0
    waits = []
    for _ in range(3):
        assert not door.knock("wrong guess", "10.0.0.9")
        waits.append(door.wait_s("10.0.0.9"))
        # Even the right one is not looked at before its time.
        assert not door.knock(WORDS, "10.0.0.9")
        clock.s += waits[-1]
    assert waits == [2.0, 4.0, 8.0]
    assert door.wait_s("10.0.0.8") == 0.0
    assert door.knock(WORDS, "10.0.0.8")
    assert door.knock(WORDS, "10.0.0.9")
    assert not door.knock("wrong guess", "10.0.0.9")
    assert door.wait_s("10.0.0.9") == 0.0  # the right one has cleared the slate


def test_a_wait_has_an_end(hashed: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("hatchmon.adapters.web.access.passphrase_matches", lambda *_: False)
    clock = Clock()
    door = Door(hashed, monotonic=clock)
    for _ in range(40):
        clock.s += LONGEST_WAIT_S
        door.knock("wrong guess", "a")
    assert door.wait_s("a") == LONGEST_WAIT_S


def test_without_a_passphrase_the_door_is_open() -> None:
    door = Door(None)
    assert door.open
    assert door.knock("", "anybody")
