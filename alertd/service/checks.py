"""Whether everything alertd needs is there: each finding is fine or a fault with its fix."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from alertd.assess.chance import prior_skill
from alertd.delivery.email import EmailTransport, SmtpSettings
from alertd.errors import AlertdError, ConfigError, DeliveryError, StoreError, WeatherError, WeatherRefused
from alertd.records.alert import MessageState
from alertd.records.keeping import DeadLetter, Diagnostics, Tick
from alertd.records.site import Channel, Site, Subscriber
from alertd.records.weather import WeatherCell, cell_of
from alertd.service.ensemble import Ensembler, spreads_of
from alertd.weather.failover import Provider

REASON_SHOWN_MAX = 160
CLOCK_OFF_MAX = dt.timedelta(minutes=5)
BUILT_AFTER = dt.datetime(2025, 1, 1, tzinfo=dt.UTC)
"""No alertd is older: a clock before this stands wrong."""
SAMPLE_CELL = cell_of(40.7128, -74.006)
"""Asked for where no site is kept yet; every provider serves it."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at; ``fix`` says what to do about a fault."""

    what: str
    ok: bool
    detail: str
    fix: str = ""


class CheckedStore(Protocol):
    """What is looked at in the store."""

    diagnostics: Diagnostics

    def check_integrity(self) -> list[str]:
        """Return every fault found."""
        ...

    def sites(self) -> Sequence[Site]:
        """Return the active sites."""
        ...

    def subscribers(self) -> Sequence[Subscriber]:
        """Return the active subscribers."""
        ...

    def ticks(self) -> Sequence[Tick]:
        """Return what the daemon does and how it went."""
        ...

    def outbox_counts(self) -> Mapping[MessageState, int]:
        """Return how many messages are in each state."""
        ...

    def oldest_pending(self) -> dt.datetime | None:
        """Return since when the longest waiting message has been due."""
        ...

    def dead_letters(self) -> Sequence[DeadLetter]:
        """Return the messages that were given up, newest first."""
        ...


def fault_of(what: str, error: AlertdError) -> Finding:
    """Return a finding for an error; what follows its last semicolon is the fix."""
    told, found, fix = " ".join(str(error).split()).rpartition("; ")
    return Finding(what, ok=False, detail=told if found else fix, fix=fix if found else "")


def check_database(store: CheckedStore) -> Iterator[Finding]:
    """Yield what the opened database turned out to be."""
    known = store.diagnostics
    try:
        faults = store.check_integrity()
    except StoreError as error:
        yield fault_of("database", error)
        return
    if faults:
        detail = f"{known.location} is damaged: {faults[0]}"
        yield Finding("database", ok=False, detail=detail, fix="stop alertd and restore the newest backup")
        return
    detail = f"{known.location}, {known.engine} {known.version}, schema {known.schema}, sound"
    yield Finding("database", ok=True, detail=detail)
    for warning in known.warnings:
        yield Finding("database", ok=True, detail=f"note: {warning}")


def check_sites(store: CheckedStore) -> Iterator[Finding]:
    """Yield how many are watched and told."""
    sites, people = len(store.sites()), len(store.subscribers())
    yield Finding(
        "sites",
        ok=True,
        detail=f"{sites} watched, {people} subscribers" if sites else "none yet; `alertd site add`",
    )


def check_daemon(store: CheckedStore, now: dt.datetime, cycle_every_min: int) -> Iterator[Finding]:
    """Yield whether the cycles of a running daemon succeed; one that never ran is no fault."""
    cycle = next((tick for tick in store.ticks() if tick.name == "cycle"), None)
    if cycle is None or cycle.last_started_at is None:
        yield Finding("daemon", ok=True, detail="has not run yet; start it with `alertd run`")
        return
    late = dt.timedelta(minutes=3 * cycle_every_min)
    if cycle.last_ok_at is not None and now - cycle.last_ok_at <= late:
        yield Finding("daemon", ok=True, detail=f"last good cycle {_ago(now - cycle.last_ok_at)} ago")
        return
    last = "never" if cycle.last_ok_at is None else f"{_ago(now - cycle.last_ok_at)} ago"
    why = f" ({cycle.last_error})" if cycle.last_error else ""
    yield Finding(
        "daemon",
        ok=False,
        detail=f"last good cycle: {last}{why}",
        fix="see that `alertd run` runs, and read its log",
    )


def check_outbox(store: CheckedStore, now: dt.datetime, cycle_every_min: int) -> Iterator[Finding]:
    """Yield whether messages were given up, and whether what is due leaves."""
    counts, dead = store.outbox_counts(), store.dead_letters()
    waiting = counts[MessageState.PENDING] + counts[MessageState.LEASED]
    due_at = store.oldest_pending()
    late = dt.timedelta(minutes=max(60, 3 * cycle_every_min))
    if due_at is not None and now - due_at > late:
        yield Finding(
            "outbox",
            ok=False,
            detail=f"{_waiting_words(waiting)}, one has been due for {_ago(now - due_at)}",
            fix="see that `alertd run` runs, and read its log",
        )
    if dead:
        last = dead[0]
        why = f": {_clipped(last.reason)}" if last.reason else ""
        yield Finding(
            "outbox",
            ok=False,
            detail=f"{_dead_words(len(dead))}, the last {_ago(now - last.at)} ago{why}",
            fix="`alertd outbox list`, then requeue or discard them",
        )
    elif due_at is None or now - due_at <= late:
        yield Finding("outbox", ok=True, detail=f"{_waiting_words(waiting)}, none was given up")


def _waiting_words(count: int) -> str:
    return "one message waits" if count == 1 else f"{count or 'no'} messages wait"


def _dead_words(count: int) -> str:
    return "one message was given up" if count == 1 else f"{count} messages were given up"


def _clipped(text: str) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= REASON_SHOWN_MAX else f"{flat[: REASON_SHOWN_MAX - 1].rstrip()}…"


def check_operator(address: str | None, smtp: SmtpSettings | None) -> Finding:
    """Return whether anybody is told by mail of messages that were given up; nobody is no fault."""
    if address is None:
        detail = "nobody is mailed about messages that were given up; daemon.operator_address names somebody"
        return Finding("operator", ok=True, detail=detail)
    if smtp is None:
        detail = f"{address} is to be told of messages that were given up, but mail is not set up"
        return Finding("operator", ok=False, detail=detail, fix="set smtp.host and smtp.from_address")
    return Finding("operator", ok=True, detail=f"{address} is told once a day of messages that were given up")


def check_mail(smtp: SmtpSettings | None, subscribers: Sequence[Subscriber]) -> Iterator[Finding]:
    """Yield whether the mail server lets us in; nothing is sent."""
    if smtp is None:
        needed = any(one.channel is Channel.EMAIL for one in subscribers)
        yield Finding(
            "mail",
            ok=not needed,
            detail="not set up, and subscribers wait for mail" if needed else "not set up; no emails go out",
            fix="set smtp.host and smtp.from_address" if needed else "",
        )
        return
    where = f"{smtp.host}:{smtp.port} ({smtp.tls})"
    try:
        with EmailTransport(smtp).session() as transport:
            said = transport.shake_hands()
    except DeliveryError as error:
        found = fault_of("mail", error)
        yield replace(
            found, fix=found.fix or "check smtp.host, smtp.port and smtp.tls, or ask the mail server's log"
        )
        return
    signed = f", signed in as {smtp.username}" if smtp.username else ""
    yield Finding("mail", ok=True, detail=f"{where} answers{signed}: {said}")


def check_provider(name: str, build: Callable[[], Provider], cell: WeatherCell, now: dt.datetime) -> Finding:
    """Return whether one provider serves weather for a cell."""
    what = f"weather {name}"
    try:
        weather = build().fetch(cell, now)
    except ConfigError as error:
        return fault_of(what, error)
    except WeatherRefused as error:
        if error.everywhere:
            return _provider_fault(what, error)
        return Finding(what, ok=True, detail=f"answers, but does not serve this place: {error}")
    except WeatherError as error:
        return _provider_fault(what, error)
    hours = int(weather.table["forecast"].sum())
    return Finding(what, ok=True, detail=f"{hours} hours of forecast for {cell.key}")


def check_ensemble(
    build: Callable[[], Ensembler | None], cell: WeatherCell, now: dt.datetime
) -> Iterator[Finding]:
    """Yield whether the ensemble serves a cell, where one is set; without it chances rest on our record."""
    what = "ensemble"
    try:
        source = build()
        if source is None:
            return
        spreads = spreads_of(source.fetch(cell, now), "UTC", now)
    except ConfigError as error:
        yield fault_of(what, error)
    except WeatherError as error:
        found = fault_of(what, error)
        fix = "check ensemble_model, the key and its plan, or leave weather.openmeteo.ensemble_model out"
        yield replace(found, fix=found.fix or fix)
    else:
        missing = sorted(set(prior_skill().errors) - set(spreads))
        detail = f"{source.model} tells of {len(spreads)} quantities for {cell.key}"
        yield Finding(what, ok=True, detail=detail + (f", not of {', '.join(missing)}" if missing else ""))


def _provider_fault(what: str, error: WeatherError) -> Finding:
    found = fault_of(what, error)
    fix = "check the network, weather.contact and the provider's key, or leave it out of weather.providers"
    return replace(found, fix=found.fix or fix)


def sample_cell(sites: Sequence[Site], size_deg: float) -> WeatherCell:
    """Return the cell of the first site, or one that every provider serves."""
    if not sites:
        return SAMPLE_CELL
    first = sites[0]
    return cell_of(first.latitude_deg, first.longitude_deg, first.elevation_m, size_deg)


def check_clock(now: dt.datetime, server_times: Mapping[str, dt.datetime | None]) -> Finding:
    """Return whether the clock agrees with the servers that told theirs."""
    fix = "set the clock of this machine, best with a time service (NTP)"
    if now < BUILT_AFTER:
        return Finding("clock", ok=False, detail=f"stands at {now:%Y-%m-%d}", fix=fix)
    told = {name: at for name, at in server_times.items() if at is not None}
    for name, at in told.items():
        if abs(now - at) > CLOCK_OFF_MAX:
            side = "ahead of" if now > at else "behind"
            return Finding(
                "clock", ok=False, detail=f"is {_ago(abs(now - at))} {side} that of {name}", fix=fix
            )
    against = f"agrees with {', '.join(told)}" if told else "could not be compared with another one"
    return Finding("clock", ok=True, detail=f"{now:%Y-%m-%d %H:%M:%S} UTC, {against}")


def _ago(gap: dt.timedelta) -> str:
    minutes = round(gap.total_seconds() / 60.0)
    if minutes < 120:
        return f"{minutes} min"
    return f"{minutes / 60:.0f} h" if minutes < 72 * 60 else f"{minutes / 1440:.0f} d"
