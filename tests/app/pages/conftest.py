"""One daemon with a page for the tests of a module that do each other no harm."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.app.pages.ground import Daemon, Ground, Visitor, fill, free_port, web
from tests.servers import Mosquitto, wait_until


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Ground, int]]:
    """A daemon with the cones ripe (24 h old), young (3 h) and spare (empty); and the port of its page."""
    folder, port = tmp_path_factory.mktemp("page"), free_port()
    with Mosquitto(folder / "mosquitto") as broker:
        ground = Ground(folder / "hatchmon", broker.port, web=web(port))
        fill(ground, ("ripe", 24.0), ("young", 3.0), ("spare", None))
        with Daemon(ground) as daemon:
            visitor = Visitor(port)
            wait_until(
                lambda: daemon.connected() and visitor.go("/healthz").status_code == 200, 20.0, "the page"
            )
            yield ground, port


@pytest.fixture
def visitor(served: tuple[Ground, int]) -> Iterator[Visitor]:
    """A keeper with a phone."""
    with Visitor(served[1]) as visitor:
        yield visitor
