"""The bytes of an email: header lines, and a body of text, HTML and picture.

The email library folds and encodes whatever people have named; what is made here and holds nothing but
printable ASCII is written as it stands, for the library would turn a long link into encoded words, which
RFC 2047 (section 5) allows in no such place.
"""

from __future__ import annotations

import base64
import binascii
import functools
import hashlib
import re
from email.headerregistry import Address
from email.policy import SMTP as SMTP_POLICY

LINE_MAX = 998
"""Bytes of a line without its end: RFC 5322, 2.1.1."""
CHART_CID = "chart"
_TOKENS = re.compile(r"[\x21-\x7e]+(?:(?:\r\n)? [\x21-\x7e]+)*\Z")
_PICTURE = (
    "Content-Type: image/png\r\nContent-Transfer-Encoding: base64\r\n"
    f'Content-Disposition: inline; filename="chart.png"\r\nContent-ID: <{CHART_CID}>\r\n\r\n'
).encode()


def made_header(name: str, value: str) -> bytes:
    """Return the line of a header whose value we made; folds only where ``value`` does so itself."""
    line = f"{name}: {value}\r\n"
    if _TOKENS.match(value) and max(map(len, line.split("\r\n"))) <= LINE_MAX:
        return line.encode("ascii")
    return named_header(name, value)


def named_header(name: str, value: str | Address, *, utf8: bool = False) -> bytes:
    """Return the lines of a header that holds what people wrote. Raises ValueError for a line break in it."""
    policy = SMTP_POLICY.clone(utf8=utf8)
    stored = policy.header_store_parse(name, value)[1]
    return policy.fold_binary(name, stored)


def body(text: str, html: str, png: bytes | None, seed: str) -> bytes:
    """Return the MIME headers and the body. The same arguments give the same bytes.

    ``seed`` makes the boundaries. They hold ``=_``, which neither quoted-printable nor base64 ever does
    (RFC 2045, 6.7).
    """
    outer, inner = (f"=_{hashlib.sha256(seed.encode()).hexdigest()[:24]}.{n}" for n in "12")
    shown = _words("html", html)
    if png is not None:
        shown = b"".join((
            f'Content-Type: multipart/related; type="text/html";\r\n boundary="{inner}"\r\n\r\n'.encode(),
            _parts(inner, shown, _PICTURE + _base64(png)),
        ))  # fmt: skip
    return b"".join((
        f'MIME-Version: 1.0\r\nContent-Type: multipart/alternative;\r\n boundary="{outer}"\r\n\r\n'.encode(),
        _parts(outer, _words("plain", text), shown),
    ))  # fmt: skip


def _parts(boundary: str, *parts: bytes) -> bytes:
    line = f"--{boundary}".encode()
    return b"".join([*(b"%b\r\n%b\r\n" % (line, part) for part in parts), line, b"--\r\n"])


def _words(subtype: str, text: str) -> bytes:
    head = f'Content-Type: text/{subtype}; charset="utf-8"\r\n'
    lines = text.encode("utf-8", "replace").splitlines()
    quoted = b"Content-Transfer-Encoding: quoted-printable\r\n\r\n"
    return head.encode() + quoted + binascii.b2a_qp(b"\r\n".join(lines) + b"\r\n")


@functools.lru_cache(maxsize=64)
def _base64(png: bytes) -> bytes:
    """Return the picture in lines; all copies of an alert share it."""
    return base64.encodebytes(png).replace(b"\n", b"\r\n")
