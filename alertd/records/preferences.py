"""How somebody wants to be told: what, when, and who else if they stay silent."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple
from zoneinfo import ZoneInfo

from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.assessment import Level
from alertd.records.localtime import local_instant
from alertd.records.site import checked_zone

DIGEST_HOUR = 6
WEEKLY_DAY, WEEKLY_HOUR = 3, 15
"""Thursday (Monday is 0), so that there is a working day left to act on it."""
EVENING_HOUR = 17
HAND_OVER_HOURS_MAX = 168
_DAY = dt.timedelta(days=1)
_WEEK_D = 7


class BriefKind(StrEnum):
    """Mails that are written at a set hour instead of when something happens."""

    DIGEST = "digest"
    WEEKLY = "weekly-brief"
    EVENING = "evening-brief"


class Firing(NamedTuple):
    """One occurrence of a rule: the local day it belongs to and its one instant in UTC."""

    day: dt.date
    at: dt.datetime


@dataclass(frozen=True, slots=True)
class Rule:
    """A local hour in a zone, every day or on one weekday (Monday is 0); fires once a day at most."""

    hour: int
    zone: str
    weekday: int | None = None

    def __post_init__(self) -> None:
        checked_zone(self.zone)
        if not 0 <= self.hour <= 23:
            raise InputError("hour", f"{self.hour} is no hour of the day; use 0 to 23")
        if self.weekday is not None and not 0 <= self.weekday < _WEEK_D:
            raise InputError("weekday", f"{self.weekday} is no weekday; Monday is 0, Sunday 6")

    def last(self, now: dt.datetime) -> Firing:
        """Return the latest occurrence at or before ``now``."""
        day = self._today(now) + _DAY
        while (found := self._on(day)) is None or found.at > now:
            day -= _DAY
        return found

    def next(self, now: dt.datetime) -> Firing:
        """Return the first occurrence later than ``now``."""
        day = self._today(now) - _DAY
        while (found := self._on(day)) is None or found.at <= now:
            day += _DAY
        return found

    def _today(self, now: dt.datetime) -> dt.date:
        return now.astimezone(ZoneInfo(self.zone)).date()

    def _on(self, day: dt.date) -> Firing | None:
        if self.weekday is not None and day.weekday() != self.weekday:
            return None
        at = local_instant(day, self.hour, 0, self.zone)
        return None if at is None else Firing(day, at)


@dataclass(frozen=True, slots=True)
class SitePreferences:
    """What differs at one site; None means as everywhere. ``at_once`` overrides a digest."""

    least_level: Level | None = None
    digest_hour: int | None = None
    at_once: bool = False


@dataclass(frozen=True, slots=True)
class Preferences:
    """How one subscriber wants to be told; what is left out is as it always was: everything, at once.

    Hours are local to ``zone``. Empty ``kinds`` means every kind; the kinds of a subscription, where it
    names any, hold for its site instead. With ``one_a_day`` the second mail about a site and day waits
    for the next digest unless it cannot wait or tells of a rise to high. With ``evening_quiet`` the evening
    brief comes only when tomorrow has something to say. An alert of level high or above
    that was not acknowledged ``hand_over_after_h`` hours after it was due goes to ``hand_over_to`` too.
    """

    subscriber_id: str
    zone: str = "UTC"
    kinds: tuple[str, ...] = ()
    least_level: Level = Level.NONE
    digest_hour: int | None = None
    weekly_day: int = WEEKLY_DAY
    weekly_hour: int | None = None
    evening_hour: int | None = None
    evening_quiet: bool = False
    hand_over_to: str | None = None
    hand_over_after_h: int = 0
    one_a_day: bool = False
    changed_at: dt.datetime | None = None
    sites: Mapping[str, SitePreferences] = field(default_factory=dict)

    def __post_init__(self) -> None:
        checked_zone(self.zone)
        hours = [self.digest_hour, self.weekly_hour, self.evening_hour]
        hours += [one.digest_hour for one in self.sites.values()]
        for hour in hours:
            if hour is not None and not 0 <= hour <= 23:
                raise InputError("hour", f"{hour} is no hour of the day; use 0 to 23")
        if self.hand_over_to == self.subscriber_id:
            raise InputError("hand-over-to", "name somebody else than the subscriber")
        if self.hand_over_to is not None and not 1 <= self.hand_over_after_h <= HAND_OVER_HOURS_MAX:
            raise InputError("after", f"give 1 to {HAND_OVER_HOURS_MAX} hours")

    def least(self, site_id: str) -> Level:
        """Return the least level that is told about a site."""
        here = self.sites.get(site_id)
        return self.least_level if here is None or here.least_level is None else here.least_level

    def digest_at(self, site_id: str) -> int | None:
        """Return the local hour of the digest that alerts of a site wait for, None if they go at once."""
        here = self.sites.get(site_id)
        if here is None:
            return self.digest_hour
        if here.at_once:
            return None
        return self.digest_hour if here.digest_hour is None else here.digest_hour

    def rules(self) -> Mapping[BriefKind, Rule]:
        """Return when the briefs are due that the subscriber wants."""
        found: dict[BriefKind, Rule] = {}
        if self.weekly_hour is not None:
            found[BriefKind.WEEKLY] = Rule(self.weekly_hour, self.zone, self.weekly_day)
        if self.evening_hour is not None:
            found[BriefKind.EVENING] = Rule(self.evening_hour, self.zone)
        return found


@dataclass(frozen=True, slots=True)
class Brief:
    """One digest or brief on its way. ``id`` names it on every try; rule and zone say why it is due then."""

    id: str
    subscriber_id: str
    kind: BriefKind
    local_day: dt.date
    zone: str
    hour: int
    due_at: dt.datetime
    expires_at: dt.datetime | None = None
    weekday: int | None = None
    state: MessageState = MessageState.PENDING
    attempts: int = 0
    generation: int = 0
    last_error: str = ""


class WeekCount(NamedTuple):
    """How many mails one subscriber was sent in one ISO week (UTC); ``alerts`` are those told in digests."""

    year: int
    week: int
    messages: int
    briefs: int
    notices: int
    alerts: int

    @property
    def mails(self) -> int:
        """Everything that reached the mailbox or receiver."""
        return self.messages + self.briefs + self.notices
