"""The rules of the house: which room knows which, what the pure rooms keep out, what the repository holds."""

from __future__ import annotations

import ast
import os
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

CHECKOUT = Path(__file__).resolve().parents[1]
ROOMS = {"science": 0, "hatchery": 1, "adapters": 2, "app": 3}
# Modules that are a part of one adapter, kept apart for their size: part and adapter.
PARTS = {"hatchmon.adapters.courier": "hatchmon.adapters.push"}
PURE = ("science", "hatchery")
AT_THE_TOP = {"README.md", "DEVELOPERS.md", "pyproject.toml", "hatchmon", "config", "tests", "systemd"}

# Modules of the standard library that reach a clock, a disk, a network, another process or a log.
# fmt: off
REACHING_OUT = frozenset({
    "asyncio", "concurrent", "ctypes", "fileinput", "ftplib", "getpass", "glob", "http", "io",
    "logging", "mailbox", "mmap", "multiprocessing", "os", "pathlib", "platform", "select",
    "selectors", "shelve", "shutil", "signal", "smtplib", "socket", "socketserver", "sqlite3",
    "ssl", "subprocess", "sys", "syslog", "tempfile", "threading", "time", "tracemalloc", "urllib",
    "warnings", "webbrowser",
})
# fmt: on
REACHING_CALLS = frozenset({"open", "print", "input", "breakpoint", "__import__", "exec", "eval"})
CLOCK_METHODS = frozenset({"now", "utcnow", "today"})
NUMPY_FILES = frozenset(
    {"load", "loadtxt", "genfromtxt", "fromfile", "memmap", "save", "savez", "savetxt", "tofile"}
)

# What turns data into a program, or hands it to a shell.
RUNS_DATA = frozenset(
    {
        "pickle",
        "cPickle",
        "marshal",
        "shelve",
        "dill",
        "cloudpickle",
        "joblib",
        "code",
        "codeop",
        "runpy",
        "pty",
    }
)
RUNS_TEXT = frozenset({"eval", "exec", "compile", "__import__"})
STARTS_PROGRAMS = frozenset(
    {"system", "popen", "startfile", "posix_spawn", "posix_spawnp", "fork", "forkpty"}
)
# Modules that start programs, always ones of their own and never by a shell: the sender of pushes, the demo's
# broker, the process that plans.
MAY_START_PROGRAMS = {"hatchmon/adapters/push.py", "hatchmon/app/demo.py", "hatchmon/app/replan.py"}
# Modules that read what others sent: no name of a file can come from there.
READS_MESSAGES = ("hatchery/payload.py", "app/intake.py", "app/buttons.py", "app/requests.py")
NAMES_FILES = frozenset(
    {"pathlib", "os", "io", "shutil", "tempfile", "glob", "fileinput", "zipfile", "tarfile"}
)


def dotted(path: Path) -> str:
    """The module's name: ``hatchmon/science/rates.py`` is ``hatchmon.science.rates``."""
    parts = path.with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(tree: ast.AST, path: Path) -> Iterator[str]:
    """Every module named by an import, in full; ``from a import b`` gives ``a.b``, which may be one."""
    package = dotted(path).split(".") if path.stem == "__init__" else dotted(path).split(".")[:-1]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            source = [*base, *([node.module] if node.module else [])]
            yield from (".".join([*source, alias.name]) for alias in node.names)
        elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith(("import_module", "__import__")):
            named = node.args[0] if node.args else None
            yield str(named.value) if isinstance(named, ast.Constant) else "a name made up while running"


def wrong_imports(text: str, path: Path) -> list[str]:
    """What the module at ``path`` (from the checkout on) may not import, one sentence each."""
    room = path.parts[1] if len(path.parts) > 2 else None
    own = tuple(dotted(path).split(".")[:3])
    found = []
    for name in imports(ast.parse(text), path):
        parts = tuple(name.split("."))
        if parts[0] == "hatchmon":
            other = parts[1] if len(parts) > 1 else None
            if room is None and other in ROOMS:
                found.append(f"{path} stands outside the rooms and imports {name}")
            elif room is not None and other in ROOMS and ROOMS[other] > ROOMS[room]:
                found.append(f"{path} imports {name}, which is a higher room")
            elif room == other == "adapters" and len(parts) > 2 and parts[:3] != own:
                if PARTS.get(".".join(parts[:3])) == ".".join(own):
                    continue
                found.append(f"{path} imports {name}, another adapter")
        elif room in PURE and parts[0] != "numpy" and parts[0] not in sys.stdlib_module_names:
            found.append(f"{path} imports {name}; {room} knows numpy and the standard library only")
        elif room in PURE and parts[0] in REACHING_OUT:
            found.append(f"{path} imports {name}, which reaches out of the program")
    return found


def wrong_reaches(text: str, path: Path) -> list[str]:
    """Where the module at ``path``, of a pure room, asks a clock or does I/O without an import to show it."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.Name | ast.Attribute | ast.Call):
            continue
        source = ast.unparse(node)
        owner, _, last = source.rpartition(".")
        if isinstance(node, ast.Name):
            wrong = node.id in REACHING_CALLS
        elif isinstance(node, ast.Attribute):
            wrong = (last in CLOCK_METHODS and owner.split(".")[-1] in {"datetime", "date"}) or (
                last in NUMPY_FILES and owner.split(".")[0] in {"np", "numpy"}
            )
        else:
            called = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            # Without a zone astimezone() takes the machine's.
            wrong = called in CLOCK_METHODS or (
                called == "astimezone" and not node.args and not node.keywords
            )
        if wrong:
            found.append(f"{path}:{node.lineno} {source}")
    return found


def wrong_powers(text: str, path: Path) -> list[str]:
    """Where the module at ``path`` could run what it was sent: as Python, in a shell, as another program."""
    tree = ast.parse(text)
    found = []
    for name in imports(tree, path):
        top = name.split(".")[0]
        if top in RUNS_DATA or (top == "subprocess" and str(path) not in MAY_START_PROGRAMS):
            found.append(f"{path} imports {name}")
        if top == "os" and name.rpartition(".")[2] in STARTS_PROGRAMS:
            found.append(f"{path} imports {name}")
    for node in ast.walk(tree):
        if isinstance(node, ast.keyword) and node.arg in {"shell", "allow_pickle"}:
            found.append(f"{path}:{node.value.lineno} {node.arg}=")
        elif isinstance(node, ast.Name) and node.id in RUNS_TEXT:
            found.append(f"{path}:{node.lineno} {node.id}")
        elif isinstance(node, ast.Attribute):
            owner = ast.unparse(node.value)
            if owner == "os" and (node.attr in STARTS_PROGRAMS or node.attr.startswith(("exec", "spawn"))):
                found.append(f"{path}:{node.lineno} os.{node.attr}")
            elif owner in {"builtins", "__builtins__"} or node.attr == "create_subprocess_shell":
                found.append(f"{path}:{node.lineno} {owner}.{node.attr}")
    return found


def names_files(text: str, path: Path) -> list[str]:
    """Where a module that reads messages could open a file."""
    tree = ast.parse(text)
    found = [f"{path} imports {name}" for name in imports(tree, path) if name.split(".")[0] in NAMES_FILES]
    return found + [
        f"{path}:{node.lineno} open"
        for node in ast.walk(tree)
        if isinstance(node, ast.Name) and node.id == "open"
    ]


def unbounded(project: dict[str, Any]) -> list[str]:
    """The requirements of a project file that would take any later version."""
    asked = [
        *project["build-system"]["requires"],
        *project["project"]["dependencies"],
        *(each for extra in project["project"]["optional-dependencies"].values() for each in extra),
    ]
    # Behind a semicolon stands where the requirement holds, not which version it takes.
    return [each for each in asked if not any(sign in each.split(";")[0] for sign in ("<", "==", "~="))]


def not_allowed_at_the_top(tracked: list[str]) -> list[str]:
    """Names at the top of the repository that are neither of the house nor begin with a dot."""
    top = {name.split("/")[0] for name in tracked}
    return sorted(name for name in top if name not in AT_THE_TOP and not name.startswith("."))


def modules() -> list[Path]:
    """Every module of the package, from the checkout on."""
    found = sorted(path.relative_to(CHECKOUT) for path in (CHECKOUT / "hatchmon").rglob("*.py"))
    assert {path.parts[1] for path in found} >= set(ROOMS), "the package is not where it is looked for"
    return found


def tracked() -> list[str]:
    git = shutil.which("git") or pytest.fail("git is missing. Run: sudo apt install git")
    # The checkout may belong to another user than the one who tests.
    done = subprocess.run(
        [git, "-c", f"safe.directory={CHECKOUT}", "ls-files"],
        cwd=CHECKOUT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, f"this needs a git checkout: {done.stderr}"
    return done.stdout.splitlines()


def project_file() -> dict[str, Any]:
    return tomllib.loads((CHECKOUT / "pyproject.toml").read_text())


# ---- the house as it stands ----


@pytest.mark.parametrize("path", modules(), ids=str)
def test_imports_run_one_way(path: Path) -> None:
    assert wrong_imports((CHECKOUT / path).read_text(), path) == []


@pytest.mark.parametrize("path", [path for path in modules() if path.parts[1] in PURE], ids=str)
def test_pure_rooms_have_no_clock_and_no_io(path: Path) -> None:
    assert wrong_reaches((CHECKOUT / path).read_text(), path) == []


@pytest.mark.parametrize("path", modules(), ids=str)
def test_nothing_that_was_sent_is_ever_run(path: Path) -> None:
    assert wrong_powers((CHECKOUT / path).read_text(), path) == []


@pytest.mark.parametrize("name", READS_MESSAGES)
def test_no_name_of_a_file_comes_from_a_message(name: str) -> None:
    path = Path("hatchmon") / name
    assert names_files((CHECKOUT / path).read_text(), path) == []


def test_every_dependency_has_an_upper_bound() -> None:
    assert unbounded(project_file()) == []


def test_the_top_of_the_repository_holds_nothing_else() -> None:
    names = tracked()
    assert "pyproject.toml" in names
    assert not_allowed_at_the_top(names) == []


def test_the_readmes_two_commands_are_there() -> None:
    readme = (CHECKOUT / "README.md").read_text()
    assert "tests/run" in readme
    assert os.access(CHECKOUT / "tests/run", os.X_OK)
    assert "tests/demo" in readme
    assert os.access(CHECKOUT / "tests/demo", os.X_OK)
    assert project_file()["project"]["scripts"]["hatchmon"] == "hatchmon.app.main:main"
    done = subprocess.run(
        [Path(sys.executable).parent / "hatchmon", "demo", "--help"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr


def test_continuous_integration_runs_the_same_tests() -> None:
    lines = (CHECKOUT / ".ci/run").read_text().splitlines()
    said = [line for line in lines if line and not line.startswith(("#", "set ", "cd "))]
    assert said == ["exec tests/run"]
    assert os.access(CHECKOUT / ".ci/run", os.X_OK)


# ---- the checks themselves ----


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ("hatchmon/science/bad.py", "import hatchmon.hatchery.types"),
        ("hatchmon/science/bad.py", "from hatchmon.hatchery import types"),
        ("hatchmon/science/bad.py", "from hatchmon import hatchery"),
        ("hatchmon/science/bad.py", "from ..app import cli"),
        ("hatchmon/science/bad.py", "from .. import app"),
        ("hatchmon/science/__init__.py", "from ..hatchery import types"),
        ("hatchmon/science/bad.py", "def late():\n    import hatchmon.app.cli"),
        ("hatchmon/science/bad.py", "import importlib\nimportlib.import_module('hatchmon.app.cli')"),
        ("hatchmon/science/bad.py", "import importlib\nimportlib.import_module(name)"),
        ("hatchmon/science/bad.py", "import scipy.stats"),
        ("hatchmon/science/bad.py", "from pandas import DataFrame"),
        ("hatchmon/science/bad.py", "import logging"),
        ("hatchmon/science/bad.py", "from time import monotonic"),
        ("hatchmon/hatchery/bad.py", "import sqlite3"),
        ("hatchmon/hatchery/bad.py", "import socket"),
        ("hatchmon/hatchery/bad.py", "import requests"),
        ("hatchmon/hatchery/bad.py", "from urllib.request import urlopen"),
        ("hatchmon/hatchery/bad.py", "from hatchmon.adapters.clock import SystemClock"),
        ("hatchmon/adapters/bad.py", "from hatchmon.app.settings import Settings"),
        ("hatchmon/adapters/bad.py", "from hatchmon.adapters.store import Store"),
        ("hatchmon/adapters/bad.py", "from hatchmon.adapters import store"),
        ("hatchmon/adapters/bad.py", "from . import store"),
        ("hatchmon/adapters/bad.py", "from hatchmon.adapters.store.migrations import STEPS"),
        ("hatchmon/adapters/bad.py", "from hatchmon.adapters import courier"),
        ("hatchmon/adapters/courier.py", "from hatchmon.adapters.push import Pusher"),
        ("hatchmon/adapters/web/page.py", "from ..store import Store"),
        ("hatchmon/bad.py", "from hatchmon.science import rates"),
    ],
)
def test_a_wrong_import_is_found(path: str, text: str) -> None:
    assert len(wrong_imports(text, Path(path))) == 1


@pytest.mark.parametrize(
    ("path", "text"),
    [
        ("hatchmon/science/good.py", "import math\nimport numpy as np\nfrom hatchmon.science import rates"),
        ("hatchmon/hatchery/good.py", "from hatchmon.science.rates import rate\nfrom . import types"),
        ("hatchmon/adapters/good.py", "import sqlite3\nfrom hatchmon.hatchery.types import Batch"),
        ("hatchmon/adapters/store/feeds.py", "from hatchmon.adapters.store.batches import Batches"),
        ("hatchmon/adapters/push.py", "from hatchmon.adapters import courier"),
        ("hatchmon/adapters/web/page.py", "from hatchmon.adapters.web import shapes\nfrom . import shapes"),
        ("hatchmon/app/good.py", "from hatchmon.adapters import clock, store"),
    ],
)
def test_a_right_import_is_let_be(path: str, text: str) -> None:
    assert wrong_imports(text, Path(path)) == []


@pytest.mark.parametrize(
    "text",
    [
        "from datetime import datetime\nx = datetime.now(UTC)",
        "import datetime\nx = datetime.datetime.utcnow()",
        "from datetime import date\nx = date.today()",
        "from datetime import datetime\nx = field(default_factory=datetime.now)",
        "clock.now()",
        "time.astimezone()",
        "open('log')",
        "print('here')",
        "read = open",
        "np.loadtxt('log.csv')",
    ],
)
def test_a_clock_or_io_in_a_pure_room_is_found(text: str) -> None:
    assert wrong_reaches(text, Path("hatchmon/science/bad.py"))


def test_plain_computing_is_let_be() -> None:
    text = "import numpy as np\nnow = batch.time_at(3.0)\nlocal = now.astimezone(zone)\nx = np.exp(state.now)"
    assert wrong_reaches(text, Path("hatchmon/science/good.py")) == []


@pytest.mark.parametrize(
    "text",
    [
        "import pickle",
        "from pickle import loads",
        "import numpy as np\nnp.load(f, allow_pickle=True)",
        "import marshal",
        "import shelve",
        "import subprocess",
        "from subprocess import run",
        "import os\nos.system('date')",
        "from os import popen",
        "import os\nos.execvp('sh', [])",
        "import os\nos.spawnl(0, 'sh')",
        "run('date', shell=True)",
        "import asyncio\nasyncio.create_subprocess_shell('date')",
        "eval('1')",
        "exec(text)",
        "run = eval",
        "compile(text, '', 'exec')",
        "import builtins\nbuiltins.eval('1')",
        "__import__('pickle')",
    ],
)
def test_what_could_run_a_message_is_found(text: str) -> None:
    assert wrong_powers(text, Path("hatchmon/app/bad.py"))


def test_a_shell_is_found_where_programs_may_be_started() -> None:
    text = "import subprocess\nsubprocess.run(['date'])\nsubprocess.run('date', shell=True)"
    assert wrong_powers(text, Path("hatchmon/app/demo.py")) == ["hatchmon/app/demo.py:3 shell="]


def test_ordinary_code_is_let_be() -> None:
    text = "import os, re\nre.compile('x')\nos.fsync(f)\nevaluate = model.eval_h\nos.environ['HOME']"
    assert wrong_powers(text, Path("hatchmon/app/good.py")) == []
    assert (
        names_files("import json\nfrom hatchmon.adapters.store import Store", Path("hatchmon/app/x.py")) == []
    )


@pytest.mark.parametrize("text", ["from pathlib import Path", "import os", "open(name)", "import os.path"])
def test_a_file_named_by_a_message_is_found(text: str) -> None:
    assert names_files(text, Path("hatchmon/app/intake.py"))


def test_a_dependency_without_an_upper_bound_is_found() -> None:
    project = project_file()
    project["project"]["dependencies"].append("numpy>=2.0")
    project["project"]["optional-dependencies"]["test"].append("pytest; python_version < '3.14'")
    project["build-system"]["requires"].append("wheel!=0.40")
    assert unbounded(project) == ["wheel!=0.40", "numpy>=2.0", "pytest; python_version < '3.14'"]


def test_a_stray_name_at_the_top_is_found() -> None:
    names = ["README.md", ".ci/run", "hatchmon/app/cli.py", "notes.txt", "scripts/go.sh"]
    assert not_allowed_at_the_top(names) == ["notes.txt", "scripts"]
