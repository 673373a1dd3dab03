"""The process that plans for the daemon: one at a time, and its memory gone when it is done."""

from __future__ import annotations

import logging
import subprocess
import sys
import time
from pathlib import Path

log = logging.getLogger(__name__)

APART_S = 30.0  # real seconds between two starts
LONGEST_S = 120.0


class Replanner:
    """Runs ``python -m hatchmon.app.planning`` when asked to; ``config``: the settings file of this
    daemon."""

    def __init__(self, config: Path | None) -> None:
        self._command = [sys.executable, "-m", "hatchmon.app.planning"]
        self._command += [] if config is None else [str(config)]
        self._process: subprocess.Popen[bytes] | None = None
        self._started_s = float("-inf")

    @property
    def free(self) -> bool:
        """Whether a plan may be started now."""
        return self._process is None and time.monotonic() - self._started_s >= APART_S

    def start(self) -> None:
        """Begin to make a plan; it issues itself by a request."""
        self._started_s = time.monotonic()
        try:
            self._process = subprocess.Popen(
                self._command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
            )
        except OSError as error:
            log.error("no plan can be made: %s", error)

    def turn(self) -> None:
        """See whether it is done; say why if it could not be."""
        process = self._process
        if process is None:
            return
        code = process.poll()
        if code is None:
            if time.monotonic() - self._started_s > LONGEST_S:
                log.error("planning took more than %g s and was ended", LONGEST_S)
                self.stop()
            return
        # A sentence at most: it fits into the pipe.
        said = b"" if process.stderr is None else process.stderr.read()
        if code != 0:
            last = said.decode(errors="replace").strip().splitlines()[-1:]
            log.warning("no plan: %s", last[0] if last else f"exit status {code}")
        self._close(process)

    def stop(self) -> None:
        """End it, if it runs."""
        process = self._process
        if process is not None:
            process.kill()
            process.wait(5.0)
            self._close(process)

    def _close(self, process: subprocess.Popen[bytes]) -> None:
        if process.stderr is not None:
            process.stderr.close()
        self._process = None
