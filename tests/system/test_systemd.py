"""The service's files: the unit, its sandbox, its account and folders, the installer.

Run as a program, ``test_systemd.py PROGRAM [ARGUMENT...]`` becomes that program inside the system call
filters that the unit asks systemd for. So the sandbox is tried on the real libraries although systemd is
not the first process of the machine the tests run on.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import mmap
import os
import re
import shutil
import socket
import stat
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest

from hatchmon.adapters.store import Store
from hatchmon.app.settings import Settings

CHECKOUT = Path(__file__).resolve().parents[2]
SYSTEMD = CHECKOUT / "systemd"
UNIT = SYSTEMD / "hatchmon.service"
ONEWIRE_UNIT = SYSTEMD / "hatchmon-onewire.service"
UNITS = pytest.mark.parametrize("unit", [UNIT, ONEWIRE_UNIT], ids=lambda unit: unit.stem)
INSTALL = SYSTEMD / "install"
SHARE = SYSTEMD / "hatchmon-share.conf"
# systemd-analyze(1): 0 is the best protected, 10 the least.
MOST_EXPOSURE = 1.5


def program(name: str, package: str) -> str:
    """The path of ``name``; a failure that names its Debian package if it is not there."""
    found = shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")
    if found is None:
        pytest.fail(f"{name} is missing. Run: sudo apt install {package}")
    return found


def run(*command: str | Path, environment: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
    """Run to the end, both outputs caught as text."""
    return subprocess.run(
        list(command),
        env={**os.environ, **(environment or {})},
        capture_output=True,
        text=True,
        check=False,
    )


def settings_of(unit: str) -> dict[str, list[str]]:
    """Every value of every setting in the text of a unit, in order; sections do not matter here."""
    found: dict[str, list[str]] = {}
    for line in unit.splitlines():
        if "=" in line and not line.startswith(("#", ";")):
            key, _, value = line.partition("=")
            found.setdefault(key.strip(), []).append(value.strip())
    return found


def the(key: str) -> str:
    """The only value of ``key`` in the unit."""
    (value,) = settings_of(UNIT.read_text())[key]
    return value


# ---- the unit ----


def verify(unit: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """``systemd-analyze verify`` of a unit whose programs are taken as present."""
    copy = folder / UNIT.name
    copy.write_text(unit.replace("/opt/hatchmon/bin/hatchmon", "/bin/true"))
    return run(program("systemd-analyze", "systemd"), "verify", copy)


@UNITS
def test_systemd_finds_no_fault_in_the_unit(tmp_path: Path, unit: Path) -> None:
    done = verify(unit.read_text(), tmp_path)
    assert (done.returncode, done.stderr) == (0, "")


def test_verify_would_report_a_misspelt_setting(tmp_path: Path) -> None:
    done = verify(UNIT.read_text().replace("WatchdogSec=", "WatchdogSecs="), tmp_path)
    assert "WatchdogSecs" in done.stderr


def exposure(unit: Path) -> float:
    done = run(program("systemd-analyze", "systemd"), "security", "--offline=true", "--no-pager", unit)
    overall = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert overall, f"systemd-analyze security says no level: {done.stdout}{done.stderr}"
    return float(overall[1])


@UNITS
def test_exposure_is_low(unit: Path) -> None:
    assert exposure(unit) <= MOST_EXPOSURE


def test_exposure_is_low_with_the_record_open_to_the_group(tmp_path: Path) -> None:
    opened = settings_of((SYSTEMD / "hatchmon-group.conf").read_text())
    text = UNIT.read_text()
    for key, (value,) in opened.items():
        text, changed = re.subn(rf"(?m)^{key}=.*$", f"{key}={value}", text)
        assert changed == 1
    (tmp_path / UNIT.name).write_text(text)
    assert exposure(tmp_path / UNIT.name) <= MOST_EXPOSURE


def test_exposure_without_the_hardening_is_high(tmp_path: Path) -> None:
    bare = tmp_path / UNIT.name
    kept = ("[", "Type=", "ExecStart=", "User=", "Group=")
    bare.write_text("\n".join(line for line in UNIT.read_text().splitlines() if line.startswith(kept)))
    assert exposure(bare) > MOST_EXPOSURE


def test_the_unit_runs_what_the_installer_installs() -> None:
    assert the("ExecStart") == "/opt/hatchmon/bin/hatchmon run"
    assert the("ExecStartPre") == "/opt/hatchmon/bin/hatchmon check --settings-only"
    assert the("Type") == "notify"
    # A broker elsewhere, or not yet up, must not keep the service from starting.
    assert "mosquitto" not in " ".join(
        value
        for key, values in settings_of(UNIT.read_text()).items()
        if key in {"Requires", "BindsTo", "Requisite"}
        for value in values
    )


def test_the_unit_for_1_wire_probes_is_shut_in_as_the_daemon_is() -> None:
    """So what is tried below in the daemon's sandbox holds for it too."""
    daemon, onewire = (settings_of(unit.read_text()) for unit in (UNIT, ONEWIRE_UNIT))
    names = set(daemon) - {
        *("Description", "ExecStart", "MemoryHigh", "MemoryMax", "UMask", "WorkingDirectory"),
        *("StateDirectory", "StateDirectoryMode", "Environment", "TimeoutStartSec"),
    }
    assert {name: onewire.get(name) for name in names} == {name: daemon[name] for name in names}
    assert onewire["ExecStart"] == ["/opt/hatchmon/bin/hatchmon onewire"]
    # It has nothing to write, and the record is out of its sight.
    assert not onewire.keys() & {"StateDirectory", "ReadWritePaths", "WorkingDirectory"}
    assert onewire["InaccessiblePaths"] == [f"-/var/lib/{the('StateDirectory')}"]
    # /sys/bus/w1 has to be in sight.
    assert not any("/sys" in value for name in onewire if "Path" in name for value in onewire[name])
    # 2 is "no probe in the settings"; a crash is 1.
    assert onewire["RestartPreventExitStatus"] == ["2"]


def test_the_unit_of_a_share_is_the_same_with_its_own_settings_and_record(tmp_path: Path) -> None:
    """As systemd puts the drop-in over the copy: a value that is empty takes back those before it."""
    added = settings_of(SHARE.read_text())
    assert [added[name] for name in ("ExecStartPre", "ExecStart", "StateDirectory")] == [
        ["", "/opt/hatchmon/bin/hatchmon check --settings-only --config /etc/hatchmon/%i.toml"],
        ["", "/opt/hatchmon/bin/hatchmon run --config /etc/hatchmon/%i.toml"],
        ["", "hatchmon/%i"],
    ]
    assert added.keys() - {"ExecStartPre", "ExecStart", "StateDirectory"} == {
        "Description",
        "WorkingDirectory",
    }
    assert added["WorkingDirectory"] == [f"{Settings().store.path.parent}/%i"]
    # The record that is a share's without a word of settings lies there.
    shared = Settings.model_validate({"share": {"name": "hall-a", "cones": ["a1"]}})
    assert str(shared.store.path.parent) == added["WorkingDirectory"][0].replace("%i", "hall-a")

    template = tmp_path / "hatchmon@.service"
    folder = tmp_path / "hatchmon@.service.d"
    folder.mkdir()
    template.write_text(UNIT.read_text().replace("/opt/hatchmon/bin/hatchmon", "/bin/true"))
    (folder / "share.conf").write_text(SHARE.read_text().replace("/opt/hatchmon/bin/hatchmon", "/bin/true"))
    done = run(program("systemd-analyze", "systemd"), "verify", tmp_path / "hatchmon@hall-a.service")
    assert (done.returncode, done.stderr) == (0, "")
    assert exposure(template) <= MOST_EXPOSURE


# ---- the sandbox ----


@dataclass(frozen=True)
class Comparison:
    """One condition on an argument of a system call, as libseccomp takes it."""

    argument: int
    operator: int
    a: int
    b: int = 0


# enum scmp_compare of seccomp.h
LESS, EQUAL, GREATER, MASKED_EQUAL = 2, 4, 6, 7
ALLOW = 0x7FFF0000
SHM_EXEC = 0o100000


def refuse_with(number: int) -> int:
    """SCMP_ACT_ERRNO of seccomp.h."""
    return 0x00050000 | number


class _Compare(ctypes.Structure):
    """struct scmp_arg_cmp of seccomp.h"""

    _fields_ = (
        ("arg", ctypes.c_uint),
        ("op", ctypes.c_int),
        ("a", ctypes.c_uint64),
        ("b", ctypes.c_uint64),
    )


class Filter:
    """A filter of system calls, built with the library that systemd builds its own with."""

    def __init__(self, otherwise: int) -> None:
        try:
            self._library = ctypes.CDLL("libseccomp.so.2")
        except OSError:
            raise SystemExit("libseccomp is missing. Run: sudo apt install libseccomp2") from None
        self._library.seccomp_init.restype = ctypes.c_void_p
        self._context = ctypes.c_void_p(self._library.seccomp_init(ctypes.c_uint32(otherwise)))

    def add(self, action: int, call: str, *conditions: Comparison) -> None:
        """Calls that this machine does not have are left out, as systemd leaves them out."""
        number = self._library.seccomp_syscall_resolve_name(call.encode())
        if number < 0:
            return
        array = (_Compare * len(conditions))(
            *(_Compare(each.argument, each.operator, each.a, each.b) for each in conditions)
        )
        done = self._library.seccomp_rule_add_array(
            self._context, ctypes.c_uint32(action), number, len(conditions), array
        )
        if done != 0:
            raise SystemExit(f"no rule for {call}: {os.strerror(-done)}")

    def load(self) -> None:
        done = self._library.seccomp_load(self._context)
        if done != 0:
            raise SystemExit(f"the kernel took no filter: {os.strerror(-done)}")


def calls_in(name: str) -> set[str]:
    """The system calls of one word of SystemCallFilter=: a call, or a group after ``@``."""
    if not name.startswith("@"):
        return {name}
    listed = subprocess.run(
        ["systemd-analyze", "syscall-filter", "--no-pager", name], capture_output=True, text=True, check=True
    ).stdout
    words = [line.strip() for line in listed.splitlines()[1:]]
    return {call for word in words if word and not word.startswith("#") for call in calls_in(word)}


def enter_sandbox(unit: dict[str, list[str]]) -> None:
    """Put on this process what the unit's seccomp settings say; systemd.exec(5) says what they mean."""
    allowed = calls_in("@default")
    for value in unit["SystemCallFilter"]:
        calls = {call for word in value.lstrip("~").split() for call in calls_in(word)}
        allowed = allowed - calls if value.startswith("~") else allowed | calls

    denied = Filter(ALLOW)
    if unit["MemoryDenyWriteExecute"] == ["yes"]:
        both = mmap.PROT_WRITE | mmap.PROT_EXEC
        denied.add(refuse_with(errno.EPERM), "mmap", Comparison(2, MASKED_EQUAL, both, both))
        for call in ("mprotect", "pkey_mprotect"):
            wanted = Comparison(2, MASKED_EQUAL, mmap.PROT_EXEC, mmap.PROT_EXEC)
            denied.add(refuse_with(errno.EPERM), call, wanted)
        denied.add(refuse_with(errno.EPERM), "shmat", Comparison(2, MASKED_EQUAL, SHM_EXEC, SHM_EXEC))
    if unit["RestrictSUIDSGID"] == ["yes"]:
        for call, mode in (("chmod", 1), ("fchmod", 1), ("fchmodat", 2), ("mkdir", 1), ("mkdirat", 2)):
            for bit in (stat.S_ISUID, stat.S_ISGID):
                denied.add(refuse_with(errno.EPERM), call, Comparison(mode, MASKED_EQUAL, bit, bit))
    families = {int(getattr(socket, name)) for name in unit["RestrictAddressFamilies"][0].split()}
    unknown = refuse_with(errno.EAFNOSUPPORT)
    denied.add(unknown, "socket", Comparison(0, LESS, min(families)))
    denied.add(unknown, "socket", Comparison(0, GREATER, max(families)))
    for family in set(range(min(families), max(families))) - families:
        denied.add(unknown, "socket", Comparison(0, EQUAL, family))
    denied.load()

    listed = Filter(refuse_with(int(getattr(errno, unit["SystemCallErrorNumber"][0]))))
    for call in sorted(allowed):
        listed.add(ALLOW, call)
    listed.load()


def sandboxed(*command: str | Path) -> list[str]:
    """The command that runs ``command`` inside the unit's system call filters."""
    program("systemd-analyze", "systemd")
    return [sys.executable, __file__, *map(str, command)]


THE_SANDBOX_BITES = """
import errno, mmap, os, socket, sys
def refused(number, attempt):
    try:
        attempt()
    except OSError as error:
        assert error.errno == number, (attempt, error)
    else:
        raise AssertionError(f"let through: {attempt}")
folder = sys.argv[1]
refused(errno.EPERM, lambda: mmap.mmap(-1, 4096, prot=mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC))
refused(errno.EAFNOSUPPORT, lambda: socket.socket(socket.AF_NETLINK, socket.SOCK_RAW))
refused(errno.EAFNOSUPPORT, lambda: socket.socket(socket.AF_PACKET, socket.SOCK_RAW))
refused(errno.EPERM, lambda: os.chown(folder, os.getuid(), os.getgid()))
refused(errno.EPERM, lambda: os.chmod(folder, 0o2770))
refused(errno.EPERM, lambda: os.sched_setaffinity(0, os.sched_getaffinity(0)))
print("all refused")
"""

WHAT_THE_DAEMON_NEEDS = """
import importlib, pkgutil, socket, sqlite3, sys, threading
import apprise, apscheduler, numpy, paho.mqtt.client, pydantic_settings, rich, typer, urllib3
import hatchmon.adapters, hatchmon.app, hatchmon.hatchery, hatchmon.science
for room in (hatchmon.adapters, hatchmon.app, hatchmon.hatchery, hatchmon.science):
    for module in pkgutil.iter_modules(room.__path__, room.__name__ + "."):
        importlib.import_module(module.name)
# Large enough that the linear algebra library starts its threads.
square = numpy.random.default_rng(1).random((400, 400))
assert numpy.allclose(square @ numpy.linalg.inv(square), numpy.eye(400), atol=1e-6)
assert apprise.Apprise().add("json://127.0.0.1:1/")
database = sqlite3.connect(sys.argv[1] + "/hatchmon.sqlite3")
database.execute("PRAGMA journal_mode = WAL")
database.execute("PRAGMA synchronous = FULL")
database.execute("CREATE TABLE t (v REAL) STRICT")
database.commit()
worker = threading.Thread(target=print, args=("all done",))
with socket.create_server(("127.0.0.1", 0)) as server:
    socket.create_connection(("localhost", server.getsockname()[1]), timeout=5).close()
socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
worker.start()
worker.join()
"""


def test_the_sandbox_bites(tmp_path: Path) -> None:
    done = run(*sandboxed(sys.executable, "-c", THE_SANDBOX_BITES, tmp_path))
    assert (done.returncode, done.stdout) == (0, "all refused\n"), done.stderr


def test_hatchmon_and_its_libraries_work_in_the_sandbox(tmp_path: Path) -> None:
    done = run(*sandboxed(sys.executable, "-c", WHAT_THE_DAEMON_NEEDS, tmp_path))
    assert (done.returncode, done.stdout) == (0, "all done\n"), done.stderr


# ---- account and folders ----


def test_the_account_is_made_with_its_group(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    done = run(program("systemd-sysusers", "systemd"), f"--root={tmp_path}", SYSTEMD / "hatchmon.sysusers")
    assert done.returncode == 0, done.stderr
    name, _, _, gid, _, home, shell = (tmp_path / "etc/passwd").read_text().strip().split(":")
    assert (name, home) == (the("User"), "/var/lib/hatchmon")
    assert shell.endswith("nologin")
    assert (tmp_path / "etc/group").read_text() == f"{the('Group')}:x:{gid}:\n"


def test_the_folder_is_made_as_the_unit_would_make_it(tmp_path: Path) -> None:
    uid, gid = (64_001, 64_002) if os.geteuid() == 0 else (os.getuid(), os.getgid())
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/passwd").write_text(f"hatchmon:x:{uid}:{gid}::/:/bin/false\n")
    (tmp_path / "etc/group").write_text(f"hatchmon:x:{gid}:\n")
    tool = program("systemd-tmpfiles", "systemd")
    done = run(tool, f"--root={tmp_path}", "--prefix=/var/lib", "--create", SYSTEMD / "hatchmon.tmpfiles")
    assert done.returncode == 0, done.stderr
    made = (tmp_path / "var/lib" / the("StateDirectory")).stat()
    assert (made.st_uid, made.st_gid) == (uid, gid)
    assert stat.S_IMODE(made.st_mode) == int(the("StateDirectoryMode"), 8) == 0o700
    assert (
        f"d /etc/{the('ConfigurationDirectory')} {the('ConfigurationDirectoryMode')} root hatchmon -"
        in (SYSTEMD / "hatchmon.tmpfiles").read_text().splitlines()
    )


def test_a_folder_opened_to_the_group_stays_so_over_a_boot(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc/passwd").write_text(f"hatchmon:x:{os.getuid()}:{os.getgid()}::/:/bin/false\n")
    (tmp_path / "etc/group").write_text(f"hatchmon:x:{os.getgid()}:\n")
    state = tmp_path / "var/lib/hatchmon"
    state.mkdir(parents=True)
    state.chmod(0o2770)
    tool = program("systemd-tmpfiles", "systemd")
    done = run(tool, f"--root={tmp_path}", "--prefix=/var/lib", "--create", SYSTEMD / "hatchmon.tmpfiles")
    assert done.returncode == 0, done.stderr
    assert stat.S_IMODE(state.stat().st_mode) == 0o2770


def may(uid: int, gid: int, groups: Iterable[int], umask: int, do: Callable[[], object]) -> bool:
    """Whether ``do`` works for an account of that number, in a process of its own."""
    child = os.fork()
    if child == 0:
        code = 1
        try:
            os.setgroups(list(groups))
            os.setgid(gid)
            os.setuid(uid)
            os.umask(umask)
            do()
            code = 0
        finally:
            os._exit(code)
    return os.waitpid(child, 0)[1] == 0


@pytest.mark.skipif(os.geteuid() != 0, reason="needs other accounts to be")
@pytest.mark.parametrize("opened", [False, True])
def test_who_may_use_the_record(opened: bool) -> None:
    """The service under the unit's umask in the unit's folder, a member of its group, and somebody else."""
    unit = settings_of(UNIT.read_text())
    if opened:
        unit |= settings_of((SYSTEMD / "hatchmon-group.conf").read_text())
    service, group = 64_001, 64_002
    with tempfile.TemporaryDirectory() as top:
        Path(top).chmod(0o755)
        folder = Path(top) / "state"
        folder.mkdir()
        os.chown(folder, service, group)
        folder.chmod(int(unit["StateDirectoryMode"][-1], 8))

        def write() -> None:
            with Store(folder / "h.db") as store:
                store.set_meta("a", "b")

        def read() -> None:
            with Store(folder / "h.db", read_only=True) as store:
                assert store.meta("a") == "b"

        umask = int(unit["UMask"][-1], 8)
        assert may(service, group, [], umask, write)
        for do in (read, write):
            assert may(64_003, 64_003, [group], 0o022, do) == opened
            assert may(service, group, [], umask, write)  # and what they leave behind does not shut it out
            assert not may(65_534, 65_534, [], 0o022, do)


# ---- the installer ----


@pytest.mark.parametrize("script", ["systemd/install", "tests/run", "tests/arm", "tests/audit", ".ci/run"])
def test_scripts_are_sound_bash_and_can_be_run(script: str) -> None:
    done = run("bash", "-n", CHECKOUT / script)
    assert (done.returncode, done.stderr) == (0, "")
    assert os.access(CHECKOUT / script, os.X_OK), f"chmod +x {script}"


def snapshot(folder: Path, leave_out: Iterable[str] = ()) -> dict[str, tuple[str, str]]:
    """Mode and content (or target) of everything below ``folder``; ``leave_out`` names parts to pass over."""
    found: dict[str, tuple[str, str]] = {}
    for path in sorted(folder.rglob("*")):
        name = str(path.relative_to(folder))
        if any(name == part or name.startswith(part + "/") for part in leave_out):
            continue
        if path.is_symlink():
            content = str(path.readlink())
        else:
            content = hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""
        found[name] = (stat.filemode(path.lstat().st_mode), content)
    return found


# Packages are fetched: long enough for a slow line, far above what it takes with pip's cache (20 s).
@pytest.mark.timeout(900)
def test_installing_twice_upgrades_and_keeps_what_is_the_keepers(tmp_path: Path) -> None:
    checkout, root = tmp_path / "checkout", tmp_path / "root"
    for folder in ("hatchmon", "config", "systemd"):
        shutil.copytree(CHECKOUT / folder, checkout / folder, ignore=shutil.ignore_patterns("__pycache__"))
    for file in ("pyproject.toml", "README.md"):
        shutil.copy(CHECKOUT / file, checkout)
    environment = {
        "HATCHMON_ROOT": str(root),
        "HATCHMON_PYTHON": str(Path(sys.base_prefix) / "bin" / "python3"),
    }
    before = snapshot(checkout)

    first = run(checkout / "systemd/install", environment=environment)
    assert first.returncode == 0, first.stdout + first.stderr
    assert "sudo -u hatchmon hatchmon now" in first.stdout
    assert "adduser" not in first.stdout
    assert snapshot(checkout) == before, "the installer left something in the keeper's checkout"
    made = snapshot(root, leave_out=["opt"])
    assert {
        name: made[name][0] for name in ("etc/hatchmon/hatchmon.toml", "etc/hatchmon", "var/lib/hatchmon")
    } == {
        "etc/hatchmon/hatchmon.toml": "-rw-r-----",
        "etc/hatchmon": "drwxr-x---",
        "var/lib/hatchmon": "drwx------",
    }
    assert made["usr/local/bin/hatchmon"][1] == str(root / "opt/hatchmon/bin/hatchmon")
    for unit in (UNIT, ONEWIRE_UNIT):
        assert (root / "usr/local/lib/systemd/system" / unit.name).read_text() == unit.read_text()
    template = root / "usr/local/lib/systemd/system/hatchmon@.service"
    assert template.read_text() == UNIT.read_text()
    assert (template.with_name("hatchmon@.service.d") / "share.conf").read_text() == SHARE.read_text()
    assert "sudo systemctl enable --now hatchmon-onewire" in first.stdout
    settings = root / "etc/hatchmon/hatchmon.toml"
    start_pre = the("ExecStartPre").replace(
        "/opt/hatchmon/bin/hatchmon", str(root / "usr/local/bin/hatchmon")
    )
    checked = run(*start_pre.split(), "--config", settings)
    assert checked.returncode == 0, checked.stdout + checked.stderr

    settings.write_text(settings.read_text() + "# the keeper's own line\n")
    (root / "var/lib/hatchmon/hatchmon.sqlite3").write_bytes(b"a season of batches")
    kept = snapshot(root, leave_out=["opt"])
    (checkout / "hatchmon/newer.py").write_text("NEWER = True\n")
    (checkout / "hatchmon/hatchery/looks.py").unlink()
    second = run(checkout / "systemd/install", "--no-start", environment=environment)
    assert second.returncode == 0, second.stdout + second.stderr
    assert snapshot(root, leave_out=["opt"]) == kept
    assert not (root / "etc/systemd").exists()
    python = root / "opt/hatchmon/bin/python"
    look = "print([bool(find_spec('hatchmon.' + name)) for name in ('newer', 'hatchery.looks')])"
    upgraded = run(python, "-I", "-c", "from importlib.util import find_spec; " + look)
    assert upgraded.stdout == "[True, False]\n", upgraded.stderr

    # Opened to the group when asked to, and not closed by the next upgrade.
    for words in (["--no-start", "--group"], ["--no-start"]):
        third = run(checkout / "systemd/install", *words, environment=environment)
        assert third.returncode == 0, third.stdout + third.stderr
        assert "sudo adduser" in third.stdout
    opened = root / "etc/systemd/system/hatchmon.service.d/group.conf"
    for drop_in in (opened, root / "etc/systemd/system/hatchmon@.service.d/group.conf"):
        assert drop_in.read_text() == (SYSTEMD / "hatchmon-group.conf").read_text()


def test_install_refuses_without_root() -> None:
    """The script comes as text, for another user may not be able to read the checkout."""
    done = subprocess.run(
        ["bash", "-c", INSTALL.read_text(), "systemd/install"],
        user=65_534 if os.geteuid() == 0 else None,
        cwd="/",
        env={"PATH": "/usr/bin:/bin"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "sudo systemd/install" in done.stderr


@pytest.mark.parametrize(
    ("python", "said"),
    [
        ('case "$2" in *print*) echo 3.9 ;; *) exit 1 ;; esac', "needs 3.11 or newer"),
        ('case "$2" in "import venv"*) exit 1 ;; *) exec {real} "$@" ;; esac', "apt install python3-venv"),
        (None, "apt install python3 python3-venv"),
    ],
    ids=["too old", "no venv", "no Python"],
)
def test_install_refuses_a_python_that_will_not_do(tmp_path: Path, python: str | None, said: str) -> None:
    fake = tmp_path / "python3"
    if python is not None:
        fake.write_text("#!/bin/bash\n" + python.replace("{real}", sys.executable) + "\n")
        fake.chmod(0o755)
    root = tmp_path / "root"
    done = run(INSTALL, environment={"HATCHMON_ROOT": str(root), "HATCHMON_PYTHON": str(fake)})
    assert done.returncode == 1
    assert said in done.stderr
    assert not root.exists()


def test_install_refuses_a_word_it_does_not_know(tmp_path: Path) -> None:
    done = run(INSTALL, "--nostart", environment={"HATCHMON_ROOT": str(tmp_path / "root")})
    assert done.returncode == 2
    assert "--no-start" in done.stderr
    assert not (tmp_path / "root").exists()


if __name__ == "__main__":
    enter_sandbox(settings_of(UNIT.read_text()))
    os.execv(sys.argv[1], sys.argv[1:])
