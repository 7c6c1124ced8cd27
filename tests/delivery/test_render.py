"""A reader finds everything that matters, in text and in HTML alike, and nothing that was smuggled in."""

from __future__ import annotations

import copy
import datetime as dt
import html.parser
import re
import textwrap
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alertd.catalog.species import load_species
from alertd.delivery.message import Message, StopNotice
from alertd.delivery.render import SUBJECT_LENGTH_MAX, TEXT_COLUMNS, render
from alertd.records.alert import Alert, AlertKind, Change
from alertd.records.assessment import Level
from alertd.records.evidence import AlertEvidence
from alertd.records.site import Site, UnitSystem
from tests.delivery.evidence import (
    MADE_AT,
    STOP,
    every_alert,
    make_alert,
    make_all_clear,
    make_hot_dry,
    make_milestone,
    make_missing,
    make_short,
    make_site,
    make_spray,
    make_subscriber,
)

SITE = make_site()
ALERTS = every_alert(SITE)
BOTH_UNITS = pytest.mark.parametrize("units", [UnitSystem.US, UnitSystem.METRIC], ids=["us", "metric"])
ABOUT_THE_WHOLE_SITE = {
    AlertKind.HOT_DRY,
    AlertKind.SPRAY_WINDOW,
    AlertKind.WEATHER_MISSING,
    AlertKind.ALL_CLEAR,
}
EVERY_ALERT = pytest.mark.parametrize("name", sorted(ALERTS))


class Page(html.parser.HTMLParser):
    """Collects what a page shows and how it is built."""

    def __init__(self, markup: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._hidden = 0
        self.feed(markup)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in {"style", "title"}:
            self._hidden += 1

    def handle_endtag(self, tag: str) -> None:
        if tag in {"style", "title"}:
            self._hidden -= 1

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.words.append(data)

    @property
    def shown(self) -> str:
        return " ".join("".join(self.words).split())

    def named(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]


def rendered(alert: Alert, units: UnitSystem = UnitSystem.US, site: Site = SITE) -> Message:
    return render(alert, site, make_subscriber(units), STOP)


def flat(text: str) -> str:
    return " ".join(text.split())


def plain_sentences(text: str) -> list[str]:
    """Return what the text part says, without underlines, bullets and step numbers."""
    found = []
    for block in re.split(r"\n\s*\n|\n(?=\s*- )|\n(?=\d\. )|\n(?=  \S)", text):
        lines = [line for line in block.splitlines() if not re.fullmatch(r"[-=]+", line.strip())]
        for part in re.split(r"\n(?=Level: )", "\n".join(lines)):
            bare = re.sub(r"^\s*(- |\d\. )", "", part)
            if bare.strip():
                found.append(flat(bare))
    return found


@EVERY_ALERT
@BOTH_UNITS
def test_whatever_the_text_says_the_html_says_too(name: str, units: UnitSystem) -> None:
    message = rendered(ALERTS[name], units)
    shown = Page(message.html).shown
    for sentence in plain_sentences(message.text):
        for line in [sentence] if sentence in shown else textwrap.wrap(sentence, 200):
            assert line in shown


@EVERY_ALERT
@BOTH_UNITS
def test_whatever_the_html_says_the_text_says_too(name: str, units: UnitSystem) -> None:
    message = rendered(ALERTS[name], units)
    text = flat(message.text)
    numbers = re.findall(r"\d[\d.:]*\d|\d", Page(message.html).shown)
    assert len(numbers) > 5
    assert set(numbers) <= set(re.findall(r"\d[\d.:]*\d|\d", text))
    for word in set(re.findall(r"[A-Za-z]{3,}", Page(message.html).shown)):
        assert word in message.text


@EVERY_ALERT
@BOTH_UNITS
def test_every_message_is_fit_to_send(name: str, units: UnitSystem) -> None:
    message = rendered(ALERTS[name], units)
    assert message.subject.startswith("Maple Court: ")
    assert len(message.subject) <= SUBJECT_LENGTH_MAX
    assert 20 < len(message.preview) <= 140
    assert message.preview in Page(message.html).shown
    assert message.preview in flat(message.text)
    assert len(message.html.encode()) < 100_000
    assert message.text.isprintable() is False
    assert all(len(line) <= TEXT_COLUMNS or "http" in line for line in message.text.splitlines())
    assert "\n\n\n" not in message.text
    assert not re.search(r"\{\{|\{%|\bNone\b|Undefined|\bnan\b|<[a-z]+[ >]", message.text)
    sentences = re.sub(r"^  alertd explain \S+ --at \S+$", "", message.text, flags=re.MULTILINE)
    assert not re.search(r"\d{4}-\d{2}-\d{2}|T\d{2}:\d{2}|degC|m/s", sentences)
    assert not re.search(r"\bsafe\b", message.text, re.IGNORECASE)
    assert not re.search(r"[a-z]\.[A-Z]", message.text.replace("Open-Meteo.com", ""))


@EVERY_ALERT
def test_the_html_is_built_for_every_reader(name: str) -> None:
    message = rendered(ALERTS[name])
    page = Page(message.html)
    assert page.named("html")[0]["lang"] == "en"
    assert len(page.named("h1")) == 1
    assert all(table["role"] == "presentation" for table in page.named("table"))
    assert {"name": "color-scheme", "content": "light dark"} in page.named("meta")
    assert "prefers-color-scheme: dark" in message.html
    for image in page.named("img"):
        assert image["src"] == "cid:chart"
        assert image["alt"] == message.chart_alt
        assert len(message.chart_alt) > 40


@EVERY_ALERT
def test_nothing_is_loaded_from_elsewhere(name: str) -> None:
    markup = rendered(ALERTS[name]).html
    page = Page(markup)
    assert not {tag for tag, _ in page.tags} & {"script", "link", "iframe", "object", "form", "video", "svg"}
    assert "url(" not in markup
    assert "@import" not in markup
    for _, attrs in page.tags:
        assert not {name for name in attrs if name.startswith("on")}
        assert (attrs.get("src") or "cid:").startswith("cid:")
        assert (attrs.get("href") or "mailto:").startswith(("mailto:", "https://"))


@EVERY_ALERT
def test_every_message_says_where_from_when_and_how_to_stop(name: str) -> None:
    text = flat(rendered(ALERTS[name]).text)
    assert "Forecast as of " in text
    assert "America/New_York" in text
    assert "https://creativecommons.org/licenses/by/4.0/" in text
    assert "To stop these emails" in text
    assert 'write to alerts@example.com with "stop Maple Court"' in text
    if ALERTS[name].kind in ABOUT_THE_WHOLE_SITE:
        assert "front hedge (burning bush, 40 plants); entrance (dwarf Alberta spruce, 12 plants)" in text
    else:
        assert "front hedge (burning bush)" in text


@pytest.mark.parametrize(
    "name",
    [
        "hot-dry",
        "hot-dry-coming",
        "spray-open",
        "spray-none",
        "pressure",
        "scouting",
        "short",
        "milestone",
        "missing",
        "clear",
    ],
)
def test_the_usual_cautions_stand_wherever_spraying_is_spoken_of(name: str) -> None:
    text = flat(rendered(ALERTS[name]).text)
    for caution in (
        "Read and follow the label",
        "local law and licensed practice win",
        "protective equipment",
        "licensed applicator where one is required",
        "bees",
        "forecasts can be wrong",
    ):
        assert caution in text


@pytest.mark.parametrize(
    ("units", "facts"),
    [
        (
            UnitSystem.US,
            [
                "hot dry spell since Fri Jul 11, to Sun Jul 20",
                "10 hot dry days, 5 behind and 5 to come",
                "up to 98°F, with 0.04 in of rain",
                "Insecticidal soap: Tue Jul 22, 6 AM to 10 AM EDT (4 h, then wind above the limit)",
                "Horticultural oil, in leaf: no window before Tue Jul 22, 6 AM EDT",
                "no rain above 0.20 in for 12 days",
                "Fri Jul 18: 77 to 98°F, no rain",
                "Mon Jul 21: 63 to 84°F, 0.45 in of rain",
                "1179 degree-days F",
                "Forecast as of Wed Jul 16, 5 AM EDT, fetched Wed Jul 16, 5:40 AM EDT",
            ],
        ),
        (
            UnitSystem.METRIC,
            [
                "hot dry spell since Fri 11 Jul, to Sun 20 Jul",
                "up to 37°C, with 1.0 mm of rain",
                "Insecticidal soap: Tue 22 Jul, 06:00 to 10:00 EDT (4 h, then wind above the limit)",
                "no rain above 5.0 mm for 12 days",
                "Fri 18 Jul: 25 to 37°C, no rain",
                "Mon 21 Jul: 17 to 29°C, 11 mm of rain",
                "655 degree-days C",
                "Forecast as of Wed 16 Jul, 05:00 EDT, fetched Wed 16 Jul, 05:40 EDT",
            ],
        ),
    ],
)
def test_a_hot_dry_warning_tells_what_a_landscaper_needs(units: UnitSystem, facts: list[str]) -> None:
    message = rendered(ALERTS["hot-dry"], units)
    always = [
        "Level: high",
        "the middle one of three",
        "10 taps in different spots",
        "treating from 5 mites per tap on",
        "Why: too hot; plants short of water",
        "watch out: bees are flying",
        "mite pressure 72 of 100 now, 86 in the days ahead",
        "Points come from heat 40, dryness 32.",
        "double in about 2.9 days",
        "front hedge (burning bush): water it deeply, it is short of water (no rain above",
        "entrance (dwarf Alberta spruce): feel the soil and water if it is dry",
        "What would change this",
        "2. Water.",
        "3. Wash.",
        "(Common practice.)",
    ]
    text = flat(message.text)
    for fact in [*facts, *always]:
        assert fact in text


def test_the_first_screen_says_what_and_what_first() -> None:
    message = rendered(ALERTS["hot-dry"])
    assert message.subject == "Maple Court: hot, dry to Sun Jul 20 (high)"
    assert message.preview.startswith("Tap branches for spider mites first, then water, then wash.")
    text = message.text
    assert text.index("What to do first") < text.index("When a treatment") < text.index("Why you get this")


def test_a_coming_spell_says_when_it_begins_and_that_its_end_is_open() -> None:
    message = rendered(ALERTS["hot-dry-coming"])
    assert message.subject == "Maple Court: hot, dry from Fri Jul 18 (watch)"
    assert "a hot dry spell is coming, Fri Jul 18 to at least Wed Jul 23" in flat(message.text)
    assert "is to have a run of 6 hot dry days, beginning in 2 days" in flat(message.text)


def test_a_follow_up_says_first_what_is_new() -> None:
    text = rendered(ALERTS["hot-dry-raised"]).text
    assert "- The level went up from watch to high.\n- It lasts 2 days longer.\n" in text
    assert text.index("New since the last message") < text.index("What to do first")
    assert "New since the last message" not in rendered(ALERTS["hot-dry"]).text


def test_a_spray_window_names_the_first_window_and_its_material() -> None:
    message = rendered(ALERTS["spray-open"])
    assert message.subject == "Maple Court: spray window Tue Jul 22, 6-10 AM"
    assert "Tue Jul 22, 6 AM to 10 AM EDT, for Insecticidal soap" in flat(message.text)
    assert "no block found" in message.preview


def test_no_window_says_until_when_why_and_what_to_do_instead() -> None:
    message = rendered(ALERTS["spray-none"])
    text = flat(message.text)
    assert message.subject == "Maple Court: no spray window ahead"
    assert "to Thu Jul 24, 12 AM EDT, is closed" in text
    assert "Why: too hot; sun too strong." in text
    assert "Wash instead." in text


def test_while_all_is_blocked_the_message_says_what_can_be_done_instead() -> None:
    text = flat(rendered(ALERTS["spray-none-instead"]).text)
    assert "Until a window opens" in text
    assert "- Prune out. Bag the worst shoots on the spot. (Common practice.)" in text
    assert text.index("Windows and why") < text.index("Until a window opens") < text.index("Day by day")


@pytest.mark.parametrize("name", ["spray-open", "spray-none", "spray-none-instead"])
def test_bloom_is_unknown_so_every_spray_notice_asks_to_look_for_bees(name: str) -> None:
    assert "Check for bloom and bees. alertd does not know what is in flower." in flat(
        rendered(ALERTS[name]).text
    )


def test_what_is_told_along_stands_near_the_end_in_the_readers_units_and_once() -> None:
    text = flat(rendered(ALERTS["hot-dry-also"], UnitSystem.METRIC).text)
    assert "Spray window: Tue 22 Jul, 06:00 EDT to Tue 22 Jul, 10:00 EDT, Insecticidal soap." in text
    assert text.index("Day by day") < text.index("Also at this site") < text.index("Cautions")
    assert "No message of its own follows for these." in text
    assert "Also at this site" not in rendered(ALERTS["hot-dry"]).text


def test_rising_mite_pressure_names_species_level_and_that_only_a_count_tells() -> None:
    message = rendered(ALERTS["pressure"])
    text = flat(message.text)
    assert message.subject == "Maple Court: mite pressure high, 72 of 100"
    assert "mite pressure high, 72 of 100 (Twospotted spider mite)" in text
    assert "Level: high" in text
    assert "Only a tap count tells that." in text
    assert "10 taps in different spots" in text


def test_scouting_due_says_why_where_and_how_and_admits_that_it_knows_no_visits() -> None:
    message = rendered(ALERTS["scouting"])
    text = flat(message.text)
    assert message.subject == "Maple Court: time to look for spider mites"
    assert "the first look of the season: 364 degree-days F since Wed Jan 1" in text
    assert "plants hit before, hot edges by paving. On front hedge (burning bush)." in text
    assert "no record of your visits" in text


def test_short_of_water_says_how_much_and_minds_the_root_ball_of_a_new_plant() -> None:
    text = flat(rendered(ALERTS["short"]).text)
    assert "about 1.9 in over the root zone fill it up again" in text
    assert "short from Fri Jul 18 at this pace" in text
    assert "1 to 1.5 gallons for each inch of trunk thickness" in text
    assert "4 to 6 liters" in flat(rendered(ALERTS["short"], UnitSystem.METRIC).text)


def test_plants_that_only_will_be_short_are_called_so() -> None:
    evidence = make_short(SITE)
    evidence["short"] = evidence["short"][:1]
    message = rendered(make_alert(AlertKind.WATER_SHORT, evidence, Level.WATCH))
    assert message.subject == "Maple Court: plants soon short of water"


@pytest.mark.parametrize(
    ("milestone", "subject"),
    [
        ("wake", "overwintered mites wake"),
        ("hatch", "mite eggs begin to hatch"),
        ("hatch-half", "half the mite eggs have hatched"),
        ("adults", "new adult mites expected"),
        ("generation-3", "a new mite generation"),
    ],
)
def test_a_milestone_says_in_the_subject_which(milestone: str, subject: str) -> None:
    message = rendered(make_alert(AlertKind.MILESTONE, make_milestone(SITE, milestone), Level.NOTE))
    assert message.subject == f"Maple Court: {subject}"
    assert "50 degree-days F since Wed Jan 1" in flat(message.text)
    assert "Degree-days say what to expect, not what is there." in flat(message.text)


def test_an_all_clear_of_mite_pressure_does_not_speak_of_a_hot_spell() -> None:
    message = rendered(ALERTS["pressure-clear"])
    assert message.subject == "Maple Court: mite pressure has fallen"
    assert "hot dry spell" not in message.text


def test_a_window_beyond_the_look_ahead_is_not_called_open() -> None:
    alert = make_alert(AlertKind.SPRAY_WINDOW, make_spray(SITE, spray_state="none"), Level.NOTE)
    message = rendered(alert)
    assert message.subject == "Maple Court: no spraying before Tue Jul 22"
    assert "every hour before Tue Jul 22, 6 AM EDT is closed" in flat(message.text)


def test_missing_weather_says_that_silence_is_no_good_news() -> None:
    message = rendered(ALERTS["missing"])
    text = flat(message.text)
    assert message.subject == "Maple Court: no fresh weather since Tue Jul 15, 2 PM"
    assert "Silence now does not mean that all is well" in text
    assert "25 hours old" in text
    assert "openmeteo: HTTP 503 on each of 3 tries." in text
    assert message.chart_png is None


def test_weather_that_never_came_can_be_told_too() -> None:
    evidence = make_missing(SITE, data_as_of=None, fetched_at=None, attribution="", faults=[])
    del evidence["missing_since"], evidence["age_h"]
    message = rendered(make_alert(AlertKind.WEATHER_MISSING, evidence))
    assert message.subject == "Maple Court: no fresh weather"
    assert "No weather at hand." in message.text


def test_an_all_clear_says_why_and_that_mites_stay() -> None:
    text = flat(rendered(ALERTS["clear"]).text)
    assert "that began Mon Jul 14, 6 AM EDT has ended. A rain of 0.45 in fell on Mon Jul 21." in text
    assert "mites that are already on the plants do not leave with it" in text
    assert "fresh weather is back" in flat(rendered(ALERTS["weather-back"]).text)
    assert "Level:" not in rendered(ALERTS["weather-back"]).text


@pytest.mark.parametrize("closes", ["", "spray-window", "hot-dry-warning", "weather-missing"])
def test_an_all_clear_with_little_evidence_still_reads(closes: str) -> None:
    bare = make_all_clear(SITE, closes_kind=closes)
    for key in ("days", "materials", "scouting", "pressures", "water", "opened_at", "closed_because"):
        del bare[key]  # type: ignore[misc]  # a test may drop any key
    message = rendered(make_alert(AlertKind.ALL_CLEAR, bare, Level.NONE, Change.CLOSED))
    assert "has ended." in message.text
    assert message.chart_png is None


@pytest.mark.parametrize("kind", [AlertKind.HOT_DRY, AlertKind.SPRAY_WINDOW])
def test_a_warning_with_the_least_evidence_still_reads(kind: AlertKind) -> None:
    bare = make_hot_dry(SITE)
    for key in ("days", "materials", "scouting", "pressures", "water", "rule", "clears_when"):
        del bare[key]  # type: ignore[misc]  # a test may drop any key
    bare["plantings"] = []
    assert "What to do first" in rendered(make_alert(kind, bare)).text


def test_the_providers_licence_is_linked_even_if_the_credit_only_names_it() -> None:
    evidence = make_hot_dry(
        SITE, attribution="Weather data by Open-Meteo.com (https://open-meteo.com/), CC BY 4.0"
    )
    message = rendered(make_alert(AlertKind.HOT_DRY, evidence))
    assert "CC BY 4.0 (https://creativecommons.org/licenses/by/4.0/)." in flat(message.text)
    hrefs = [link["href"] for link in Page(message.html).named("a")]
    assert "https://open-meteo.com/" in hrefs
    assert "https://creativecommons.org/licenses/by/4.0/" in hrefs


def test_a_stop_link_is_offered_where_there_is_one() -> None:
    stop = StopNotice("alerts@example.com", "https://alerts.example.com/stop/a1b2")
    message = render(ALERTS["hot-dry"], SITE, make_subscriber(), stop)
    assert "https://alerts.example.com/stop/a1b2" in message.text
    assert "https://alerts.example.com/stop/a1b2" in [a["href"] for a in Page(message.html).named("a")]
    assert "write to alerts@example.com" in flat(message.text)


NASTY = "<script>alert(1)</script> \"'&{{7*7}}{% x %}${7*7}{0.__class__}"


def test_markup_and_template_text_in_names_stay_letters() -> None:
    site = make_site(NASTY)
    evidence = make_hot_dry(site, changes=[NASTY], clears_when=[NASTY], attribution=NASTY)
    evidence["plantings"][0]["label"] = NASTY
    evidence["scouting"][0]["plant"] = NASTY
    evidence["materials"][0]["name"] = NASTY
    evidence["materials"][0]["reasons"] = [NASTY]
    evidence["rule"]["text"] = NASTY
    message = render(make_alert(AlertKind.HOT_DRY, evidence), site, make_subscriber(name=NASTY), STOP)
    page = Page(message.html)
    assert "script" not in {tag for tag, _ in page.tags}
    assert "{{7*7}}" in message.text
    assert "49" not in re.sub(r"[^0-9 ]", " ", message.text).split()
    assert page.shown.count("<script>alert(1)</script>") >= 5
    assert "&lt;script&gt;" in message.html


def test_a_link_in_a_providers_credit_cannot_leave_its_quotes() -> None:
    evidence = make_hot_dry(SITE, attribution='x https://example.com/"onclick="y <b> javascript:alert(1)')
    page = Page(rendered(make_alert(AlertKind.HOT_DRY, evidence)).html)
    assert not [attrs for _, attrs in page.tags if "onclick" in attrs]
    assert not [a for a in page.named("a") if (a["href"] or "").startswith("javascript")]


def test_control_characters_and_line_breaks_in_labels_become_spaces() -> None:
    evidence = make_hot_dry(SITE)
    evidence["plantings"][0]["label"] = "hedge\r\nBcc: x@example.org\x1b[31m\u202etrap"
    text = rendered(make_alert(AlertKind.HOT_DRY, evidence)).text
    assert "\nBcc" not in text
    assert "\x1b" not in text
    assert "\u202e" not in text


@settings(max_examples=25, deadline=None)
@given(
    name=st.text(min_size=1, max_size=200).filter(lambda text: text.strip() and text.strip().isprintable())
)
def test_any_name_gives_a_subject_for_a_lock_screen(name: str) -> None:
    site = make_site(" ".join(name.split()))
    message = render(make_alert(AlertKind.ALL_CLEAR, make_missing(site)), site, make_subscriber(), STOP)
    assert len(message.subject) <= SUBJECT_LENGTH_MAX
    assert message.subject.isprintable()
    assert message.subject.endswith("hot dry spell over")


def test_a_long_name_gives_way_so_that_the_news_is_seen() -> None:
    site = make_site("The Gardens at Northern Maple Ridge Phase Two West Building")
    message = render(ALERTS["missing"], site, make_subscriber(), STOP)
    assert message.subject.startswith("The Gardens")
    assert "…: no fresh weather since Tue Jul 15, 2 PM" in message.subject
    assert len(message.subject) <= SUBJECT_LENGTH_MAX


def test_a_huge_site_still_makes_a_small_message() -> None:
    evidence: Any = make_hot_dry(SITE)
    evidence["plantings"] = [
        {"id": f"p{n}", "host": "h", "name": "Burning bush", "label": f"bed {n}", "count": 1}
        for n in range(500)
    ]
    for key in ("scouting", "water", "pressures", "materials"):
        evidence[key] = evidence[key] * 300
    evidence["plantings"][0]["label"] = "x" * 1_000_000
    message = rendered(make_alert(AlertKind.HOT_DRY, evidence))
    assert len(message.html.encode()) < 100_000
    assert "and 488 more" in flat(message.text)


def test_plants_that_ask_for_the_same_stand_together_and_a_past_day_is_not_foretold() -> None:
    evidence = make_hot_dry(SITE)
    for number, water in enumerate(evidence["water"]):
        water.update(
            {"plant": f"bed {number}", "state": "caution", "reason": "r", "stressed_on": "2025-07-16"}
        )
    text = flat(rendered(make_alert(AlertKind.HOT_DRY, evidence)).text)
    assert "bed 0, bed 1: feel the soil and water if it is dry (r). 3. Wash." in text


def test_only_mites_that_press_are_named_and_at_most_three() -> None:
    evidence = make_hot_dry(SITE)
    one = evidence["pressures"][0]
    evidence["pressures"] = [{**one, "name": f"Mite {n}", "score": s, "score_ahead": s} for n, s in
                             enumerate([90.0, 0.2, 60.0, 50.0, 40.0])]  # fmt: skip
    text = rendered(make_alert(AlertKind.HOT_DRY, evidence)).text
    assert [n for n in range(5) if f"Mite {n}" in text] == [0, 2, 3]


def test_degree_days_that_are_not_known_are_left_out() -> None:
    evidence = make_hot_dry(SITE)
    evidence["pressures"][0].update({"degree_days_c_d": None, "doubling_time_d": None})
    text = flat(rendered(make_alert(AlertKind.HOT_DRY, evidence)).text)
    assert "About 4.6 generations so far this season." in text
    assert "double" not in text


def test_growth_figures_without_a_published_curve_are_called_provisional_to_the_reader() -> None:
    species = load_species()["honeylocust"]
    evidence = make_hot_dry(SITE)
    firm = flat(rendered(make_alert(AlertKind.HOT_DRY, evidence)).text)
    assert "provisional" not in firm
    evidence["pressures"][0]["provisional"] = species.curve.confidence
    message = rendered(make_alert(AlertKind.HOT_DRY, evidence))
    told = "Its growth figures are provisional, of low confidence: no curve is published for this species."
    assert told in flat(message.text)
    assert told in flat(message.html)


def test_rendering_twice_gives_the_same_message() -> None:
    assert rendered(ALERTS["hot-dry"]) == rendered(ALERTS["hot-dry"])


def test_rendering_leaves_the_evidence_alone() -> None:
    alert = make_alert(AlertKind.HOT_DRY, make_hot_dry(SITE))
    rendered(alert)
    assert alert.evidence == make_hot_dry(SITE)


@BOTH_UNITS
def test_the_operator_is_told_how_to_ask_for_the_numbers(units: UnitSystem) -> None:
    alert = make_alert(AlertKind.HOT_DRY, make_hot_dry(SITE), made_at=MADE_AT.replace(microsecond=1))
    text = rendered(alert, units).text
    at = (MADE_AT + dt.timedelta(seconds=1)).strftime("%Y-%m-%dT%H:%M:%SZ")
    assert text.splitlines().count(f"  alertd explain site-1 --at {at}") == 1
    unseen = make_alert(AlertKind.WEATHER_MISSING, make_missing(SITE, data_as_of=None))
    assert "alertd explain" not in rendered(unseen, units).text


def with_chances(evidence: AlertEvidence, days: int, chance: float | None) -> AlertEvidence:
    """Return the evidence with this chance for the spell and for every window."""
    changed = copy.deepcopy(evidence)
    changed["chance_days"] = days
    if "spell" in changed:
        changed["spell"]["chance"] = chance
    for material in changed["materials"]:
        for window in material["windows"]:
            window["chance"] = chance
    return changed


@pytest.mark.parametrize(
    ("chance", "words"),
    [(0.78, "about 80%"), (0.33, "about 30%"), (0.97, "over 90%"), (0.02, "under 10%")],
)
def test_the_chance_of_a_spell_is_told_in_tens_with_what_it_rests_on(chance: float, words: str) -> None:
    alert = make_alert(AlertKind.HOT_DRY, with_chances(make_hot_dry(SITE), 0, chance))
    message = rendered(alert)
    for shown in (flat(message.text), Page(message.html).shown):
        assert f"for at least the first level is {words} (from the forecast alone); no forecast is a" in shown
        assert f"chance {words}" in shown
    corrected = rendered(make_alert(AlertKind.HOT_DRY, with_chances(make_hot_dry(SITE), 23, chance))).text
    assert f"is {words} (from the forecast, corrected by our record of 23 days)" in flat(corrected)


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (0, "from the forecast's ensemble"),
        (1, "from the forecast's ensemble, corrected by our record of one day"),
        (23, "from the forecast's ensemble, corrected by our record of 23 days"),
    ],
)
def test_a_chance_that_rests_on_an_ensemble_says_so(days: int, words: str) -> None:
    evidence = with_chances(make_hot_dry(SITE), days, 0.78)
    evidence["chance_ensemble"] = "invented_eps"
    message = rendered(make_alert(AlertKind.HOT_DRY, evidence))
    for shown in (flat(message.text), Page(message.html).shown):
        assert f"is about 80% ({words}); no forecast is a" in shown


def test_the_chance_of_a_window_is_told_in_tens_with_what_it_rests_on() -> None:
    alert = make_alert(AlertKind.SPRAY_WINDOW, with_chances(make_spray(SITE), 23, 0.61))
    message = rendered(alert)
    for shown in (flat(message.text), Page(message.html).shown):
        assert "the chance that its likeliest hours stay open is about 60%" in shown
        assert "h, chance about 60%" in shown
        assert (
            "The chance, from the forecast, corrected by our record of 23 days, is that the "
            "likeliest hours of a window stay without a block." in shown
        )


def test_an_unknown_chance_is_not_mentioned() -> None:
    for evidence in (make_hot_dry(SITE), make_spray(SITE)):
        kind = AlertKind.HOT_DRY if "spell" in evidence else AlertKind.SPRAY_WINDOW
        text = rendered(make_alert(kind, with_chances(evidence, 23, None))).text
        assert "chance" not in text
        assert "likel" not in text
