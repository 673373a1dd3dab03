"""A call to an address of the keeper's own, again and again, so that silence is noticed elsewhere."""

from __future__ import annotations

import logging
import threading
from typing import Literal
from urllib.parse import urlsplit

import urllib3
from urllib3 import exceptions as http

log = logging.getLogger(__name__)

TIMEOUT_S = 10.0
_AGAIN_S = 30.0  # after a call that failed, unless the next is due before
_CAUSES = (
    (http.NameResolutionError, "the host name is not known"),
    (http.NewConnectionError, "nothing answers there"),
    (http.TimeoutError, f"no answer within {TIMEOUT_S:g} s"),
    (http.SSLError, "its certificate was not accepted"),
)


class Heartbeat:
    """Calls ``url`` every ``every_s`` seconds, as long as ``sound`` has been called since the last call."""

    def __init__(self, url: str, every_s: float, method: Literal["GET", "POST"] = "GET") -> None:
        self._url = url
        self._every_s = every_s
        self._method = method
        self._sound = threading.Event()
        self._stopping = threading.Event()
        self._trouble: str | None = None
        self._thread = threading.Thread(target=self._run, name="heartbeat", daemon=True)

    def start(self) -> None:
        """Start calling, as soon as all is sound. Only once."""
        self._thread.start()

    def sound(self) -> None:
        """All is sound at this moment."""
        self._sound.set()

    def stop(self, timeout: float = 0.2) -> None:
        """No more calls; one that hangs ends with the process."""
        self._stopping.set()
        self._sound.set()
        if self._thread.ident is not None:
            self._thread.join(timeout)

    @property
    def alive(self) -> bool:
        """Whether the thread runs."""
        return self._thread.is_alive()

    def _run(self) -> None:
        while not self._stopping.is_set():
            self._sound.wait()
            if self._stopping.is_set():
                return
            trouble = call(self._url, self._method)
            if trouble is not None and trouble != self._trouble:
                log.warning("heartbeat: %s", trouble)
            elif trouble is None and self._trouble is not None:
                log.info("heartbeat: %s answers again", shown(self._url))
            self._trouble = trouble
            self._stopping.wait(self._every_s if trouble is None else min(self._every_s, _AGAIN_S))
            self._sound.clear()


def call(url: str, method: Literal["GET", "POST"]) -> str | None:
    """One call: None when the answer is 2xx, else what is wrong (no secrets)."""
    pool = urllib3.PoolManager(timeout=urllib3.Timeout(total=TIMEOUT_S), retries=False)
    try:
        response = pool.request(
            method, url, headers={"User-Agent": "hatchmon"}, preload_content=False, redirect=False
        )
        response.close()
    except (http.HTTPError, ValueError, OSError) as error:
        # Its own words would quote the address.
        cause = next((words for kind, words in _CAUSES if isinstance(error, kind)), type(error).__name__)
        return f"{shown(url)}: {cause}"
    finally:
        pool.clear()
    return None if 200 <= response.status < 300 else f"{shown(url)}: unexpected answer {response.status}"


def shown(url: str) -> str:
    """The address without what may be a key: the host alone."""
    try:
        parts = urlsplit(url)
        port = f":{parts.port}" if parts.port else ""
    except ValueError:
        return "***"
    return f"{parts.scheme}://{parts.hostname}{port}{'/***' if parts.path.strip('/') or parts.query else ''}"
