from __future__ import annotations

import base64
import json

import pytest

from tests.cli.conftest import Program

HOOK = "https://hooks.example.com/in/invented-token"


def test_a_mail_reader_hears_about_every_site(watching: Program) -> None:
    told = watching.done("subscriber", "add", "Crew lead", "--email", "crew@example.com", "--all-sites")
    assert "hears about Invented Court: everything" in told
    (one,) = json.loads(watching.done("subscriber", "list", "--json"))
    assert (one["name"], one["channel"], one["address"]) == ("Crew lead", "email", "crew@example.com")
    assert one["units"] == "us"
    assert [sub["site"] for sub in one["subscriptions"]] == ["Invented Court"]
    assert "Crew lead" in watching.done("site", "show", "Invented Court")


def test_mail_that_is_not_set_up_is_told_at_once(watching: Program) -> None:
    result = watching("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    assert result.exit_code == 0
    assert "smtp.host" in result.stderr


def test_a_webhook_gets_a_secret_that_is_shown_once_and_never_again(watching: Program) -> None:
    told = watching.done("subscriber", "add", "Board", "--webhook", HOOK, "--site", "Invented Court")
    secret = told.splitlines()[-1]
    # Standard Webhooks 1.0.0, "Signature scheme": whsec_ and base64 of 24 to 64 random bytes.
    assert secret.startswith("whsec_")
    assert 24 <= len(base64.b64decode(secret.removeprefix("whsec_"), validate=True)) <= 64
    for listed in (watching.done("subscriber", "list"), watching.done("subscriber", "list", "--json")):
        assert secret not in listed
        assert secret.removeprefix("whsec_") not in listed
    assert "invented-token" not in watching.done("subscriber", "list")


def test_a_webhook_in_json_comes_with_its_secret(watching: Program) -> None:
    one = json.loads(watching.done("subscriber", "add", "Board", "--webhook", HOOK, "--all-sites", "--json"))
    assert one["secret"].startswith("whsec_")
    assert one["new"] is True


def test_naming_somebody_again_adds_sites_and_makes_no_second_reader(watching: Program) -> None:
    watching.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--site", "Invented Court")
    watching.done(
        "site", "add", "Invented Yard", "--lat", "40.3", "--lon", "-74.2", "--zone", "America/New_York",
        "--plant", "rose",
    )  # fmt: skip
    told = watching.done(
        "subscriber", "add", "crew", "--email", "crew@example.com", "--site", "Invented Yard",
        "--kind", "hot dry warning",
    )  # fmt: skip
    assert "was known already" in told
    (one,) = json.loads(watching.done("subscriber", "list", "--json"))
    kinds = {sub["site"]: sub["kinds"] for sub in one["subscriptions"]}
    assert kinds == {"Invented Court": [], "Invented Yard": ["hot-dry-warning"]}


def test_a_new_site_can_be_told_to_somebody_known(watching: Program) -> None:
    watching.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    watching.done(
        "site", "add", "Invented Yard", "--lat", "40.3", "--lon", "-74.2", "--zone", "America/New_York",
        "--plant", "rose", "--tell", "Crew",
    )  # fmt: skip
    shown = json.loads(watching.done("site", "show", "Invented Yard", "--json"))
    assert [one["name"] for one in shown["subscribers"]] == ["Crew"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--all-sites",), "give one of --email and --webhook"),
        (("--email", "crew@example.com", "--webhook", HOOK, "--all-sites"), "give one of"),
        (("--email", "crew@example.com"), "say which sites"),
        (("--email", "crew", "--all-sites"), "is not one bare address"),
        (("--email", "crew@localhost", "--all-sites"), "no full domain"),
        (("--email", "a@example.com\nBcc: b@example.com", "--all-sites"), "is not one bare address"),
        (("--webhook", "http://hooks.example.com/", "--all-sites"), "must start with https://"),
        (("--webhook", "https://127.0.0.1/", "--all-sites"), "not a public address"),
        (("--webhook", "https://[::1]/", "--all-sites"), "not a public address"),
        (("--webhook", "https://169.254.169.254/", "--all-sites"), "not a public address"),
        (("--webhook", "https://hooks.example.com:22/", "--all-sites"), "port 22 is not allowed"),
        (("--webhook", "https://u:p@hooks.example.com/", "--all-sites"), "user name"),
        (("--email", "crew@example.com", "--site", "Elsewhere"), "there is no site 'Elsewhere'"),
        (("--email", "crew@example.com", "--all-sites", "--kind", "gossip"), "use one of hot-dry-warning"),
        (("--email", "crew@example.com", "--all-sites", "--wake", "20", "--rest", "6"), "wake before rest"),
    ],
)
def test_what_is_mistyped_is_refused_and_nobody_is_added(
    watching: Program, words: tuple[str, ...], told: str
) -> None:
    assert told in watching.refused(2, "subscriber", "add", "Crew", *words)
    assert json.loads(watching.done("subscriber", "list", "--json")) == []


def test_a_name_belongs_to_one_address(watching: Program) -> None:
    watching.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    told = watching.refused(2, "subscriber", "add", "CREW", "--email", "other@example.com", "--all-sites")
    assert "already a subscriber" in told


def test_somebody_removed_is_told_no_more(watching: Program) -> None:
    watching.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    watching.done("subscriber", "remove", "crew")
    assert json.loads(watching.done("subscriber", "list", "--json")) == []
    assert "there is no subscriber" in watching.refused(2, "subscriber", "remove", "crew")


def test_an_empty_list_says_how_to_fill_it(watching: Program) -> None:
    assert "alertd subscriber add" in watching.done("subscriber", "list")
