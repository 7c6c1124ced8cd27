"""A small world and the process that lives in it: the daemon's real parts on a simulated clock.

Invented are the weather (``tests.crash.sky``), the sites and the readers. All else is what ``alertd run``
is made of, built by the composition root: fail-over, cycle, judge, state machine, routing, store, leases,
delivery round, templates, chart, SMTP, webhooks, digests, briefs, confirmation mails. The database remembers
how far the clock came; a process that is killed anywhere is followed by one that goes on from there, and an
undisturbed twin must come to the same end.
"""

from __future__ import annotations

import datetime as dt
import itertools
import logging
import os
import resource
import secrets
import signal
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from typing import Any
from unittest import mock

import structlog

from alertd.app import App
from alertd.daemon.memory import give_back
from alertd.errors import StoreConflict, StoreError
from alertd.records.alert import AlertKind, MessageState
from alertd.records.preferences import BriefKind, Preferences
from alertd.records.site import Channel, Irrigation, Planting, Site, Standing, Subscriber, Subscription
from alertd.service.briefs import BriefRound
from alertd.service.cycle import Cycle
from alertd.service.deliver import Delivery, Limits, Retry
from alertd.service.lanes import Pace
from alertd.service.leader import Leadership
from alertd.service.notices import NoticeRound
from alertd.settings import Settings
from alertd.store.store import Store, open_store
from alertd.weather.failover import BreakerSettings, Forecasts
from tests.crash.points import Reach, Watched, WatchedChannel
from tests.crash.sky import Invented, hashed

ZONES = {
    "s-ny": ("America/New_York", 40.7, -74.0),
    "s-be": ("Europe/Berlin", 52.5, 13.4),
    "s-lh": ("Australia/Lord_Howe", -31.5, 159.1),
}
YARDS = {
    "s-a": ("America/New_York", 40.7, -74.0),
    "s-b": ("America/New_York", 41.0, -73.7),
    "s-c": ("America/New_York", 40.4, -74.4),
}
"""Sites of one zone are assessed together, which is three times as fast."""
SECRET = "whsec_" + "QUFB" * 8
STEP = dt.timedelta(hours=6)
ROUND = dt.timedelta(hours=3)
NEWCOMER_EVERY = 3
"""Steps from one reader who has to confirm the address to the next."""
OWN_TIME = dt.timedelta(days=36_500)
"""Leads are taken on the real clock, so that they run out; moved ahead, where no simulated clock comes."""
LEAD_S = 2.0
NO_END = 1_000_000
"""Tries, crashes and failures in a row after which a message, a brief or a provider would be given up: a
world is killed dozens of times in the same simulated hours, which no message is to blame for. That alertd
does give up in the end is tested where it belongs."""
GRACE = dict.fromkeys(BriefKind, dt.timedelta(days=5))
"""How late a brief may leave here, for the same reason."""


@dataclass(frozen=True)
class Plan:
    """One life of the process."""

    url: str
    mail_port: int
    hook_ports: tuple[int, ...]
    seed: int = 1
    first_at: dt.datetime = dt.datetime(2026, 7, 2, 1, tzinfo=dt.UTC)
    steps: int = 12
    zones: bool = False
    kill_point: str = ""
    kill_hit: int = 1
    kill_after_s: float | None = None
    kill_after_steps: int | None = None
    owner: str = "solo"
    partner: str = ""
    busy_timeout_s: float = 30.0
    file_bytes: int = 0
    clock_jumps: bool = False
    tries: int = 200
    sends_s: float = 0.8
    lease_s: float = 180.0
    step: dt.timedelta = STEP
    rounds: int = 2
    faults_pct: int = 20
    gaps_pct: int = 18
    memory_file: str = ""

    @property
    def places(self) -> Mapping[str, tuple[str, float, float]]:
        """The sites: in three zones of three kinds of clock changes, or close together."""
        return ZONES if self.zones else YARDS

    @property
    def end_at(self) -> dt.datetime:
        """The instant of the first cycle that is not held any more."""
        return self.first_at + self.steps * self.step


READERS = (
    Subscriber("u-one", "One", Channel.EMAIL, "one@example.com", wake_hour=0, rest_hour=24),
    Subscriber("u-day", "Day", Channel.EMAIL, "day@example.com", wake_hour=6, rest_hour=20),
    Subscriber("u-dig", "Dig", Channel.EMAIL, "dig@example.com", wake_hour=0, rest_hour=24),
    Subscriber("u-gone", "Gone", Channel.EMAIL, "gone@example.com", wake_hour=0, rest_hour=24),
)
STAND_IN = Subscriber("u-for", "Stand-in", Channel.EMAIL, "for@example.com", wake_hour=0, rest_hour=24)
"""Hears only what somebody else did not acknowledge."""
WISHES = (
    Preferences("u-day", "America/New_York", one_a_day=True, evening_hour=17,
                hand_over_to="u-for", hand_over_after_h=1),
    Preferences("u-dig", "Europe/Berlin", digest_hour=6, weekly_hour=15),
    Preferences("u-gone", kinds=(str(AlertKind.HOT_DRY), str(AlertKind.WEATHER_MISSING))),
)  # fmt: skip


def settings_of(plan: Plan) -> Settings:
    return Settings.model_validate(
        {
            "database": {"url": plan.url},
            "weather": {"workers": 1},
            "smtp": {
                "host": "127.0.0.1", "port": plan.mail_port, "tls": "none",
                "from_address": "alerts@example.com", "timeout_s": plan.sends_s,
            },
            "webhook": {"allow_private_cidrs": ["127.0.0.0/8"], "ports": list(plan.hook_ports)},
            "web": {"base_url": "https://alerts.example.com", "secret": "0" * 40},
        }
    )  # fmt: skip


def prepare(plan: Plan) -> None:
    """Fill an empty database with the world's sites and readers."""
    now = plan.first_at - STEP
    with open_store(plan.url, create=True) as store:
        for site_id, (zone, latitude, longitude) in plan.places.items():
            plantings = (Planting(f"{site_id}-rose", "rose", "beds", 20, irrigation=Irrigation.NONE),)
            store.add_site(
                Site(site_id, f"Invented {site_id}", latitude, longitude, zone, 10.0, plantings=plantings,
                     materials=("soap", "horticultural_oil")),
                now=now,
            )  # fmt: skip
        boards = [
            Subscriber(f"w-{n}", f"Board {n}", Channel.WEBHOOK, f"http://127.0.0.1:{port}/w-{n}",
                       secret=SECRET, wake_hour=0, rest_hour=24)
            for n, port in enumerate(plan.hook_ports)
        ]  # fmt: skip
        for reader in (*READERS, *boards):
            store.add_subscriber(reader, now=now)
            for site_id in plan.places:
                store.subscribe(Subscription(reader.id, site_id))
        store.add_subscriber(STAND_IN, now=now)
        for wishes in WISHES:
            store.set_preferences(wishes, now=now)


@dataclass
class Parts:
    """What one life is made of, as the daemon would have it, watched on its way."""

    app: App
    cycle: Cycle
    delivery: Delivery
    briefs: BriefRound
    notices: NoticeRound


def build(store: Any, plan: Plan, reach: Reach) -> Parts:
    """Build the parts by the composition root; only patience, paces and the weather are the world's own."""
    app = App(settings_of(plan), store)
    # In their places before they are asked for. A breaker would remember what a killed process forgets.
    providers = [
        Invented(name, plan.seed, plan.faults_pct, plan.gaps_pct) for name in ("invented-a", "invented-b")
    ]
    vars(app)["forecasts"] = Forecasts(providers, BreakerSettings(failures_max=NO_END))
    vars(app)["webhook"] = replace(app.webhook, connect_timeout_s=plan.sends_s, read_timeout_s=plan.sends_s)
    delivery, briefs, notices = app.delivery, app.briefs, app.notices
    assert briefs is not None
    assert notices is not None

    def watched(name: str, opened: Callable[[], Any]) -> Callable[[], Any]:
        return lambda: WatchedChannel(opened(), reach, name)

    return Parts(
        app,
        app.cycle,
        replace(
            delivery,
            transports={channel: watched("send", opened) for channel, opened in delivery.transports.items()},
            owner=f"{plan.owner}-{os.getpid()}",
            retry=Retry(attempts_max=NO_END),
            crash_limit=NO_END,
            # Little room, so that messages are given back now and then.
            limits=Limits(paces={Channel.EMAIL: Pace(sessions=1, waiting=1)}, linger_s=0.02),
            lease_s=plan.lease_s,
        ),
        replace(briefs, open_transport=watched("send_brief", briefs.open_transport)),
        replace(notices, open_transport=watched("send_notice", notices.open_transport)),
    )


def live(plan: Plan, met: Any = None) -> None:
    """Run one life: from where the database says the last one came to, until all is done.

    ``met`` is told when it ends at the point that the plan names.
    """
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    if plan.kill_after_s is not None:
        threading.Timer(plan.kill_after_s, os.kill, (os.getpid(), signal.SIGKILL)).start()
    if plan.file_bytes:
        resource.setrlimit(resource.RLIMIT_FSIZE, (plan.file_bytes, resource.RLIM_INFINITY))
    with mock.patch("alertd.store.engines.BUSY_TIMEOUT_S", plan.busy_timeout_s):
        store = open_store(plan.url)
    reach = Reach(plan.kill_point, plan.kill_hit, met)
    watched = Watched(store, reach)
    parts = build(watched, plan, reach)
    patience = itertools.count(1)
    with ExitStack() as stack:
        stack.callback(store.close)
        stack.enter_context(mock.patch("alertd.service.briefs.ATTEMPTS_MAX", NO_END))
        stack.enter_context(mock.patch("alertd.service.briefs.GRACE", GRACE))
        lead = stack.enter_context(Leading(watched, plan)) if plan.partner else None
        for done, (number, now) in enumerate(steps(store, plan)):
            if done == plan.kill_after_steps:
                os.kill(os.getpid(), signal.SIGKILL)
            patiently(partial(welcome, parts, number, now), plan, patience)
            if lead is None:
                patiently(partial(parts.cycle.run, now), plan, patience)
            else:
                cycle_led(parts, watched, lead, plan, now, patience)
            give_back()  # as the daemon does after each cycle
            for n in range(plan.rounds):
                later = n * ROUND + dt.timedelta(minutes=1)
                tell(parts, now + later + jump(plan, now, later), plan, patience)
            patiently(partial(watched.heartbeat, plan.owner, now), plan, patience)
            if plan.partner:
                await_partner(store, plan, now)
            note_memory(plan, now)
        drain(store, watched, parts, plan, patience)


def tell(parts: Parts, at: dt.datetime, plan: Plan, patience: Iterator[int]) -> None:
    """Do what the daemon does between two cycles."""
    patiently(partial(parts.briefs.run, at), plan, patience)
    patiently(partial(parts.delivery.run, at), plan, patience)
    patiently(partial(parts.notices.run, at), plan, patience)


def welcome(parts: Parts, number: int, now: dt.datetime) -> None:
    """Let somebody new come along now and then, who is asked to confirm the address."""
    if number % NEWCOMER_EVERY:
        return
    newcomer = Subscriber(
        f"n-{number}", f"New {number}", Channel.EMAIL, f"new{number}@example.com", standing=Standing.PENDING
    )
    sites = parts.app.store.sites()
    parts.app.people.add(newcomer, sites[:1], (), now)


def steps(store: Store, plan: Plan) -> Iterator[tuple[int, dt.datetime]]:
    """Yield the steps that are still to be done, by number and instant."""
    done = store.heartbeats().get(plan.owner)
    for number in range(plan.steps):
        now = plan.first_at + number * plan.step
        if done is None or now > done:
            yield number, now


class Leading:
    """A lead that is renewed beside the work, as the daemon does, on the real clock moved far ahead."""

    def __init__(self, store: Any, plan: Plan) -> None:
        self._lead = Leadership(store, f"{plan.owner}-{secrets.token_hex(4)}", lease_s=LEAD_S)
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._renew, daemon=True)

    def _renew(self) -> None:
        while not self._over.wait(LEAD_S / 4):
            try:
                self._lead.seek(_real())
            except StoreError:
                continue

    def __enter__(self) -> Leadership:
        self._thread.start()
        return self._lead

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()
        self._lead.resign(_real())


def _real() -> dt.datetime:
    return dt.datetime.now(dt.UTC) + OWN_TIME


def cycle_led(
    parts: Parts, store: Any, lead: Leadership, plan: Plan, now: dt.datetime, patience: Iterator[int]
) -> None:
    """Of two processes one leads: it alone decides, and what it decides is kept only while it leads."""
    cycle = replace(parts.cycle, lead_of=lead.held)
    while store.heartbeats().get("cycled", plan.first_at - plan.step) < now:
        if not lead.seek(_real()):
            time.sleep(0.01)
        elif store.heartbeats().get("cycled", plan.first_at - plan.step) >= now:
            return
        elif patiently(partial(cycle.run, now), plan, patience):
            patiently(partial(store.heartbeat, "cycled", now), plan, patience)


def jump(plan: Plan, now: dt.datetime, later: dt.timedelta) -> dt.timedelta:
    """Now and then the wall clock is an hour ahead or behind."""
    if not plan.clock_jumps:
        return dt.timedelta()
    return dt.timedelta(hours=hashed("jump", now, later) % 3 - 1)


def patiently(step: Callable[[], object], plan: Plan, patience: Iterator[int]) -> bool:
    """Try a failed step again, as the next tick would; a process that never gets on gives up.

    Returns False where another process was first.
    """
    while True:
        try:
            step()
        except StoreConflict:
            return False
        except StoreError:
            if next(patience) > plan.tries:
                os._exit(3)
            time.sleep(0.02)
        else:
            return True


def await_partner(store: Store, plan: Plan, now: dt.datetime) -> None:
    """Two processes see the same clock: neither runs ahead of the other by more than a step."""
    while store.heartbeats().get(plan.partner, plan.first_at - plan.step) < now - plan.step:
        time.sleep(0.01)


def drain(store: Store, watched: Any, parts: Parts, plan: Plan, patience: Iterator[int]) -> None:
    """Let time go on until everything has found its end: messages, digests and what they wait for."""
    now = max(store.heartbeats().get("drain", plan.first_at), plan.end_at)
    until = now + dt.timedelta(days=12)
    while now < until:
        counts = store.outbox_counts()
        waits = counts[MessageState.PENDING] or counts[MessageState.LEASED]
        asked = any(one.state in _OPEN for one in store.notices())
        briefs = any(one.state in _OPEN and one.due_at <= now for one in store.briefs(limit=1000))
        if not (waits or asked or briefs):
            return
        tell(parts, now, plan, patience)
        now += ROUND
        patiently(partial(watched.heartbeat, "drain", now), plan, patience)
    os._exit(5)


_OPEN = (MessageState.PENDING, MessageState.LEASED)


def note_memory(plan: Plan, now: dt.datetime) -> None:
    """Write down how much memory is resident after each step, if the plan says where."""
    if plan.memory_file:
        with open("/proc/self/status", encoding="ascii") as status:
            resident = next(line.split()[1] for line in status if line.startswith("VmRSS"))
        with open(plan.memory_file, "a", encoding="ascii") as told:
            told.write(f"{now.isoformat()} {resident}\n")
