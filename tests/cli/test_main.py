from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from alertd import __version__
from alertd.cli.exits import CODES, ended
from alertd.cli.main import app
from alertd.errors import (
    AlertdError,
    CatalogError,
    ConfigError,
    DeliveryDeferred,
    InputError,
    SchemaMismatch,
    WeatherUnavailable,
)
from tests.cli.conftest import Program


def commands_of(group: Any, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    found = []
    for name, command in getattr(group, "commands", {}).items():
        found += [(*path, name), *commands_of(command, (*path, name))]
    return found


EVERY_COMMAND = commands_of(typer.main.get_command(app))
PROMISED = {
    "demo", "run", "cycle", "site", "site add", "site list", "site show", "site edit", "site remove",
    "site import", "subscriber", "subscriber add", "subscriber list", "subscriber remove", "outlook",
    "history", "check", "db", "db upgrade", "backup", "plants", "materials",
}  # fmt: skip


def test_there_are_the_commands_that_are_promised() -> None:
    assert {" ".join(path) for path in EVERY_COMMAND} >= PROMISED


@pytest.mark.parametrize("path", EVERY_COMMAND, ids=" ".join)
def test_every_command_has_help_with_an_example_of_itself(path: tuple[str, ...], program: Program) -> None:
    told = program.done(*path, "--help")
    examples = told.partition("Examples:")[2]
    assert f"alertd {' '.join(path)}" in examples
    assert "Usage: " in told


@pytest.mark.parametrize("columns", ["80", "120"])
def test_no_help_is_wider_than_the_terminal_but_for_examples(columns: str, program: Program) -> None:
    program.env["COLUMNS"] = columns
    for path in EVERY_COMMAND:
        told = program.done(*path, "--help").partition("Examples:")[0]
        assert max(map(len, told.splitlines())) <= int(columns)


def test_the_help_tells_the_first_steps_and_every_exit_code(program: Program) -> None:
    told = program.done("--help")
    assert "alertd demo" in told
    for code, meaning in CODES:
        assert f"{code:>3}  {meaning}" in told


def test_no_words_at_all_show_the_help_and_count_as_wrong_input(program: Program) -> None:
    result = program()
    assert result.exit_code == 2
    assert "Commands:" in result.stderr


def test_the_version_is_told(program: Program) -> None:
    assert program.done("--version") == f"alertd {__version__}\n"


def test_a_mistyped_command_gets_the_nearest_one(program: Program) -> None:
    told = program.refused(2, "outlok")
    assert "'outlook'" in told
    assert "alertd --help" in told


def test_a_missing_option_points_to_the_help(program: Program) -> None:
    told = program.refused(2, "site", "add", "Invented Court")
    assert "--lat" in told
    assert "alertd site add --help" in told


def test_an_unknown_choice_lists_the_choices(program: Program) -> None:
    assert "'us', 'metric'" in program.refused(2, "outlook", "x", "--units", "imperial")


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (InputError("name", "is empty"), 2),
        (ConfigError("smtp.host: missing"), 78),
        (SchemaMismatch("newer"), 74),
        (WeatherUnavailable("later"), 75),
        (DeliveryDeferred("later"), 75),
        (CatalogError("plants.toml"), 70),
        (AlertdError("something"), 70),
        (KeyError("x"), 70),
        (KeyboardInterrupt(), 130),
    ],
)
def test_each_error_has_its_exit_code_and_a_line(
    error: BaseException, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    def fail() -> None:
        raise error

    assert ended(fail) == code
    printed = capsys.readouterr()
    assert printed.err.startswith("alertd: ")
    assert "Traceback" not in printed.err
    assert printed.out == ""


def test_a_complaint_holds_no_control_characters(capsys: pytest.CaptureFixture[str]) -> None:
    def fail() -> None:
        raise InputError("name", "a\x1b[2Jb")

    ended(fail)
    assert "\x1b" not in capsys.readouterr().err


def test_a_fault_inside_is_logged_with_its_traceback_only_when_asked(
    program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_args: object) -> None:
        raise RuntimeError("broken part")

    monkeypatch.setattr("alertd.cli.database_commands.session_of", fail)
    told = program.refused(70, "db", "upgrade")
    assert "RuntimeError: broken part" in told
    assert "--debug" in told
    debugged = CliRunner().invoke(app, ["--debug", "db", "upgrade"], env=program.env)
    assert debugged.exit_code == 70
    assert "Traceback" in debugged.stderr


def test_a_settings_file_with_mistakes_ends_with_78_naming_the_key(program: Program) -> None:
    (program.folder / "bad.toml").write_text("[smtp]\nhosst = 'mail.example.com'\n")
    told = program.refused(78, "--config", "bad.toml", "site", "list")
    assert "smtp.hosst" in told
    assert "did you mean smtp.host" in told


def test_a_settings_file_that_is_not_there_ends_with_78(program: Program) -> None:
    assert "no such settings file" in program.refused(78, "--config", "none.toml", "site", "list")


def test_the_module_runs_as_a_program(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "alertd", "--help"],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
        env={"HOME": str(tmp_path), "PYTHONPATH": str(Path(__file__).parents[2])},
        cwd=tmp_path,
    )
    assert "Usage: alertd" in done.stdout
    assert done.stderr == ""
