"""Alerts are never lost, never doubled: the delivery round over a real database and made-up channels."""

from __future__ import annotations

import datetime as dt
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st

from alertd.errors import DeliveryDeferred, DeliveryRejected, StoreBusy
from alertd.records.alert import MessageState, OutboxMessage
from alertd.records.keeping import Parcel
from alertd.records.site import Channel, Subscriber
from alertd.service.deliver import Delivery, Limits, Retry
from alertd.service.lanes import Pace, destination
from alertd.store.store import Store, open_store
from tests.store.builders import HOUR, MINUTE, NOW, make_alert, make_episode, make_site, make_subscriber

HOOK = "https://hook{n}.example.com/in"


@pytest.fixture(scope="module")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("deliver") / "empty.db"
    open_store(f"sqlite:///{path}", create=True).close()
    return path


@pytest.fixture
def url(tmp_path: Path, empty_file: Path) -> str:
    return f"sqlite:///{shutil.copy(empty_file, tmp_path / 'alertd.db')}"


@pytest.fixture
def store(url: str) -> Iterator[Store]:
    with open_store(url) as opened:
        opened.add_site(make_site(site_id="s1"), now=NOW)
        opened.add_subscriber(make_subscriber(subscriber_id="u1"), now=NOW)
        yield opened


def hook(number: int) -> Subscriber:
    return Subscriber(f"w{number}", f"Board {number}", Channel.WEBHOOK, HOOK.format(n=number), secret="x")


def queue(store: Store, people: dict[str, int], **changes: Any) -> None:
    """Keep as many alerts as the hungriest subscriber has messages, and those messages."""
    most = max(people.values())
    store.commit_decisions(
        episodes=[make_episode("s1")],
        alerts=[make_alert("s1", f"a{n}", sequence=n) for n in range(most)],
        messages=[
            replace(
                OutboxMessage(
                    id=f"{who}-{n}",
                    alert_id=f"a{n}",
                    subscriber_id=who,
                    channel=Channel.EMAIL if who.startswith("u") else Channel.WEBHOOK,
                    due_at=NOW,
                ),
                **changes,
            )
            for who, count in people.items()
            for n in range(count)
        ],
        now=NOW,
    )


@dataclass
class Wire:
    """A channel that does what ``act`` says and remembers what it was given."""

    act: Callable[[Parcel], str] = lambda _parcel: "ok"
    opened: int = 0
    closed: int = 0
    copies: list[str] = field(default_factory=list)
    lock: threading.Lock = field(default_factory=threading.Lock)

    def __call__(self) -> Wire:
        return self

    def __enter__(self) -> Wire:
        with self.lock:
            self.opened += 1
        return self

    def __exit__(self, *_: object) -> None:
        with self.lock:
            self.closed += 1

    def send(self, parcel: Parcel, now: dt.datetime) -> str:
        with self.lock:
            self.copies.append(parcel.message.id)
        return self.act(parcel)


def deliver(store: Any, wire: Wire, **changes: Any) -> Delivery:
    wires = {Channel.EMAIL: wire, Channel.WEBHOOK: wire}
    values: dict[str, Any] = {"draw": lambda: 1.0, "stop_within_s": 1.0} | changes
    return Delivery(store, wires, "test", **values)


def states(store: Store) -> dict[str, MessageState]:
    return {one.id: one.state for one in store.messages(limit=100_000)}


def raising(error: Exception, *ids: str) -> Callable[[Parcel], str]:
    def act(parcel: Parcel) -> str:
        if parcel.message.id in ids:
            raise error
        return "ok"

    return act


def test_all_mail_goes_through_one_session_and_is_marked(store: Store) -> None:
    queue(store, {"u1": 250})
    wire = Wire()
    report = deliver(store, wire).run(NOW)
    assert (report.sent, report.deferred, report.dead) == (250, 0, 0)
    assert sorted(wire.copies) == sorted(f"u1-{n}" for n in range(250))
    assert (wire.opened, wire.closed) == (1, 1)
    assert set(states(store).values()) == {MessageState.SENT}
    assert [one.detail for one in store.deliveries("u1-0")] == ["ok"]


def test_a_refused_a_deferred_and_a_broken_message_stop_no_other(store: Store) -> None:
    queue(store, {"u1": 10})

    def act(parcel: Parcel) -> str:
        match parcel.message.id:
            case "u1-1":
                raise DeliveryRejected("550 no such user")
            case "u1-2":
                raise DeliveryDeferred("450 mailbox busy")
            case "u1-3":
                raise KeyError("a template that does not exist")
        return "ok"

    report = deliver(store, Wire(act)).run(NOW)
    assert (report.sent, report.deferred, report.dead) == (7, 2, 1)
    found = {one.id: one for one in store.messages()}
    assert found["u1-1"].state is MessageState.DEAD
    assert found["u1-2"].due_at - NOW >= dt.timedelta(seconds=30)
    assert "could not be rendered: KeyError" in found["u1-3"].last_error


def test_the_operator_is_told_of_each_dead_letter(store: Store) -> None:
    queue(store, {"u1": 2})
    with structlog.testing.capture_logs() as logs:
        deliver(store, Wire(raising(DeliveryRejected("550 gone"), "u1-0"))).run(NOW)
    told = [entry for entry in logs if entry["event"] == "message-dead"]
    assert [(entry["message"], entry["log_level"]) for entry in told] == [("u1-0", "error")]
    assert store.outbox_counts()[MessageState.DEAD] == 1


def test_a_message_that_cannot_be_read_is_put_off_and_stops_no_other(store: Store) -> None:
    queue(store, {"u1": 5})
    with store._write() as session:
        session.connection().exec_driver_sql("UPDATE alerts SET kind = 'from-the-future' WHERE id = 'a2'")
    report = deliver(store, Wire()).run(NOW)
    assert (report.sent, report.deferred) == (4, 1)
    assert states(store)["u1-2"] is MessageState.PENDING


def test_a_down_server_costs_one_try_and_the_others_keep_theirs(store: Store) -> None:
    queue(store, {"u1": 40})
    down = DeliveryDeferred("connection refused", unreachable=True)

    def act(_parcel: Parcel) -> str:
        raise down

    wire = Wire(act)
    delivery = deliver(store, wire)
    report = delivery.run(NOW)
    assert len(wire.copies) == 1
    assert report.deferred == 1
    assert sorted(one.attempts for one in store.messages()) == [0] * 39 + [1]
    assert delivery.run(NOW + dt.timedelta(seconds=30)).deferred <= 1, "it rests"
    wire.act = lambda _parcel: "ok"
    delivery.run(NOW + HOUR)
    assert set(states(store).values()) == {MessageState.SENT}


def test_a_receiver_that_was_down_for_a_day_gets_everything(store: Store) -> None:
    queue(store, {"u1": 20})
    up = False

    def act(_parcel: Parcel) -> str:
        if not up:
            raise DeliveryDeferred("connection refused", unreachable=True)
        return "ok"

    delivery = deliver(store, Wire(act), draw=lambda: 0.5)
    now = NOW
    while now < NOW + 24 * HOUR:
        delivery.run(now)
        now += 20 * MINUTE
    up = True
    while now < NOW + 40 * HOUR:
        delivery.run(now)
        now += 20 * MINUTE
    assert set(states(store).values()) == {MessageState.SENT}


def test_a_destination_that_hangs_holds_up_nobody_else(store: Store) -> None:
    for number in range(10):
        store.add_subscriber(hook(number), now=NOW)
    queue(store, {f"w{n}": 20 for n in range(10)} | {"u1": 20})
    release = threading.Event()
    arrived: dict[str, float] = {}
    began = time.monotonic()

    def act(parcel: Parcel) -> str:
        if parcel.subscriber.id in {"w0", "w1", "w2"}:
            release.wait(20)
        arrived[parcel.message.id] = time.monotonic() - began
        return "ok"

    wire = Wire(act)
    delivery = deliver(store, wire, round_s=1.0)
    report = delivery.run(NOW)
    assert report.sent == 160
    assert max(arrived.values()) < 10
    held = [key for key, state in states(store).items() if state is MessageState.LEASED]
    assert len(held) == 6, "two sessions for each of the three, and nothing else is kept from anybody"
    store.add_subscriber(replace(hook(11)), now=NOW)
    release.set()
    delivery.run(NOW + MINUTE)
    assert set(states(store).values()) == {MessageState.SENT}
    assert len(wire.copies) == len(set(wire.copies)) == 220


def test_sessions_to_one_destination_are_bounded(store: Store) -> None:
    store.add_subscriber(hook(1), now=NOW)
    queue(store, {"w1": 30})
    now_there, most = 0, 0
    lock = threading.Lock()

    def act(_parcel: Parcel) -> str:
        nonlocal now_there, most
        with lock:
            now_there += 1
            most = max(most, now_there)
        time.sleep(0.002)
        with lock:
            now_there -= 1
        return "ok"

    deliver(store, Wire(act), limits=Limits(paces={Channel.WEBHOOK: Pace(sessions=3)})).run(NOW)
    assert 1 < most <= 3


def test_a_destination_is_not_sent_more_than_its_rate(store: Store) -> None:
    store.add_subscriber(hook(1), now=NOW)
    queue(store, {"w1": 6})
    times: list[float] = []

    def act(_parcel: Parcel) -> str:
        times.append(time.monotonic())
        return "ok"

    deliver(store, Wire(act), limits=Limits(paces={Channel.WEBHOOK: Pace(per_s=50.0)})).run(NOW)
    assert times[-1] - times[0] >= 5 / 50 * 0.9


def test_fewer_threads_than_destinations_still_serve_all(store: Store) -> None:
    for number in range(12):
        store.add_subscriber(hook(number), now=NOW)
    queue(store, {f"w{n}": 3 for n in range(12)})
    report = deliver(store, Wire(), limits=Limits(threads=2)).run(NOW)
    assert report.sent == 36


def test_a_stop_gives_back_what_was_not_begun_and_ends_soon(store: Store) -> None:
    queue(store, {"u1": 100})
    stop, hang = threading.Event(), threading.Event()

    def act(_parcel: Parcel) -> str:
        stop.set()
        hang.wait(20)
        return "late"

    wire = Wire(act)
    delivery = deliver(store, wire, stopping=stop.is_set, stop_within_s=0.2)
    began = time.monotonic()
    delivery.run(NOW)
    assert time.monotonic() - began < 5
    attempts = sorted(one.attempts for one in store.messages())
    assert attempts == [0] * 99 + [1]
    assert set(states(store).values()) == {MessageState.PENDING}
    hang.set()
    stop.clear()
    deliver(store, Wire()).run(NOW + HOUR)
    assert set(states(store).values()) == {MessageState.SENT}


def test_a_stopped_round_finishes_what_is_under_way(store: Store) -> None:
    queue(store, {"u1": 3})
    stop = threading.Event()

    def act(_parcel: Parcel) -> str:
        stop.set()
        time.sleep(0.05)
        return "ok"

    report = deliver(store, Wire(act), stopping=stop.is_set, stop_within_s=5.0).run(NOW)
    assert report.sent == 1
    assert sorted(states(store).values()) == [MessageState.PENDING, MessageState.PENDING, MessageState.SENT]


def test_leases_are_prolonged_while_a_slow_send_lasts(store: Store, url: str) -> None:
    queue(store, {"u1": 3})
    seen: list[int] = []

    def act(_parcel: Parcel) -> str:
        began = time.monotonic()
        with open_store(url) as rival:
            while time.monotonic() - began < 0.9:
                at = NOW + dt.timedelta(seconds=time.monotonic() - start)
                seen.append(len(rival.lease(at, "rival", 100, 60)))
                time.sleep(0.05)
        return "ok"

    start = time.monotonic()
    report = deliver(store, Wire(act), lease_s=0.6).run(NOW)
    assert report.sent == 3
    assert set(seen) == {0}, "nobody else was lent what was still being worked on"


def test_what_another_worker_took_is_dropped_and_not_settled_twice(store: Store, url: str) -> None:
    queue(store, {"u1": 2})

    def act(parcel: Parcel) -> str:
        if parcel.message.id == "u1-0":
            with open_store(url) as rival:
                taken = rival.lease(NOW + 24 * HOUR, "rival", 100, 60)
                for one in taken:
                    rival.mark_sent(one, NOW + 24 * HOUR, "by the rival")
        return "ok"

    deliver(store, Wire(act)).run(NOW)
    outcomes = [one.outcome for one in store.deliveries("u1-0")]
    assert outcomes == ["sent", "sent, lease lost"]
    assert set(states(store).values()) == {MessageState.SENT}


def test_a_clock_that_jumps_ahead_never_sends_at_once_what_is_under_way(store: Store) -> None:
    queue(store, {"u1": 5})
    jump = 0.0

    def act(_parcel: Parcel) -> str:
        nonlocal jump
        jump += 3600.0
        time.sleep(0.3)
        return "ok"

    wire = Wire(act)
    delivery = deliver(store, wire, monotonic_s=lambda: time.monotonic() + jump, round_s=1e9)
    delivery.run(NOW)
    assert sorted(wire.copies) == [f"u1-{n}" for n in range(5)]
    assert set(states(store).values()) == {MessageState.SENT}


def test_a_message_that_expires_while_it_waits_is_not_sent(store: Store) -> None:
    queue(store, {"u1": 3}, expires_at=NOW + MINUTE)
    jump = 0.0

    def act(_parcel: Parcel) -> str:
        nonlocal jump
        jump = 120.0
        return "ok"

    wire = Wire(act)
    deliver(store, wire, monotonic_s=lambda: time.monotonic() + jump, round_s=1e9).run(NOW)
    assert len(wire.copies) == 1
    assert sorted(states(store).values()) == [MessageState.EXPIRED, MessageState.EXPIRED, MessageState.SENT]


def test_nothing_more_is_sent_while_success_cannot_be_written_down(store: Store) -> None:
    class Stuck:
        broken = True

        def __getattr__(self, name: str) -> Any:
            return getattr(store, name)

        def settle(self, settlements: Any) -> Any:
            if self.broken:
                raise StoreBusy("locked")
            return store.settle(settlements)

    queue(store, {"u1": 500})
    stuck, wire = Stuck(), Wire(lambda _parcel: time.sleep(0.001) or "ok")
    delivery = deliver(stuck, wire)
    with pytest.raises(StoreBusy):
        delivery.run(NOW)
    assert len(wire.copies) < 100
    first = list(wire.copies)
    stuck.broken = False
    delivery.run(NOW + MINUTE)
    assert sorted(wire.copies) == sorted(f"u1-{n}" for n in range(500)), (
        "what was owed was settled, not resent"
    )
    assert first == wire.copies[: len(first)]


def test_who_left_gets_nothing_more(store: Store) -> None:
    queue(store, {"u1": 2})
    with store._write() as session:
        session.connection().exec_driver_sql("UPDATE subscribers SET active = 0")
    wire = Wire()
    assert deliver(store, wire).run(NOW).expired == 2
    assert wire.copies == []


def test_a_channel_that_is_not_set_up_defers_one_message_at_a_time(store: Store) -> None:
    queue(store, {"u1": 5})
    report = Delivery(store, {}, "test", draw=lambda: 1.0).run(NOW)
    assert report.deferred == 1
    assert set(states(store).values()) == {MessageState.PENDING}


def test_only_the_message_that_kills_its_worker_is_blamed(store: Store) -> None:
    """The process dies each time the bad one is sent; every innocent one gets out all the same."""

    class Killed(BaseException):
        pass

    queue(store, {"u1": 30})
    now = NOW
    for _ in range(12):
        gone: list[str] = []
        for channel in Channel:
            while leased := store.lease(now, "worker", 10, 60, channel=channel):
                for one in leased:
                    if one.id == "u1-7":
                        raise_at = True
                        break
                    store.mark_sent(one, now)
                    gone.append(one.id)
                else:
                    continue
                raise_at = True
                break
            else:
                raise_at = False
            if raise_at:
                break
        now += 2 * MINUTE
    found = states(store)
    assert found.pop("u1-7") is MessageState.DEAD
    assert set(found.values()) == {MessageState.SENT}


def test_five_kills_in_a_row_near_a_message_do_not_condemn_it(store: Store) -> None:
    queue(store, {"u1": 100})
    now = NOW
    for _ in range(8):
        store.lease(now, "doomed", 100, 60)
        now += 2 * MINUTE
    counts = store.outbox_counts()
    assert counts[MessageState.DEAD] <= 2, "only what was alone in flight is blamed"
    report = deliver(store, Wire()).run(now)
    assert report.sent >= 98


def test_a_destination_is_the_mail_server_or_the_host_and_port() -> None:
    def parcel(channel: Channel, address: str) -> Parcel:
        message = OutboxMessage("m", "a", "u", channel, NOW)
        reader = Subscriber("u", "Reader", channel, address)
        return Parcel(message, make_alert("s1"), make_site(), reader)

    assert destination(parcel(Channel.EMAIL, "a@example.com")) == (Channel.EMAIL, "")
    assert destination(parcel(Channel.WEBHOOK, "https://H.example.com/x")) == (
        Channel.WEBHOOK,
        "h.example.com",
    )
    assert destination(parcel(Channel.WEBHOOK, "https://h.example.com:8443/y"))[1] == "h.example.com:8443"
    assert destination(parcel(Channel.WEBHOOK, "https://[bad/"))[1] == "not a URL"


def test_the_schedule_spans_days() -> None:
    """Standard Webhooks 1.0.0 shows about 75 h; RFC 5321 (4.5.4.1) asks for at least four to five days."""
    retry = Retry()
    for draw, least_h, most_h in ((0.0, 55, 70), (1.0, 110, 130)):
        total = sum(retry.pause_s(attempt, None, draw) for attempt in range(1, retry.attempts_max))
        assert least_h < total / 3600 < most_h


@given(
    attempt=st.integers(1, 10_000),
    asked=st.none() | st.floats(0, 1e12),
    draw=st.floats(0, 1),
)
def test_a_pause_keeps_what_was_asked_within_reason(attempt: int, asked: float | None, draw: float) -> None:
    retry = Retry()
    pause = retry.pause_s(attempt, asked, draw)
    assert retry.first_s / 2 <= pause <= retry.asked_max_s + retry.first_s
    assert pause >= min(asked or 0.0, retry.asked_max_s)
