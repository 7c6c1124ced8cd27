"""One lane for each destination: its own threads, pace and rest, so that none waits for another's trouble.

The lanes only send. What became of each message goes back to the one thread that owns the store.
"""

from __future__ import annotations

import datetime as dt
import math
import threading
from collections import deque
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, field, replace
from typing import Protocol
from urllib.parse import urlsplit

import structlog

from alertd.errors import DeliveryDeferred, DeliveryRejected
from alertd.records.keeping import Parcel
from alertd.records.site import Channel

GATHER_S = 0.05
COMING_BACK_S = 0.1
log = structlog.get_logger("alertd.deliver")


class Transport(Protocol):
    """One channel."""

    def send(self, parcel: Parcel, now: dt.datetime) -> str:
        """Hand over one message; returns the receiver's word. Raises DeliveryDeferred or DeliveryRejected."""
        ...


OpenTransport = Callable[[], AbstractContextManager[Transport]]
Now = Callable[[], dt.datetime]


@dataclass(frozen=True, slots=True)
class Pace:
    """How hard one destination may be pressed; ``per_s`` None is as fast as it answers.

    ``waiting`` is how many of its messages are held here at most, so that others find room.
    """

    sessions: int = 2
    per_s: float | None = None
    waiting: int = 200


@dataclass(frozen=True, slots=True)
class Limits:
    """How many threads send at once in all, how each channel's destinations are paced, when one rests.

    A destination rests after it could not be reached, or after ``strikes`` failures in a row that each
    took ``slow_s`` or longer: for ``rest_s`` at first, for up to ``rest_max_s`` when that goes on.
    Quick refusals cost the others nothing and concern the message alone.
    """

    threads: int = 64
    paces: Mapping[Channel, Pace] = field(
        default_factory=lambda: {Channel.EMAIL: Pace(sessions=1, waiting=1000)}
    )
    held: int = 1000
    rest_s: float = 60.0
    rest_max_s: float = 900.0
    strikes: int = 2
    slow_s: float = 2.0
    linger_s: float = 0.5
    refill_per_s: float = 500.0
    gather: int = 50

    def pace(self, channel: Channel) -> Pace:
        """Return the pace of one destination of this channel."""
        return self.paces.get(channel, Pace())


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one attempt came to: the receiver's word, or what was raised."""

    parcel: Parcel
    at: dt.datetime
    said: str = ""
    error: Exception | None = None


def destination(parcel: Parcel) -> tuple[Channel, str]:
    """Return where a message goes: the one mail server, or the host and port of a webhook."""
    channel = parcel.message.channel
    if channel is not Channel.WEBHOOK:
        return channel, ""
    try:
        return channel, urlsplit(parcel.subscriber.address).netloc.rpartition("@")[2].lower()
    except ValueError:
        return channel, "not a URL"


def _in_groups(at: dt.datetime) -> dt.datetime:
    """Return a moment a little later that many messages share, so that one transaction puts them all off."""
    return dt.datetime.fromtimestamp(math.ceil(at.timestamp() / COMING_BACK_S) * COMING_BACK_S, dt.UTC)


@dataclass(slots=True, eq=False, repr=False)
class Lane:
    """The messages that wait for one destination and how it behaves."""

    key: tuple[Channel, str]
    pace: Pace
    waiting: deque[Parcel] = field(default_factory=deque)
    threads: int = 0
    strikes: int = 0
    rests: int = 0
    rest_until: dt.datetime | None = None
    later: dt.datetime | None = None
    next_at: dt.datetime | None = None

    def is_resting(self, now: dt.datetime) -> bool:
        """Whether nothing may be sent there for now."""
        return self.rest_until is not None and now < self.rest_until


@dataclass(eq=False, repr=False)
class Lanes:
    """Threads that send what they are given. All methods are for the one thread that owns the store."""

    transports: Mapping[Channel, OpenTransport]
    limits: Limits
    now: Now
    stopping: Callable[[], bool] = lambda: False

    def __post_init__(self) -> None:
        self._lanes: dict[tuple[Channel, str], Lane] = {}
        self._changed = threading.Condition()
        self._flying: dict[str, Parcel] = {}
        self._done: list[Outcome] = []
        self._declined: list[tuple[Parcel, dt.datetime | None]] = []
        self._good_until: dt.datetime | None = None
        self._threads = 0
        self._paused = False
        self._closing = False

    def offer(self, parcels: Sequence[Parcel]) -> None:
        """Take the messages whose destination has room; the others are declined."""
        now = self.now()
        declined = self._declined
        with self._changed:
            self._closing = False
            for parcel in parcels:
                lane = self._lane(parcel)
                if lane.rest_until is not None and lane.is_resting(now):
                    declined.append((parcel, lane.rest_until))
                elif len(lane.waiting) >= lane.pace.waiting:
                    declined.append((parcel, self._later(lane, now)))
                else:
                    lane.waiting.append(parcel)
            self._staff()
            self._changed.notify_all()

    def crowded_until(self) -> dt.datetime | None:
        """Return when the last message that found no room comes again, None if all found some."""
        with self._changed:
            last = max((lane.later for lane in self._lanes.values() if lane.later is not None), default=None)
            return None if last is None else _in_groups(last)

    def declined(self) -> list[tuple[Parcel, dt.datetime | None]]:
        """Return what is to be given back, each with when to come again (None: as before)."""
        with self._changed:
            declined, self._declined = self._declined, []
            return declined

    def vouch(self, until: dt.datetime) -> None:
        """Let messages be begun until then: so long their leases hold."""
        with self._changed:
            self._good_until = until
            self._changed.notify_all()

    def room(self, channel: Channel, most: int) -> int:
        """Return how many more messages of a channel are worth having here."""
        with self._changed:
            queued = sum(len(lane.waiting) for lane in self._lanes.values() if lane.key[0] is channel)
        return max(0, min(most, self.limits.held - queued))

    def results(self, wait_s: float) -> list[Outcome]:
        """Return what has come back, after waiting up to ``wait_s`` for the first."""
        with self._changed:
            if not self._done:
                self._changed.wait_for(lambda: bool(self._done or self._declined) or self._is_idle(), wait_s)
            if self._done and self._flying and wait_s:
                # Others that come back within a moment are written down in the same transaction.
                self._changed.wait_for(
                    lambda: len(self._done) >= self.limits.gather or self._is_idle(), GATHER_S
                )
            done, self._done = self._done, []
            return done

    def held(self) -> list[Parcel]:
        """Return every message that waits or is under way here."""
        with self._changed:
            waiting = [parcel for lane in self._lanes.values() for parcel in lane.waiting]
            return [*waiting, *self._flying.values()]

    def flying(self) -> list[Parcel]:
        """Return the messages under way."""
        with self._changed:
            return list(self._flying.values())

    def is_idle(self) -> bool:
        """Whether nothing waits, nothing is under way and nothing has come back unread."""
        with self._changed:
            return self._is_idle() and not self._done and not self._declined

    def swap(self, parcels: Iterable[Parcel]) -> list[Parcel]:
        """Take over newer leases of messages held here already; return the parcels that are not."""
        with self._changed:
            held = {parcel.message.id for lane in self._lanes.values() for parcel in lane.waiting}
            held |= set(self._flying)
            held |= {outcome.parcel.message.id for outcome in self._done}
            fresh, known = [], {}
            for parcel in parcels:
                if parcel.message.id in held:
                    known[parcel.message.id] = parcel
                else:
                    fresh.append(parcel)
            for lane in self._lanes.values() if known else ():
                lane.waiting = deque(known.get(one.message.id, one) for one in lane.waiting)
            self._flying.update({key: one for key, one in known.items() if key in self._flying})
            self._done = [
                replace(one, parcel=known.get(one.parcel.message.id, one.parcel)) for one in self._done
            ]
            return fresh

    def pause(self, paused: bool) -> None:
        """Begin nothing new while what was sent cannot be written down."""
        with self._changed:
            self._paused = paused
            self._changed.notify_all()

    def take_back(self, keep: Callable[[Parcel], bool] = lambda _parcel: False) -> list[Parcel]:
        """Remove and return what waits, unless it is to be kept."""
        with self._changed:
            taken: list[Parcel] = []
            for lane in self._lanes.values():
                taken += [parcel for parcel in lane.waiting if not keep(parcel)]
                lane.waiting = deque(parcel for parcel in lane.waiting if keep(parcel))
            return taken

    def close(self, within_s: float) -> list[Parcel]:
        """Let the threads end and return what is still under way after ``within_s``."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
            self._changed.wait_for(lambda: not self._threads, within_s)
            now = self.now()
            self._lanes = {
                key: lane
                for key, lane in self._lanes.items()
                if lane.threads or lane.waiting or lane.is_resting(now)
            }
            return list(self._flying.values())

    def abandon(self, parcels: Iterable[Parcel]) -> None:
        """Forget messages under way: whatever comes of them is no longer ours to tell."""
        with self._changed:
            for parcel in parcels:
                self._flying.pop(parcel.message.id, None)

    def _is_idle(self) -> bool:
        return not self._flying and not any(lane.waiting for lane in self._lanes.values())

    def _later(self, lane: Lane, now: dt.datetime) -> dt.datetime:
        """Spread what finds no room over time, so that a long queue is not walked again and again."""
        first = now + dt.timedelta(seconds=self.limits.linger_s)
        lane.later = max(lane.later or first, first) + dt.timedelta(seconds=1 / self.limits.refill_per_s)
        return _in_groups(lane.later)

    def _lane(self, parcel: Parcel) -> Lane:
        key = destination(parcel)
        lane = self._lanes.get(key)
        if lane is None:
            lane = self._lanes[key] = Lane(key, self.limits.pace(key[0]))
        return lane

    def _staff(self) -> None:
        """Give threads to the lanes that have work, one each before any gets a second."""
        for wanted in range(1, max((lane.pace.sessions for lane in self._lanes.values()), default=0) + 1):
            for lane in self._lanes.values():
                if self._threads >= self.limits.threads:
                    return
                if lane.threads < min(wanted, lane.pace.sessions, len(lane.waiting)):
                    self._start(lane)

    def _start(self, lane: Lane) -> None:
        lane.threads += 1
        self._threads += 1
        # Not to be waited for at exit: a send that hangs must not hold up the end of the process.
        threading.Thread(target=self._work, args=(lane,), name=f"deliver-{lane.key[0]}", daemon=True).start()

    def _work(self, lane: Lane) -> None:
        transport: Transport | None = None
        try:
            with ExitStack() as stack:
                while (parcel := self._next(lane)) is not None:
                    began_at = self.now()
                    outcome, transport = self._attempt(lane, parcel, transport, stack)
                    self._note(lane, outcome, (outcome.at - began_at).total_seconds())
        except Exception:
            log.exception("transport-not-closed", channel=lane.key[0].value)
        finally:
            with self._changed:
                lane.threads -= 1
                self._threads -= 1
                if not self._closing:
                    self._staff()
                self._changed.notify_all()

    def _attempt(
        self, lane: Lane, parcel: Parcel, transport: Transport | None, stack: ExitStack
    ) -> tuple[Outcome, Transport | None]:
        """Try one message; every exception ends in its outcome, so that a bad message stops no other."""
        try:
            if transport is None:
                transport = stack.enter_context(self._open(lane.key[0]))
            said = transport.send(parcel, self.now())
        except Exception as error:  # noqa: BLE001  # the one who reads the outcome decides and logs
            return Outcome(parcel, self.now(), error=error), transport
        return Outcome(parcel, self.now(), said), transport

    def _open(self, channel: Channel) -> AbstractContextManager[Transport]:
        found = self.transports.get(channel)
        if found is None:
            raise DeliveryDeferred(f"{channel} is not set up", unreachable=True)
        return found()

    def _next(self, lane: Lane) -> Parcel | None:
        """Return the next message once it may go; None when this thread is no longer needed."""
        with self._changed:
            lingered = False
            while not self._closing and not self.stopping():
                now = self.now()
                pause_s = self._pause_s(lane, now)
                if pause_s is None:
                    return self._take(lane, now)
                if lane.is_resting(now) or (not lane.waiting and (lingered or self._is_crowded())):
                    return None
                # A short wait for more keeps the session to the destination.
                lingered = not self._changed.wait(pause_s) and not lane.waiting
            return None

    def _pause_s(self, lane: Lane, now: dt.datetime) -> float | None:
        """Return how long this lane must wait before its next message, None if it may go now."""
        self._drop_expired(lane, now)
        if not lane.waiting or self._paused or lane.is_resting(now):
            return self.limits.linger_s
        if self._good_until is not None and now >= self._good_until:
            return self.limits.linger_s
        if lane.next_at is not None and now < lane.next_at:
            return (lane.next_at - now).total_seconds()
        return None

    def _drop_expired(self, lane: Lane, now: dt.datetime) -> None:
        while lane.waiting:
            expires_at = lane.waiting[0].message.expires_at
            if expires_at is None or now < expires_at:
                return
            self._declined.append((lane.waiting.popleft(), None))
            self._changed.notify_all()

    def _take(self, lane: Lane, now: dt.datetime) -> Parcel:
        parcel = lane.waiting.popleft()
        self._flying[parcel.message.id] = parcel
        if lane.pace.per_s:
            lane.next_at = now + dt.timedelta(seconds=1 / lane.pace.per_s)
        return parcel

    def _is_crowded(self) -> bool:
        return self._threads >= self.limits.threads and any(
            lane.waiting and not lane.threads for lane in self._lanes.values()
        )

    def _note(self, lane: Lane, outcome: Outcome, took_s: float) -> None:
        error = outcome.error
        with self._changed:
            parcel = self._flying.pop(outcome.parcel.message.id, None)
            if error is None or isinstance(error, DeliveryRejected):
                lane.strikes, lane.rests, lane.rest_until = 0, 0, None
            elif isinstance(error, DeliveryDeferred):
                lane.strikes += took_s >= self.limits.slow_s
                if error.unreachable or lane.strikes >= self.limits.strikes:
                    self._rest(lane, error)
            if parcel is not None:
                self._done.append(replace(outcome, parcel=parcel))
            self._changed.notify_all()

    def _rest(self, lane: Lane, error: DeliveryDeferred) -> None:
        """Leave a destination alone for a while and give back what waits for it."""
        now = self.now()
        if lane.is_resting(now):
            return
        pause_s = min(self.limits.rest_s * 2.0 ** min(lane.rests, 20), self.limits.rest_max_s)
        pause_s = max(pause_s, min(error.retry_after_s or 0.0, 4 * self.limits.rest_max_s))
        lane.rest_until = now + dt.timedelta(seconds=pause_s)
        lane.strikes, lane.rests = 0, lane.rests + 1
        self._declined += [(parcel, lane.rest_until) for parcel in lane.waiting]
        lane.waiting.clear()
        log.warning("destination-rests", channel=lane.key[0].value, seconds=round(pause_s), error=str(error))
