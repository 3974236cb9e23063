"""Who may see the screen, and who may give orders.

On a loopback address everybody at the machine may. On any other address a browser pairs once, with a code
that is shown on the bench machine, and is remembered by a cookie; a read-only link opens the overlay alone.
Wherever it listens, a request must name a host the bench knows (a page elsewhere cannot point its own name at
the bench) and an order must come from a page of the bench itself.
"""

import hmac
import json
import os
import secrets
import threading
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from hashlib import sha256
from ipaddress import ip_address
from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from pydantic import TypeAdapter, ValidationError
from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from acquire.clock import Clock
from acquire.errors import ConfigError
from acquire.model import Model

COOKIE = "panelwright"
SESSION_DAYS = 30
TRIES_N, TRIES_S = 5, 60.0
"""So many wrong codes are heard in so long a time, from all browsers together."""
LOOPBACK = ("localhost", "127.0.0.1", "::1")

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    # With "no-referrer" a browser calls a form's origin "null", and no form of ours would be taken.
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}

May = Literal["all", "overlay"]


class Admission(Model):
    """A browser that was let in, known by the hash of what it carries: the file holds no secret itself."""

    digest: str
    may: May
    label: str
    until: datetime


_ADMISSIONS = TypeAdapter(list[Admission])


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach `host`."""
    if host == "localhost":
        return True
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


@dataclass(slots=True)
class Admissions:
    """Browsers that were let in, and read-only links; kept in `file`, so that a restart forgets nobody.
    May be asked from any thread.

    Raises:
        ConfigError: the file cannot be read or is not what it should be.
    """

    file: Path
    clock: Clock
    code: str = field(default_factory=lambda: f"{secrets.randbelow(10**8):08d}")
    """What a browser must show to be let in; a new one at each start."""
    _known: list[Admission] = field(init=False, default_factory=list)
    _wrong_ns: list[int] = field(init=False, default_factory=list)
    _turn: threading.Lock = field(init=False, default_factory=threading.Lock)

    def __post_init__(self) -> None:
        if not self.file.exists():
            return
        try:
            self._known = _ADMISSIONS.validate_json(self.file.read_bytes())
        except (OSError, ValidationError) as error:
            raise ConfigError(
                f"{self.file} cannot be read as the list of paired browsers",
                hint="delete it: every browser then pairs again",
            ) from error

    def pair(self, code: str, label: str) -> str | None:
        """Lets a browser in that shows the code; gives what it shall carry from now on, or None.

        Raises:
            ConfigError: too many wrong codes came of late.
        """
        now_ns = self.clock.monotonic_ns()
        # Many codes that come at the same time are still counted one by one.
        with self._turn:
            self._wrong_ns = [at_ns for at_ns in self._wrong_ns if now_ns - at_ns < TRIES_S * 1e9]
            if len(self._wrong_ns) >= TRIES_N:
                raise ConfigError("too many wrong codes", hint=f"wait {TRIES_S:g} s, then try again")
            if not hmac.compare_digest("".join(code.split()).encode(), self.code.encode()):
                self._wrong_ns.append(now_ns)
                return None
        return self.admit("all", label)

    def admit(self, may: May, label: str) -> str:
        """Makes a new key: for a session, or for a read-only link.

        Raises:
            ConfigError: it cannot be written down.
        """
        key = secrets.token_urlsafe(32)
        until = self.clock.utc() + timedelta(days=SESSION_DAYS)
        new = Admission(digest=_digest(key), may=may, label=label[:80], until=until)
        with self._turn:
            self._known = [*self.known, new]
            self._write()
        return key

    def withdraw(self, digest: str | None = None) -> int:
        """Lets nobody in any more who was let in so far, or not the one of that digest; gives how many.

        Raises:
            ConfigError: it cannot be written down; nobody is let in all the same, until the next start.
        """
        with self._turn:
            kept = [] if digest is None else [one for one in self._known if one.digest != digest]
            gone, self._known = len(self._known) - len(kept), kept
            self._write()
        return gone

    def may(self, key: str | None) -> May | None:
        """What the bearer of a key may do."""
        if not key:
            return None
        digest, now = _digest(key), self.clock.utc()
        found = [one for one in self._known if hmac.compare_digest(one.digest, digest) and one.until > now]
        return found[0].may if found else None

    @property
    def known(self) -> list[Admission]:
        return [one for one in self._known if one.until > self.clock.utc()]

    def _write(self) -> None:
        half = self.file.with_suffix(".part")
        try:
            half.unlink(missing_ok=True)
            with os.fdopen(os.open(half, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
                out.write(_ADMISSIONS.dump_json(self._known, indent=1))
            os.replace(half, self.file)
        except OSError as error:
            raise ConfigError(
                f"{self.file} cannot be written: {error.strerror}", hint="check the disk's free space"
            ) from error


def _digest(key: str) -> str:
    return sha256(key.encode()).hexdigest()


class Gate:
    """ASGI middleware: host, origin, admission, and the headers that keep a page to itself.

    Args:
        hosts: names and addresses under which the bench may be called.
        admissions: None where only this machine can call, so that nobody needs to pair.
        overlay: paths that a read-only link opens.
        free: paths open to everybody, such as the page that pairs.
    """

    def __init__(
        self,
        app: ASGIApp,
        *,
        hosts: Iterable[str],
        admissions: Admissions | None,
        overlay: Iterable[str] = (),
        free: Iterable[str] = (),
        secure: bool = False,
    ) -> None:
        self._app, self._admissions, self._secure = app, admissions, secure
        self._hosts = {host.lower() for host in hosts}
        self._overlay, self._free = tuple(overlay), tuple(free)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # nothing else is spoken here
        request = Request(scope)
        refusal = self._refusal(request)
        answer = self._app if refusal is None else refusal

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-store")
                if self._secure:
                    headers["Strict-Transport-Security"] = "max-age=31536000"
            await send(message)

        await answer(scope, receive, with_headers)

    def _refusal(self, request: Request) -> Response | None:
        host = request.headers.get("host", "")
        if _name_of(host) not in self._hosts:
            return _no(421, f"This bench does not go by the name {host!r}. Start it with --name to add one.")
        if request.method not in ("GET", "HEAD") and not _from_here(request, host):
            return _no(403, "Orders are taken from the bench's own pages only. Open the page again.")
        if self._admissions is None or _under(request.url.path, self._free):
            return None
        may = self._admissions.may(request.cookies.get(COOKIE))
        if may == "all":
            return None
        read_only = self._admissions.may(request.query_params.get("key"))
        looks = request.method in ("GET", "HEAD") and _under(request.url.path, self._overlay)
        if read_only is not None and looks:
            return None
        if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
            return RedirectResponse("/pair", 303)
        return _no(
            401, "This browser is not paired with the bench. Open /pair and type the code shown there."
        )


def _no(status: int, text: str) -> Response:
    return PlainTextResponse(text + "\n", status)


def _name_of(host: str) -> str:
    """The name in a Host header, without its port; brackets of an IPv6 address are taken off."""
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""


def _from_here(request: Request, host: str) -> bool:
    """Whether the page that sent this is one of ours, by what every browser tells and no page can forge."""
    origin = request.headers.get("origin")
    if origin is None:
        return request.headers.get("sec-fetch-site") == "same-origin"
    return origin == f"{request.url.scheme}://{host}"


def _under(path: str, roots: Iterable[str]) -> bool:
    return any(path == root or path.startswith(f"{root}/") for root in roots)


def json_no(error: Exception, status: int = 409) -> Response:
    """An error as the pages read it: what happened and what to do next."""
    body = json.dumps({"error": str(error), "hint": getattr(error, "hint", "")})
    return Response(body, status, media_type="application/json")
