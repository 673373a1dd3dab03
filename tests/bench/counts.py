"""Instructions that the hot paths take, as valgrind counts them: the same whatever the machine's mood.

``python -m tests.bench.counts`` counts and tells what has changed since the counts accepted last, which are
kept in ``counts.json`` beside this file; ``--accept`` puts the new ones in their place.

Absolute counts depend on the interpreter, on numpy and on what the processor can do. So each is a ratio to
a fixed piece of Python and numpy counted in the same process, all with the processor's baseline alone, and
accepted counts hold for one architecture and one minor version of Python.
"""

from __future__ import annotations

import argparse
import gc
import importlib
import json
import os
import platform
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from datetime import timedelta
from pathlib import Path

import numpy as np
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from hatchmon.adapters.mqtt import LinkUp
from hatchmon.adapters.store import Store
from hatchmon.app.engine import Engine
from hatchmon.app.pages import now as now_page
from hatchmon.app.pages.site import Site
from hatchmon.app.settings import load_settings
from hatchmon.app.snapshot import Showcase
from hatchmon.hatchery.types import Look
from hatchmon.science.learning import LotBelief
from tests.bench.ground import hatching, running_batch
from tests.engines import START, Around, Hand, Probes
from tests.servers import find_program
from tests.system.daemon import CHECKOUT

ACCEPTED = Path(__file__).with_suffix(".json")
TOLERATED = 1.10
YARDSTICK = "yardstick"
CONES = 6
READINGS = 150
_MARK = "getppid"  # of the C library; called by nothing else, so that valgrind tells piece from piece


def key() -> str:
    """What accepted counts hold for."""
    return f"{platform.machine()}, Python {sys.version_info.major}.{sys.version_info.minor}"


def yardstick() -> None:
    """Some of what the hot paths are made of: plain Python, text and numbers, numpy on small arrays."""
    rows = {number: (f"{number / 7.0:.3f}", number % 13) for number in range(3000)}
    found = sorted((float(text) * rest, text) for text, rest in rows.values())
    json.loads(json.dumps(found))
    line = np.linspace(0.0, 8.0, 2000)
    for step in range(40):
        course = np.exp(-line * step / 40.0)
        np.interp(line, course[::-1], line)
        np.sort(course)
        np.cumsum(course)


def pieces(folder: Path) -> dict[str, Callable[[], object]]:
    """The hot paths, each ready to be taken again and again."""
    config, database = folder / "hatchmon.toml", folder / "hatchmon.db"
    config.write_text(f'time_zone = "UTC"\n[store]\npath = "{database}"\n[clock]\nwait_min = 0\n')
    settings, clock, showcase = load_settings(config), Hand(), Showcase()
    names = [f"cone-{number}" for number in range(1, CONES + 1)]
    store = Store(database)
    hatching(store, names, START, hours=2.0)
    engine = Engine(settings, store, clock, Around(), showcase)
    engine.take(LinkUp(1, False, "5"))
    engine.turn()
    probes = Probes(engine, clock)

    def ingest() -> None:
        for _ in range(READINGS):
            clock.run_s += 1e-3
            probes.send(names[probes.sent % CONES], 26.0 + 0.001 * (probes.sent // CONES % 97))
            engine.turn()

    prior = LotBelief.prior()
    calm, calm_now = running_batch()
    seen, seen_now = running_batch()

    def forecast() -> None:
        nonlocal calm_now
        calm_now += timedelta(minutes=1)
        calm.add(calm_now, 26.0)
        calm.forecast(calm_now, prior)

    def look() -> None:
        seen.looks = [Look(1, START + timedelta(hours=13), "few")]
        evidence = seen.evidence(seen_now)
        assert evidence is not None
        seen.forecast(seen_now, prior.learn(evidence))

    site = Site(settings, clock, showcase, lambda *_: NotImplemented)
    site.nav = list(now_page.NAV)
    route = next(each for each in now_page.routes(site) if isinstance(each, Route) and each.path == "/")
    scope: dict[str, object] = {
        "type": "http",
        "method": "GET",
        "path": "/",
        "query_string": b"",
        "headers": [],
    }
    scope |= {"server": ("localhost", 80), "session": site.sessions.begin(), "address": "127.0.0.1"}

    def page() -> None:
        answer = route.endpoint(Request(scope))
        assert isinstance(answer, Response)
        assert answer.status_code == 200

    return {
        YARDSTICK: yardstick,
        f"take, judge and store {READINGS} readings": ingest,
        "forecast with bands": forecast,
        "one added look, learned from too": look,
        f"the Now page, {CONES} cones": page,
    }


def work(folder: Path) -> None:
    """What is counted, with a mark before each piece and one after the last; all is warm by then."""
    made = pieces(folder)
    (folder / "names").write_text("\n".join(made))
    for piece in made.values():
        piece()
    gc.collect()
    gc.disable()
    for piece in made.values():
        os.getppid()
        piece()
    os.getppid()


def _environment() -> dict[str, str]:
    """Without what differs from machine to machine and from run to run."""
    dispatched = importlib.import_module("numpy._core._multiarray_umath").__cpu_dispatch__
    core = {"x86_64": "Prescott", "aarch64": "ARMV8"}.get(platform.machine(), "")
    return {name: value for name, value in os.environ.items() if not name.startswith("HATCHMON_")} | {
        "PYTHONHASHSEED": "0",
        "PYTHONPATH": str(CHECKOUT),
        "OPENBLAS_NUM_THREADS": "1",
        "OPENBLAS_CORETYPE": core,
        "NPY_DISABLE_CPU_FEATURES": " ".join(dispatched),
        "GLIBC_TUNABLES": "glibc.cpu.hwcaps=-AVX,-AVX2,-FMA,-FMA4,-ERMS",
    }


def counted(folder: Path) -> dict[str, float]:
    """By piece, its instructions as a ratio to those of the yardstick; takes about half a minute."""
    out, environment = folder / "counted", _environment()
    # Compiled beforehand, without valgrind: it would take most of the time.
    environment["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
    count = [find_program("valgrind", "valgrind"), "--tool=callgrind", f"--callgrind-out-file={out}"]
    for ground, before in ((folder / "first", []), (folder / "ground", [*count, f"--dump-before={_MARK}"])):
        ground.mkdir()
        work = [sys.executable, "-W", "ignore", "-m", "tests.bench.counts", "--work", str(ground)]
        done = subprocess.run(
            [*before, *work], cwd=CHECKOUT, env=environment, capture_output=True, text=True, check=False
        )
        if done.returncode:
            raise RuntimeError(f"counting failed:\n{done.stdout}{done.stderr}")
    names = (ground / "names").read_text().splitlines()
    # The first dump holds all up to the first mark, the one without a number all after the last.
    instructions = [_total(out.with_name(f"{out.name}.{number + 2}")) for number in range(len(names))]
    assert not out.with_name(f"{out.name}.{len(names) + 2}").exists(), f"somebody else calls {_MARK}"
    ratios = {name: count / instructions[0] for name, count in zip(names, instructions, strict=True)}
    assert ratios.pop(YARDSTICK) == 1.0
    return ratios


def _total(dump: Path) -> int:
    found = re.search(r"^totals: (\d+)$", dump.read_text(), re.MULTILINE)
    assert found, f"no total in {dump}"
    return int(found[1])


def accepted() -> dict[str, float] | None:
    """The ratios accepted last for this architecture and Python; None where there are none yet."""
    found: dict[str, dict[str, float]] = json.loads(ACCEPTED.read_text())
    return found.get(key())


def accept(ratios: Mapping[str, float]) -> None:
    """Put ``ratios`` in the place of those accepted last."""
    known = json.loads(ACCEPTED.read_text()) if ACCEPTED.exists() else {}
    known[key()] = {name: round(ratio, 4) for name, ratio in ratios.items()}
    ACCEPTED.write_text(json.dumps(known, indent=2, sort_keys=True) + "\n")


def changes(known: Mapping[str, float], found: Mapping[str, float]) -> list[str]:
    """What is wrong with ``found``: what takes more than TOLERATED times as much as it did, or has no count
    accepted, or is no longer counted."""
    wrong = [f"{name}: no longer counted" for name in known.keys() - found.keys()]
    wrong += [f"{name}: no count accepted yet" for name in found.keys() - known.keys()]
    for name in found.keys() & known.keys():
        if found[name] > TOLERATED * known[name]:
            wrong.append(f"{name}: {found[name]:.3f} yardsticks, {found[name] / known[name] - 1.0:+.1%}")
    return sorted(wrong)


def main(words: list[str] | None = None) -> None:
    """Count and tell."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench.counts")
    parser.add_argument("--accept", action="store_true", help="keep these counts as the accepted ones")
    parser.add_argument("--work", type=Path, metavar="FOLDER", help="only do what is counted, there")
    chosen = parser.parse_args(words)
    if chosen.work is not None:
        work(chosen.work)
        return
    with tempfile.TemporaryDirectory() as folder:
        found = counted(Path(folder))
    known = accepted() or {}
    for name, ratio in found.items():
        change = f"{ratio / known[name] - 1.0:+7.1%}" if name in known else "    new"
        print(f"{name:40} {ratio:9.4f} {change}")
    if chosen.accept:
        accept(found)
        print(f"accepted for {key()}")


if __name__ == "__main__":
    main()
