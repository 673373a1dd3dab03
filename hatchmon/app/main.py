"""Where ``hatchmon`` begins. The daemon, which runs for months, does without the command line's libraries."""

from __future__ import annotations

import sys
from pathlib import Path


def main() -> None:
    """Entry point of the ``hatchmon`` command."""
    match sys.argv[1:]:
        case ["run"]:
            config = None
        case ["run", "--config", file] if not file.startswith("-"):
            config = Path(file)
        case _:
            from hatchmon.app.cli import app

            app()
            return
    from hatchmon.app.daemon import run

    sys.exit(run(config, verbose=False))
