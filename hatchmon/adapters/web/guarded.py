"""A connection of uvicorn's with limits that a slow or hostile client runs into."""

from __future__ import annotations

import asyncio
from collections import OrderedDict

from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 64
HEAD_WITHIN_S = 10.0  # from the connection, or the last answer, to a whole request head
ANSWERED_WITHIN_S = 60.0
CLOSED_WITHIN_S = 5.0


class Guarded(H11Protocol):
    """A connection that must send its request, and take its answer, in time; while it waits for nothing, it
    makes room for others."""

    _waiting: OrderedDict[Guarded, None]  # those without a request, of one server, oldest first
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
