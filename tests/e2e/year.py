"""The year 2013 at three airports, day by day through the real parts, on a simulated clock.

Real are: the hourly observations (``tests.weather.nyc``), the HTTP to a local server that speaks the
provider's documented shape, the SQLite file, the cycle, the delivery round, the SMTP to a local server.
Simulated are the clock and the forecasts, which are what then happened. The sites and the plants on them
are invented.

Two columns are not in the data, and a replay has to say what it does about them:

* **Sky.** Without cloud cover the wind's stability cannot be judged, so every hour is closed:
  ``Sky.UNKNOWN`` is the data as they are. ``Sky.CLEAR`` assumes no cloud at all, which is the cautious
  side: a cloud never closes an hour by itself, and clear sky means more heat on the leaf, earlier
  inversions and no overcast that would lift the clock rule.
* **Gusts.** A station reports a gust only when it is gusty. ``Gusts.AS_REPORTED`` leaves them so; then the
  provider gives gusts, and an hour without one is missing weather and stays closed. ``Gusts.ABSENT`` takes
  the column away, as a provider without gusts; then the tighter cap on the mean wind holds instead.
  No gust is ever made up.
"""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Collection, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from enum import StrEnum
from pathlib import Path
from typing import Any, NamedTuple
from unittest import mock
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd

from alertd.app import App, build_app
from alertd.assess.batch import Batch
from alertd.assess.site import assess
from alertd.demo.sink import MailSink
from alertd.records.alert import Episode
from alertd.records.assessment import Assessment
from alertd.records.keeping import HistoryEntry
from alertd.records.season import SeasonState
from alertd.records.site import Channel, Exposure, Planting, Site, Soil, Subscriber, Subscription
from alertd.records.weather import WeatherCell
from alertd.settings import Settings
from alertd.weather.replay import ReplayServer
from tests.weather import nyc

ZONE = ZoneInfo(nyc.ZONE)
FIRST_DAY = dt.date(2013, 1, 2)
LAST_DAY = dt.date(2013, 12, 30)
"""The reports end on 30 December, 18:00 local."""
CYCLE_HOUR = 11
"""UTC; 06:00 or 07:00 in New York: the crew is up, so messages go out at once."""
PAST_DAYS = 3
"""What is further back is known from earlier cycles; less to ask for makes a year go by faster."""
MATERIALS = ("horticultural_oil", "soap", "hexythiazox", "water_spray")


class Sky(StrEnum):
    """What the replay says about clouds."""

    UNKNOWN = "unknown"
    CLEAR = "clear"


class Gusts(StrEnum):
    """What the replay says about gusts."""

    AS_REPORTED = "as reported"
    ABSENT = "absent"


def site_of(origin: str) -> Site:
    """Return the invented site at an airport's coordinates."""
    latitude_deg, longitude_deg = nyc.PLACES[origin]
    return Site(
        id=f"site-{origin.lower()}",
        name=f"Invented yard {origin}",
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        zone=nyc.ZONE,
        plantings=(
            Planting(f"{origin}-1", "burning_bush", "front hedge", 40, exposure=Exposure.REFLECTED_HEAT),
            Planting(f"{origin}-2", "rose", "rose bed", 25, soil=Soil.SANDY_LOAM),
            Planting(f"{origin}-3", "arborvitae", "screen", 30),
            Planting(f"{origin}-4", "spruce", "two old spruces", 2),
        ),
        materials=MATERIALS,
    )


SITES: Mapping[str, Site] = {origin: site_of(origin) for origin in nyc.PLACES}


def truths(sky: Sky, gusts: Gusts) -> dict[WeatherCell, pd.DataFrame]:
    """Return what happened at the three airports, with the sky and the gusts as chosen."""
    found = nyc.truths()
    for table in found.values():
        if sky is Sky.CLEAR:
            table["cloud_cover_pct"] = np.where(table["air_temperature_c"].isna(), np.nan, 0.0)
        if gusts is Gusts.ABSENT:
            table["wind_gust_m_s"] = np.nan
    return found


@dataclass(frozen=True, slots=True)
class Seen:
    """What one cycle saw of one site."""

    now: dt.datetime
    assessment: Assessment
    dropped: Mapping[str, int]


class Window(NamedTuple):
    """Hours that at least one cycle found open for a material at an airport, ``[start_at, end_at)``."""

    origin: str
    material: str
    start_at: dt.datetime
    end_at: dt.datetime


@dataclass
class Season:
    """Everything that a replay left behind; ``seconds`` is the processor time it took."""

    provider: str
    seen: dict[str, list[Seen]] = field(default_factory=dict)
    windows: set[Window] = field(default_factory=set)
    history: list[HistoryEntry] = field(default_factory=list)
    open_episodes: list[Episode] = field(default_factory=list)
    states: dict[tuple[str, dt.date], SeasonState] = field(default_factory=dict)
    mails: list[EmailMessage] = field(default_factory=list)
    faults: list[tuple[dt.datetime, str]] = field(default_factory=list)
    asked: int = 0
    cycles: int = 0
    seconds: float = 0.0

    def of(self, origin: str, kind: str | None = None) -> list[HistoryEntry]:
        """Return the alerts of one site, oldest first."""
        return [
            entry
            for entry in self.history
            if entry.alert.site_id == SITES[origin].id and kind in (None, str(entry.alert.kind))
        ]

    def on(self, origin: str, day: dt.date) -> Assessment:
        """Return the assessment made on a day."""
        return next(
            seen.assessment for seen in self.seen[SITES[origin].id] if seen.now.astimezone(ZONE).date() == day
        )


class Clock:
    """The simulated clock."""

    def __init__(self, now: dt.datetime) -> None:
        self.now = now

    def __call__(self) -> dt.datetime:
        """Return the simulated instant."""
        return self.now


def replay(
    folder: Path,
    provider: str,
    truth: Mapping[WeatherCell, pd.DataFrame],
    *,
    first: dt.date = FIRST_DAY,
    last: dt.date = LAST_DAY,
    reopen_on: Collection[dt.date] = (),
    hours: tuple[int, ...] = (CYCLE_HOUR,),
) -> Season:
    """Let the days from ``first`` to ``last`` pass and return what there is to see of them.

    On the days ``reopen_on`` the application is closed and opened again before the cycle.
    """
    clock = Clock(_at(first, hours[0]))
    season = Season(provider, seen={site.id: [] for site in SITES.values()})
    with ExitStack() as stack:
        world = stack.enter_context(ReplayServer(truth, clock))
        sink = stack.enter_context(MailSink(folder / "mail"))
        stack.enter_context(_watched(season))
        settings = _settings(folder, provider, world, sink)
        app = build_app(settings)
        _people(app, clock.now)
        day = first
        while day <= last:
            if day in reopen_on:
                app.close()
                app = build_app(settings, create=False)
            for hour in hours:
                clock.now = _at(day, hour)
                _pass(app, season, clock.now)
            day += dt.timedelta(days=1)
        season.history = app.store.history(limit=None)[::-1]
        season.open_episodes = list(app.store.open_episodes([site.id for site in SITES.values()]))
        app.close()
        season.windows = set(_windows(season))
        season.asked = world.counts[provider]
    season.mails = [
        message_from_bytes(path.read_bytes(), policy=policy.default)
        for path in sorted((folder / "mail").glob("*.eml"))
    ]
    return season


def _windows(season: Season) -> Iterator[Window]:
    for origin, site in SITES.items():
        for seen in season.seen[site.id]:
            for outlook in seen.assessment.materials:
                for window in outlook.windows:
                    yield Window(origin, window.material, window.start_at, window.end_at)


def _at(day: dt.date, hour: int) -> dt.datetime:
    return dt.datetime.combine(day, dt.time(hour), tzinfo=dt.UTC)


def _pass(app: App, season: Season, now: dt.datetime) -> None:
    report = app.cycle.run(now)
    season.cycles += 1
    season.faults += [(now, fault) for fault in report.faults.values()]
    app.delivery.run(now)


@contextmanager
def _watched(season: Season) -> Iterator[None]:
    """Note what each cycle sees on its way from the weather to the decision; nothing is changed."""
    real = assess

    def watching(batch: Batch, *rest: Any, **more: Any) -> tuple[list[Assessment], list[SeasonState]]:
        assessments, states = real(batch, *rest, **more)
        for member, assessment in zip(batch.members, assessments, strict=True):
            season.seen[member.site.id].append(Seen(batch.now, assessment, member.weather.dropped))
        season.states.update({(state.site_id, state.day): state for state in states})
        return assessments, states

    with ExitStack() as stack:
        for name, module in list(sys.modules.items()):
            if name.startswith("alertd.") and vars(module).get("assess") is real:
                stack.enter_context(mock.patch.object(module, "assess", watching))
        yield


def _settings(folder: Path, provider: str, world: ReplayServer, sink: MailSink) -> Settings:
    return Settings.model_validate({
        "database": {"url": f"sqlite:///{folder / 'alertd.db'}"},
        "weather": {
            "providers": (provider,),
            "contact": "replay@alertd.invalid",
            "past_days": PAST_DAYS,
            "openmeteo": {"base_url": world.openmeteo_url},
            "nws": {"base_url": world.nws_url},
            "metno": {"base_url": world.metno_url},
        },
        "smtp": {
            "host": "127.0.0.1",
            "port": sink.port,
            "tls": "none",
            "from_address": "alerts@example.com",
        },
    })  # fmt: skip


def _people(app: App, now: dt.datetime) -> None:
    app.store.add_sites(list(SITES.values()), now=now)
    reader = Subscriber("reader", "Invented reader", Channel.EMAIL, "reader@example.org")
    app.store.add_subscriber(reader, now=now)
    for site in SITES.values():
        app.store.subscribe(Subscription(reader.id, site.id))
