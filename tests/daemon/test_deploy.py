from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from alertd.daemon.run import RunSettings
from alertd.settings import secret_keys, setting_keys

DEPLOY = Path(__file__).parents[2] / "deploy"
UNIT = DEPLOY / "alertd.service"


def text_of(name: str) -> str:
    return (DEPLOY / name).read_text(encoding="utf-8")


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="needs systemd-analyze")
def test_the_unit_is_hardened() -> None:
    # The bar is ours; systemd's own scale (systemd-analyze(1), verb security) goes from 0 to 10.
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", str(UNIT)],
        capture_output=True,
        text=True,
        check=False,
    )
    score = re.search(r"Overall exposure level for alertd\.service: ([\d.]+)", done.stdout)
    if score is None:
        pytest.skip(f"systemd-analyze cannot work offline here: {done.stderr.strip()[:200]}")
    assert float(score.group(1)) <= 1.5


def test_the_unit_waits_longer_than_the_daemon_needs_to_stop() -> None:
    wait_s = re.search(r"(?m)^TimeoutStopSec=(\d+)s$", text_of("alertd.service"))
    grace_s = re.search(r"(?m)^ *stop_grace_period: (\d+)s$", text_of("compose.yaml"))
    assert wait_s is not None
    assert grace_s is not None
    assert RunSettings().stop_within_s < 10 < min(int(wait_s.group(1)), int(grace_s.group(1)))


def test_the_watchdog_is_asked_more_often_than_it_bites() -> None:
    watchdog_s = re.search(r"(?m)^WatchdogSec=(\d+)s$", text_of("alertd.service"))
    assert watchdog_s is not None
    assert RunSettings().check_every_s <= int(watchdog_s.group(1)) / 2


@pytest.mark.parametrize("name", ["alertd.service", "Containerfile", "compose.yaml", "alertd.example.toml"])
def test_every_variable_named_for_deployment_is_a_setting(name: str) -> None:
    known = {f"ALERTD_{key.replace('.', '__').upper()}" for key in setting_keys()}
    known |= {f"ALERTD_{key.replace('.', '__').upper()}_FILE" for key in secret_keys()} | {"ALERTD_CONFIG"}
    named = set(re.findall(r"\bALERTD_\w+", text_of(name)))
    assert named
    assert named <= known


def test_every_credential_named_for_deployment_is_a_secret() -> None:
    named = set(re.findall(r"LoadCredential=([\w.]+):", text_of("alertd.service")))
    named |= set(re.findall(r"(?m)^ *target: ([\w.]+)$", text_of("compose.yaml")))
    assert named == {"smtp.password", "weather.openmeteo.api_key"}
    assert named <= set(secret_keys())


def test_the_container_runs_without_root_and_without_writing_to_its_image() -> None:
    assert re.search(r"(?m)^USER (?!0|root)", text_of("Containerfile"))
    compose = text_of("compose.yaml")
    assert "read_only: true" in compose
    assert re.search(r"cap_drop:\n +- ALL\n", compose)
