from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterator

import pytest
from fastapi.routing import APIRoute
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from alertd.errors import StoreBusy, StoreUnusable
from alertd.records.preferences import BriefKind, Preferences
from alertd.records.site import Standing
from alertd.service.links import EVERYTHING, Links, Purpose
from tests.store.builders import HOUR, NOW, make_alert, make_message
from tests.web.conftest import BASE, BOUNCE_KEY, KEY, House, subscriber

DAY = dt.timedelta(days=1)


def pending(house: House) -> str:
    """Return the link of somebody who has to confirm."""
    known = [one for one in house.store.subscribers(active=None) if one.name == "New Lead"]
    wanted = subscriber("New Lead", standing=Standing.PENDING)
    asked = known[0] if known else house.store.add_subscriber(wanted, now=NOW)
    return house.path(house.links.confirm(asked, NOW + 7 * DAY))


def stop(house: House) -> str:
    return house.path(house.links.stop(house.reader.id, house.site.id))


def seen(house: House) -> str:
    return house.path(house.links.seen(house.reader.id, "e1", NOW))


def snooze(house: House) -> str:
    return house.path(house.links.snooze(house.reader.id, house.site.id, NOW))


def report(house: House) -> str:
    return "/bounces"


# One genuine address for each path of the application: a route that is missing here fails a test below.
GENUINE: dict[str, Callable[[House], str]] = {
    "/confirm/{token}": pending,
    "/stop/{token}": stop,
    "/seen/{token}": seen,
    "/snooze/{token}": snooze,
    "/bounces": report,
}
FORM = {"/snooze/{token}": {"until": "2026-07-08"}}


def routes(house: House) -> Iterator[APIRoute]:
    for route in house.app.routes:
        assert isinstance(route, APIRoute), f"{route} is of a kind no test knows"
        yield route


def test_every_route_is_known_to_these_tests(house: House) -> None:
    assert {route.path for route in routes(house)} == set(GENUINE)


def test_no_route_acts_on_anything_but_a_post(house: House) -> None:
    methods = {method for route in routes(house) for method in route.methods}
    assert methods == {"GET", "HEAD", "POST"}
    addresses = [genuine(house) for genuine in GENUINE.values()]
    before = house.everything()
    for number, address in enumerate(addresses):
        for method in ("GET", "HEAD", "OPTIONS", "PUT", "PATCH", "DELETE", "TRACE"):
            with house.visitor(f"192.0.2.{number + 10}") as visitor:
                body = {"List-Unsubscribe": "One-Click", "until": "2026-07-08"}
                answer = visitor.request(method, address, data=body, params=body)
            assert answer.status_code == (200 if method in ("GET", "HEAD") and address != "/bounces" else 405)
            assert house.everything() == before, f"{method} {address} changed something"


@pytest.mark.parametrize("path", [path for path in GENUINE if path != "/bounces"])
def test_a_post_acts_once_and_a_replay_changes_nothing_more(house: House, path: str) -> None:
    address = GENUINE[path](house)
    before = house.everything()
    first = house.client.post(address, data=FORM.get(path, {}))
    after = house.everything()
    assert first.status_code == 200
    assert after != before
    house.now += HOUR
    again = house.client.post(address, data=FORM.get(path, {}))
    assert again.status_code == 200
    assert house.everything() == after


@pytest.mark.parametrize("path", [path for path in GENUINE if path != "/bounces"])
def test_a_changed_link_shows_one_page_that_tells_nothing(house: House, path: str) -> None:
    address = GENUINE[path](house)
    before = house.everything()
    prefix, _, token = address.rpartition("/")
    others = {
        purpose: f"{prefix}/{genuine(house).rpartition('/')[2]}" for purpose, genuine in GENUINE.items()
    }
    strangers = Links(BASE, ["x" * 40]).stop(house.reader.id, house.site.id).rpartition("/")[2]
    wrong = [
        f"{prefix}/x{token}",
        f"{prefix}/{token[:-4]}AAAA",
        f"{prefix}/{token.partition('.')[0]}",
        f"{prefix}/{strangers}",
        *(other for purpose, other in others.items() if purpose not in (path, "/bounces")),
    ]
    before = house.everything()
    pages = set()
    for address in wrong:
        for method in ("GET", "POST"):
            answer = house.client.request(method, address)
            assert answer.status_code == 404
            pages.add(answer.text)
    assert len(pages) == 1
    assert house.reader.id not in pages.pop()
    assert house.everything() == before


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    token=st.text(
        st.characters(min_codepoint=33, max_codepoint=1000, exclude_characters="/?#%\\"), min_size=1
    )
)
def test_no_made_up_token_is_taken(house: House, token: str) -> None:
    for purpose in Purpose:
        assert house.links.read(purpose, token, NOW) == "invalid"


@pytest.mark.parametrize(
    ("path", "lives"),
    [("/confirm/{token}", 7 * DAY), ("/seen/{token}", 60 * DAY), ("/snooze/{token}", 60 * DAY)],
)
def test_an_old_link_says_so_and_does_nothing(house: House, path: str, lives: dt.timedelta) -> None:
    address = GENUINE[path](house)
    before = house.everything()
    house.now = NOW + lives
    assert house.client.get(address).status_code == 200
    house.now = NOW + lives + dt.timedelta(seconds=1)
    for method in ("GET", "POST"):
        answer = house.client.request(method, address, data=None)
        assert answer.status_code == 410
        assert "too old" in answer.text
    assert house.everything() == before


@pytest.mark.parametrize(
    ("kind", "words"), [("weekly-brief", "weekly brief"), ("evening-brief", "evening brief")]
)
def test_the_link_in_a_brief_ends_that_brief_and_nothing_else(house: House, kind: str, words: str) -> None:
    """One click in the mail program (RFC 8058) must not silence the warnings."""
    wanted = Preferences(house.reader.id, weekly_hour=15, evening_hour=17, one_a_day=True)
    house.store.set_preferences(wanted, now=NOW)
    address = house.path(house.links.stop(house.reader.id, kind))
    before = house.everything()
    shown = house.client.get(address)
    assert f"Stop the {words}?" in shown.text
    assert house.store.preferences()[house.reader.id].rules().keys() == set(BriefKind) - {BriefKind.DIGEST}
    for _ in range(2):
        done = house.client.post(address, data={"List-Unsubscribe": "One-Click"})
        assert done.status_code == 200
        assert "Alerts about your sites still come." in done.text
        kept = house.store.preferences()[house.reader.id]
        assert kept.rules().keys() == {BriefKind.WEEKLY, BriefKind.EVENING} - {kind}
        assert kept.one_a_day
    assert house.everything() == before  # subscriptions and standing are as they were


def test_a_stop_link_never_grows_old(house: House) -> None:
    address = stop(house)
    house.now = NOW + 4000 * DAY
    assert house.client.post(address).status_code == 200
    assert [one.site_id for one in house.store.subscriptions(house.reader.id)] == [house.other_site.id]


@pytest.mark.parametrize("kind", ["urlencoded", "multipart", "none"])
def test_one_click_unsubscribing_works_without_cookies_or_a_page_before(house: House, kind: str) -> None:
    """RFC 8058, 3.2: a POST of List-Unsubscribe=One-Click, as a form or as multipart, no redirect."""
    body = {"List-Unsubscribe": "One-Click"}
    match kind:
        case "urlencoded":
            answer = house.client.post(stop(house), data=body)
        case "multipart":
            answer = house.client.post(stop(house), files={"List-Unsubscribe": (None, "One-Click")})
        case _:
            answer = house.client.post(stop(house))
    assert answer.status_code == 200
    assert [one.site_id for one in house.store.subscriptions(house.reader.id)] == [house.other_site.id]


def test_stopping_ends_what_waits_for_that_site_alone(house: House) -> None:
    house.store.commit_decisions(
        alerts=[make_alert(house.site.id), make_alert(house.site.id, "a2", sequence=2)],
        messages=[make_message(house.reader.id), make_message(house.reader.id, "m2", "a2", NOW + HOUR)],
        now=NOW,
    )
    house.client.post(house.path(house.links.stop(house.reader.id, house.other_site.id)))
    assert len(house.store.lease(NOW, "w", 10, 60)) == 1
    house.client.post(stop(house))
    assert house.store.lease(NOW + 2 * HOUR, "w", 10, 60) == [], "neither the waiting nor the lent one again"


def test_stopping_everything_leaves_nothing_behind(house: House) -> None:
    page = house.client.get(stop(house))
    (other,) = re.findall(r'action="([^"]+)"', page.text)
    assert house.client.post(f"/stop/{other}").status_code == 200
    assert house.store.subscriber(house.reader.id).standing is Standing.LEFT
    assert house.store.subscriptions(house.reader.id) == []
    assert house.client.get(stop(house)).status_code == 200
    assert house.client.post(stop(house)).status_code == 200
    for purpose in (seen, snooze):
        assert house.client.get(purpose(house)).status_code in (200, 404)


def test_a_link_of_somebody_removed_still_says_that_nothing_comes(house: House) -> None:
    address = stop(house)
    house.store.remove_subscriber(house.reader.id, now=NOW)
    assert "no more mails" in house.client.post(address).text
    assert house.client.get(seen(house)).status_code == 404
    assert house.client.post(snooze(house), data={"until": "2026-07-08"}).status_code == 404


def test_ids_of_another_firm_reach_nothing_even_when_signed(house: House) -> None:
    """Not reachable by forging, since the links are signed; the store refuses nevertheless."""
    links, mine = house.links, house.reader.id
    before = house.everything()
    for address in (
        links.seen(mine, "foreign-e", NOW),
        links.snooze(mine, house.foreign_site.id, NOW),
        links.seen(house.foreign_reader.id, "e1", NOW),
        links.snooze(house.foreign_reader.id, house.site.id, NOW),
    ):
        assert house.client.get(house.path(address)).status_code == 404
        assert house.client.post(house.path(address), data={"until": "2026-07-08"}).status_code == 404
    answer = house.client.post(house.path(links.stop(mine, house.foreign_site.id)))
    assert "Foreign Court" not in answer.text
    assert house.everything() == before


def test_an_old_confirmation_cannot_bring_back_who_left(house: House) -> None:
    address = pending(house)
    assert house.client.post(address).status_code == 200
    newcomer = house.store.subscriber("New Lead")
    assert newcomer.standing is Standing.ACTIVE
    house.people.leave(newcomer.id, NOW + HOUR)
    assert house.client.post(address).status_code == 404
    house.people.welcome(house.store.subscriber("New Lead"), NOW + 2 * HOUR)
    assert house.store.subscriber("New Lead").standing is Standing.PENDING
    assert house.client.post(address).status_code == 404, "asked anew: only the new link counts"


def test_no_cookie_is_ever_set_and_a_foreign_page_has_nothing_to_borrow(house: House) -> None:
    """Without cookies a cross-site form has no rights but those of the link it would have to know."""
    before = house.everything()
    headers = {"Origin": "https://elsewhere.test", "Sec-Fetch-Site": "cross-site", "Cookie": "session=x"}
    for route in routes(house):
        answer = house.client.post(route.path.replace("{token}", "guess"), headers=headers)
        assert answer.status_code in (401, 404)
    assert house.everything() == before
    for path, genuine in GENUINE.items():
        answer = house.client.post(genuine(house), data=FORM.get(path, {}), headers=headers)
        assert "set-cookie" not in answer.headers
        assert "access-control-allow-origin" not in answer.headers


def answers(house: House) -> Iterator[tuple[str, dict[str, str], str]]:
    for path, genuine in GENUINE.items():
        for method in ("GET", "POST", "PUT"):
            answer = house.client.request(method, genuine(house), data=FORM.get(path, {}))
            yield f"{method} {path}", dict(answer.headers), answer.text
    answer = house.client.get("/nowhere")
    yield "GET /nowhere", dict(answer.headers), answer.text


def test_every_answer_carries_the_headers_that_keep_it_to_itself(house: House) -> None:
    for what, headers, text in answers(house):
        policy = headers["content-security-policy"]
        assert policy.startswith("default-src 'none'; style-src 'sha256-"), what
        for directive in (
            "form-action 'self'",
            "base-uri 'none'",
            "object-src 'none'",
            "frame-ancestors 'none'",
        ):
            assert directive in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "no-referrer"
        assert headers["cache-control"] == "no-store"
        assert headers["strict-transport-security"] == "max-age=31536000"
        assert "server" not in headers
        assert not re.search(r"https?://|src=|url\(|<script|<link|@import", text), what


def test_the_style_on_the_page_is_the_one_the_policy_allows(house: House) -> None:
    import base64
    import hashlib

    answer = house.client.get(stop(house))
    (style,) = re.findall(r"<style>(.*?)</style>", answer.text, re.S)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert f"'sha256-{digest}'" in answer.headers["content-security-policy"]


def test_html_in_names_stays_text(house: House) -> None:
    import dataclasses

    evil = "<script>alert(1)</script>{{7*7}}'\" onload=x"
    house.store.edit_site(dataclasses.replace(house.site, name=evil), now=NOW)
    house.store.edit_subscriber(dataclasses.replace(house.reader, name=evil), now=NOW)
    asked = house.store.add_subscriber(subscriber(evil + "!", standing=Standing.PENDING), now=NOW)
    for address in (
        stop(house),
        seen(house),
        snooze(house),
        house.path(house.links.confirm(asked, NOW + DAY)),
    ):
        text = house.client.get(address).text
        assert "&lt;script&gt;alert(1)&lt;/script&gt;{{7*7}}" in text
        assert "<script" not in text
        assert "49" not in text


def test_a_day_to_be_quiet_until_must_be_a_day_soon(house: House) -> None:
    before = house.everything()
    for until in (
        "",
        "yesterday",
        "2026-07-01",
        "2026-06-30",
        "2027-07-01",
        "9999-12-31",
        "0001-01-01",
        "2026-02-30",
    ):
        house.now += dt.timedelta(minutes=1)
        answer = house.client.post(snooze(house), data={"until": until})
        assert answer.status_code == 400, until
    assert house.everything() == before


def test_quiet_lasts_until_the_morning_at_the_site_and_can_be_ended(house: House) -> None:
    page = house.client.get(snooze(house)).text
    assert re.findall(r'value="(\d{4}-\d\d-\d\d)"', page) == ["2026-07-04", "2026-07-08", "2026-07-15"]
    assert 'min="2026-07-02" max="2026-08-30"' in page
    house.client.post(snooze(house), data={"until": "2026-07-08"})
    (told,) = [one for one in house.store.subscriptions(house.reader.id) if one.site_id == house.site.id]
    assert told.snoozed_until == dt.datetime(2026, 7, 8, 4, 0, tzinfo=dt.UTC), (
        "midnight in New York, summer time"
    )
    assert "quiet until Wednesday 8 July now" in house.client.get(snooze(house)).text
    house.client.post(snooze(house), data={"until": "end"})
    (told,) = [one for one in house.store.subscriptions(house.reader.id) if one.site_id == house.site.id]
    assert told.snoozed_until is None


def test_a_visitor_who_comes_too_often_is_asked_to_wait_and_others_are_not(house: House) -> None:
    statuses = [house.client.get(stop(house)).status_code for _ in range(70)]
    assert statuses.count(200) == 60
    refused = house.client.get(stop(house))
    assert refused.status_code == 429
    assert int(refused.headers["retry-after"]) >= 1
    assert refused.headers["content-security-policy"]
    assert house.visitor("198.51.100.7").get(stop(house)).status_code == 200
    house.now += dt.timedelta(seconds=30)
    assert house.client.get(stop(house)).status_code == 200


def test_one_link_cannot_be_used_without_end_from_many_addresses(house: House) -> None:
    address = snooze(house)
    statuses = [
        house.visitor(f"198.51.100.{n}").post(address, data={"until": "2026-07-08"}).status_code
        for n in range(20)
    ]
    assert statuses == [200] * 12 + [429] * 8


def test_a_huge_body_or_address_is_refused(house: House) -> None:
    assert house.client.post(snooze(house), content=b"x" * 5000).status_code == 413
    assert house.client.get("/stop/" + "x" * 5000).status_code == 404
    headers = {"Authorization": f"Bearer {BOUNCE_KEY}"}
    assert house.client.post("/bounces", content=b"x" * 1_000_001, headers=headers).status_code == 413
    assert house.client.post("/bounces", content=b"x" * 1_000_001).status_code == 401


def test_the_door_for_returned_mail_opens_only_with_the_secret(house: House) -> None:
    for headers in (
        {},
        {"Authorization": "Bearer " + "c" * 40},
        {"Authorization": BOUNCE_KEY},
        {"Authorization": "Bearer é"},
    ):
        answer = house.client.post(
            "/bounces", content=b"", headers={k: v.encode() for k, v in headers.items()}
        )
        assert answer.status_code == 401
        assert answer.headers["content-type"] == "application/problem+json"
    answer = house.client.post(
        "/bounces", content=b"no report", headers={"Authorization": f"Bearer {BOUNCE_KEY}"}
    )
    assert (answer.status_code, answer.json()) == (
        422,
        {"outcome": "aside: not readable as a delivery report"},
    )


def test_a_fault_inside_tells_nothing_and_keeps_its_headers(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_args: object, **_names: object) -> None:
        raise StoreUnusable("database /secret/place: is corrupt")

    def busy(*_args: object, **_names: object) -> None:
        raise StoreBusy("busy")

    monkeypatch.setattr(house.store, "subscriber", broken)
    answer = house.client.post(stop(house))
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert answer.headers["referrer-policy"] == "no-referrer"
    monkeypatch.setattr(house.store, "subscriber", busy)
    answer = house.client.post(stop(house))
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "30")


def test_a_changed_key_still_reads_what_the_older_one_signed(house: House) -> None:
    new = Links(BASE, ["n" * 40, KEY])
    old_token = stop(house).rpartition("/")[2]
    assert new.read(Purpose.STOP, old_token, NOW) == house.links.read(Purpose.STOP, old_token, NOW)
    fresh = new.token(Purpose.STOP, "a", EVERYTHING, None)
    assert house.links.read(Purpose.STOP, fresh, NOW) == "invalid"
