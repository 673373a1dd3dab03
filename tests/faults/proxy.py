"""A wire between the daemon and a server that can be cut or go dead."""

from __future__ import annotations

import contextlib
import socket
import threading
from typing import Self

from tests.servers import HOST


class Wire:
    """Forwards TCP to ``port``. ``dead``: connections stay open and nothing passes. ``cut()``: they are reset
    and new ones refused until ``mend()``."""

    def __init__(self, port: int) -> None:
        self._to = port
        self._alive = threading.Event()
        self._alive.set()
        self._pairs: list[socket.socket] = []
        self._closed = False
        self._is_cut = False
        self._listener = socket.create_server((HOST, 0))
        self.port = int(self._listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def kill_line(self) -> None:
        """Nothing passes from now on, and nobody is told."""
        self._alive.clear()

    def cut(self) -> None:
        """Break every connection."""
        self._is_cut = True
        self._drop()

    def mend(self) -> None:
        """As if nothing had been; what went dead before is gone for good."""
        self._is_cut = False
        if not self._alive.is_set():
            self._drop()
            self._alive.set()

    def _drop(self) -> None:
        pairs, self._pairs = self._pairs, []
        for each in pairs:
            with contextlib.suppress(OSError):
                each.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
                each.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        while not self._closed:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            if self._is_cut:
                near.close()
                continue
            try:
                far = socket.create_connection((HOST, self._to), timeout=5.0)
            except OSError:
                near.close()
                continue
            far.settimeout(None)
            self._pairs += [near, far]
            for source, target in ((near, far), (far, near)):
                threading.Thread(target=self._carry, args=(source, target), daemon=True).start()

    def _carry(self, source: socket.socket, target: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                if not self._alive.is_set():
                    self._alive.wait()
                    break  # what was on its way when the line died is lost
                target.sendall(data)
        for each in (source, target):
            with contextlib.suppress(OSError):
                each.shutdown(socket.SHUT_RDWR)
                each.close()

    def close(self) -> None:
        self._closed = True
        self._alive.set()
        self._listener.close()
        self._drop()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
