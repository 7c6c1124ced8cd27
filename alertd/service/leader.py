"""Which of several processes on one database decides: one leads, the others stand by."""

from __future__ import annotations

import datetime as dt
import threading
from dataclasses import dataclass
from typing import Protocol

import structlog

from alertd.errors import StoreConflict, StoreError
from alertd.records.keeping import Lead

LEAD_NAME = "cycle"
LEASE_S = 15.0
RENEW_EVERY_S = 5.0
"""A renewal may fail twice before the lead passes on; a killed process is replaced within the lease."""

log = structlog.get_logger("alertd.leader")


class LeadStore(Protocol):
    """What leading needs of the store."""

    def take_lead(self, name: str, owner: str, *, now: dt.datetime, lease_s: float) -> Lead | None:
        """Take or prolong the lead; None while another process holds it."""
        ...

    def give_up_lead(self, lead: Lead, *, now: dt.datetime) -> None:
        """Let another process lead at once."""
        ...


@dataclass
class Leadership:
    """The lead as this process knows it; may be asked from any thread.

    The lease is short and counted on each process's own clock. Clocks that differ by more than the lease
    pass the lead to and fro, and harm nothing: a decision is committed only under the lead it began with.
    """

    store: LeadStore
    owner: str
    name: str = LEAD_NAME
    lease_s: float = LEASE_S

    def __post_init__(self) -> None:
        self._asking = threading.Lock()  # one question at a time; what is known is told without waiting
        self._lead: Lead | None = None
        self._error: str | None = "has not asked for the lead yet"
        self._over = False

    def seek(self, now: dt.datetime) -> bool:
        """Take the lead if it is free or prolong it; returns whether this process leads.

        Raises
        ------
        StoreError
            If the database cannot be asked; whatever lead there was runs out by itself.
        """
        with self._asking:
            if self._over:
                return False
            before = self._lead
            try:
                lead = self.store.take_lead(self.name, self.owner, now=now, lease_s=self.lease_s)
            except StoreError as error:
                self._error = f"could not ask for the lead: {type(error).__name__}"
                raise
            self._lead, self._error = lead, None
        if (before is None) != (lead is None):
            log.info("lead-lost" if lead is None else "lead-taken", owner=self.owner)
        return lead is not None

    def held(self) -> Lead:
        """Return the lead to begin work under. Raises StoreConflict where another process leads."""
        lead = self._lead
        if lead is None:
            raise StoreConflict(f"another process leads {self.name!r} now; nothing was begun")
        return lead

    def resign(self, now: dt.datetime) -> None:
        """Let another process lead at once, and never lead again. What cannot be written runs out."""
        with self._asking:
            lead, self._lead, self._over = self._lead, None, True
            if lead is None:
                return
            try:
                self.store.give_up_lead(lead, now=now)
            except StoreError as error:
                log.warning("lead-not-given-up", error=str(error))

    def standing(self, now: dt.datetime) -> tuple[bool, str]:
        """Return whether all is well with the lead, and in a sentence who has it."""
        lead, error = self._lead, self._error
        if error is not None:
            return False, error
        if lead is None:
            return True, "stands by: another process decides; this one delivers and would take over"
        if lead.lease_until <= now:
            return False, "the lead ran out and was not renewed"
        return True, "leads: this process decides"
