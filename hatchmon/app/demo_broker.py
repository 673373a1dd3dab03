"""The demo's broker where Mosquitto is missing: ``python -m hatchmon.app.demo_broker PORT`` runs amqtt.

amqtt speaks MQTT 3.1.1 only and means to tell an MQTT 5 client so (MQTT 3.1.1 section 3.1.2.2), but first
reads on in a CONNECT it does not understand and waits for what never comes. Here it answers at once.
"""

from __future__ import annotations

import asyncio
import sys
from typing import Any

from amqtt.broker import Broker
from amqtt.mqtt.connect import ConnectPayload

LEVEL_3_1_1 = 4
_read_payload = ConnectPayload.from_stream


async def _read_known(reader: Any, fixed_header: Any, variable_header: Any) -> Any:
    if variable_header.proto_level == LEVEL_3_1_1:
        return await _read_payload(reader, fixed_header, variable_header)
    variable_header.will_flag = False  # what follows is for the refused client's protocol
    return ConnectPayload(client_id="another protocol")


def run(port: int) -> None:
    """Serve on loopback ``port`` until ended by a signal."""
    setattr(ConnectPayload, "from_stream", _read_known)  # noqa: B010, a method cannot be assigned to
    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }

    async def serve() -> None:
        broker = Broker(config)
        await broker.start()
        await asyncio.Event().wait()

    asyncio.run(serve())


if __name__ == "__main__":
    run(int(sys.argv[1]))
