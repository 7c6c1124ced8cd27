"""An invented world and the process that lives in it: cycles and delivery rounds on a simulated clock.

The conditions are drawn from a hash, the clock goes from step to step, and the database remembers how
far it came; so a process that is killed anywhere is followed by one that goes on from there, and an
undisturbed twin must come to the same end. Store, leases, delivery round, SMTP and HTTP are the real ones.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import itertools
import logging
import os
import resource
import signal
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any
from unittest import mock

import structlog
from sqlalchemy import event

from alertd.delivery.channels import WebhookChannel
from alertd.delivery.email import EmailTransport, Envelope, SmtpSettings, Tls, build_email
from alertd.delivery.message import Message, StopNotice
from alertd.delivery.webhook import WebhookSettings
from alertd.errors import StoreConflict, StoreError
from alertd.records.alert import Alert, AlertKind, Change, Episode, MessageState, OutboxMessage
from alertd.records.assessment import Level
from alertd.records.keeping import Lead, Parcel
from alertd.records.site import Channel, Site, Subscriber, Subscription
from alertd.records.weather import HourlyWeather, cell_of, empty_table
from alertd.service.deliver import Delivery, Limits, Retry
from alertd.service.lanes import Pace
from alertd.service.route import waking_at
from alertd.store.store import Store, open_store

ZONES = {
    "s-ny": ("America/New_York", 40.7, -74.0),
    "s-be": ("Europe/Berlin", 52.5, 13.4),
    "s-lh": ("Australia/Lord_Howe", -31.5, 159.1),
}
SECRET = "whsec_" + "QUFB" * 8
SUBJECTS = ("", "p1")
STEP = dt.timedelta(hours=1)
ROUNDS = tuple(dt.timedelta(minutes=n) for n in (1, 21, 41))
STORE_STEPS = ("save_weather", "commit_decisions", "heartbeat", "lease", "settle", "release", "expire")
POINTS = (
    *(f"{moment}:{name}" for name in STORE_STEPS for moment in ("before", "inside", "after")),
    "before:send",
    "after:send",
)
"""Where a process may be killed; 'inside' is between the last statement and COMMIT."""


@dataclass(frozen=True)
class Plan:
    """One life of the process."""

    url: str
    mail_port: int
    hook_ports: tuple[int, ...]
    seed: int = 1
    first_at: dt.datetime = dt.datetime(2026, 7, 1, 0, tzinfo=dt.UTC)
    steps: int = 48
    kill_point: str = ""
    kill_hit: int = 1
    owner: str = "solo"
    partner: str = ""
    busy_timeout_s: float = 30.0
    file_bytes: int = 0
    clock_jumps: bool = False
    tries: int = 200
    sends_s: float = 0.4
    step: dt.timedelta = STEP
    faults_pct: int = 0
    memory_file: str = ""


def hashed(*parts: object) -> int:
    return int.from_bytes(hashlib.sha256(repr(parts).encode()).digest()[:8], "big")


def found(plan_seed: int, site_id: str, subject: str, now: dt.datetime) -> Level:
    """The invented condition: it holds for some hours, changes, and goes."""
    six_hours = int(now.timestamp()) // (6 * 3600)
    if hashed(plan_seed, site_id, subject, six_hours) % 100 < 45:
        return Level.NONE
    hour = int(now.timestamp()) // 3600
    return Level(2 + hashed(plan_seed, site_id, subject, hour) % 3)


def readers() -> list[Subscriber]:
    return [
        Subscriber("u-one", "One", Channel.EMAIL, "one@example.com", wake_hour=0, rest_hour=24),
        Subscriber("u-day", "Day", Channel.EMAIL, "day@example.com", wake_hour=6, rest_hour=20),
        Subscriber("u-gone", "Gone", Channel.EMAIL, "gone@example.com", wake_hour=0, rest_hour=24),
    ]


def prepare(plan: Plan) -> None:
    """Fill an empty database with the world's sites and readers."""
    with open_store(plan.url, create=True) as store:
        for site_id, (zone, latitude, longitude) in ZONES.items():
            store.add_site(
                Site(id=site_id, name=f"Invented {site_id}", latitude_deg=latitude, longitude_deg=longitude,
                     zone=zone, elevation_m=10.0),
                now=plan.first_at,
            )  # fmt: skip
        boards = [
            Subscriber(f"w-{n}", f"Board {n}", Channel.WEBHOOK, f"http://127.0.0.1:{port}/w-{n}",
                       secret=SECRET, wake_hour=0, rest_hour=24)
            for n, port in enumerate(plan.hook_ports)
        ]  # fmt: skip
        for reader in readers() + boards:
            store.add_subscriber(reader, now=plan.first_at)
            for site_id in ZONES:
                store.subscribe(Subscription(reader.id, site_id))


def cycle_led(store: Any, plan: Plan, now: dt.datetime, patience: Iterator[int]) -> None:
    """Of two processes one leads: it alone decides, and what it decides is kept only while it leads.

    The lead runs on the real clock, so that it passes on when its holder is killed.
    """
    while store.heartbeats().get("cycled", plan.first_at - STEP) < now:
        lead = store.take_lead("cycle", plan.owner, now=dt.datetime.now(dt.UTC), lease_s=0.5)
        if lead is None:
            time.sleep(0.01)
            continue
        if store.heartbeats().get("cycled", plan.first_at - STEP) < now:
            patiently(partial(cycle, store, plan, now, lead), plan, patience)
            patiently(partial(store.heartbeat, "cycled", now), plan, patience)


def cycle(store: Any, plan: Plan, now: dt.datetime, lead: Lead | None = None) -> None:
    """Read, think, write: what a cycle does, with invented weather and an invented state machine."""
    cell = cell_of(40.0, -75.0, 0.0)
    table = empty_table(now.replace(minute=0), 24)
    table["air_temperature_c"] = 20.0 + hashed(plan.seed, now) % 100 / 10
    if hashed("fault", plan.seed, now) % 100 >= plan.faults_pct:
        store.save_weather(HourlyWeather(cell, "invented", now, now, table, "made up for tests"))
    weather = store.latest_weather([cell.key], now).get(cell.key)
    heat = 20.0 if weather is None else float(weather.table["air_temperature_c"].iloc[0])
    episodes: list[Episode] = []
    alerts: list[Alert] = []
    known = {(one.site_id, one.subject): one for one in store.open_episodes(list(ZONES))}
    for site_id, subject in itertools.product(ZONES, SUBJECTS):
        episode = known.get((site_id, subject))
        if episode is not None and episode.memory["seen"] >= now.isoformat():
            continue
        level = found(plan.seed, site_id, subject, now)
        step = advance(episode, site_id, subject, level, heat, now)
        if step is not None:
            episodes.append(step[0])
            alerts += step[1:2]
    subscriptions = list(store.subscriptions_for(list(ZONES)))
    messages = [
        OutboxMessage(
            id=f"{hashed(alert.id, reader.id):x}",
            alert_id=alert.id,
            subscriber_id=reader.id,
            channel=reader.channel,
            due_at=waking_at(now, ZONES[alert.site_id][0], reader.wake_hour, reader.rest_hour),
        )
        for alert in alerts
        for subscription, reader in subscriptions
        if subscription.site_id == alert.site_id
    ]
    store.commit_decisions(episodes=episodes, alerts=alerts, messages=messages, now=now, lead=lead)


def advance(
    episode: Episode | None, site_id: str, subject: str, level: Level, heat: float, now: dt.datetime
) -> tuple[Any, ...] | None:
    """Open, raise, hold or close; each change but holding says so once."""
    if episode is None:
        if level == Level.NONE:
            return None
        key = f"{hashed(site_id, subject, now):x}"
        memory = {"seen": now.isoformat(), "held": 1, "heat": heat}
        episode = Episode(key, site_id, AlertKind.HOT_DRY, subject, level, now, now, alerts=1, memory=memory)
        return episode, spoken(episode, Change.OPENED, now)
    held = int(episode.memory["held"]) + 1
    memory = {"seen": now.isoformat(), "held": held, "heat": float(episode.memory["heat"]) + heat}
    if level == Level.NONE:
        gone = replace(
            episode, level=level, closed_at=now, changed_at=now, alerts=episode.alerts + 1, memory=memory
        )
        return gone, spoken(gone, Change.CLOSED, now)
    if level > episode.level:
        raised = replace(episode, level=level, changed_at=now, alerts=episode.alerts + 1, memory=memory)
        return raised, spoken(raised, Change.RAISED, now)
    return (replace(episode, memory=memory),)


def spoken(episode: Episode, change: Change, now: dt.datetime) -> Alert:
    return Alert(
        id=f"{hashed(episode.id, episode.alerts):x}",
        firm_id="default",
        site_id=episode.site_id,
        episode_id=episode.id,
        sequence=episode.alerts,
        kind=AlertKind.HOT_DRY,
        subject=episode.subject,
        level=episode.level,
        change=change,
        made_at=now,
        evidence={"attribution": "made up for tests", "data_as_of": now.isoformat()},  # type: ignore[typeddict-item]
    )


class PlainMail:
    """The real envelope and transport around words that need no template."""

    def __init__(self, settings: SmtpSettings) -> None:
        self._settings = settings
        self._transport = EmailTransport(settings)

    def __enter__(self) -> PlainMail:
        return self

    def __exit__(self, *_: object) -> None:
        self._transport.close()

    def send(self, parcel: Parcel, now: dt.datetime) -> str:
        stop = StopNotice(self._settings.reply_address)
        words = Message(f"alert {parcel.alert.id}", "", "made up\n", "<p>made up</p>")
        envelope = Envelope(
            parcel.message.id,
            parcel.subscriber.address,
            parcel.subscriber.name,
            parcel.alert.episode_id,
            parcel.site.id,
        )
        return self._transport.send(build_email(words, envelope, self._settings, stop, now))


@dataclass
class Reach:
    """Counts how often each point is passed and ends the process where the plan says."""

    plan: Plan
    hits: Counter[str] = field(default_factory=Counter)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def __call__(self, point: str) -> None:
        with self.lock:
            self.hits[point] += 1
            if point == self.plan.kill_point and self.hits[point] == self.plan.kill_hit:
                os.kill(os.getpid(), signal.SIGKILL)


class Watched:
    """The store, telling ``reach`` when a step begins, is about to commit, and has ended."""

    def __init__(self, store: Store, reach: Reach) -> None:
        self._store = store
        self._reach = reach
        self._step = threading.local()
        event.listen(store._engines.writer, "commit", self._inside)

    def _inside(self, _connection: object) -> None:
        name = getattr(self._step, "name", "")
        if name:
            self._reach(f"inside:{name}")

    def __getattr__(self, name: str) -> Any:
        method = getattr(self._store, name)
        if not any(point.endswith(f":{name}") for point in POINTS):
            return method

        def step(*args: Any, **kwargs: Any) -> Any:
            self._reach(f"before:{name}")
            self._step.name = name
            try:
                return method(*args, **kwargs)
            finally:
                self._step.name = ""
                self._reach(f"after:{name}")

        return step


class WatchedChannel:
    """A channel that tells ``reach`` before and after each send."""

    def __init__(self, channel: Any, reach: Reach) -> None:
        self._channel = channel
        self._reach = reach

    def __enter__(self) -> WatchedChannel:
        self._channel.__enter__()
        return self

    def __exit__(self, *args: object) -> None:
        self._channel.__exit__(*args)

    def send(self, parcel: Parcel, now: dt.datetime) -> str:
        self._reach("before:send")
        said: str = self._channel.send(parcel, now)
        self._reach("after:send")
        return said


def build_delivery(store: Any, plan: Plan, reach: Reach) -> Delivery:
    smtp = SmtpSettings(
        "127.0.0.1", plan.mail_port, "alerts@example.com", tls=Tls.NONE, timeout_s=plan.sends_s
    )
    hooks = WebhookSettings(
        networks=("127.0.0.0/8",), ports=plan.hook_ports, plain_http=True,
        connect_timeout_s=plan.sends_s, read_timeout_s=plan.sends_s,
    )  # fmt: skip
    return Delivery(
        store,
        {
            Channel.EMAIL: lambda: WatchedChannel(PlainMail(smtp), reach),
            Channel.WEBHOOK: lambda: WatchedChannel(WebhookChannel(hooks), reach),
        },
        owner=f"{plan.owner}-{os.getpid()}",
        retry=Retry(attempts_max=60),
        limits=Limits(paces={Channel.EMAIL: Pace(sessions=2)}, linger_s=0.02),
        lease_s=120.0,
    )


def live(plan: Plan) -> None:
    """Run one life: from where the database says the last one came to, until all is done."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    if plan.file_bytes:
        resource.setrlimit(resource.RLIMIT_FSIZE, (plan.file_bytes, resource.RLIM_INFINITY))
    with mock.patch("alertd.store.engines.BUSY_TIMEOUT_S", plan.busy_timeout_s):
        store = open_store(plan.url)
    reach = Reach(plan)
    watched = Watched(store, reach)
    delivery = build_delivery(watched, plan, reach)
    patience = itertools.count(1)
    for now in steps(store, plan):
        if plan.partner:
            cycle_led(watched, plan, now, patience)
        else:
            patiently(partial(cycle, watched, plan, now), plan, patience)
        for later in ROUNDS:
            at = now + later + jump(plan, now, later)
            patiently(partial(delivery.run, at), plan, patience)
        patiently(partial(watched.heartbeat, plan.owner, now), plan, patience)
        if plan.partner:
            await_partner(store, plan, now)
        note_memory(plan, now)
    drain(store, watched, delivery, plan, patience)
    store.close()


def steps(store: Store, plan: Plan) -> Iterator[dt.datetime]:
    done = store.heartbeats().get(plan.owner)
    for number in range(plan.steps):
        now = plan.first_at + number * plan.step
        if done is None or now > done:
            yield now


def jump(plan: Plan, now: dt.datetime, later: dt.timedelta) -> dt.timedelta:
    """Now and then the wall clock is an hour ahead or behind."""
    if not plan.clock_jumps:
        return dt.timedelta()
    return dt.timedelta(hours=hashed("jump", now, later) % 3 - 1)


def patiently(step: Callable[[], object], plan: Plan, patience: Iterator[int]) -> None:
    """A failed step is tried again, as the next tick would; a process that never gets on gives up."""
    while True:
        try:
            step()
        except StoreConflict:
            return  # the other process leads now
        except StoreError:
            if next(patience) > plan.tries:
                os._exit(3)
            time.sleep(0.02)
        else:
            return


def await_partner(store: Store, plan: Plan, now: dt.datetime) -> None:
    """Two processes see the same clock: neither runs ahead of the other by more than a step."""
    for _ in range(6000):
        if store.heartbeats().get(plan.partner, plan.first_at - STEP) >= now - STEP:
            return
        time.sleep(0.005)
    os._exit(4)


def drain(store: Store, watched: Any, delivery: Delivery, plan: Plan, patience: Iterator[int]) -> None:
    """Let time go on until everything has found its end."""
    now = max(store.heartbeats().get("drain", plan.first_at), plan.first_at + plan.steps * plan.step)
    for _ in range(600):
        counts = store.outbox_counts()
        if not counts[MessageState.PENDING] and not counts[MessageState.LEASED]:
            return
        patiently(partial(delivery.run, now), plan, patience)
        now += STEP / 2
        patiently(partial(watched.heartbeat, "drain", now), plan, patience)
    os._exit(5)


def note_memory(plan: Plan, now: dt.datetime) -> None:
    """Write down how much memory is resident after each step, if the plan says where."""
    if plan.memory_file:
        with open("/proc/self/status", encoding="ascii") as status:
            resident = next(line.split()[1] for line in status if line.startswith("VmRSS"))
        with open(plan.memory_file, "a", encoding="ascii") as told:
            told.write(f"{now.isoformat()} {resident}\n")
