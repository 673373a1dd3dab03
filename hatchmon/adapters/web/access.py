"""Who may come in: the passphrase, the session in a cookie, the token in every form, waits after guesses."""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
import threading
import time
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

# RFC 7914; 16 MB for the fifth of a second that a Pi needs for one guess.
_N, _R, _P = 2**14, 8, 1
_MOST_N, _MOST_RP = 2**17, 64
SHORTEST_PASSPHRASE = 8
SHORTEST_SECRET = 32
SIGNED_IN_FOR_S = 30 * 86_400
GUEST_FOR_S = 7 * 86_400
FREE_GUESSES = 4
LONGEST_WAIT_S = 300.0
_MOST_KNOWN = 1024


def hash_passphrase(passphrase: str) -> str:
    """What the settings hold in place of a passphrase: ``scrypt:N:r:p:salt:hash``."""
    salt = secrets.token_bytes(16)
    return ":".join(
        ("scrypt", str(_N), str(_R), str(_P), _b64(salt), _b64(_scrypt(passphrase, salt, _N, _R, _P)))
    )


def bad_hash(text: str) -> str | None:
    """Why ``text`` is no hash of a passphrase; None when it is one."""
    try:
        _parts(text)
    except ValueError:
        return "is not what 'hatchmon passphrase' prints; run it and copy its line"
    return None


def passphrase_matches(passphrase: str, hashed: str) -> bool:
    """Whether ``hashed`` was made of ``passphrase``; takes a noticeable time, on purpose."""
    n, r, p, salt, wanted = _parts(hashed)
    return hmac.compare_digest(_scrypt(passphrase, salt, n, r, p), wanted)


def new_secret() -> str:
    """A fresh session secret."""
    return secrets.token_urlsafe(32)


def _scrypt(passphrase: str, salt: bytes, n: int, r: int, p: int) -> bytes:
    return hashlib.scrypt(passphrase.encode(), salt=salt, n=n, r=r, p=p, maxmem=2**28, dklen=32)


def _parts(text: str) -> tuple[int, int, int, bytes, bytes]:
    name, n, r, p, salt, wanted = text.strip().split(":")
    numbers = int(n), int(r), int(p)
    sound = (
        name == "scrypt"
        and 2**10 <= numbers[0] <= _MOST_N
        and numbers[0] & (numbers[0] - 1) == 0
        and 1 <= numbers[1] * numbers[2] <= _MOST_RP
        and min(numbers) > 0
    )
    if not sound or len(_unb64(salt)) < 8 or len(_unb64(wanted)) != 32:
        raise ValueError("no hash of a passphrase")
    return (*numbers, _unb64(salt), _unb64(wanted))


def _b64(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).decode().rstrip("=")


def _unb64(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))


@dataclass(frozen=True, slots=True)
class Session:
    """One browser: ``token`` goes into each of its forms; ``fresh`` when it does not hold the cookie yet."""

    name: str
    signed_in: bool
    token: str
    fresh: bool = False


class Sessions:
    """Sessions kept by the browsers themselves, in a cookie that only we can sign.

    Changing the secret or the passphrase ends them all. Without a secret they end with the process.
    """

    def __init__(
        self, secret: str | None, hashed: str | None, *, clock: Callable[[], float] = time.time
    ) -> None:
        seed = secret if secret is not None else new_secret()
        self._key = hashlib.sha256(f"{seed}\0{hashed or ''}".encode()).digest()
        self._clock = clock

    def begin(self, signed_in: bool = False) -> Session:
        """A new session."""
        name = secrets.token_urlsafe(16)
        return Session(name, signed_in, self._sign("form", name), fresh=True)

    def cookie(self, session: Session) -> tuple[str, int]:
        """The cookie's value, and for how many seconds it holds."""
        lasts_s = SIGNED_IN_FOR_S if session.signed_in else GUEST_FOR_S
        body = f"{session.name}.{int(self._clock()) + lasts_s}.{int(session.signed_in)}"
        return f"{body}.{self._sign('session', body)}", lasts_s

    def read(self, value: str) -> Session | None:
        """The session of a cookie, or None when it is none of ours or has ended."""
        body, _, signature = value.rpartition(".")
        if not hmac.compare_digest(signature.encode(), self._sign("session", body).encode()):
            return None
        name, until, signed_in = body.split(".")
        if int(until) < self._clock():
            return None
        return Session(name, signed_in == "1", self._sign("form", name))

    def _sign(self, purpose: str, text: str) -> str:
        return _b64(hmac.digest(self._key, f"{purpose}\0{text}".encode(), "sha256"))


class Door:
    """Checks passphrases, one at a time, ever more slowly for an address that guesses wrong."""

    def __init__(self, hashed: str | None, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._hashed = hashed
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()  # address: guesses, not before
        self._key = secrets.token_bytes(32)
        self._right: bytes | None = None  # keyed digest of the last right one: a script asks often

    @property
    def open(self) -> bool:
        """Whether no passphrase is asked for."""
        return self._hashed is None

    def wait_s(self, address: str) -> float:
        """For how long an address must wait before its next guess."""
        with self._lock:
            _, not_before = self._wrong.get(address, (0, 0.0))
        return max(not_before - self._monotonic(), 0.0)

    def knock(self, passphrase: str, address: str) -> bool:
        """Whether the passphrase is right; False as well while the address must wait. Blocks."""
        if self._hashed is None:
            return True
        digest = hmac.digest(self._key, passphrase.encode(), "sha256")
        with self._lock:  # one at a time: each takes 16 MB
            guesses, not_before = self._wrong.get(address, (0, 0.0))
            if self._monotonic() < not_before:
                return False
            if self._right is not None and hmac.compare_digest(digest, self._right):
                right = True
            else:
                right = passphrase_matches(passphrase, self._hashed)
            if right:
                self._right = digest
                self._wrong.pop(address, None)
                return True
            guesses += 1
            wait_s = 0.0 if guesses <= FREE_GUESSES else min(2.0 ** (guesses - FREE_GUESSES), LONGEST_WAIT_S)
            self._wrong[address] = (guesses, self._monotonic() + wait_s)
            self._wrong.move_to_end(address)
            while len(self._wrong) > _MOST_KNOWN:
                self._wrong.popitem(last=False)
            return False
