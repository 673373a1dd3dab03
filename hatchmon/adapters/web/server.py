"""uvicorn in a thread of its own."""

from __future__ import annotations

import logging
import socket
import threading
from collections import OrderedDict
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import uvicorn

log = logging.getLogger(__name__)

KEEP_ALIVE_S = 5
LARGEST_HEAD = 16_384
BACKLOG = 128
TRY_AGAIN_S = 5.0


class WebServer:
    """Serves what ``make`` gives (an ASGI application) on ``host`` and ``port``; whatever goes wrong stays in
    its thread. ``make`` gets the event that is set when the server is about to stop: streams end by it."""

    def __init__(
        self, make: Callable[[threading.Event], Any], host: str, port: int, *, forwarded: bool = False
    ) -> None:
        self.trouble: str | None = None
        """Why the page is not served, or None."""
        self.port = port
        self._make = make
        self._app: Any = None
        self._host = host
        self._forwarded = forwarded  # believe a proxy on this machine about whom it asks for
        self._listening: socket.socket | None = None
        self._server: uvicorn.Server | None = None
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="web", daemon=True)

    def start(self) -> None:
        """Begin to serve: who comes from now on is answered once the application is made. Only once."""
        self._listening = self._listen()
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
        while True:
            if self._listening is not None:
                try:
                    with self._listening:
                        self._serve(self._listening)
                except BaseException as error:  # also uvicorn's SystemExit: the engine goes on
                    log.exception("the page's server failed")
                    self._note(f"{type(error).__name__}: {error}")
            if self._stopping.wait(TRY_AGAIN_S):
                return
            self._listening = self._listen()

    def _note(self, trouble: str) -> None:
        if trouble != self.trouble:
            log.error("the page is not served: %s; trying again every %g s", trouble, TRY_AGAIN_S)
        self.trouble = trouble

    def _listen(self) -> socket.socket | None:
        family = socket.AF_INET6 if ":" in self._host else socket.AF_INET
        listening = socket.socket(family, socket.SOCK_STREAM)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind((self._host, self.port))
            listening.listen(BACKLOG)
        except OSError as error:
            listening.close()
            self._note(f"{self._host}:{self.port}: {error.strerror or error}")
            return None
        self.port = listening.getsockname()[1]
        return listening

    def _serve(self, listening: socket.socket) -> None:
        # Libraries for the page alone: the engine is at work by now and need not wait for them.
        import uvicorn

        from hatchmon.adapters.web.guarded import Guarded

        if self._app is None:
            self._app = self._make(self._stopping)
        config = uvicorn.Config(
            self._app,
            http=type("OfThis", (Guarded,), {"_waiting": OrderedDict()}),
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
