"""Where the broker is and who we are there: from the environment, so that no file holds a password."""

import ssl
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self
from urllib.parse import urlsplit

from acquire.errors import ConfigError

_PREFIX = "PANELWRIGHT_MQTT_"
_PORTS = {"mqtt": 1883, "mqtts": 8883}
_EXAMPLE = "such as mqtt://127.0.0.1:1883, or mqtts://broker.example:8883 with TLS"
_KNOWN = ("URL", "USER", "PASSWORD", "CA", "CERT", "KEY")


@dataclass(frozen=True, slots=True)
class BusSettings:
    """How to reach the broker, and how hard to press it."""

    host: str
    port: int
    tls: bool = False
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    ca: Path | None = None
    """Certificates to trust in place of the system's (PEM)."""
    cert: Path | None = None
    """Our own certificate, for brokers that ask for one; `key` where it is in another file."""
    key: Path | None = None
    rate_per_s: float = 200.0
    """So many events a second at most, while catching up."""
    first_wait_s: float = 1.0
    """Before the second attempt to connect; each further one waits twice as long, up to `longest_wait_s`."""
    longest_wait_s: float = 30.0
    timeout_s: float = 5.0
    """For an answer of the broker."""

    @classmethod
    def from_environment(cls, environ: Mapping[str, str], *, url: str | None = None) -> Self:
        """From PANELWRIGHT_MQTT_URL, _USER, _PASSWORD, _CA, _CERT and _KEY.

        Args:
            url: goes before the one in the environment.

        Raises:
            ConfigError: there is no address, or something in it is wrong; no message shows a password.
        """
        given = {key: environ.get(_PREFIX + key) or None for key in _KNOWN}
        address = url or given["URL"]
        if address is None:
            raise ConfigError("no broker is named", hint=f"set {_PREFIX}URL, {_EXAMPLE}")
        host, port, tls = _parse(address)
        if given["PASSWORD"] and not given["USER"]:
            raise ConfigError(f"{_PREFIX}PASSWORD is set without a user", hint=f"set {_PREFIX}USER as well")
        files = {key: _file(given, key) for key in ("CA", "CERT", "KEY")}
        if not tls and any(files.values()):
            raise ConfigError("certificates are given, but the address is without TLS", hint="use mqtts://")
        return cls(
            host,
            port,
            tls,
            user=given["USER"],
            password=given["PASSWORD"],
            ca=files["CA"],
            cert=files["CERT"],
            key=files["KEY"],
        )

    @property
    def target(self) -> str:
        """The broker, as it may be shown."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}"

    @property
    def exposed(self) -> bool:
        """A password would travel over a network in the clear."""
        own = self.host in ("localhost", "::1") or self.host.startswith("127.")
        return self.password is not None and not self.tls and not own

    def tls_context(self) -> ssl.SSLContext | None:
        """Checks the broker's certificate and name; None without TLS.

        Raises:
            ConfigError: a certificate or key cannot be used.
        """
        if not self.tls:
            return None
        try:
            context = ssl.create_default_context(cafile=self.ca)
            if self.cert is not None:
                context.load_cert_chain(self.cert, self.key)
        except (ssl.SSLError, OSError) as error:
            raise ConfigError(
                f"a certificate or key for {self.target} cannot be used: {error}",
                hint=f"{_PREFIX}CA, _CERT and _KEY name PEM files",
            ) from error
        context.sslsocket_class = _Socket
        return context


class _Socket(ssl.SSLSocket):
    """The library leaves a socket open whose broker it does not trust."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except OSError:
            self.close()
            raise


def _parse(address: str) -> tuple[str, int, bool]:
    parts = urlsplit(address)
    if parts.username is not None or parts.password is not None:
        # Addresses end up in process lists, logs and messages.
        raise ConfigError(
            "the broker's address holds a user or password",
            hint=f"give them in {_PREFIX}USER and {_PREFIX}PASSWORD",
        )
    try:
        port = parts.port
    except ValueError:
        port = 0
    extra = parts.path.strip("/") or parts.query or parts.fragment
    if parts.scheme not in _PORTS or not parts.hostname or port == 0 or extra:
        raise ConfigError(f"{address!r} is no address of a broker", hint=f"write it {_EXAMPLE}")
    return parts.hostname, port or _PORTS[parts.scheme], parts.scheme == "mqtts"


def _file(given: Mapping[str, str | None], key: str) -> Path | None:
    path = given[key]
    if path is None:
        return None
    if not Path(path).is_file():
        raise ConfigError(f"{_PREFIX}{key} names {path}, which is no file", hint="name a PEM file")
    return Path(path)
