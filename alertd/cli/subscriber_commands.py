"""``alertd subscriber``: who is told."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Iterable, Mapping
from typing import Annotated, Any

import typer

from alertd.cli import preference_commands, reach_commands, standing_commands
from alertd.cli.exits import complain
from alertd.cli.printing import examples, plain, print_json, say, table
from alertd.cli.session import Session, session_of
from alertd.errors import InputError
from alertd.records.alert import AlertKind
from alertd.records.site import Channel, Subscriber, Subscription, UnitSystem
from alertd.service.people import Welcome
from alertd.service.preferences import begin
from alertd.service.subscribers import (
    SECRET_FIELDS,
    Added,
    checked_email,
    checked_kinds,
    checked_webhook,
    new_webhook_secret,
    shown_address,
)

KINDS = ", ".join(AlertKind)
WEEK = dt.timedelta(days=7)
AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for machines.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    mail = 'alertd subscriber add "Crew lead" --email crew@example.com --all-sites'
    subscriber = typer.Typer(
        no_args_is_help=True, help="Say who is told.", epilog=examples(mail, "alertd subscriber list")
    )
    subscriber.command(
        "add",
        short_help="Tell somebody about sites.",
        epilog=examples(
            mail,
            'alertd subscriber add Office --email office@example.com --site "Invented Court" --units metric',
            "alertd subscriber add Board --webhook https://hooks.example.com/in --all-sites",
        ),
    )(add)
    subscriber.command(
        "list",
        short_help="List who is told.",
        epilog=examples("alertd subscriber list", "alertd subscriber list --json"),
    )(list_all)
    subscriber.command(
        "remove", short_help="Stop telling somebody.", epilog=examples('alertd subscriber remove "Crew lead"')
    )(remove)
    preference_commands.register(subscriber)
    reach_commands.register(subscriber)
    standing_commands.register(subscriber)
    app.add_typer(subscriber, name="subscriber")


def add(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="What people call the subscriber.")],
    email: Annotated[str | None, typer.Option("--email", metavar="ADDRESS", help="Tell by mail.")] = None,
    webhook: Annotated[
        str | None,
        typer.Option("--webhook", metavar="URL", help="Tell a program, signed (Standard Webhooks)."),
    ] = None,
    site: Annotated[
        list[str] | None, typer.Option("--site", metavar="NAME", help="Site to hear about; may be repeated.")
    ] = None,
    all_sites: Annotated[bool, typer.Option("--all-sites", help="Every site there is now.")] = False,
    kind: Annotated[
        list[str] | None, typer.Option("--kind", metavar="KIND", help=f"Only these, else all: {KINDS}.")
    ] = None,
    units: Annotated[UnitSystem, typer.Option("--units", help="The reader's units.")] = UnitSystem.US,
    wake: Annotated[
        int, typer.Option("--wake", min=0, max=23, help="No message before this local hour.")
    ] = 6,
    rest: Annotated[
        int, typer.Option("--rest", min=1, max=24, help="No message from this local hour on.")
    ] = 20,
    as_json: AsJson = False,
) -> None:
    """Tell somebody about sites. The same name and address again adds sites to what they hear about.

    A webhook gets a secret to check our signatures with; it is shown this once.
    """
    session = session_of(context)
    if (email is None) == (webhook is None):
        raise InputError("email", "give one of --email and --webhook")
    if bool(site) == all_sites:
        raise InputError("site", "say which sites: --site NAME, as often as needed, or --all-sites")
    kinds = checked_kinds(kind or ())
    with session.app(create=True) as app:
        if webhook is not None:
            address, channel = checked_webhook(webhook, app.webhook.guard), Channel.WEBHOOK
            secret = new_webhook_secret(secrets.token_bytes)
        else:
            address, channel, secret = checked_email(str(email)), Channel.EMAIL, ""
        sites = app.store.sites(active=None) if all_sites else [app.store.site(one) for one in site or ()]
        wanted = Subscriber(
            id="", name=name, channel=channel, address=address, secret=secret, units=units, wake_hour=wake,
            rest_hour=rest,
        )  # fmt: skip
        added, welcome = app.people.add(wanted, sites, kinds, session.now())
        if added.new:
            begin(app.store, added.subscriber, session.now())
        vouched = channel is Channel.EMAIL and not app.people.confirms
    if as_json:
        shown = {"secret": added.subscriber.secret} if added.new and secret else {}
        names = [one.name for one in added.sites]
        asked = {"confirmation_queued": welcome.notice is not None, "confirmation_refused": welcome.refused}
        print_json({**_shown(welcome.subscriber), **shown, **asked, "new": added.new, "sites": names})
    else:
        _tell(added, kinds)
        _tell_welcome(welcome, vouched=vouched and added.new)
    _warn_without_mail(session, channel)


def _tell(added: Added, kinds: tuple[str, ...]) -> None:
    one = added.subscriber
    count = len(added.sites)
    about = f"{count} sites" if count != 1 else added.sites[0].name
    what = ", ".join(kinds) or "everything"
    begins = "hears" if added.new else "was known already and hears"
    say(f"{one.name} ({shown_address(one)}) {begins} about {about}: {what}.")
    if not added.new:
        return
    say(f"Messages go out from {one.wake_hour}:00 to {one.rest_hour}:00 on the site's clock.")
    if one.channel is Channel.EMAIL:
        say(
            "At most one mail a site and day, the rest in a digest; the week ahead on Thursday afternoons; "
            "tomorrow's windows at 17:00, if there are any. `alertd subscriber prefs` changes all of it."
        )
    if not count:
        say("There is no site yet. Sites added later are not included: name them with `site add --tell`.")
    if one.secret:
        say("Secret to check our signatures with, shown this once; give it to the receiver and keep it safe:")
        print(one.secret)


def _tell_welcome(welcome: Welcome, *, vouched: bool) -> None:
    """Say whether the address has to be confirmed first."""
    if welcome.notice is not None or welcome.refused:
        standing_commands.tell_welcome(welcome)
    elif vouched:
        say("web.base_url is not set, so nobody is asked to confirm: you vouch that they want these mails.")


def _warn_without_mail(session: Session, channel: Channel) -> None:
    smtp = session.settings.smtp
    if channel is Channel.EMAIL and (smtp.host is None or smtp.from_address is None):
        complain("note: mail is not set up yet; set smtp.host and smtp.from_address, then `alertd check`")


def _shown(one: Subscriber) -> Mapping[str, Any]:
    """Return a subscriber for machines, without the secret."""
    record = {key: value for key, value in plain(one).items() if key not in SECRET_FIELDS}
    return {**record, "has_secret": bool(one.secret)}


def _heard(told: Iterable[Subscription], names: Mapping[str, str]) -> list[Mapping[str, Any]]:
    return [{"site_id": one.site_id, "site": names.get(one.site_id, ""), "kinds": one.kinds} for one in told]


def list_all(context: typer.Context, as_json: AsJson = False) -> None:
    """List who is told, how, and about what; secrets are never shown."""
    with session_of(context).app() as app:
        people = app.store.subscribers(active=None)
        names = {one.id: one.name for one in app.store.sites(active=None)}
        heard = {one.id: app.store.subscriptions(one.id) for one in people}
        mails = app.store.mails_since(session_of(context).now() - WEEK)
    if as_json:
        print_json(
            [
                {
                    **_shown(one),
                    "mails_last_7_days": mails.get(one.id, 0),
                    "subscriptions": _heard(heard[one.id], names),
                }
                for one in people
            ]
        )
        return
    if not people:
        say("Nobody is told yet: alertd subscriber add --help")
        return
    rows = []
    for one in people:
        told = heard[one.id]
        where = (
            "all sites"
            if len(told) == len(names) > 1
            else ", ".join(names.get(sub.site_id, "?") for sub in told)
        )
        kinds = sorted({kind for sub in told for kind in sub.kinds})
        hours = f"{one.wake_hour}-{one.rest_hour} h"
        rows.append(
            (
                one.name,
                shown_address(one),
                standing_commands.standing_words(one),
                where or "nothing",
                ", ".join(kinds) or "all",
                hours,
                str(mails.get(one.id, 0)),
            )
        )
    columns = ("Who", "Where to", "Standing", "Sites", "Kinds", "Hours", "7 days")
    table(columns, rows, whole=("Hours", "7 days"))
    say("\n  7 days: messages that reached each one in that time, digests and briefs included.")


def remove(
    context: typer.Context,
    name: Annotated[str, typer.Argument(metavar="NAME", help="Name or id of the subscriber.")],
) -> None:
    """Stop telling somebody; messages on their way lapse, the history stays."""
    with session_of(context).app() as app:
        gone = app.store.remove_subscriber(name, now=session_of(context).now())
    say(f"{gone.name} is no longer told.")
