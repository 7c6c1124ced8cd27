"""``alertd subscriber prefs``, ``show``, ``snooze`` and ``acknowledge``: how somebody wants to be told."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any
from zoneinfo import ZoneInfo

import typer

from alertd.cli.moments import parse_day
from alertd.cli.printing import examples, facts, heading, plain, print_json, say, table
from alertd.cli.session import session_of
from alertd.cli.standing_commands import standing_reason, standing_words
from alertd.errors import InputError
from alertd.records.alert import AlertKind, Episode
from alertd.records.assessment import Level
from alertd.records.preferences import Preferences, WeekCount
from alertd.records.site import Channel, Site, Subscriber, Subscription, UnitSystem
from alertd.service.people import morning_of
from alertd.service.preferences import Wish, change, wishes_of
from alertd.service.subscribers import SECRET_FIELDS, checked_kinds, shown_address

if TYPE_CHECKING:
    from alertd.app import App

DAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
LEVELS = tuple(level.name.lower() for level in Level)
WEEKS_BACK = 8
EVERY_KIND = "all"
NOBODY = "nobody"
Name = Annotated[str, typer.Argument(metavar="NAME", help="Name or id of the subscriber.")]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for machines.")]
SiteName = Annotated[str, typer.Option("--site", metavar="NAME", help="Name or id of the site.")]


def register(subscriber: typer.Typer) -> None:
    """Add the commands of this module to those about subscribers."""
    subscriber.command(
        "prefs",
        short_help="Change how somebody is told.",
        epilog=examples(
            'alertd subscriber prefs "Crew lead" --digest 6 --weekly',
            'alertd subscriber prefs "Crew lead" --site "Invented Court" --at-once --least-level high',
            "alertd subscriber prefs Office --kinds mite-pressure --kinds water-short --units metric",
            'alertd subscriber prefs "Crew lead" --hand-over-to Office --after 4',
        ),
    )(prefs)
    subscriber.command(
        "show",
        short_help="Show how somebody is told, and how often.",
        epilog=examples('alertd subscriber show "Crew lead"', 'alertd subscriber show "Crew lead" --json'),
    )(show)
    subscriber.command(
        "snooze",
        short_help="Keep a site quiet for somebody.",
        epilog=examples(
            'alertd subscriber snooze "Crew lead" --site "Invented Court" --until 2026-07-20',
            'alertd subscriber snooze "Crew lead" --site "Invented Court" --until now',
        ),
    )(snooze)
    subscriber.command(
        "acknowledge",
        short_help="Note that somebody has seen what is open at a site.",
        epilog=examples('alertd subscriber acknowledge "Crew lead" --site "Invented Court"'),
    )(acknowledge)


def prefs(
    context: typer.Context,
    name: Name,
    site: Annotated[
        str | None,
        typer.Option(
            "--site", metavar="NAME", help="Only at this site: kinds, least level, digest, at once."
        ),
    ] = None,
    kinds: Annotated[
        list[str] | None,
        typer.Option("--kinds", metavar="KIND", help=f"Only these kinds, or `all`: {', '.join(AlertKind)}."),
    ] = None,
    least_level: Annotated[
        str | None, typer.Option("--least-level", metavar="LEVEL", help=f"One of {', '.join(LEVELS)}.")
    ] = None,
    digest: Annotated[
        int | None,
        typer.Option("--digest", min=0, max=23, metavar="HOUR", help="One mail a day at this local hour."),
    ] = None,
    at_once: Annotated[bool, typer.Option("--at-once", help="Each alert when it is made.")] = False,
    one_a_day: Annotated[
        bool | None,
        typer.Option(
            "--one-a-day/--no-one-a-day", help="The second mail about a site and day waits for the digest."
        ),
    ] = None,
    weekly: Annotated[
        bool | None, typer.Option("--weekly/--no-weekly", help="The week ahead, Thursdays at 15:00.")
    ] = None,
    weekly_day: Annotated[
        str | None, typer.Option("--weekly-day", metavar="DAY", help="Another weekday, as `monday`.")
    ] = None,
    weekly_hour: Annotated[
        int | None, typer.Option("--weekly-hour", min=0, max=23, metavar="HOUR", help="Another local hour.")
    ] = None,
    evening: Annotated[
        bool | None, typer.Option("--evening/--no-evening", help="Tomorrow's windows, every day at 17:00.")
    ] = None,
    evening_hour: Annotated[
        int | None, typer.Option("--evening-hour", min=0, max=23, metavar="HOUR", help="Another local hour.")
    ] = None,
    evening_quiet: Annotated[
        bool | None,
        typer.Option(
            "--evening-if-news/--evening-always",
            help="Only when tomorrow has a window or loses one; or daily.",
        ),
    ] = None,
    hand_over_to: Annotated[
        str | None,
        typer.Option(
            "--hand-over-to", metavar="NAME", help="Who else is told if nothing is acknowledged; or `nobody`."
        ),
    ] = None,
    after: Annotated[
        int | None, typer.Option("--after", min=1, metavar="HOURS", help="After how many hours.")
    ] = None,
    units: Annotated[UnitSystem | None, typer.Option("--units", help="The reader's units.")] = None,
    zone: Annotated[
        str | None,
        typer.Option("--zone", metavar="ZONE", help="Whose clock the hours are by; else the first site's."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Change how somebody is told; what is not named stays as it is. Without options it only shows.

    The severest level never waits for a digest, nor do hours for spraying that are taken back or moved.
    Alerts of level high or above that nobody acknowledged are handed over once.
    """
    wish = Wish(
        kinds=None if kinds is None else _kinds(kinds),
        least_level=None if least_level is None else _level(least_level),
        digest_hour=digest,
        at_once=at_once,
        one_a_day=one_a_day,
        weekly=weekly,
        weekly_day=None if weekly_day is None else _weekday(weekly_day),
        weekly_hour=weekly_hour,
        evening=evening,
        evening_hour=evening_hour,
        evening_quiet=evening_quiet,
        hand_over_to="" if hand_over_to == NOBODY else hand_over_to,
        after_h=after,
        units=units,
        zone=zone,
    )
    session = session_of(context)
    with session.app() as app:
        if wish != Wish():
            change(app.store, name, wish, session.now(), site)
        seen = _Seen.of(app, name, session.now())
    _print(seen, as_json=as_json)


def _kinds(texts: Sequence[str]) -> tuple[str, ...]:
    return () if [text.strip().lower() for text in texts] == [EVERY_KIND] else checked_kinds(texts)


def _level(text: str) -> Level:
    try:
        return Level[text.strip().upper()]
    except KeyError as error:
        raise InputError("least-level", f"{text!r} is not known; use one of {', '.join(LEVELS)}") from error


def _weekday(text: str) -> int:
    found = [
        n for n, day in enumerate(DAYS) if len(text.strip()) >= 2 and day.startswith(text.strip().lower())
    ]
    if len(found) != 1:
        raise InputError("weekly-day", f"{text!r} is no weekday; use one of {', '.join(DAYS)}")
    return found[0]


def show(context: typer.Context, name: Name, as_json: AsJson = False) -> None:
    """Show how somebody is told, where they stand, about which sites, and how many mails they got a week."""
    session = session_of(context)
    with session.app() as app:
        seen = _Seen.of(app, name, session.now())
    _print(seen, as_json=as_json)


def snooze(
    context: typer.Context,
    name: Name,
    site: SiteName,
    until: Annotated[
        str,
        typer.Option(
            "--until", metavar="DAY", help="First day with mails again, as 2026-07-20; `now` ends it."
        ),
    ],
) -> None:
    """Keep a site quiet for somebody until a day, the severest alerts apart; what waits lapses."""
    session = session_of(context)
    with session.app() as app:
        told, place = _subscription(app, name, site)
        end: dt.datetime | None = None
        if until.strip().lower() != "now":
            end = morning_of(parse_day(until, "until"), place.zone)
            if end is None:
                raise InputError("until", f"there is no {until} in {place.zone}; choose the next day")
        app.people.snooze(told, end, session.now())
    if end is None:
        say(f"{place.name} is no longer quiet.")
    else:
        say(f"{place.name} is quiet until {until}, severe alerts apart.")


def acknowledge(context: typer.Context, name: Name, site: SiteName) -> None:
    """Note that somebody has seen what is open at a site: no repeats, no handing over; raises still come."""
    session = session_of(context)
    with session.app() as app:
        told, place = _subscription(app, name, site)
        episodes: Sequence[Episode] = app.store.open_episodes([place.id])
        spoken = [one for one in episodes if one.alerts]
        for one in spoken:
            app.people.acknowledge(one.id, told.subscriber_id, session.now())
    if not spoken:
        say(f"Nothing is open at {place.name}.")
    for one in spoken:
        say(f"Seen: {one.kind} at {place.name}, level {one.level.name.lower()}.")


def _subscription(app: App, name: str, site_name: str) -> tuple[Subscription, Site]:
    reader, site = app.store.subscriber(name), app.store.site(site_name)
    for one in app.store.subscriptions(reader.id):
        if one.site_id == site.id:
            return one, site
    raise InputError("site", f"{reader.name} does not hear about {site.name}")


class _Seen:
    """What is shown about one subscriber."""

    def __init__(
        self,
        reader: Subscriber,
        wishes: Preferences,
        told: Sequence[tuple[Subscription, Site]],
        weeks: Sequence[WeekCount],
        waiting: int,
        other: str,
        why: str,
    ) -> None:
        self.reader, self.wishes, self.told = reader, wishes, told
        self.weeks, self.waiting, self.other, self.why = weeks, waiting, other, why

    @classmethod
    def of(cls, app: App, name: str, now: dt.datetime) -> _Seen:
        reader = app.store.subscriber(name)
        wishes = wishes_of(app.store, reader)
        heard = app.store.subscriptions(reader.id)
        sites = app.store.sites_by_id([one.site_id for one in heard])
        told = [(one, sites[one.site_id]) for one in heard if one.site_id in sites]
        people = {one.id: one.name for one in app.store.subscribers(active=None)}
        return cls(
            reader,
            wishes,
            sorted(told, key=lambda pair: pair[1].name.casefold()),
            app.store.week_counts(reader.id, now - dt.timedelta(weeks=WEEKS_BACK)),
            app.store.waiting_for_digest(reader.id),
            "" if wishes.hand_over_to is None else people.get(wishes.hand_over_to, "somebody removed"),
            standing_reason(app, reader),
        )


def _print(seen: _Seen, *, as_json: bool) -> None:
    if as_json:
        print_json(_document(seen))
        return
    reader, wishes = seen.reader, seen.wishes
    say(f"{reader.name} ({shown_address(reader)})", style="bold")
    facts(
        [
            ("Standing", standing_words(reader)),
            ("Because", seen.why),
            ("Told", _when(wishes, reader)),
            ("Kinds", ", ".join(wishes.kinds) or "all"),
            ("Least level", wishes.least_level.name.lower()),
            (
                "Quiet hours",
                f"before {reader.wake_hour}:00 and from {reader.rest_hour}:00 on the site's clock",
            ),
            ("Weekly brief", _weekly(wishes)),
            ("Evening brief", _evening(wishes)),
            (
                "Handed over",
                f"to {seen.other} after {wishes.hand_over_after_h} h" if seen.other else "to nobody",
            ),
            ("Units", reader.units),
            ("Clock", wishes.zone),
            ("Waiting", f"{seen.waiting} alerts for the next digest" if seen.waiting else ""),
        ]
    )
    heading("Sites")
    if seen.told:
        rows = [(site.name, *_here(one, wishes, site)) for one, site in seen.told]
        table(("Site", "Told", "Kinds", "Least", "Quiet until"), rows)
    else:
        say("  Hears about no site.")
    heading("Mails a week (ISO weeks, UTC)")
    if not seen.weeks:
        say(f"  None in the last {WEEKS_BACK} weeks.")
        return
    counts = [
        (f"{one.year}-W{one.week:02d}", str(one.mails), str(one.messages), str(one.briefs), str(one.alerts))
        for one in seen.weeks
    ]
    table(("Week", "Mails", "Alerts by themselves", "Digests and briefs", "Alerts in digests"), counts)


def _when(wishes: Preferences, reader: Subscriber) -> str:
    if reader.channel is Channel.WEBHOOK or wishes.digest_hour is None:
        return "at once" + (", at most one mail a site and day" if wishes.one_a_day else "")
    return f"in a digest at {wishes.digest_hour}:00"


def _weekly(wishes: Preferences) -> str:
    if wishes.weekly_hour is None:
        return "off"
    return f"{DAYS[wishes.weekly_day].capitalize()}s at {wishes.weekly_hour}:00"


def _evening(wishes: Preferences) -> str:
    if wishes.evening_hour is None:
        return "off"
    quiet = ", when tomorrow has a window or loses one" if wishes.evening_quiet else ""
    return f"{wishes.evening_hour}:00{quiet}"


def _here(one: Subscription, wishes: Preferences, site: Site) -> tuple[str, str, str, str]:
    hour = wishes.digest_at(site.id)
    quiet = one.snoozed_until
    return (
        "at once" if hour is None else f"digest {hour}:00",
        ", ".join(one.kinds) or "as above",
        wishes.least(site.id).name.lower(),
        "" if quiet is None else f"{quiet.astimezone(ZoneInfo(site.zone)):%Y-%m-%d}",
    )


def _document(seen: _Seen) -> Mapping[str, Any]:
    record = {key: value for key, value in plain(seen.reader).items() if key not in SECRET_FIELDS}
    sites = [
        {
            "site": site.name,
            "site_id": site.id,
            "kinds": one.kinds,
            "least_level": seen.wishes.least(site.id),
            "digest_hour": seen.wishes.digest_at(site.id),
            "snoozed_until": one.snoozed_until,
        }
        for one, site in seen.told
    ]
    weeks = [{**one._asdict(), "mails": one.mails} for one in seen.weeks]
    wishes = {
        key: value for key, value in plain(seen.wishes).items() if key not in {"sites", "subscriber_id"}
    }
    return {
        **record,
        "address": shown_address(seen.reader),
        "standing_reason": seen.why,
        "preferences": wishes,
        "sites": sites,
        "weeks": weeks,
        "waiting_for_digest": seen.waiting,
    }
