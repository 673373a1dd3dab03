"""The keeper's settings: one TOML file, with credentials and the environment over it.

Every refusal says where, what and how to mend it, and never shows a value that may be a secret.
"""

from __future__ import annotations

import difflib
import grp
import json
import os
import pwd
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final, Literal, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails
from pydantic_settings import BaseSettings, InitSettingsSource, PydanticBaseSettingsSource

from hatchmon.app.settings_model import (
    Alerts,
    Broker,
    Heartbeat,
    Lot,
    OneWire,
    OneWireProbe,
    Probe,
    Push,
    Quiet,
    Rehearsal,
    Requests,
    Second,
    Series,
    Settings,
    Share,
    Store,
    Web,
    Window,
)
from hatchmon.app.settings_values import AlertKind, RawText, SettingsError, Unit, quoted

__all__ = [
    "DEFAULT_PATH",
    "AlertKind",
    "Alerts",
    "Broker",
    "Heartbeat",
    "Lot",
    "OneWire",
    "OneWireProbe",
    "Probe",
    "Push",
    "Quiet",
    "Rehearsal",
    "Requests",
    "Second",
    "Series",
    "Settings",
    "SettingsError",
    "Share",
    "Store",
    "Unit",
    "Web",
    "Window",
    "load_settings",
]

DEFAULT_PATH: Final = Path("/etc/hatchmon/hatchmon.toml")
SERVICE_CREDENTIALS: Final = Path("/run/credentials/hatchmon.service")
"""Where systemd shows the running service its credentials, and nobody else but root."""
_PREFIX: Final = "HATCHMON_"
_CONFIG_VARIABLE: Final = "HATCHMON_CONFIG"


class _Layered(Settings):
    """Settings merged from the arguments ``environment``, ``credentials`` and ``file``, in this order."""

    @classmethod
    def settings_customise_sources(
        cls,
        settings_cls: type[BaseSettings],
        init_settings: PydanticBaseSettingsSource,
        env_settings: PydanticBaseSettingsSource,
        dotenv_settings: PydanticBaseSettingsSource,
        file_secret_settings: PydanticBaseSettingsSource,
    ) -> tuple[PydanticBaseSettingsSource, ...]:
        layers = init_settings()
        return tuple(
            InitSettingsSource(settings_cls, layers[name]) for name in ("environment", "credentials", "file")
        )


# --- the keys there are --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Key:
    """A key and those under it; ``many`` where the keeper names or repeats the entries."""

    keys: Mapping[str, _Key] = field(default_factory=dict)
    many: Literal["", "list", "table"] = ""


def _key_of(annotation: Any) -> _Key:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return _Key(_keys_of(annotation))
    inner = [key for part in get_args(annotation) if (key := _key_of(part)).keys or key.many]
    keys = inner[0].keys if inner else {}
    origin = getattr(annotation, "__origin__", None)
    if origin is list:
        return _Key(keys, "list")
    if origin is dict:
        return _Key(keys, "table")
    return inner[0] if inner else _Key()


def _keys_of(model: type[BaseModel]) -> dict[str, _Key]:
    return {info.alias or name: _key_of(info.annotation) for name, info in model.model_fields.items()}


_KEYS: Final = _Key(_keys_of(Settings))
_Loc = tuple[str | int, ...]


def _leaves(key: _Key = _KEYS, at: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], _Key]]:
    """Every key that takes one value, a list or a table, with its path."""
    if key.keys and not key.many:
        for name, below in key.keys.items():
            yield from _leaves(below, (*at, name))
    else:
        yield at, key


_LEAVES: Final = dict(_leaves())
_VARIABLES: Final = {_PREFIX + "__".join(path).upper(): path for path in _LEAVES}


def _written(loc: _Loc) -> str:
    """The path of a key as the keeper would write it: ``probes[2].unit``, ``lots."a b".cold_c``."""
    text = ""
    for part in loc:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            name = part if re.fullmatch(r"[A-Za-z0-9_-]+", part) else quoted(part)
            text += f".{name}" if text else name
    return text


def _likeliest(word: str, choices: Iterable[str], least: float) -> str | None:
    """The choice most like ``word``, with at least ``least`` of likeness from 0 to 1."""
    folded = {choice.casefold(): choice for choice in choices}
    close = difflib.get_close_matches(word.casefold(), folded, 1, least)
    return folded[close[0]] if close else None


def _unknown_key(loc: _Loc) -> str:
    """The sentence for a key that does not exist, with the nearest one that does."""
    *parents, name = loc
    word = str(name)
    here = _KEYS
    for part in parents:
        # The names of a table and the numbers of a list lead to the keys of their entries.
        here = here if isinstance(part, int) or part not in here.keys else here.keys[part]
    elsewhere = {path[-1]: path for path in reversed(_LEAVES)}
    meant: _Loc | None = None
    if sibling := _likeliest(word, here.keys, 0.75):
        meant = (*parents, sibling)
    elif same := elsewhere.get(word.casefold()):
        meant = same
    elif sibling := _likeliest(word, here.keys, 0.6):
        meant = (*parents, sibling)
    elif other := _likeliest(word, elsewhere, 0.8):
        meant = elsewhere[other]
    where = "" if parents else " at the top"
    hint = f"did you mean {_written(meant)}?" if meant else f"the settings here are {', '.join(here.keys)}"
    return f"is not a setting{'' if meant else where}; {hint}"


# --- reading them --------------------------------------------------------------------------------


@dataclass(slots=True)
class _Layer:
    """Values read from one kind of place, and which name each came under."""

    values: dict[str, Any] = field(default_factory=dict)
    names: dict[_Loc, str] = field(default_factory=dict)

    def put(self, path: tuple[str, ...], text: str, name: str) -> None:
        """Add ``text`` as the value of the key at ``path``; ValueError where a table is no JSON."""
        section = self.values
        for part in path[:-1]:
            section = section.setdefault(part, {})
        section[path[-1]] = _decoded(_LEAVES[path], text)
        self.names[path] = name

    def name_of(self, loc: _Loc) -> str | None:
        """The name under which the value at ``loc``, or that which holds it, was read."""
        return next((self.names[loc[:n]] for n in range(len(loc), 0, -1) if loc[:n] in self.names), None)


def _decoded(key: _Key, text: str) -> object:
    if not key.many:
        return RawText(text)
    if not key.keys and key.many == "list" and not text.lstrip().startswith("["):
        # A comma parts addresses only before a new one begins: addresses hold commas themselves.
        return re.split(r"[\s,]+(?=[A-Za-z][A-Za-z0-9+.-]*://)|\s+", text.strip()) if text.strip() else []
    try:
        return json.loads(text)
    except ValueError:
        pass
    opening = "a list in [ ]" if key.many == "list" else "an object in { }"
    raise ValueError(f"must be JSON here, {opening}")


def _from_environment(env: Mapping[str, str], problems: list[str]) -> _Layer:
    layer = _Layer()
    for variable in sorted(env):
        name = variable.upper()
        if not name.startswith(_PREFIX) or name == _CONFIG_VARIABLE:
            continue
        path = _VARIABLES.get(name)
        if path is None:
            meant = _likeliest(name.removeprefix(_PREFIX), (v.removeprefix(_PREFIX) for v in _VARIABLES), 0.6)
            hint = f"did you mean {_PREFIX}{meant}?" if meant else "unset it"
            problems.append(f"environment: {variable} is not a setting; {hint}")
            continue
        try:
            layer.put(path, env[variable], variable)
        except ValueError as error:
            problems.append(f"environment: {variable} {error}")
    return layer


def _from_credentials(folder: str | None, problems: list[str]) -> _Layer:
    """systemd's credentials: one file a key, named by its path with dots; for a key that names a file, the
    file itself."""
    layer = _Layer()
    if not folder:
        return layer
    names = {_written(path): path for path in _LEAVES}
    try:
        files = sorted(entry for entry in Path(folder).iterdir() if entry.is_file())
    except OSError as error:
        problems.append(f"{folder}: credentials cannot be read: {error.strerror}")
        return layer
    for file in files:
        path = names.get(file.name)
        if path is None:
            meant = _likeliest(file.name, names, 0.6)
            hint = f"did you mean {meant}?" if meant else "remove it from the service's credentials"
            problems.append(f"credential {file.name} is not a setting; {hint}")
            continue
        try:
            named = path[-1].endswith("_file")
            layer.put(path, str(file) if named else file.read_text("utf-8").rstrip("\r\n"), file.name)
        except OSError as error:
            problems.append(f"credential {file.name} cannot be read: {error.strerror}")
        except UnicodeDecodeError:
            problems.append(f"credential {file.name} is not UTF-8 text")
        except ValueError as error:
            problems.append(f"credential {file.name} {error}")
    return layer


def _from_file(path: Path, named_by: str) -> dict[str, Any]:
    try:
        raw = path.read_bytes()
    except FileNotFoundError:
        problem = (
            f"no such file{named_by}; copy the commented example config/hatchmon.toml there,"
            " or name your own file with --config FILE"
        )
    except IsADirectoryError:
        problem = f"is a folder{named_by}; name the settings file in it, such as {path / DEFAULT_PATH.name}"
    except PermissionError:
        problem = _may_not_read(path)
    except OSError as error:
        problem = f"cannot be read{named_by}: {error.strerror}"
    else:
        text, problem = _as_text(raw)
        if not problem:
            try:
                return tomllib.loads(text)
            except ValueError as error:  # also for a number with thousands of digits
                problem = _broken_toml(str(error), text)
    raise SettingsError(f"{path}: {problem}")


def _as_text(raw: bytes) -> tuple[str, str]:
    """The text (without a byte order mark) and, where it is none, the problem."""
    try:
        return raw.decode("utf-8-sig"), ""
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        return "", f"line {line} holds a character that is not UTF-8; save the file as UTF-8"


def _broken_toml(said: str, text: str) -> str:
    """Line, column and what is wrong; the line itself is not shown, as it may hold a secret."""
    lines = text.splitlines() or [""]
    parts = re.fullmatch(r"(?s)(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", said)
    if parts is None:
        return said
    what = parts[1]
    line = int(parts[2] or len(lines))
    column = int(parts[3] or len(lines[-1]) + 1)
    hint = ""
    if what == "Invalid value":
        hint = "; text goes into quotes, true and false are written small"
    elif what == "Cannot overwrite a value":
        hint = "; the same key stands there twice"
    elif "Unescaped" in what:
        hint = r"; write \\ for \ or use single quotes"
    return f"line {line}, column {column}: {what}{hint}"


def _may_not_read(path: Path) -> str:
    """Who may read ``path``, or the folder that is closed to us, and how to act as one of them."""
    blocked = path
    while True:
        try:
            status = blocked.stat()
        except PermissionError:
            blocked = blocked.parent
            continue
        break
    try:
        owner = pwd.getpwuid(status.st_uid).pw_name
    except KeyError:
        owner = str(status.st_uid)
    try:
        group = grp.getgrgid(status.st_gid).gr_name
    except KeyError:
        group = str(status.st_gid)
    what = "may be read" if blocked == path else f"lies in {blocked}, which may be entered"
    needed = 0o040 if blocked == path else 0o010
    if status.st_mode & needed and status.st_gid != 0:
        return f"{what} only by {owner} and the group {group}; put 'sudo -u hatchmon' before the command"
    mode = "g+r" if blocked == path else "g+x"
    return (
        f"{what} only by {owner}; let the service in with:"
        f" sudo chgrp hatchmon {blocked} && sudo chmod {mode} {blocked}"
        " - and put 'sudo -u hatchmon' before the command"
    )


def _sentence(error: ErrorDetails, loc: _Loc) -> str:
    """What is wrong with the key at ``loc``, without its value."""
    kind, context = error["type"], error.get("ctx", {})
    key = _KEYS
    for part in loc:
        key = key if isinstance(part, int) else key.keys.get(part, key)
    if kind == "refused":
        return str(context["problem"])
    if kind == "extra_forbidden":
        return _unknown_key(loc)
    if kind == "missing":
        return "is missing, and has no default"
    if kind in ("model_type", "model_attributes_type", "dict_type"):
        if isinstance(loc[-1], int):
            return f"must be an entry of its own, begun with [[{_written(loc[:-1])}]]"
        return f"must be a section, begun with [{_written(loc)}]"
    if kind == "list_type":
        if key.keys:
            return f"must be entries each begun with [[{_written(loc)}]], in double brackets"
        return f'must be a list, such as {_written(loc[-1:])} = ["...", "..."]'
    if kind == "string_type":
        return "must be text in quotes"
    return error["msg"]


def _problem(error: ErrorDetails, path: Path, layers: Sequence[tuple[str, _Layer]]) -> str:
    loc: _Loc = tuple(part for part in error["loc"] if part != "[key]")
    if error["type"] == "refused" and (key := error.get("ctx", {}).get("key")):
        loc = (*loc, *key)
    source = f"{path}:"
    subject = _written(loc)
    for place, layer in layers:
        if name := layer.name_of(loc):
            inside = subject.removeprefix(_written(next(p for p, n in layer.names.items() if n == name)))
            source, subject = place, f"{name}{inside}"
            break
    if source == f"{path}:" and "probes" in loc[:2]:
        entries = loc[: loc.index("probes") + 1]
        if len(loc) > len(entries) and isinstance(number := loc[len(entries)], int):
            subject += f" (entry {number + 1} of [[{_written(entries)}]])"  # for those who count from one
    return f"{source} {subject} {_sentence(error, loc)}"


def load_settings(path: Path | None = None, env: Mapping[str, str] | None = None) -> Settings:
    """The settings from the file, overridden by systemd's credentials, overridden by the environment.

    ``path``: the file, else the one that HATCHMON_CONFIG names, else ``DEFAULT_PATH``; with this last one
    and with a share's beside it, the command line, too, uses the running service's credentials, if it may
    read them.
    ``env``: in place of the process's environment. Raises SettingsError listing every problem.
    """
    env = os.environ if env is None else env
    named_by = ""
    folder = env.get("CREDENTIALS_DIRECTORY")
    if path is None:
        path = DEFAULT_PATH
        if env.get(_CONFIG_VARIABLE):
            path, named_by = Path(env[_CONFIG_VARIABLE]), f" (named by {_CONFIG_VARIABLE})"
    if not folder and path.parent == DEFAULT_PATH.parent:
        service = SERVICE_CREDENTIALS
        if path != DEFAULT_PATH:
            service = service.with_name(f"hatchmon@{path.stem}.service")
        if os.access(service, os.R_OK | os.X_OK):
            folder = str(service)
    problems: list[str] = []
    environment = _from_environment(env, problems)
    credentials = _from_credentials(folder, problems)
    try:
        layers: dict[str, Any] = {"environment": environment.values, "credentials": credentials.values}
        settings = _Layered(**layers | {"file": _from_file(path, named_by)})
        _ = settings.zone  # may fail, and then rather now than at the first message
    except ValidationError as error:
        # Nothing of pydantic's own input goes on: it would show values.
        details = error.errors(include_url=False, include_input=False)
        over = (("environment:", environment), ("credential", credentials))
        problems += [_problem(detail, path, over) for detail in details]
    except SettingsError as error:
        problems.append(str(error))
    if problems:
        # Raised outside of the except clauses, so that no value travels along as its context.
        raise SettingsError("\n".join(dict.fromkeys(problems)))
    return settings
