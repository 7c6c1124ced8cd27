from __future__ import annotations

import email
import email.policy
import json
from pathlib import Path

import pytest

from alertd.demo.sink import MailSink
from alertd.weather.replay import ReplayServer
from tests.cli.conftest import Program
from tests.cli.test_running_commands import mail_settings

COURT = "Invented Court"
WHY = "label of 2026 allows up to 35 degC"
SET = ("site", "limit", "set", COURT)


def site(program: Program) -> dict[str, object]:
    found: dict[str, object] = json.loads(program.done("site", "show", COURT, "--json"))
    return found


def test_a_limit_is_set_listed_shown_and_removed(watching: Program) -> None:
    assert "has no limits of its own" in watching.done("site", "limit", "list", COURT)
    told = watching.done(*SET, "soap", "heat_block", "85F")
    assert "Invented Court: heat block 29.44 degC instead of 32.22 degC (soap)." in told
    assert "looser" not in told
    watching.done(*SET, "all", "wind-upper-block", "8mph")
    assert site(watching)["limits"] == {"soap.heat_block_c": 29.4444, "wind_upper_block_m_s": 3.5763}
    listed = watching.done("site", "limit", "list", COURT)
    assert "heat_block_c" in listed
    assert "32.22 degC" in listed
    assert "wind upper block 3.58 m/s" in watching.done("site", "show", COURT)
    watching.done("site", "limit", "remove", COURT, "soap", "heat_block")
    assert site(watching)["limits"] == {"wind_upper_block_m_s": 3.5763}
    assert "its own: all wind_upper" in watching.refused(
        2, "site", "limit", "remove", COURT, "soap", "heat_block"
    )


def test_a_looser_limit_wants_a_reason_which_is_kept_and_shown(watching: Program) -> None:
    told = watching.refused(2, *SET, "soap", "heat_block", "35C")
    assert "looser than the usual 32.22 degC of soap" in told
    assert "--reason" in told
    assert site(watching)["limits"] == {}
    told = watching.done(*SET, "soap", "heat_block", "35C", "--reason", WHY)
    assert "stands on every message" in told
    assert site(watching)["limit_reasons"] == {"soap.heat_block_c": WHY}
    assert f"looser: {WHY}" in " ".join(watching.done("site", "show", COURT).split())
    (one,) = json.loads(watching.done("site", "limit", "list", COURT, "--json"))
    assert (one["looser"], one["reason"], one["usual"]) == (True, WHY, 32.22)


def test_a_reason_that_is_not_needed_is_not_kept_and_that_is_told(watching: Program) -> None:
    assert "so the reason was not kept" in watching.done(*SET, "soap", "heat_block", "29", "--reason", WHY)


def test_a_value_below_zero_is_read_as_a_value(watching: Program) -> None:
    assert "1 degC instead of 0 degC" in watching.done(*SET, "all", "freeze_deciduous", "1")
    assert "looser than the usual 0 degC" in watching.refused(2, *SET, "all", "freeze_deciduous", "-1")
    watching.done(*SET, "all", "freeze_deciduous", "-1", "--reason", WHY)
    assert site(watching)["limits"] == {"freeze_deciduous_c": -1.0}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("saop", "heat_block", "29"), "material: 'saop' is not in the catalog; did you mean 'soap'"),
        (("soap", "heat", "29"), "field: 'heat' is no limit; `alertd site limit fields`"),
        (("soap", "heat_block", "300F"), "value: 300F is impossible for heat_block_c"),
        (("soap", "heat_block", "warm"), "value: 'warm' cannot be read"),
    ],
)
def test_a_slip_is_told_by_field_with_the_fix(watching: Program, words: tuple[str, ...], told: str) -> None:
    assert told in watching.refused(2, *SET, *words)


def test_another_profile_is_refused_while_a_limit_would_loosen_it(watching: Program) -> None:
    watching.done(*SET, "all", "wind_upper_block", "4.2")
    assert "in the strict profile" in watching.refused(2, "site", "edit", COURT, "--profile", "strict")
    watching.done("site", "limit", "remove", COURT, "all", "wind_upper_block")
    watching.done("site", "edit", COURT, "--profile", "strict")


def test_the_fields_are_listed_with_bounds_and_usual_figures(watching: Program) -> None:
    told = watching.done("site", "limit", "fields", "--material", "soap")
    assert "heat_block_c" in told
    assert "32.22 degC" in told
    assert "by material" in watching.done("site", "limit", "fields")
    fields = {one["field"]: one for one in json.loads(watching.done("site", "limit", "fields", "--json"))}
    assert fields["wind_upper_block_m_s"]["tighter"] == "lower"
    assert fields["crew_start"]["tighter"] == "higher"
    assert "scale_clock_h" not in fields
    assert "not in the catalog" in watching.refused(2, "site", "limit", "fields", "--material", "beer")


@pytest.mark.enable_socket
def test_explain_names_the_looser_limit_and_why(fetched: Program) -> None:
    fetched.done(*SET, "soap", "heat_block", "35C", "--reason", WHY)
    told = fetched.done("explain", COURT, "--hour", "2026-07-14T14:00", "--material", "soap")
    assert WHY in " ".join(told.split())


@pytest.mark.enable_socket
def test_the_reason_of_a_looser_limit_arrives_with_the_mail(
    watching: Program, world: ReplayServer, tmp_path: Path
) -> None:
    watching.done(*SET, "soap", "heat_block", "95F", "--reason", WHY)
    watching.done("subscriber", "add", "Crew", "--email", "crew@example.com", "--all-sites")
    with MailSink(tmp_path / "mail") as sink:
        watching.env |= mail_settings(sink.port)
        watching.env["ALERTD_WEATHER__OPENMETEO__BASE_URL"] = world.openmeteo_url
        watching.done("cycle")
        assert sink.count >= 1
    (mail,) = [
        email.message_from_bytes(one.read_bytes(), policy=email.policy.default)
        for one in sorted((tmp_path / "mail").glob("*.eml"))
    ][:1]
    told = mail.get_body(("plain",))
    assert told is not None
    assert (
        "Insecticidal soap: Heat block 95°F instead of 90°F (label of 2026 allows up to 95°F)."
        in " ".join(told.get_content().split())
    )
