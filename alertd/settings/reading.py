"""Read the settings from every source once, and report every fault at once.

Where a value comes from, strongest first:

1. the environment: ``ALERTD_SECTION__KEY`` (lists with commas), secrets also as
   ``ALERTD_SECTION__KEY_FILE``, the path of a file that holds nothing else;
2. for secrets, a file ``section.key`` in ``$CREDENTIALS_DIRECTORY`` (systemd's LoadCredential);
3. the settings file: ``$ALERTD_CONFIG``, else ``./alertd.toml``, else ``alertd/alertd.toml`` in the
   platform's configuration directory; secrets also as ``key_file``, relative to that file;
4. the default.
"""

from __future__ import annotations

import difflib
import os
import re
import sys
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from alertd.errors import ConfigError
from alertd.settings.sections import Settings, refusal, secret_keys, setting_keys

PREFIX = "ALERTD_"
CONFIG_VARIABLE = "ALERTD_CONFIG"
FILE_NAME = "alertd.toml"
SECRET_BYTES_MAX = 65536

Layer = dict[str, Any]


def load_settings(
    path: Path | None = None,
    *,
    environ: Mapping[str, str] | None = None,
    working_directory: Path | None = None,
) -> Settings:
    """Read and check every source once.

    Raises
    ------
    ConfigError
        Naming every fault found, each with its file or variable, its key and the fix; never a value
        that could be secret.
    """
    env = dict(os.environ if environ is None else environ)
    reading = _Reading(env, working_directory or Path.cwd())
    file = reading.find_file(path)
    layers = [{"database": {"url": f"sqlite:///{data_directory(env) / 'alertd.db'}"}}]
    if file is not None:
        layers.append(reading.file_layer(file))
    layers += [reading.credential_layer(), reading.environment_layer()]
    merged: Layer = {}
    for layer in layers:
        _merge(merged, layer)
    try:
        settings = Settings.model_validate(merged)
    except ValidationError as error:
        raise refusal([*reading.problems, *reading.explain(error)]) from None
    if reading.problems:
        raise refusal(reading.problems)
    return settings


def data_directory(environ: Mapping[str, str] | None = None) -> Path:
    """Return where alertd keeps what it writes: systemd's state directory or the platform's place."""
    environ = os.environ if environ is None else environ
    state = environ.get("STATE_DIRECTORY", "").partition(":")[0]
    return Path(state) if state else _platform_directory(environ, "XDG_DATA_HOME", ".local/share")


def config_directory(environ: Mapping[str, str]) -> Path:
    """Return the platform's place for alertd's settings file."""
    return _platform_directory(environ, "XDG_CONFIG_HOME", ".config")


@dataclass
class _Reading:
    """One reading of all sources; remembers where each key came from and what was wrong."""

    environ: Mapping[str, str]
    working_directory: Path
    problems: list[str] = field(default_factory=list)
    origins: dict[str, str] = field(default_factory=dict)
    file: Path | None = None

    def find_file(self, path: Path | None) -> Path | None:
        named = path or (Path(text) if (text := self.environ.get(CONFIG_VARIABLE)) else None)
        if named is not None:
            return self.working_directory / named
        candidates = (self.working_directory / FILE_NAME, config_directory(self.environ) / FILE_NAME)
        return next((file for file in candidates if file.is_file()), None)

    def file_layer(self, file: Path) -> Layer:
        self.file = file
        try:
            table = tomllib.loads(file.read_text(encoding="utf-8"))
        except FileNotFoundError:
            raise ConfigError(
                f"{file}: there is no such settings file; create it or correct --config or {CONFIG_VARIABLE}"
            ) from None
        except OSError as error:
            raise ConfigError(f"{file}: cannot be read: {error.strerror}; check its permissions") from None
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise ConfigError(f"{file}: is not valid TOML: {_place(error)}; correct that place") from None
        for key in secret_keys():
            self._file_secret(table, key, file)
        for key in _leaves(table):
            self.origins.setdefault(key, str(file))
        return table

    def _file_secret(self, table: Layer, key: str, file: Path) -> None:
        section = _section(table, key)
        name = key.rpartition(".")[2]
        if section is None or (path := section.pop(f"{name}_file", None)) is None:
            return
        place = f"{file}: {key}_file"
        if name in section:
            self.problems.append(f"{place}: {key} is given too; keep one of the two")
        elif not isinstance(path, str):
            self.problems.append(f"{place}: is not text; give the path of a file")
        else:
            self._store_secret(table, key, file.parent / path, place)

    def credential_layer(self) -> Layer:
        layer: Layer = {}
        directory = self.environ.get("CREDENTIALS_DIRECTORY")
        for key in secret_keys() if directory else ():
            file = Path(str(directory)) / key
            if file.exists():
                self._store_secret(layer, key, file, f"credential {key}")
        return layer

    def environment_layer(self) -> Layer:
        layer: Layer = {}
        for variable, text in sorted(self.environ.items()):
            if not variable.startswith(PREFIX):
                continue
            key = variable.removeprefix(PREFIX).lower().replace("__", ".")
            if "." in key:
                self._environment_value(layer, variable, key, text)
            elif key.partition("_")[0] in Settings.model_fields:
                fix = f"{PREFIX}{variable.removeprefix(PREFIX).replace('_', '__', 1)}"
                self.problems.append(f"environment {variable}: is not a setting; write {fix}")
        return layer

    def _environment_value(self, layer: Layer, variable: str, key: str, text: str) -> None:
        plain = key.removesuffix("_file")
        if key.endswith("_file") and plain in secret_keys():
            if _variable(plain) in self.environ:
                self.problems.append(
                    f"environment {variable}: {_variable(plain)} is set too; keep one of the two"
                )
                return
            self._store_secret(layer, plain, self.working_directory / text, f"environment {variable}")
        elif key not in setting_keys():
            self.problems.append(
                f"environment {variable}: is not a setting; {_nearest(key, as_variable=True)}"
            )
        else:
            self._put(layer, key, text, f"environment {variable}")

    def _store_secret(self, layer: Layer, key: str, file: Path, place: str) -> None:
        self._put(layer, key, "unread", place)  # so that the check does not also call it missing
        try:
            with file.open("rb") as opened:
                text = opened.read(SECRET_BYTES_MAX).decode("utf-8").rstrip("\r\n")
        except OSError as error:
            self.problems.append(
                f"{place}: cannot read {file}: {error.strerror}; correct path or permissions"
            )
        except UnicodeDecodeError:
            self.problems.append(f"{place}: {file} is not text; store the secret as UTF-8")
        else:
            if text:
                self._put(layer, key, text, place)
            else:
                self.problems.append(f"{place}: {file} is empty; write the secret into it")

    def _put(self, layer: Layer, key: str, value: object, place: str) -> None:
        *sections, name = key.split(".")
        for section in sections:
            layer = layer.setdefault(section, {})
        if isinstance(layer, dict):  # a scalar where a section belongs is reported when validated
            layer[name] = value
        self.origins[key] = place

    def explain(self, error: ValidationError) -> Iterator[str]:
        """Yield each fault as place, key, what is wrong and the fix; never the value."""
        described = setting_keys()
        told: set[str] = set()
        for fault in error.errors(include_url=False, include_input=False, include_context=False):
            key = ".".join(str(part) for part in fault["loc"] if not isinstance(part, int))
            message = fault["msg"].removeprefix("Value error, ")
            if fault["type"] == "extra_forbidden":
                yield f"{self._origin(key)}: {key}: is not a setting; {_nearest(key)}"
                continue
            inner, colon, rest = message.partition(": ")
            if colon and f"{key}.{inner}" in described:  # a check across the keys of one section
                key, message = f"{key}.{inner}", rest
            key = _known_prefix(key, described)
            if key in told:  # a union and a list tell once for each branch and item
                continue
            told.add(key)
            fix = described.get(key) or f"make it a section with one of {_children(key)}"
            yield f"{self._origin(key)}: {key}: {message[:1].lower()}{message[1:]}; expected: {fix}"

    def _origin(self, key: str) -> str:
        if key in self.origins:
            return self.origins[key]
        within = {place for known, place in self.origins.items() if known.startswith(f"{key}.")}
        if len(within) == 1:
            return within.pop()
        return str(self.file) if self.file else "settings"


def _place(error: ValueError) -> str:
    """Return where a TOML text breaks, without the text itself, which may hold a secret."""
    found = re.search(r"at line \d+, column \d+|at end of document", str(error))
    if found:
        return found.group()
    return "is not UTF-8" if isinstance(error, UnicodeDecodeError) else "see the TOML rules"


def _merge(under: Layer, over: Layer) -> None:
    for key, value in over.items():
        if isinstance(value, dict) and isinstance(under.get(key), dict):
            _merge(under[key], value)
        else:
            under[key] = value


def _leaves(table: Layer, prefix: str = "") -> Iterator[str]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _leaves(value, f"{prefix}{key}.")
        else:
            yield f"{prefix}{key}"


def _section(table: Layer, key: str) -> Layer | None:
    for name in key.split(".")[:-1]:
        inner = table.get(name)
        if not isinstance(inner, dict):
            return None
        table = inner
    return table


def _known_prefix(key: str, described: Mapping[str, str]) -> str:
    """Cut what pydantic adds behind a key, such as the branch of a union."""
    parts = key.split(".")
    for length in range(len(parts), 0, -1):
        if (prefix := ".".join(parts[:length])) in described:
            return prefix
    return key


def _children(key: str) -> str:
    return ", ".join(known for known in setting_keys() if known.startswith(f"{key}."))


def _variable(key: str) -> str:
    return PREFIX + key.replace(".", "__").upper()


def _nearest(key: str, *, as_variable: bool = False) -> str:
    known = [*setting_keys(), *(f"{secret}_file" for secret in secret_keys())]
    close = difflib.get_close_matches(key, known, n=1)
    siblings = [name for name in known if name.rpartition(".")[0] == key.rpartition(".")[0]]
    if close:
        return f"did you mean {_variable(close[0]) if as_variable else close[0]}?"
    if siblings:
        return f"use one of {', '.join(_variable(name) if as_variable else name for name in siblings)}"
    return f"use one of the sections {', '.join(Settings.model_fields)}"


def _platform_directory(environ: Mapping[str, str], variable: str, below_home: str) -> Path:
    home = Path(environ.get("HOME") or Path.home())
    if environ.get(variable):
        return Path(environ[variable]) / "alertd"
    if sys.platform == "win32":
        return Path(environ.get("LOCALAPPDATA") or home) / "alertd"
    if sys.platform == "darwin":
        return home / "Library" / "Application Support" / "alertd"
    return home / below_home / "alertd"
