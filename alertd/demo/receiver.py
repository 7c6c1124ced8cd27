"""A real webhook receiver on loopback: it checks each signature and keeps each body as a file."""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import secrets
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import TracebackType
from typing import Self


class Receiver:
    """Context manager: listens on a free loopback port; bodies with a wrong signature get 401."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.key = secrets.token_bytes(32)
        self.count = 0
        self._lock = threading.Lock()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("content-length", 0)))
                headers = {name.lower(): value for name, value in self.headers.items()}
                self.send_response(204 if receiver.keep(headers, body) else 401)
                self.send_header("content-length", "0")
                self.end_headers()

            def log_message(self, *_: object) -> None:
                """Stay quiet."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)

    @property
    def port(self) -> int:
        """The port it listens on."""
        return int(self._server.server_address[1])

    @property
    def url(self) -> str:
        """The address to subscribe."""
        return f"http://127.0.0.1:{self.port}/dispatch"

    @property
    def secret(self) -> str:
        """The secret shared with the sender."""
        return "whsec_" + base64.b64encode(self.key).decode()

    def keep(self, headers: dict[str, str], body: bytes) -> bool:
        """Keep a body whose signature fits; returns whether it did."""
        signed = b".".join((headers["webhook-id"].encode(), headers["webhook-timestamp"].encode(), body))
        wanted = "v1," + base64.b64encode(hmac.new(self.key, signed, hashlib.sha256).digest()).decode()
        if not any(hmac.compare_digest(wanted, given) for given in headers["webhook-signature"].split()):
            return False
        with self._lock:
            self.count += 1
            path = self.folder / f"{self.count:03d}.json"
            path.write_text(json.dumps(json.loads(body), indent=2), encoding="utf-8")
        return True

    def __enter__(self) -> Self:
        self.folder.mkdir(parents=True, exist_ok=True)
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5.0)
