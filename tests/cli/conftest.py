from __future__ import annotations

import datetime as dt
import logging
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import pytest
import structlog
from typer.testing import CliRunner, Result

from alertd.cli.main import app
from alertd.cli.session import Session
from alertd.demo.scenario import DemoSite, DemoSpell, DemoWeather
from alertd.demo.season import season
from alertd.records.site import Climate
from alertd.records.weather import cell_of
from alertd.store.store import open_store
from alertd.weather.replay import ReplayServer

NOW = dt.datetime(2026, 7, 14, 12, 10, tzinfo=dt.UTC)
COURT = ("Invented Court", "--lat", "40.24", "--lon", "-74.18", "--zone", "America/New_York")


def invented_place() -> DemoSite:
    """An invented site with a hot dry spell from 9 to 24 July 2026; any likeness is chance."""
    return DemoSite(
        name="Invented Court",
        latitude_deg=40.24,
        longitude_deg=-74.18,
        elevation_m=0.0,
        zone="America/New_York",
        climate=Climate.HUMID,
        materials=(),
        plants=(),
        weather=DemoWeather(
            temperature_mean_c=12.8,
            temperature_swing_c=12.4,
            warmest_day=202,
            daily_range_c=9.5,
            dew_point_below_minimum_c=1.0,
            rain_day_share=0.3,
            rain_mean_mm=8.0,
            wind_mean_m_s=3.0,
            spells=(DemoSpell(dt.date(2026, 7, 9), dt.date(2026, 7, 24), 7.0, 4.0),),
        ),
    )


@pytest.fixture(scope="session")
def truth() -> pd.DataFrame:
    return season(invented_place(), dt.date(2026, 6, 1), dt.date(2026, 8, 15), 3)


@dataclass
class Clock:
    now: dt.datetime = NOW

    def __call__(self) -> dt.datetime:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    """The clock of the program and of the replayed world."""
    clock = Clock()
    monkeypatch.setattr(Session, "now", lambda _self: clock.now)
    return clock


@pytest.fixture
def world(truth: pd.DataFrame, clock: Clock) -> Iterator[ReplayServer]:
    """A weather service on loopback; only for tests that may open sockets."""
    with ReplayServer({cell_of(40.24, -74.18): truth}, clock) as server:
        yield server


@dataclass
class Program:
    """Runs command lines as a person would, in a folder of its own."""

    folder: Path
    env: dict[str, str | None] = field(default_factory=dict)

    def __call__(self, *words: str, stdin: str | bytes | None = None) -> Result:
        result = CliRunner().invoke(app, list(words), env=self.env, input=stdin)
        assert "Traceback" not in result.output
        assert result.exception is None or isinstance(result.exception, SystemExit)
        return result

    def done(self, *words: str, stdin: str | bytes | None = None) -> str:
        """Run what must go well and return what it printed."""
        result = self(*words, stdin=stdin)
        assert result.exit_code == 0, result.output
        return result.stdout

    def refused(self, code: int, *words: str) -> str:
        """Run what must end with this code and return the complaint: one or two lines."""
        result = self(*words)
        assert result.exit_code == code, result.output
        assert result.stderr.startswith("alertd: ")
        assert len(result.stderr.splitlines()) <= 2
        return result.stderr


@pytest.fixture
def program(tmp_path: Path, clock: Clock, monkeypatch: pytest.MonkeyPatch) -> Iterator[Program]:
    """The program with a database in a folder of its own; logging is put back afterwards."""
    root = logging.getLogger()
    before = root.handlers[:], root.level
    monkeypatch.chdir(tmp_path)
    yield Program(
        tmp_path,
        {
            "HOME": str(tmp_path),
            "COLUMNS": "100",
            "ALERTD_CONFIG": None,
            "XDG_CONFIG_HOME": None,
            "XDG_DATA_HOME": None,
            "STATE_DIRECTORY": None,
            "ALERTD_DATABASE__URL": f"sqlite:///{tmp_path / 'alertd.db'}",
            "ALERTD_WEATHER__PROVIDERS": "openmeteo",
        },
    )
    root.handlers[:], level = before
    root.setLevel(level)
    logging.captureWarnings(capture=False)
    structlog.reset_defaults()


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty database, made once and copied by each test that needs one."""
    path = tmp_path_factory.mktemp("cli") / "empty.db"
    open_store(f"sqlite:///{path}", create=True).close()
    return path


@pytest.fixture
def watching(program: Program, empty_file: Path) -> Program:
    """The program with one site."""
    shutil.copy(empty_file, program.folder / "alertd.db")
    program.done(
        "site", "add", *COURT, "--plant", "spruce:count=12:label=north hedge", "--plant", "rose",
        "--material", "soap", "--material", "horticultural_oil",
    )  # fmt: skip
    return program


@pytest.fixture
def fetched(watching: Program, world: ReplayServer) -> Program:
    """The program with one site and its weather."""
    watching.env["ALERTD_WEATHER__OPENMETEO__BASE_URL"] = world.openmeteo_url
    watching.done("cycle")
    return watching
