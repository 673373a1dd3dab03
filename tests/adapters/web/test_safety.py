"""The limits that take a clock of their own to try: how many requests an address may send."""

from __future__ import annotations

import asyncio
from typing import Any

from hatchmon.adapters.web.access import Door, Sessions
from hatchmon.adapters.web.safety import BURST, RATE_PER_S, Rules, Safety


async def _well(scope: Any, receive: Any, send: Any) -> None:
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"well"})


class Caller:
    """Sends requests from one address or another, on a clock moved by hand."""

    def __init__(self) -> None:
        self.s = 0.0
        self._app = Safety(
            _well, Rules(frozenset({"localhost"})), Sessions(None, None), Door(None), monotonic=lambda: self.s
        )

    def get(self, address: str) -> int:
        return asyncio.run(self._get(address))

    async def _get(self, address: str) -> int:
        told: list[Any] = []
        scope = {
            "type": "http", "method": "GET", "path": "/", "query_string": b"", "client": (address, 1),
            "headers": [(b"host", b"localhost")],
        }  # fmt: skip

        async def send(message: Any) -> None:
            told.append(message)

        async def receive() -> Any:
            return {"type": "http.request", "body": b""}

        await self._app(scope, receive, send)
        return int(told[0]["status"])


def test_a_flood_is_slowed_and_nobody_else_with_it() -> None:
    caller = Caller()
    told = [caller.get("10.0.0.9") for _ in range(int(BURST) + 20)]
    assert told == [200] * int(BURST) + [429] * 20
    assert caller.get("10.0.0.8") == 200
    caller.s += 1.0
    assert [caller.get("10.0.0.9") for _ in range(int(RATE_PER_S) + 1)] == [200] * int(RATE_PER_S) + [429]


def test_a_thousand_addresses_are_not_remembered_for_ever() -> None:
    caller = Caller()
    for number in range(1500):
        caller.get(f"10.0.{number // 250}.{number % 250}")
    assert len(caller._app._rates._left) <= 1024
