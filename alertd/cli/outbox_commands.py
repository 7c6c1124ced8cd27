"""``alertd outbox``: messages on their way, and those that were given up."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from typing import Annotated, Any

import typer

from alertd.cli.exits import FINDINGS, OK, WRONG_INPUT, complain
from alertd.cli.printing import examples, facts, heading, paragraph, plain, print_json, say, table
from alertd.cli.session import session_of
from alertd.errors import InputError
from alertd.records.alert import MessageState
from alertd.records.keeping import OutboxLine
from alertd.service.dead_letters import DeadLetterStore, Handled, all_dead, discard, requeue
from alertd.service.sites import choice
from alertd.service.subscribers import shown_address

ANY_STATE = "all"
REASON_SHOWN_MAX = 200
WORDS = {
    MessageState.PENDING: "waits",
    MessageState.LEASED: "under way",
    MessageState.SENT: "handed over",
    MessageState.EXPIRED: "lapsed",
    MessageState.DEAD: "given up",
}
Ids = Annotated[list[str] | None, typer.Argument(metavar="ID", help="Ids of messages: `alertd outbox list`.")]
AllDead = Annotated[bool, typer.Option("--all-dead", help="Every message that was given up.")]
Yes = Annotated[bool, typer.Option("--yes", help="Yes, all of them; goes with --all-dead.")]
AsJson = Annotated[bool, typer.Option("--json", help="As JSON, for machines.")]


def register(app: typer.Typer) -> None:
    """Add the commands of this module."""
    again = "alertd outbox requeue 5f0c3a9be2714d88a6c1"
    outbox = typer.Typer(
        no_args_is_help=True,
        help="See what was not delivered, and send it again.",
        epilog=examples("alertd outbox list", again, "alertd outbox requeue --all-dead --yes"),
    )
    outbox.command(
        "list",
        short_help="List messages that were given up, or others.",
        epilog=examples(
            "alertd outbox list", "alertd outbox list --state pending", "alertd outbox list --json"
        ),
    )(list_messages)
    outbox.command(
        "show",
        short_help="Show one message and every try to deliver it.",
        epilog=examples("alertd outbox show 5f0c3a9be2714d88a6c1"),
    )(show)
    outbox.command(
        "requeue",
        short_help="Send messages again that were given up.",
        epilog=examples(again, "alertd outbox requeue --all-dead --yes"),
    )(requeue_messages)
    outbox.command(
        "discard",
        short_help="Close messages that were given up, unsent.",
        epilog=examples(
            "alertd outbox discard 5f0c3a9be2714d88a6c1", "alertd outbox discard --all-dead --yes"
        ),
    )(discard_messages)
    app.add_typer(outbox, name="outbox")


def list_messages(
    context: typer.Context,
    state: Annotated[
        str,
        typer.Option("--state", metavar="STATE", help=f"One of {', '.join(MessageState)}, or {ANY_STATE}."),
    ] = MessageState.DEAD.value,
    limit: Annotated[int, typer.Option("--limit", min=0, help="Newest so many; 0 for all.")] = 50,
    as_json: AsJson = False,
) -> None:
    """List messages, those that changed last first; without options those that were given up."""
    wanted = None if state.strip().lower() == ANY_STATE else choice(MessageState, state, "state")
    with session_of(context).app() as app:
        lines = app.store.outbox_lines(wanted, limit=limit or None)
        counts = app.store.outbox_counts()
    if as_json:
        print_json([_document(line) for line in lines])
        return
    for line in lines:
        _print(line)
    if not lines:
        say("No message was given up." if wanted is MessageState.DEAD else "No such message.")
    told = ", ".join(f"{count} {WORDS[one]}" for one, count in counts.items() if count)
    say(f"{chr(10) if lines else ''}In all: {told or 'none yet'}.")
    if wanted is MessageState.DEAD and lines:
        say("With the cause gone, send one again: `alertd outbox requeue ID`; or close it: `discard ID`.")


def _print(line: OutboxLine) -> None:
    tries = f"{line.message.attempts} {'try' if line.message.attempts == 1 else 'tries'}"
    say(f"{line.message.id}  {_state(line)} {_since(line)}, {tries}")
    paragraph(f"{line.kind} at {line.site}, for {line.subscriber.name}")
    if line.message.last_error:
        paragraph(_shortened(line.message.last_error))


def _state(line: OutboxLine) -> str:
    return "waits for a digest" if line.waits_for_digest else WORDS[line.message.state]


def _since(line: OutboxLine) -> str:
    word = "since" if line.message.state in (MessageState.PENDING, MessageState.LEASED) else "on"
    return f"{word} {_utc(line.since)} UTC"


def _shortened(text: str) -> str:
    flat = " ".join(text.split())
    return flat if len(flat) <= REASON_SHOWN_MAX else f"{flat[: REASON_SHOWN_MAX - 1].rstrip()}…"


def _utc(at: dt.datetime) -> str:
    return f"{at.astimezone(dt.UTC):%Y-%m-%d %H:%M}"


def _document(line: OutboxLine) -> dict[str, Any]:
    return {
        **plain(line.message),
        "since": plain(line.since),
        "kind": line.kind,
        "site": line.site,
        "subscriber": line.subscriber.name,
        "address": shown_address(line.subscriber),
        "alert_made_at": plain(line.made_at),
        "waits_for_digest": line.waits_for_digest,
    }


def show(
    context: typer.Context,
    message_id: Annotated[str, typer.Argument(metavar="ID", help="Id of the message.")],
    as_json: AsJson = False,
) -> None:
    """Show one message and every try to deliver it."""
    with session_of(context).app() as app:
        line = app.store.outbox_line(message_id)
        tries = app.store.deliveries(line.message.id)
    if as_json:
        print_json({**_document(line), "deliveries": tries})
        return
    message = line.message
    heading(f"{line.kind} at {line.site}, for {line.subscriber.name}")
    ends = "" if message.expires_at is None else _utc(message.expires_at)
    facts([
        ("Id", message.id),
        ("State", f"{_state(line)} {_since(line)}"),
        ("To", f"{shown_address(line.subscriber)} ({message.channel}), {line.subscriber.standing}"),
        ("Alert", f"{message.alert_id}, made {_utc(line.made_at)} UTC"),
        ("Due", f"{_utc(message.due_at)} UTC" if message.state is MessageState.PENDING else ""),
        ("Worth sending until", f"{ends} UTC" if ends else "any time"),
        ("Handed over from", message.handed_over_from),
        ("Last trouble", message.last_error),
    ])  # fmt: skip
    heading("Tries")
    if tries:
        rows = [(str(one.attempt), f"{_utc(one.at)}", one.outcome, one.detail) for one in tries]
        table(("No", "When, UTC", "Outcome", "What was said"), rows, whole=("No", "When, UTC"))
    else:
        say("  None yet.")


def requeue_messages(
    context: typer.Context, ids: Ids = None, all_dead: AllDead = False, yes: Yes = False
) -> int:
    """Send messages again that were given up, with their tries counted anew; the id stays the same.

    What is about a time that has passed, or is for somebody who left, is refused and told.
    """
    done = "queued again; `alertd run` or `alertd cycle` sends what is queued"
    return _handle(context, requeue, ids, everything=all_dead, yes=yes, done=done)


def discard_messages(
    context: typer.Context, ids: Ids = None, all_dead: AllDead = False, yes: Yes = False
) -> int:
    """Close messages that were given up: nobody is told of them any more; the history keeps the reason."""
    return _handle(context, discard, ids, everything=all_dead, yes=yes, done="closed")


def _handle(
    context: typer.Context,
    act: Callable[[DeadLetterStore, Sequence[str], dt.datetime], Handled],
    ids: Sequence[str] | None,
    *,
    everything: bool,
    yes: bool,
    done: str,
) -> int:
    if bool(ids) == everything:
        raise InputError("id", "name messages by their ids, or give --all-dead")
    session = session_of(context)
    with session.app() as app:
        chosen = all_dead(app.store) if everything else list(ids or ())
        if everything and chosen and not yes:
            raise InputError("yes", f"{len(chosen)} given up; add --yes to take all of them")
        handled = act(app.store, chosen, session.now())
    for reason in handled.refused:
        complain(reason)
    count = len(handled.done)
    say(f"{count} {'message' if count == 1 else 'messages'} {done}." if count else "Nothing was changed.")
    if not handled.refused:
        return OK
    return FINDINGS if everything else WRONG_INPUT
