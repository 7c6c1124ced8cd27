"""A body reads back as it was written, in lines that every mail server takes."""

from __future__ import annotations

import email
import email.policy

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from alertd.delivery.mime import LINE_MAX, body, made_header, named_header

TEXTS = st.text(st.characters(exclude_categories=["Cs"]), max_size=400)


@given(TEXTS, TEXTS, st.none() | st.binary(max_size=300))
@example(".\n..\nFrom x\n =\t\n", "<p>=_</p> \r trailing ", b"\x00\r\n.\r\n")
@example("--=_x.1\n--=_x.2--\n", "", None)
def test_what_was_written_is_what_is_read(text: str, html: str, png: bytes | None) -> None:
    raw = body(text, html, png, "m1")
    assert raw == body(text, html, png, "m1")
    assert b"\n" not in raw.replace(b"\r\n", b"")
    assert b"\r" not in raw.replace(b"\r\n", b"")
    assert max(map(len, raw.split(b"\r\n"))) <= 78  # RFC 5322, 2.1.1 and RFC 2045, 6.7
    mail = email.message_from_bytes(raw, policy=email.policy.default)
    assert not mail.defects
    leaves = [part for part in mail.walk() if not part.is_multipart()]
    assert [part.get_content_type() for part in leaves] == [
        "text/plain", "text/html", *(["image/png"] if png is not None else []),
    ]  # fmt: skip
    for part, written in zip(leaves, (text, html), strict=False):
        expected = b"\n".join(written.encode().splitlines()) + b"\n"
        assert part.get_content().replace("\r\n", "\n").encode() == expected
    if png is not None:
        assert leaves[2].get_content() == png


def test_a_name_with_half_a_letter_does_not_stop_a_mail() -> None:
    assert b"a?b" in body("a\ud800b", "<p>h</p>", None, "m1")


def test_a_made_header_stands_as_it_is_and_a_named_one_is_encoded() -> None:
    long = "<https://example.com/" + "x" * 300 + ">"
    assert made_header("List-Unsubscribe", long) == f"List-Unsubscribe: {long}\r\n".encode()
    assert made_header("X", f"{long},\r\n <b>") == f"X: {long},\r\n <b>\r\n".encode()
    assert named_header("Subject", "Höhe") == b"Subject: =?utf-8?q?H=C3=B6he?=\r\n"
    assert named_header("Subject", "Höhe", utf8=True) == "Subject: Höhe\r\n".encode()


@pytest.mark.parametrize("value", ["a\r\nBcc: x", "a\nBcc: x", "a\rBcc: x"])
def test_no_value_can_begin_another_header(value: str) -> None:
    for write in (made_header, named_header):
        with pytest.raises(ValueError, match="line"):
            write("Subject", value)


def test_a_made_header_too_long_for_a_line_is_left_to_the_library() -> None:
    raw = made_header("X-Alertd-Return", "y" * 2000)
    assert max(map(len, raw.split(b"\r\n"))) <= LINE_MAX
    assert b"y" * 40 in raw
