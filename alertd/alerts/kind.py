"""What a kind of alert must provide, and what it may look at."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from zoneinfo import ZoneInfo

from alertd.alerts.machine import Finding
from alertd.catalog.alerts import AlertPolicy
from alertd.errors import AlertdError
from alertd.records.alert import Alert, AlertKind, Episode
from alertd.records.assessment import Assessment
from alertd.records.evidence import AlertEvidence, ProviderFault
from alertd.records.site import Site


class Need(IntEnum):
    """How good the weather must be before a kind is asked; otherwise its episodes stay as they are."""

    NOTHING = 0
    USABLE = 1
    FRESH = 2


@dataclass(frozen=True, slots=True)
class Sight:
    """One site at one moment. ``episodes`` are its open ones, by kind and subject.

    ``written`` keeps evidence that several kinds share, so that it is put together once.
    """

    site: Site
    assessed: Assessment | None
    now: dt.datetime
    policy: AlertPolicy
    faults: Sequence[ProviderFault] = ()
    episodes: Mapping[tuple[AlertKind, str], Episode] = field(default_factory=dict)
    written: list[AlertEvidence] = field(default_factory=list, compare=False)

    @property
    def assessment(self) -> Assessment:
        """The assessment, which is there whenever a kind that needs weather is asked."""
        if self.assessed is None:
            raise AlertdError(f"site {self.site.id}: asked for an assessment that is not there")
        return self.assessed

    @property
    def today(self) -> dt.date:
        """The local day."""
        return self.now.astimezone(ZoneInfo(self.site.zone)).date()

    def episode(self, kind: AlertKind, subject: str = "") -> Episode | None:
        """Return the open episode, if there is one."""
        return self.episodes.get((kind, subject))

    def announced(self, kind: AlertKind, subject: str = "") -> str:
        """Return the news last told in the open episode, or nothing."""
        episode = self.episode(kind, subject)
        return "" if episode is None else str(episode.memory.get("announced", ""))

    def last_told_at(self, *kinds: AlertKind) -> dt.datetime | None:
        """Return when an open episode of one of these kinds last spoke."""
        told = [
            dt.datetime.fromisoformat(str(episode.memory["told_at"]))
            for (kind, _), episode in self.episodes.items()
            if kind in kinds and "told_at" in episode.memory
        ]
        return max(told, default=None)


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of alert: what it finds, and the sentence that stands for it in another one's message.

    ``over`` says in a sentence what an all-clear of this kind means. How calm the kind is stands in
    ``calm.<name>`` of the catalog's ``alerts.toml``.
    """

    name: AlertKind
    find: Callable[[Sight], Iterable[Finding]]
    mention: Callable[[Alert], str]
    over: str = ""
    needs: Need = Need.FRESH
