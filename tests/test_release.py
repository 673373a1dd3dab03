"""What is handed out: the wheel and the source archive, and the version they bear."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Iterator
from email.parser import HeaderParser
from importlib.metadata import packages_distributions, requires
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import hatchmon
from hatchmon.adapters.store.migrations import STEPS
from tests.test_house import CHECKOUT, imports, modules, project_file

VERSION = project_file()["project"]["version"]


@pytest.fixture(scope="module")
def wheel(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel under test, else one built now, with its source archive beside it."""
    given = request.config.getoption("--wheel")
    if given is not None:
        return Path(given)
    folder = tmp_path_factory.mktemp("dist")
    done = subprocess.run(
        [sys.executable, "-m", "build", "--outdir", folder, CHECKOUT],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return next(folder.glob("*.whl"))


def shipped() -> set[str]:
    """Every file of the package that belongs to the repository."""
    done = subprocess.run(
        ["git", "-c", f"safe.directory={CHECKOUT}", "ls-files", "-co", "--exclude-standard", "hatchmon"],
        cwd=CHECKOUT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    found = {name for name in done.stdout.splitlines() if (CHECKOUT / name).exists()}
    assert {"hatchmon/app/pages/static/page.css", "hatchmon/app/pages/templates/base.html"} <= found
    return found


def test_the_wheel_holds_the_package_and_nothing_else(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        names = {name for name in archive.namelist() if ".dist-info/" not in name}
        assert names == shipped()
        for name in names:
            assert archive.read(name) == (CHECKOUT / name).read_bytes(), name


def test_the_source_archive_holds_what_the_wheel_is_built_from(wheel: Path) -> None:
    name = f"hatchmon-{VERSION}"
    with tarfile.open(wheel.with_name(f"{name}.tar.gz")) as archive:
        names = {member.name.removeprefix(f"{name}/") for member in archive if member.isfile()}
    assert {found for found in names if found.startswith("hatchmon/")} == shipped()
    assert {"README.md", "pyproject.toml"} <= names


def test_one_version_everywhere(wheel: Path) -> None:
    with zipfile.ZipFile(wheel) as archive:
        told = HeaderParser().parsestr(archive.read(f"hatchmon-{VERSION}.dist-info/METADATA").decode())
    assert told["Version"] == VERSION
    assert hatchmon.__version__ == VERSION, "installed from another version: run tests/run"
    written = [path for path in modules() if f'"{VERSION}"' in (CHECKOUT / path).read_text()]
    assert written == []


def test_the_readme_tells_what_changed_in_this_version() -> None:
    readme = (CHECKOUT / "README.md").read_text()
    changes = readme.split("\n## Changes\n")[1].split("\n## ")[0]
    entries = re.split(r"(?m)^\*\*(\S+)\*\*", changes)[1:]
    told = dict(zip(entries[::2], entries[1::2], strict=True))
    assert next(iter(told)) == VERSION  # the newest first
    assert f"Database version {len(STEPS)}." in told[VERSION]


# ---- nothing is used that does not come along ----


def foreign(path: Path) -> Iterator[tuple[str, str]]:
    """Module and the distribution that it comes from, for each import that is not Python's nor ours."""
    known = packages_distributions()
    for name in imports(ast.parse((CHECKOUT / path).read_text()), path):
        top = name.split(".")[0]
        if top != "hatchmon" and top not in sys.stdlib_module_names:
            yield name, canonicalize_name(known[top][0])


def test_every_import_is_of_a_dependency() -> None:
    """Of one named in the project file, not of one that happens to come with another, or with the tests."""
    asked = [Requirement(each) for each in requires("hatchmon") or ()]
    plain = {canonicalize_name(each.name) for each in asked if not each.marker}
    demo = plain | {
        canonicalize_name(each.name)
        for each in asked
        if each.marker is None or each.marker.evaluate({"extra": "demo"})
    }
    found = 0
    for path in modules():
        allowed = demo if path.name == "demo_broker.py" else plain
        for name, of in foreign(path):
            assert of in allowed, f"{path} imports {name} of {of}, which is no dependency"
            found += 1
    assert found > 50
