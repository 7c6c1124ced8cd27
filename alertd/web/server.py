"""Serves the application from a thread of its own, until told to stop."""

from __future__ import annotations

import socket
import threading
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass

import structlog
import uvicorn
from starlette.types import ASGIApp

from alertd.errors import ConfigError

STOP_WITHIN_S = 2.0
CONNECTIONS_MAX = 200

log = structlog.get_logger("alertd.web")


@dataclass(frozen=True, slots=True)
class ListenSettings:
    """Where the pages are served, and whose word about the visitor's address is taken."""

    host: str
    port: int
    trusted_proxies: Sequence[str] = ()


class WebServer:
    """Started and stopped by the daemon."""

    name = "web"

    def __init__(self, app: ASGIApp, settings: ListenSettings) -> None:
        self._settings = settings
        self._server = uvicorn.Server(
            uvicorn.Config(
                app,
                loop="asyncio",
                http="h11",
                ws="none",
                lifespan="off",
                log_config=None,  # the daemon's own logs
                access_log=False,  # the path holds the signed link
                server_header=False,
                proxy_headers=bool(settings.trusted_proxies),
                forwarded_allow_ips=list(settings.trusted_proxies),
                limit_concurrency=CONNECTIONS_MAX,
                timeout_keep_alive=5,
                timeout_graceful_shutdown=int(STOP_WITHIN_S),
                h11_max_incomplete_event_size=16 * 1024,
            )
        )
        self._thread: threading.Thread | None = None
        self._socket: socket.socket | None = None

    @property
    def port(self) -> int:
        """The port that is listened on."""
        return 0 if self._socket is None else int(self._socket.getsockname()[1])

    @property
    def is_alive(self) -> bool:
        """Whether it still serves."""
        return self._thread is not None and self._thread.is_alive()

    def start(self) -> None:
        """Begin to serve. Raises ConfigError if the address cannot be had."""
        self._socket = self._bound()
        port = self.port
        self._thread = threading.Thread(target=self._serve, args=(self._socket,), name="web", daemon=True)
        self._thread.start()
        log.info("web_ready", port=port)

    def stop(self) -> None:
        """Take no more requests, answer those under way, and give the port back."""
        self._server.should_exit = True
        if self._thread is not None:
            self._thread.join(STOP_WITHIN_S + 1.0)
        if self._socket is not None:
            with suppress(OSError):
                self._socket.close()

    def _serve(self, listening: socket.socket) -> None:
        self._server.run(sockets=[listening])

    def _bound(self) -> socket.socket:
        host, port = self._settings.host, self._settings.port
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        opened = socket.socket(family, socket.SOCK_STREAM)
        try:
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            opened.bind((host, port))
            opened.listen(128)
        except OSError as error:
            opened.close()
            raise ConfigError(
                f"web.listen_port: cannot listen on {host} port {port}: {error.strerror}; "
                "is alertd running already? Stop it or set another port"
            ) from error
        return opened
