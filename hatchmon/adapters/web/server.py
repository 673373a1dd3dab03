"""uvicorn in a thread of its own, with limits that a slow or hostile client runs into."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from collections import OrderedDict
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

log = logging.getLogger(__name__)

MOST_CONNECTIONS = 64
HEAD_WITHIN_S = 10.0  # from the connection, or the last answer, to a whole request head
ANSWERED_WITHIN_S = 60.0
CLOSED_WITHIN_S = 5.0
KEEP_ALIVE_S = 5
LARGEST_HEAD = 16_384
BACKLOG = 128
TRY_AGAIN_S = 5.0


class _Guarded(H11Protocol):
    """A connection that must send its request, and take its answer, in time; while it waits for nothing, it
    makes room for others."""

    _waiting: OrderedDict[_Guarded, None]  # those without a request, of one server, oldest first
    _timer: asyncio.TimerHandle | None = None
    _busy = False

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        if len(self.connections) > MOST_CONNECTIONS:
            oldest = next(iter(self._waiting), self)
            oldest._give_up()
            if oldest is self:
                return
        self._time(HEAD_WITHIN_S)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        self._watch()

    def on_response_complete(self) -> None:
        super().on_response_complete()
        self._watch()

    def connection_lost(self, exc: Exception | None) -> None:
        self._rest()
        super().connection_lost(exc)

    def _watch(self) -> None:
        busy = self.cycle is not None and not self.cycle.response_complete
        if self.transport.is_closing():
            self._time(CLOSED_WITHIN_S)
        elif busy and not self._busy:
            self._time(ANSWERED_WITHIN_S)
            self._waiting.pop(self, None)
        elif not busy and (self._busy or self._timer is None):
            self._time(HEAD_WITHIN_S)
        self._busy = busy

    def _time(self, within_s: float) -> None:
        self._rest()
        self._timer = self.loop.call_later(within_s, self._overdue)
        self._waiting[self] = None

    def _rest(self) -> None:
        self._waiting.pop(self, None)
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _overdue(self) -> None:
        """A stream says in its state until when it may last, on the clock of the loop."""
        until = self.scope["state"].get("until", 0.0) if self._busy else 0.0
        left_s = until - self.loop.time()
        if left_s <= 0.0:
            self._give_up()
        else:
            self._timer = self.loop.call_later(left_s, self._overdue)

    def _give_up(self) -> None:
        self._rest()
        self.transport.abort()


class WebServer:
    """Serves ``app`` (ASGI) on ``host`` and ``port``; whatever goes wrong stays in its thread."""

    def __init__(
        self, app: Any, host: str, port: int, stopping: threading.Event, *, forwarded: bool = False
    ) -> None:
        self.trouble: str | None = None
        """Why the page is not served, or None."""
        self.port = port
        self._app = app
        self._host = host
        self._forwarded = forwarded  # believe a proxy on this machine about whom it asks for
        self._server: uvicorn.Server | None = None
        self._stopping = stopping  # set here; streams end themselves by it
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)

    def start(self) -> None:
        """Begin to serve. Only once."""
        self._thread.start()

    def ask_to_stop(self) -> None:
        """Finish what is being answered; returns at once."""
        self._stopping.set()
        if self._server is not None:
            self._server.should_exit = True

    def stop(self, timeout: float = 2.0) -> None:
        """Stop within ``timeout`` seconds; what hangs then ends with the process."""
        self.ask_to_stop()
        if self._thread.ident is not None:
            self._thread.join(timeout)

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                with self._bound() as listening:
                    self._serve(listening)
            except OSError as error:
                self._note(f"{self._host}:{self.port}: {error.strerror or error}")
            except BaseException as error:  # also uvicorn's SystemExit: the engine goes on
                log.exception("the page's server failed")
                self._note(f"{type(error).__name__}: {error}")
            self._stopping.wait(TRY_AGAIN_S)

    def _note(self, trouble: str) -> None:
        if trouble != self.trouble:
            log.error("the page is not served: %s; trying again every %g s", trouble, TRY_AGAIN_S)
        self.trouble = trouble

    def _bound(self) -> socket.socket:
        family = socket.AF_INET6 if ":" in self._host else socket.AF_INET
        listening = socket.socket(family, socket.SOCK_STREAM)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind((self._host, self.port))
        except OSError:
            listening.close()
            raise
        self.port = listening.getsockname()[1]
        return listening

    def _serve(self, listening: socket.socket) -> None:
        config = uvicorn.Config(
            self._app,
            http=type("Guarded", (_Guarded,), {"_waiting": OrderedDict()}),
            ws="none",
            lifespan="off",
            loop="asyncio",
            log_config=None,
            access_log=False,
            server_header=False,
            date_header=True,
            proxy_headers=self._forwarded,
            forwarded_allow_ips="127.0.0.1,::1",
            timeout_keep_alive=KEEP_ALIVE_S,
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=LARGEST_HEAD,
            backlog=BACKLOG,
        )
        self._server = uvicorn.Server(config)
        self._server.should_exit = self._stopping.is_set()
        self.trouble = None
        log.info("the page is at http://%s:%d/", self._host, self.port)
        self._server.run(sockets=[listening])
