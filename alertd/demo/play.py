"""The demo: an invented firm's season, day by day through the real parts, on a simulated clock.

Weather comes over HTTP from a local replay server, mail goes over SMTP to a local sink, a webhook is
posted to a local receiver, and everything is kept in a real database: only the clock and the world
are made up.
"""

from __future__ import annotations

import datetime as dt
import logging
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

import pandas as pd
import structlog
from pydantic import SecretStr
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from alertd.app import App, build_app
from alertd.demo.receiver import Receiver
from alertd.demo.scenario import Scenario, load_scenario
from alertd.demo.season import season
from alertd.demo.sink import MailSink
from alertd.demo.timeline import print_timeline
from alertd.errors import InputError
from alertd.records.site import Channel, Site, Subscriber, Subscription
from alertd.records.weather import WeatherCell, cell_of
from alertd.settings import Settings
from alertd.weather.replay import ReplayServer
from alertd.weather.replay_truth import ForecastError

STEP = dt.timedelta(days=1)
MAIL_ROUND_AFTER = dt.timedelta(hours=6)
"""By then it is past waking time in every invented zone."""
FIRST_HOUR = 10
"""UTC hour of the first cycle of each day: early morning in the invented firm's zones."""
TAIL_D = 17
"""Days of invented weather after the last day: the forecast needs something to look at."""
FORECAST_ERROR = ForecastError(seed=7, temperature_c=0.6, wind_fraction=0.08, rain_fraction=0.15)


@dataclass
class Clock:
    """The simulated clock that the replay server reads."""

    now: dt.datetime

    def __call__(self) -> dt.datetime:
        """Return the simulated instant."""
        return self.now


@dataclass
class Stage:
    """The parts of one demo run."""

    scenario: Scenario
    clock: Clock
    app: App
    sites: list[Site]
    sink: MailSink
    receiver: Receiver
    cycles: int = 0
    faults: list[str] = field(default_factory=list)


def play(folder: Path, *, days: int | None = None, progress: bool = True) -> int:
    """Replay the invented season into ``folder`` and print what happened. Returns the exit code.

    Raises
    ------
    InputError
        If the folder holds something already.
    """
    _quiet()
    console = Console()
    folder = _empty_folder(folder)
    scenario = load_scenario()
    last = scenario.last_day if days is None else scenario.first_day + dt.timedelta(days=days - 1)
    with _staged(folder, scenario) as stage:
        steps = list(_steps(scenario.first_day, last))
        with Progress(
            TextColumn("[bold]{task.description}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeRemainingColumn(),
            console=console,
            disable=not progress,
        ) as bar:
            task = bar.add_task("Replaying the invented season", total=len(steps))
            for now in steps:
                _step(stage, now)
                bar.update(task, advance=1, description=f"Replaying {now:%d %b}")
        print_timeline(console, stage.app.store, stage.sites, scenario, folder, stage.sink.count)
    return 0


def _quiet() -> None:
    """Show the bar and the timeline, not the log."""
    logging.getLogger().setLevel(logging.ERROR)
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))


def _empty_folder(folder: Path) -> Path:
    folder = folder.expanduser().resolve()
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise InputError("folder", f"{folder} is not empty; name another one with --folder or remove it")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


def _steps(first: dt.date, last: dt.date) -> Iterator[dt.datetime]:
    now = dt.datetime.combine(first, dt.time(FIRST_HOUR), tzinfo=dt.UTC)
    end = dt.datetime.combine(last, dt.time(23), tzinfo=dt.UTC)
    while now <= end:
        yield now
        now += STEP


def _step(stage: Stage, now: dt.datetime) -> None:
    """Let a day pass: a cycle, then the messages that are due at once and those due after waking."""
    stage.clock.now = now
    stage.app.cycle.run(now)
    stage.cycles += 1
    for at in (now, now + MAIL_ROUND_AFTER):
        stage.clock.now = at
        stage.app.delivery.run(at)


@contextmanager
def _staged(folder: Path, scenario: Scenario) -> Iterator[Stage]:
    clock = Clock(dt.datetime.combine(scenario.first_day, dt.time(), tzinfo=dt.UTC))
    ids = (f"demo-{n:03d}" for n in count(1))
    sites = [site.site(lambda: next(ids)) for site in scenario.sites]
    with ExitStack() as stack:
        world = stack.enter_context(ReplayServer(_truth(scenario), clock, error=FORECAST_ERROR))
        sink = stack.enter_context(MailSink(folder / "mail"))
        receiver = stack.enter_context(Receiver(folder / "webhooks"))
        app = build_app(_settings(folder, world, sink, receiver, scenario))
        stack.callback(app.close)
        _subscribe(app, sites, scenario, receiver, clock.now)
        yield Stage(scenario, clock, app, sites, sink, receiver)


def _truth(scenario: Scenario) -> dict[WeatherCell, pd.DataFrame]:
    start = scenario.first_day - dt.timedelta(days=scenario.history_days + 1)
    end = scenario.last_day + dt.timedelta(days=TAIL_D)
    return {
        cell_of(site.latitude_deg, site.longitude_deg, site.elevation_m): season(
            site, start, end, scenario.seed
        )
        for site in scenario.sites
    }


def _settings(
    folder: Path, world: ReplayServer, sink: MailSink, receiver: Receiver, scenario: Scenario
) -> Settings:
    return Settings.model_validate({
        "database": {"url": SecretStr(f"sqlite:///{folder / 'alertd.db'}")},
        "weather": {
            "providers": ("openmeteo", "metno"),
            "contact": "demo@alertd.invalid",
            "openmeteo": {"base_url": world.openmeteo_url},
            "nws": {"base_url": world.nws_url},
            "metno": {"base_url": world.metno_url},
            "forecast_days": 10,
        },
        "smtp": {
            "host": "127.0.0.1",
            "port": sink.port,
            "tls": "none",
            "from_address": "alerts@finch-and-alder.example",
            "from_name": f"alertd for {scenario.firm}",
        },
        "webhook": {"allow_private_cidrs": ("127.0.0.0/8",), "ports": (receiver.port,)},
    })  # fmt: skip


def _subscribe(app: App, sites: list[Site], scenario: Scenario, receiver: Receiver, now: dt.datetime) -> None:
    app.store.add_sites(sites, now=now)
    reader = Subscriber("demo-reader", scenario.subscriber_name, Channel.EMAIL, scenario.subscriber_email)
    board = Subscriber(
        "demo-board", scenario.webhook_name, Channel.WEBHOOK, receiver.url, secret=receiver.secret
    )
    for subscriber in (reader, board):
        app.store.add_subscriber(subscriber, now=now)
        for site in sites:
            app.store.subscribe(Subscription(subscriber.id, site.id))
