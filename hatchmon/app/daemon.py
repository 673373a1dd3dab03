"""``hatchmon run``: the daemon as a process, from its settings to its exit status."""

from __future__ import annotations

import logging
import signal
import sys
import threading
from pathlib import Path

from hatchmon.adapters.store import StoreError
from hatchmon.app.replan import Replanner
from hatchmon.app.settings import SettingsError, load_settings
from hatchmon.app.start import start_service
from hatchmon.hatchery.types import Refused
from hatchmon.hatchery.wording import printable


class Line(logging.Formatter):
    """A line a message: what others sent may stand in it and must not reach a terminal as it is."""

    def formatMessage(self, record: logging.LogRecord) -> str:
        return printable(super().formatMessage(record))


def log_to_stderr(verbose: bool) -> None:
    """All that is logged from now on; with ``verbose`` more."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(Line("%(levelname)s %(name)s: %(message)s"))  # the journal adds the time
    logging.basicConfig(level=logging.DEBUG if verbose else logging.INFO, handlers=[handler])


def run(config: Path | None, verbose: bool) -> int:
    """Watch the cones until told to stop; returns the exit status."""
    log_to_stderr(verbose)
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopping.set())
    try:
        service = start_service(load_settings(config), Replanner(config), stopping)
        if service is not None:
            service.run()
    except (SettingsError, Refused, StoreError) as why:
        print(why, file=sys.stderr)
        return 2 if isinstance(why, SettingsError) else 1
    return 0
