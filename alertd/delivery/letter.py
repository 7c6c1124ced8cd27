"""Digests and briefs in words and as mails: text and HTML from the same words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Sequence
from itertools import groupby
from types import TracebackType
from typing import Any
from zoneinfo import ZoneInfo

from alertd.delivery.email import EmailTransport, Envelope, Mail, SmtpSettings, write_email
from alertd.delivery.message import Message, ReaderLinks, StopNotice
from alertd.delivery.palette import DARK, LIGHT
from alertd.delivery.reading import Calendar, Quantities, chance_words, for_reader
from alertd.delivery.render import SUBJECT_LENGTH_MAX, environments, said, squeezed, tidy
from alertd.delivery.wording import LEVEL_NAMES, facts, one_line, with_licence
from alertd.records.alert import Change
from alertd.records.assessment import Level
from alertd.records.brief import DigestEntry, Letter, SiteLine
from alertd.records.preferences import BriefKind

LINES_MAX = 20
REST_MAX = 100
"""Sites told in full and sites only named: what keeps the mail of somebody with hundreds below 100 kB."""
PLANTS_MAX = 6
NAME_SHOWN_MAX = 60
GAP_SHOWN_MAX = 120
WINDOWS_MAX = 6
REASONS_MAX = 3
WHY = {
    BriefKind.DIGEST: "It merges what would have been several mails.",
    BriefKind.WEEKLY: "It comes once a week.",
    BriefKind.EVENING: "It comes on the evening before: every day, or when there is something to say.",
}


def render_letter(letter: Letter, stop: StopNotice) -> Message:
    """Return the message; the same letter always reads the same."""
    names = _names(letter, stop)
    kind = letter.brief.kind
    plain, html = environments()
    names["shape"] = "email/shape.txt.j2"
    words = plain.get_template(f"email/{kind}.words.j2").make_module(names)
    names["subject"] = _capital(said(words, "subject"))[:SUBJECT_LENGTH_MAX]
    names["headline"] = said(words, "headline")
    names["preview"] = said(words, "preview")
    text = plain.get_template(f"email/{kind}.txt.j2").render(names)
    names["shape"] = "email/shape.html.j2"
    markup = html.get_template(f"email/{kind}.html.j2").render(names)
    return Message(names["subject"], names["preview"], tidy(text), squeezed(markup))


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _names(letter: Letter, stop: StopNotice) -> dict[str, Any]:
    brief, reader = letter.brief, letter.reader
    here = Calendar(ZoneInfo(brief.zone), reader.units)
    found: dict[str, Any] = {
        "q": Quantities(reader.units),
        "light": LIGHT,
        "dark": DARK,
        "stop": stop,
        "place_name": str(brief.kind),
        "reader_name": one_line(reader.name)[:NAME_SHOWN_MAX],
        "why": WHY[brief.kind],
        "day": here.day(brief.local_day),
        "tomorrow": here.day(brief.local_day + dt.timedelta(days=1)),
        "level_word": "",
        "level_style": "none",
        "handed_over": "",
        "also": [],
    }
    return found | (
        _digest_names(letter, stop, here) if brief.kind is BriefKind.DIGEST else _line_names(letter, here)
    )


def _digest_names(letter: Letter, stop: StopNotice, here: Calendar) -> dict[str, Any]:
    groups = []
    for _, members in groupby(letter.entries, key=lambda one: one.site.id):
        entries = list(members)
        shown = [_entry(one, letter, stop) for one in entries]
        groups.append({"name": one_line(entries[0].site.name)[:NAME_SHOWN_MAX], "entries": shown})
    levels = [one.alert.level for one in letter.entries if not one.over]
    as_of = [at for one in letter.entries if (at := one.alert.evidence["data_as_of"])]
    return {
        "groups": groups,
        "loosened": _looser_here(letter, stop),
        "highest": LEVEL_NAMES[max(levels, default=Level.NONE)],
        "oldest": here.moment(min(as_of)) if as_of else "",
        "credits": _credits([one.alert.evidence["attribution"] for one in letter.entries]),
    }


def _entry(one: DigestEntry, letter: Letter, stop: StopNotice) -> dict[str, Any]:
    """Return an alert as one entry, in the words its own message would have had."""
    names = facts(one.alert, one.site, letter.reader, stop)
    plain, _html = environments()
    names["shape"] = "email/shape.txt.j2"
    words = plain.get_template(f"email/{one.alert.kind.value}.words.j2").make_module(names)
    return {
        # The site stands above its entries already.
        "headline": said(words, "headline").removeprefix(f"{names['place_name']}: "),
        "preview": said(words, "preview"),
        "name": names["place_name"][:NAME_SHOWN_MAX],
        "level": LEVEL_NAMES[one.alert.level],
        "over": one.over,
        "is_end": one.alert.change is Change.CLOSED,
        "also": names["also"],
        "at": names["t"].moment(one.alert.made_at),
    }


def _looser_here(letter: Letter, stop: StopNotice) -> list[dict[str, Any]]:
    """Return the looser limits behind the alerts of a digest, each once a site."""
    found: dict[tuple[str, str], dict[str, Any]] = {}
    for one in letter.entries:
        names = facts(one.alert, one.site, letter.reader, stop)
        place = names["place_name"][:NAME_SHOWN_MAX]
        for limit in names["loosened"]:
            where = f"{place}, {', '.join(limit['names'])}"
            found.setdefault((one.site.id, limit["text"]), {"text": limit["text"], "names": [where]})
    return list(found.values())


def _line_names(letter: Letter, here: Calendar) -> dict[str, Any]:
    lines = [_line(one, letter) for one in letter.lines[:LINES_MAX]]
    rest = letter.lines[LINES_MAX:]
    as_of = [one.data_as_of for one in letter.lines if one.data_as_of is not None]
    return {
        "lines": lines,
        "loosened": [limit for one in lines for limit in one["loosened"]],
        "rest": [_rest(one, letter) for one in rest[:REST_MAX]],
        "rest_more": max(len(rest) - REST_MAX, 0),
        "sites": len(letter.lines),
        "sites_open": sum(1 for one in letter.lines if one.windows),
        "sites_unknown": sum(1 for one in letter.lines if not one.known),
        "pressing": [one for one in lines if one["known"] and one["pressing"]],
        "opening": [one for one in lines if one["windows"]],
        "oldest": here.moment(min(as_of)) if as_of else "",
        "credits": _credits([one.attribution for one in letter.lines]),
    }


def _rest(one: SiteLine, letter: Letter) -> str:
    """Return a site that is only named, with the one thing to know of it."""
    if not one.known:
        said = "not known"
    elif letter.brief.kind is BriefKind.WEEKLY:
        said = f"level {LEVEL_NAMES[one.level]}"
    elif one.windows:
        calendar = Calendar(ZoneInfo(one.zone), letter.reader.units)
        said = f"a window from {calendar.clock(one.windows[0].start_at)}"
    else:
        said = "no window"
    return f"{one_line(one.name)[:NAME_SHOWN_MAX]} ({said})"


def _line(one: SiteLine, letter: Letter) -> dict[str, Any]:
    quantities = Quantities(letter.reader.units)
    calendar = Calendar(ZoneInfo(one.zone), letter.reader.units)

    def told(text: str) -> str:
        return for_reader(one_line(text), quantities, calendar)

    return {
        "name": one_line(one.name)[:NAME_SHOWN_MAX],
        "known": one.known,
        "level": LEVEL_NAMES[one.level],
        "pressing": one.level > Level.NONE,
        "spell": _spell(one, quantities, calendar),
        "pressure_name": one.pressure_name,
        "pressure": one.pressure,
        "pressure_ahead": one.pressure_ahead,
        "dry_plants": [one_line(name)[:NAME_SHOWN_MAX] for name in one.dry_plants[:PLANTS_MAX]],
        "dry_on": "" if one.dry_on is None else calendar.day(one.dry_on),
        "windows": [
            {
                "material": window.material,
                "when": calendar.window(window.start_at, window.end_at),
                "closed_by": [told(text) for text in window.closed_by[:REASONS_MAX]],
                "cautions": [told(text) for text in window.cautions[:REASONS_MAX]],
                "chance": chance_words(window.chance),
            }
            for window in one.windows[:WINDOWS_MAX]
        ],
        "closed": [
            {
                "name": name,
                "reasons": [told(text) for text in reasons[:REASONS_MAX]],
                "still": [
                    calendar.window(window.start_at, window.end_at)
                    for window in one.last_today
                    if window.material == name
                ],
            }
            for name, reasons in one.closed[:WINDOWS_MAX]
        ],
        "actions": one.actions,
        "gaps": [one_line(gap)[:GAP_SHOWN_MAX] for gap in one.gaps],
        "loosened": [
            {"text": told(text), "names": [f"{one_line(one.name)[:NAME_SHOWN_MAX]}, {', '.join(names)}"]}
            for text, names in one.loosened
        ],
    }


def _spell(one: SiteLine, quantities: Quantities, calendar: Calendar) -> str:
    if one.spell_start_day is None or one.spell_end_day is None:
        return ""
    words = (
        f"{calendar.day(one.spell_start_day)} to {calendar.day(one.spell_end_day)} "
        f"({one.spell_days} days), up to {quantities.temperature(one.peak_temperature_c)}"
    )
    chance = chance_words(one.spell_chance)
    return f"{words}, chance {chance}" if chance else words


def _credits(attributions: Sequence[str]) -> list[str]:
    return [with_licence(one_line(one)) for one in dict.fromkeys(attributions) if one]


def write_letter(letter: Letter, settings: SmtpSettings, links: ReaderLinks, now: dt.datetime) -> Mail:
    """Return the mail; the same brief always has the same Message-ID. Raises DeliveryRejected."""
    stop = StopNotice(settings.reply_address, links.stop)
    envelope = Envelope(
        outbox_id=letter.brief.id,
        to_address=letter.reader.address,
        to_name=one_line(letter.reader.name)[:NAME_SHOWN_MAX],
        episode_id=f"{letter.brief.kind}-{letter.reader.id}",
        site_id=str(letter.brief.kind),
    )
    return write_email(render_letter(letter, stop), envelope, settings, stop, now, mark=links.mark)


class LetterChannel:
    """Mails digests and briefs; one connection serves all that are sent inside its ``with`` block."""

    def __init__(self, settings: SmtpSettings, links: Callable[[Letter], ReaderLinks]) -> None:
        self._settings = settings
        self._links = links
        self._transport = EmailTransport(settings)

    def __enter__(self) -> LetterChannel:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._transport.close()

    def send(self, letter: Letter, now: dt.datetime) -> str:
        """Hand one over. Raises DeliveryDeferred or DeliveryRejected."""
        return self._transport.send(write_letter(letter, self._settings, self._links(letter), now))
