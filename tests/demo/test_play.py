"""The demo from end to end: real HTTP, SMTP, webhook and database on a simulated clock."""

from __future__ import annotations

import email
import json
from email import policy
from pathlib import Path

import pytest

from alertd.demo.play import play
from alertd.errors import InputError
from alertd.store.store import open_store

pytestmark = pytest.mark.enable_socket


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo") / "out"
    assert play(folder, days=62, progress=False) == 0
    return folder


def test_mail_arrives_as_files_that_open_in_a_browser(folder: Path) -> None:
    mails = sorted((folder / "mail").glob("*.eml"))
    pages = sorted((folder / "mail").glob("*.html"))
    assert len(mails) >= 3
    assert [page.stem for page in pages] == [mail.stem for mail in mails]
    for page in pages:
        text = page.read_text(encoding="utf-8")
        assert "cid:" not in text
        assert "<h1" in text


def test_every_mail_stands_alone_as_text(folder: Path) -> None:
    for path in (folder / "mail").glob("*.eml"):
        message = email.message_from_bytes(path.read_bytes(), policy=policy.default)
        body = message.get_body(("plain",))
        assert body is not None
        text = str(body.get_content())
        assert str(message["Subject"]).split(":")[0] in text
        assert "label" in text or "weather" in text.lower()


def test_every_message_has_an_id_of_its_own(folder: Path) -> None:
    ids = [
        str(email.message_from_bytes(path.read_bytes(), policy=policy.default)["Message-ID"])
        for path in (folder / "mail").glob("*.eml")
    ]
    assert len(set(ids)) == len(ids)


def test_the_webhook_receiver_accepted_each_signature(folder: Path) -> None:
    bodies = [json.loads(path.read_text(encoding="utf-8")) for path in (folder / "webhooks").glob("*.json")]
    tellings = {body["data"]["evidence"].get("told_with", body["data"]["alert_id"]) for body in bodies}
    assert len(tellings) == len(list((folder / "mail").glob("*.eml")))  # people get one mail a telling
    assert all(body["type"].startswith("alertd.") for body in bodies)


def test_history_holds_what_was_mailed(folder: Path) -> None:
    with open_store(f"sqlite:///{folder / 'alertd.db'}") as store:
        entries = store.history(limit=None)
    tellings = {entry.alert.evidence.get("told_with", entry.alert.id) for entry in entries}
    assert len(tellings) == len(list((folder / "mail").glob("*.eml")))
    assert all(delivery.state == "sent" for entry in entries for delivery in entry.deliveries)


def test_a_folder_in_use_is_refused_and_left_as_it_was(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("keep")
    with pytest.raises(InputError, match="not empty"):
        play(tmp_path, days=1, progress=False)
    assert [path.name for path in tmp_path.iterdir()] == ["mine.txt"]
