"""Letters to the keeper's phone or mailbox.

Every address has a worker of its own, so that one that hangs or is down holds up nobody else; it sends
through a short-lived process (``courier``). Delivery is at least once: a letter is sent again if it is not
sure to have arrived, under the same key, and then says so.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import select
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from random import Random
from types import TracebackType
from typing import Self

from hatchmon.adapters.courier import masked

log = logging.getLogger(__name__)

_IDLE_S = 60.0  # a wake that got lost costs no more than this
_AFTER_ERROR_S = 5.0
LETTER_LIMIT_S = 90.0
"""Beyond all time limits of the services, mail with its several tries of 15 s among them."""
PATIENCE = 3
"""A letter that has failed so often no longer keeps back those behind it."""
_MOST_FAILURES = 5  # of one round: then it is the service


@dataclass(frozen=True, slots=True)
class Letter:
    """A message still to be sent; ``address`` is the number of an address, ``attempts`` counts earlier
    failures, ``key`` is the same at every attempt, and ``doubt`` says that it may have arrived before."""

    letter_id: int
    address: int
    title: str
    body: str
    attempts: int
    key: str
    doubt: bool = False


@dataclass(frozen=True, slots=True)
class Begun:
    """The letter is on its way: it may arrive even if nothing more is heard of it."""

    letter_id: int


@dataclass(frozen=True, slots=True)
class Delivered:
    """The service took the letter. May be posted twice; recording it twice must do no harm."""

    letter_id: int


@dataclass(frozen=True, slots=True)
class Failed:
    """The letter did not get through (``doubt``: perhaps) and will be tried again. ``reason``: no secrets."""

    letter_id: int
    reason: str
    doubt: bool = False


class Pusher:
    """Sends what ``due`` lists to ``addresses`` (number and Apprise URL); posts what becomes of each letter.

    ``due`` (oldest first) is only ever called from the one thread that hands letters out. A failed address
    waits ``first_wait_s``, then twice as long each time up to ``longest_wait_s``, always less a random part.
    A letter that takes longer than ``limit_s`` is cut off.
    """

    def __init__(
        self,
        addresses: Mapping[int, str],
        due: Callable[[], Sequence[Letter]],
        post: Callable[[object], None],
        *,
        monotonic: Callable[[], float] = time.monotonic,
        first_wait_s: float = 5.0,
        longest_wait_s: float = 900.0,
        limit_s: float = LETTER_LIMIT_S,
        random: Random | None = None,
    ) -> None:
        self._due = due
        self._post = post
        self._strays: set[int] = set()
        self._stopping = threading.Event()
        self._woken = threading.Event()
        chance = random or Random()

        def wait_s(failures: int) -> float:
            longest = min(longest_wait_s, first_wait_s * 2.0 ** min(failures - 1, 30))
            return longest * (0.5 + 0.5 * chance.random())

        self._desks = [
            _Desk(number, url, post, monotonic, wait_s, limit_s) for number, url in addresses.items()
        ]
        self._thread = threading.Thread(target=self._run, name="push", daemon=True)

    def start(self) -> None:
        """Start sending. Only once."""
        for desk in self._desks:
            desk.start()
        self._thread.start()

    def wake(self) -> None:
        """Say that there may be new letters. Does not cut short the wait of an address that failed."""
        self._woken.set()

    def stop(self, timeout: float = 2.0) -> None:
        """Stop within ``timeout`` seconds; what is on its way by then is cut off."""
        deadline = time.monotonic() + timeout
        self._stopping.set()
        self._woken.set()
        for desk in self._desks:
            desk.ask_to_stop()
        for thread in (self._thread, *(desk.thread for desk in self._desks)):
            if thread.ident is not None:
                thread.join(max(0.0, deadline - time.monotonic()))
        for desk in self._desks:
            desk.cut_off()

    @property
    def alive(self) -> bool:
        """Whether every thread runs."""
        return self._thread.is_alive() and all(desk.thread.is_alive() for desk in self._desks)

    def _run(self) -> None:
        while not self._stopping.is_set():
            wait_s = _IDLE_S
            # Cleared before reading: a wake during the read is not lost.
            self._woken.clear()
            try:
                self._hand_out()
            except Exception:
                log.exception("the letters to be sent could not be read; trying again")
                wait_s = _AFTER_ERROR_S
            if not self._stopping.is_set():
                self._woken.wait(wait_s)

    def _hand_out(self) -> None:
        piles: dict[int, list[Letter]] = {}
        for letter in self._due():
            piles.setdefault(letter.address, []).append(letter)
        for desk in self._desks:
            desk.offer(piles.pop(desk.number, []))
        for letter in (letter for pile in piles.values() for letter in pile):
            if letter.letter_id not in self._strays:
                reason = "its push address is not in the settings any more"
                if _tell(self._post, Failed(letter.letter_id, reason)):
                    self._strays.add(letter.letter_id)


def try_now(url: str, title: str, body: str, limit_s: float = LETTER_LIMIT_S) -> str | None:
    """Send a test message at once, in the caller's thread: None when delivered, else the reason."""
    with _Courier(url, limit_s) as courier:
        return courier.carry(Letter(0, 0, title, body, 0, f"test-{time.time_ns()}"))[0]


@dataclass(slots=True)
class _Held:
    """A letter at its desk: failures so far; whether it is passed over, and until when."""

    letter: Letter
    failures: int
    doubt: bool
    passed_over: bool = False
    not_before: float = float("-inf")


class _Desk:
    """The worker of one address: its letters in order, one at a time.

    A letter that keeps failing while those behind it get through is passed over, and tried in between.
    """

    def __init__(
        self,
        number: int,
        url: str,
        post: Callable[[object], None],
        monotonic: Callable[[], float],
        wait_s: Callable[[int], float],
        limit_s: float,
    ) -> None:
        self.number = number
        self.thread = threading.Thread(target=self._run, name=f"push{number:+d}", daemon=True)
        self._url = url
        self._post = post
        self._monotonic = monotonic
        self._wait_s = wait_s
        self._limit_s = limit_s
        self._changed = threading.Condition()
        self._held: dict[int, _Held] = {}
        self._delivered: set[int] = set()
        self._untold: set[int] = set()  # delivered, but the post of it failed
        self._failures = 0
        self._not_before = monotonic()
        self._stopping = False
        self._courier: _Courier | None = None

    def start(self) -> None:
        self.thread.start()

    def ask_to_stop(self) -> None:
        with self._changed:
            self._stopping = True
            self._changed.notify_all()

    def cut_off(self) -> None:
        """End the process that is sending, if there is one."""
        with self._changed:
            if self._courier is not None:
                self._courier.kill()

    def offer(self, letters: Sequence[Letter]) -> None:
        """Take the present list of unsent letters, which may still hold some that went out a moment ago."""
        with self._changed:
            again = [letter.letter_id for letter in letters if letter.letter_id in self._untold]
            self._held = {
                letter.letter_id: self._held.get(letter.letter_id)
                or _Held(letter, letter.attempts, letter.doubt)
                for letter in letters
                if letter.letter_id not in self._delivered
            }
            self._changed.notify_all()
        for letter_id in again:
            if _tell(self._post, Delivered(letter_id)):
                with self._changed:
                    self._untold.discard(letter_id)

    def _run(self) -> None:
        while held := self._wait_for_one():
            try:
                self._round()
            except Exception as error:
                # The type only: its message might quote the address.
                log.error("%s: %s while sending a letter", masked(self._url), type(error).__name__)
                _tell(self._post, Failed(held.letter.letter_id, f"{type(error).__name__} while sending"))
                self._later(held.failures + 1)

    def _wait_for_one(self) -> _Held | None:
        with self._changed:
            while not self._stopping:
                now = self._monotonic()
                # Behind one that is not passed over nothing moves.
                moments = []
                for held in self._held.values():
                    moments.append(held.not_before)
                    if max(held.not_before, self._not_before) <= now:
                        return held
                    if not held.passed_over:
                        break
                self._changed.wait(max(min(moments), self._not_before) - now if moments else None)
        return None

    def _round(self) -> None:
        """Try what may be tried now, in order."""
        failed: list[_Held] = []
        with _Courier(self._url, self._limit_s) as courier:
            with self._changed:
                self._courier = courier
            try:
                while held := self._next(failed):
                    if self._try(courier, held):
                        for other in failed:  # so it was they, not the service
                            other.passed_over = True
                            other.not_before = self._monotonic() + self._wait_s(other.failures)
                        failed.clear()
                        self._failures = 0
                        self._not_before = self._monotonic()
                    elif held.passed_over:
                        held.not_before = self._monotonic() + self._wait_s(held.failures)
                    else:
                        failed.append(held)
                        if held.failures < PATIENCE or len(failed) == _MOST_FAILURES:
                            break
            finally:
                with self._changed:
                    self._courier = None
        if failed:
            self._later(failed[0].failures)

    def _next(self, failed: Sequence[_Held]) -> _Held | None:
        """The first letter that may go now and has not failed in this round."""
        with self._changed:
            now = self._monotonic()
            if self._stopping:
                return None
            return next(
                (held for held in self._held.values() if held.not_before <= now and held not in failed), None
            )

    def _try(self, courier: _Courier, held: _Held) -> bool:
        letter = held.letter
        _tell(self._post, Begun(letter.letter_id))
        trouble, doubt = courier.carry(letter, again=held.doubt)
        if trouble is None:
            with self._changed:
                self._delivered.add(letter.letter_id)
                self._held.pop(letter.letter_id, None)
            if not _tell(self._post, Delivered(letter.letter_id)):
                with self._changed:
                    self._untold.add(letter.letter_id)
            return True
        held.failures += 1
        held.doubt = held.doubt or doubt
        log.warning("%s: letter %d not delivered: %s", masked(self._url), letter.letter_id, trouble)
        _tell(self._post, Failed(letter.letter_id, trouble, held.doubt))
        return False

    def _later(self, failures: int) -> None:
        with self._changed:
            # Failures before a restart count too, so that a crash loop does not hammer the service.
            self._failures = max(self._failures + 1, failures)
            self._not_before = self._monotonic() + self._wait_s(self._failures)


class _Courier:
    """The process that sends to one address, from the first letter to the end of ``with``.

    The address and the letters go through its standard input, where no other user can read them.
    """

    def __init__(self, url: str, limit_s: float) -> None:
        self._url = url
        self._limit_s = limit_s
        self._process: subprocess.Popen[bytes] | None = None

    def carry(self, letter: Letter, again: bool = False) -> tuple[str | None, bool]:
        """(None when delivered, else the reason; whether it may have arrived in spite of that)."""
        if self._process is None:
            self._process = _start()
            self._write(self._url)
        body = letter.body
        if again:
            body += f"\n(Sent again, perhaps you have it: letter {letter.key}.)"
        self._write({"title": letter.title, "body": body.lstrip("\n"), "key": letter.key})
        answer = self._answer()
        if answer is not None:
            told = json.loads(answer)
            return told["trouble"], told["doubt"]
        self._end(0.0)
        return f"the sending process gave no result within {self._limit_s:g} s, or ended", True

    def kill(self) -> None:
        """End it at once; from any thread."""
        process = self._process
        if process is not None:
            process.kill()

    def _write(self, line: object) -> None:
        assert self._process is not None
        assert self._process.stdin is not None
        with contextlib.suppress(BrokenPipeError):  # it has ended; no answer will come
            self._process.stdin.write(json.dumps(line).encode() + b"\n")
            self._process.stdin.flush()

    def _answer(self) -> bytes | None:
        """Its next line, or None when none comes in time."""
        assert self._process is not None
        assert self._process.stdout is not None
        deadline = time.monotonic() + self._limit_s
        read = b""
        while not read.endswith(b"\n"):
            ready, _, _ = select.select([self._process.stdout], [], [], max(deadline - time.monotonic(), 0.0))
            part = os.read(self._process.stdout.fileno(), 65536) if ready else b""
            if not part:
                return None
            read += part
        return read

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end(1.0)

    def _end(self, wait_s: float) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        with process:  # closes the pipes, and collects what is left of it
            with contextlib.suppress(BrokenPipeError):
                assert process.stdin is not None
                process.stdin.close()
            try:
                process.wait(wait_s)
            except subprocess.TimeoutExpired:
                process.kill()


def _start() -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        # Isolated: a Python file in the working folder must not pass for a library.
        [sys.executable, "-I", "-m", "hatchmon.adapters.courier"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        # Neither the settings' secrets nor the service manager are its business.
        env={
            name: value
            for name, value in os.environ.items()
            if not name.startswith(("HATCHMON_", "NOTIFY_", "WATCHDOG_", "CREDENTIALS_"))
        },
    )


def _tell(post: Callable[[object], None], event: object) -> bool:
    try:
        post(event)
    except Exception:
        log.exception("the result of a letter could not be handed in")
        return False
    return True
