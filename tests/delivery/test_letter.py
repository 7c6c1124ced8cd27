"""Digests and briefs say the same in text and HTML, stay small, and let nothing be smuggled in."""

from __future__ import annotations

import datetime as dt
import email.policy
import html
import re
from dataclasses import replace
from email import message_from_bytes

import pytest

from alertd.delivery.email import SmtpSettings
from alertd.delivery.handed_over import handed_over
from alertd.delivery.letter import render_letter, write_letter
from alertd.delivery.message import Message, ReaderLinks, StopNotice
from alertd.delivery.render import SUBJECT_LENGTH_MAX, TEXT_COLUMNS, render
from alertd.records.assessment import Level
from alertd.records.brief import DigestEntry, Letter, SiteLine, WindowLine
from alertd.records.preferences import Brief, BriefKind
from alertd.records.site import UnitSystem
from alertd.service.letters import ENTRIES_MAX
from tests.delivery.evidence import STOP, every_alert, make_site, make_subscriber

AT = dt.datetime(2026, 7, 16, 19, tzinfo=dt.UTC)  # Thursday, 15:00 in New York
SITE = make_site()
READER = make_subscriber()
SMTP = SmtpSettings("localhost", 25, "alerts@example.com", from_name="Invented Plant Care")
LINE = SiteLine(
    "s1",
    "Maple Court",
    "America/New_York",
    known=True,
    level=Level.HIGH,
    spell_start_day=dt.date(2026, 7, 18),
    spell_end_day=dt.date(2026, 7, 22),
    spell_days=5,
    spell_chance=0.8,
    peak_temperature_c=36.0,
    pressure_name="Twospotted spider mite",
    pressure=24.0,
    pressure_ahead=50.0,
    dry_plants=("front hedge (burning bush)",),
    dry_on=dt.date(2026, 7, 17),
    windows=(
        WindowLine("Insecticidal soap", AT + dt.timedelta(hours=15), AT + dt.timedelta(hours=19), ("gusts",)),
    ),
    closed=(("Horticultural oil", ("too hot", "air temperature 31.0 degC")),),
    actions=("Look at the plants.", "Water deeply."),
    data_as_of=AT,
    attribution="Invented weather, CC BY 4.0",
)
UNKNOWN = SiteLine("s2", "Elm Yard", "America/Chicago", known=False)


def brief(kind: BriefKind) -> Brief:
    return Brief("b1", READER.id, kind, dt.date(2026, 7, 16), "America/New_York", 15, AT)


def letter(kind: BriefKind) -> Letter:
    if kind is not BriefKind.DIGEST:
        return Letter(brief(kind), READER, lines=(LINE, UNKNOWN))
    alerts = list(every_alert(SITE).values())
    return Letter(brief(kind), READER, tuple(DigestEntry(one, SITE, one is alerts[-1]) for one in alerts))


def words_of(text: str) -> set[str]:
    return set(re.findall(r"\w+", re.sub(r"https?://[^\s<>\"')]+", " ", text)))


def page_words(markup: str) -> set[str]:
    """Return the words that a reader sees; the title and the hidden preview are not among them."""
    hidden = r"<style.*?</style>|<title.*?</title>|<div style=\"display:none.*?</div>"
    body = re.sub(r"<[^>]+>", " ", re.sub(hidden, " ", markup, flags=re.DOTALL))
    return words_of(html.unescape(body))


EVERY_KIND = pytest.mark.parametrize("kind", list(BriefKind))


@EVERY_KIND
def test_text_and_html_say_the_same(kind: BriefKind) -> None:
    message = render_letter(letter(kind), STOP)
    text, page = words_of(message.text), page_words(message.html)
    assert page <= text
    assert text - page <= words_of(message.preview)


@EVERY_KIND
def test_a_mail_is_short_of_subject_has_no_remote_content_and_warns(kind: BriefKind) -> None:
    message = render_letter(letter(kind), STOP)
    assert 10 < len(message.subject) <= SUBJECT_LENGTH_MAX
    assert "src=" not in message.html
    assert "label, local law and licensed practice win" in " ".join(message.text.split())
    assert "safe" not in message.text.lower()
    assert all(len(line) <= TEXT_COLUMNS or "http" in line for line in message.text.splitlines())


def test_a_weekly_brief_says_where_when_and_what() -> None:
    text = " ".join(render_letter(letter(BriefKind.WEEKLY), STOP).text.split())
    for words in (
        "1. Maple Court: level high",
        "Sat Jul 18 to Wed Jul 22 (5 days), up to 97°F, chance about 80%",
        "24 of 100 now, 50 in the days ahead",
        "short of water from Fri Jul 17",
        "First window, Insecticidal soap: Fri Jul 17, 6 AM to 10 AM EDT, then gusts",
        "Horticultural oil: no window found this week (too hot; air temperature 88 °F",
        "Look at the plants. Water deeply.",
        "2. Elm Yard: not known",
        "That is not good news",
    ):
        assert words.replace("88 °F", "88") in text


def test_units_are_the_readers() -> None:
    metric = replace(letter(BriefKind.WEEKLY), reader=make_subscriber(UnitSystem.METRIC))
    text = " ".join(render_letter(metric, STOP).text.split())
    assert "up to 36°C" in text
    assert "Fri 17 Jul, 06:00 to 10:00 EDT" in text


def test_an_evening_without_weather_closes_every_hour() -> None:
    evening = replace(letter(BriefKind.EVENING), lines=(UNKNOWN,))
    message = render_letter(evening, STOP)
    assert message.preview == "No window was found for tomorrow. No weather for 1 of 1."
    assert "Take every hour as closed" in message.text


def test_an_evening_names_the_last_hours_of_today_beside_what_closes_tomorrow() -> None:
    still = WindowLine("Horticultural oil", AT + dt.timedelta(hours=2), AT + dt.timedelta(hours=5))
    evening = replace(letter(BriefKind.EVENING), lines=(replace(LINE, last_today=(still,)),))
    text = " ".join(render_letter(evening, STOP).text.split())
    assert "Horticultural oil: still open today, Thu Jul 16, 5 PM to 8 PM EDT; no window tomorrow" in text


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (BriefKind.DIGEST, "it ends all emails. https://alerts.example.com/stop/x"),
        (BriefKind.WEEKLY, "alerts still come. https://alerts.example.com/stop/x"),
        (BriefKind.EVENING, "alerts still come. https://alerts.example.com/stop/x"),
    ],
)
def test_the_stop_link_says_what_it_ends(kind: BriefKind, words: str) -> None:
    stop = StopNotice("alerts@example.com", "https://alerts.example.com/stop/x")
    text = " ".join(render_letter(letter(kind), stop).text.split())
    assert words.split("https")[0].strip() in text
    assert text.rstrip().endswith("https://alerts.example.com/stop/x")


def test_what_is_over_is_said_to_be_so() -> None:
    alerts = every_alert(SITE)
    entries = (DigestEntry(alerts["hot-dry"], SITE, over=True), DigestEntry(alerts["clear"], SITE, over=True))
    text = " ".join(render_letter(Letter(brief(BriefKind.DIGEST), READER, entries), STOP).text.split())
    assert text.count("Over: ") == 2
    assert text.count("This no longer holds") == 1
    assert "highest level" not in text


def test_nobody_of_many_sites_is_left_out_without_a_word() -> None:
    lines = tuple(replace(LINE, site_id=f"s{n}", name=f"Invented {n}") for n in range(300))
    text = " ".join(render_letter(Letter(brief(BriefKind.WEEKLY), READER, lines=lines), STOP).text.split())
    assert "the week ahead at 300 sites" not in text  # the subject says it
    assert "20. Invented 19: level high" in text
    assert "Invented 20 (level high), Invented 21 (level high)" in text
    assert "Invented 119 (level high) and 180 more." in text


@EVERY_KIND
def test_every_try_has_one_message_id_and_no_link_into_the_warnings(kind: BriefKind) -> None:
    links = ReaderLinks(mark="mark.b1")
    tries = (write_letter(letter(kind), SMTP, links, AT + n * dt.timedelta(hours=1)) for n in range(2))
    first, again = (message_from_bytes(one.content, policy=email.policy.default) for one in tries)
    assert first["Message-ID"] == again["Message-ID"] == "<b1@example.com>"
    assert first["Auto-Submitted"] == "auto-generated"
    assert first["List-Unsubscribe"] == f"<mailto:alerts@example.com?subject=stop%20{kind}>"
    assert first["X-Alertd-Return"] == "mark.b1"


@pytest.mark.parametrize("name", ["A\r\nBcc: victim@example.org", "<img src=x>{{7*7}}", "x" * 1_000_000])
def test_names_cannot_write_headers_markup_or_a_book(name: str) -> None:
    line = replace(LINE, name=name, dry_plants=(name,) * 50, gaps=(name,) * 3)
    lines = tuple(replace(line, site_id=f"s{n}") for n in range(500))
    weekly = Letter(brief(BriefKind.WEEKLY), replace(READER, name="Sam"), lines=lines)
    mail = write_letter(weekly, SMTP, ReaderLinks(), AT)
    assert message_from_bytes(mail.content, policy=email.policy.default)["Bcc"] is None
    raw = render_letter(weekly, STOP)
    assert "<img" not in raw.html
    assert "49" not in re.findall(r"\d+", raw.text)[:5]
    sites = [replace(SITE, id=f"s{n}", name="Invented " + "y" * 180) for n in range(ENTRIES_MAX)]
    alert = next(iter(every_alert(SITE).values()))
    digest = Letter(brief(BriefKind.DIGEST), READER, tuple(DigestEntry(alert, one) for one in sites))
    for one in (mail, write_letter(digest, SMTP, ReaderLinks(), AT)):
        assert len(one.content) < 100_000


def test_an_alert_handed_over_says_so_first() -> None:
    alert = next(iter(every_alert(SITE).values()))
    plain = render(alert, SITE, READER, STOP)
    marked = handed_over(plain, "Crew <b>Lead</b>\r\nBcc: x@example.org")
    assert isinstance(marked, Message)
    assert marked.subject.startswith("Handed over: ")
    assert len(marked.subject) <= SUBJECT_LENGTH_MAX
    assert marked.text.startswith("Handed over to you: Crew <b>Lead</b>")
    assert marked.text.endswith(plain.text)
    assert (
        marked.html.index("</h1>") < marked.html.index("Crew &lt;b&gt;Lead") < marked.html.index("</table>")
    )
