"""``python -m tests.bench``: speed and memory as a table, and as JSON where ``--json`` says.

Nothing here passes or fails: the aims stand beside the figures.
"""

from __future__ import annotations

import argparse
import json
import platform
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rich import box
from rich.console import Console
from rich.table import Table

from tests.bench.figures import YARDSTICK, Figure, figures
from tests.bench.memory import TARGET_MB, daemons, imports_mb
from tests.science import simulation


def speed_table(found: list[Figure]) -> Table:
    """Ratios first: they compare between machines."""
    table = Table(
        box=box.SIMPLE_HEAD, title="Speed", caption=f"Yardstick: {YARDSTICK}.", title_justify="left"
    )
    for heading in ("", "yardsticks", "ms here", "aim, ms"):
        table.add_column(heading, justify="right" if heading else "left")
    for each in found:
        aim = "" if each.target_ms is None else f"{each.target_ms:g}"
        table.add_row(each.name, f"{each.ratio:.2f}", f"{each.ms:.2f}", aim)
    return table


def memory_table(resident: dict[str, float], imported: dict[str, float]) -> Table:
    """The daemon, then what each import adds."""
    table = Table(box=box.SIMPLE_HEAD, title="Memory, resident", title_justify="left")
    for heading in ("", "MB", "aim, MB"):
        table.add_column(heading, justify="right" if heading else "left")
    for name, mb in resident.items():
        table.add_row(name, f"{mb:.1f}", f"{TARGET_MB:g}")
    for number, (name, mb) in enumerate(imported.items()):
        table.add_row(f"{'then import' if number else 'bare'} {name}", f"{'+' if number else ''}{mb:.1f}", "")
    return table


def simulated(lots: int, console: Console) -> dict[str, Any]:
    """Every population of the simulation, in words; and as data, by recorded hatches."""
    found: dict[str, Any] = {}
    for name, population in simulation.POPULATIONS.items():
        scores = simulation.run(lots, population=population)
        console.print(f"{name}: {lots} lots\n{simulation.table(scores)}\n", highlight=False)
        found[name] = {
            str(count): {
                "t90_mae_h": each.whole.mae_h,
                "coverage": each.whole.coverage,
                "width_h": each.whole.width_h,
                "early_mae_h": each.early.mae_h,
                "fixed_mae_h": each.fixed_mae_h,
            }
            for count, each in scores.items()
        }
    return found


def main(words: list[str] | None = None) -> None:
    """Measure and tell."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--rounds", type=int, default=60, help="times each piece of work is done (60)")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the figures there, too")
    parser.add_argument("--no-daemon", action="store_true", help="leave out what needs the servers")
    parser.add_argument(
        "--simulation", type=int, metavar="N", help="score the forecasts on N simulated lots, too"
    )
    chosen = parser.parse_args(words)
    console = Console(highlight=False, soft_wrap=True)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        speed = list(figures(folder, chosen.rounds))
        console.print(speed_table(speed))
        resident = {} if chosen.no_daemon else dict(daemons(folder))
    imported = imports_mb()
    console.print(memory_table(resident, imported))
    told: dict[str, Any] = {
        "machine": f"{platform.machine()}, Python {platform.python_version()}",
        "yardstick": YARDSTICK,
        "speed": [asdict(each) for each in speed],
        "memory_mb": resident,
        "memory_target_mb": TARGET_MB,
        "imports_mb": imported,
    }
    if chosen.simulation:
        told["simulation"] = simulated(chosen.simulation, console)
    if chosen.json:
        chosen.json.write_text(json.dumps(told, indent=2) + "\n")


if __name__ == "__main__":
    main()
