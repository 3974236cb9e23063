"""The web server of a bench, on a thread of its own, so that no browser can hold up a gauge."""

import socket
import ssl
import threading
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

import uvicorn
from starlette.types import ASGIApp

from acquire.errors import ConfigError, TransportError

START_S = 10.0


@dataclass(frozen=True, slots=True)
class Certificate:
    """For TLS: files with the certificate chain and its key, in PEM."""

    chain: Path
    key: Path | None = None


class WebServer:
    """Serves `app` at `host`:`port` while the context lasts. Port 0 takes a free one; see `port`.

    Raises:
        TransportError: the address is taken or not this machine's.
        ConfigError: the certificate cannot be used.
    """

    def __init__(self, app: ASGIApp, *, host: str, port: int, certificate: Certificate | None = None) -> None:
        tls = None if certificate is None else _context(certificate)
        config = uvicorn.Config(
            app,
            ssl_context_factory=None if tls is None else lambda config, default: tls,
            log_level="critical",
            access_log=False,
            server_header=False,
            ws="none",
            lifespan="off",
            # Pages hold a stream of events open for ever: it is cut when the bench stops.
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=16 * 1024,
        )
        self._socket = _bound(host, port)
        self.port: int = self._socket.getsockname()[1]
        self._server = _Quiet(config)
        self._thread = threading.Thread(target=self._run, name="screen")

    def __enter__(self) -> Self:
        self._thread.start()
        if not self._server.up.wait(START_S):
            self._stop()
            raise TransportError(
                "the screen could not be started", hint="is the machine very busy? try again"
            )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop()

    def _run(self) -> None:
        self._server.run(sockets=[self._socket])

    def _stop(self) -> None:
        self._server.should_exit = True
        self._thread.join()
        self._socket.close()


class _Quiet(uvicorn.Server):
    """Says when it is up."""

    def __init__(self, config: uvicorn.Config) -> None:
        super().__init__(config)
        self.up = threading.Event()

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self.up.set()


def _bound(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
    except OSError as error:
        made.close()
        raise TransportError(
            f"the screen cannot listen at {host} port {port}: {error.strerror}",
            hint="another program has that port, perhaps a bench that runs already: choose one with --port",
        ) from error
    return made


def _context(certificate: Certificate) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(certificate.chain, certificate.key)
    except (OSError, ssl.SSLError) as error:
        raise ConfigError(
            f"{certificate.chain} cannot be used as a certificate: {error}",
            hint="give a PEM file with the certificate, and its key with --tls-key",
        ) from error
    return context
