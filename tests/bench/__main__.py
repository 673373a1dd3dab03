"""``python -m tests.bench [PART ...]``: speed, memory and disk as a table, and as JSON where ``--json`` says.

Nothing here passes or fails: the aims stand beside the figures. All parts take most of an hour.
"""

from __future__ import annotations

import argparse
import compileall
import json
import platform
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich.console import Console

import hatchmon
from tests.bench import disk, figures, fleet, growth, ingest, lots, memory, start, year
from tests.bench.lines import Line, table

# Each is handed an empty folder, and whether it is to be brief: to show that it works, not what it costs.
PARTS: dict[str, Callable[[Path, bool], Iterable[Line]]] = {
    "computing": figures.lines,
    "lots": lots.lines,
    "ingest": ingest.lines,
    "growth": growth.lines,
    "memory": memory.lines,
    "start": start.lines,
    "disk": disk.lines,
    "fleet": fleet.lines,
    "year": year.lines,
}


def main(words: list[str] | None = None) -> None:
    """Measure and tell."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("part", nargs="*", help=f"only these of {', '.join(PARTS)}")
    parser.add_argument("--brief", action="store_true", help="see that it works; the figures mean little")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there, too")
    chosen = parser.parse_args(words)
    if unknown := set(chosen.part) - set(PARTS):
        parser.error(f"there is no part called {', '.join(sorted(unknown))}; there are {', '.join(PARTS)}")
    # As pip leaves it where hatchmon is installed; else every start would compile all of it.
    compileall.compile_dir(Path(hatchmon.__file__).parent, quiet=2)
    console = Console(highlight=False, width=150)
    told: dict[str, Any] = {}
    for name in chosen.part or PARTS:
        with tempfile.TemporaryDirectory(prefix="hatchmon-bench-") as folder:
            lines = list(PARTS[name](Path(folder), chosen.brief))
        console.print(table(name, lines))
        told[name] = [asdict(line) | {"held": line.held} for line in lines]
    if chosen.json:
        machine = f"{platform.machine()}, Python {platform.python_version()}"
        chosen.json.write_text(
            json.dumps({"machine": machine, "brief": chosen.brief, "parts": told}, indent=2)
        )


if __name__ == "__main__":
    main()
