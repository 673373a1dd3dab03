"""Where ``hatchmon`` begins. The daemon, which runs for months, does without the command line's libraries."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path


def main() -> None:
    """Entry point of the ``hatchmon`` command."""
    asked = _run_asked(sys.argv[1:])
    if asked is None:
        from hatchmon.app.cli import app

        app()
    else:
        from hatchmon.app.daemon import run

        sys.exit(run(*asked))


def _run_asked(words: Sequence[str]) -> tuple[Path | None, bool] | None:
    """(settings file, verbose) of a plain ``run``; None for all that the command line has to look at."""
    match words:
        case ["run"]:
            return None, False
        case ["run", "--config", file] if not file.startswith("-"):
            return Path(file), False
    return None
