"""Who may see the screen: hosts, origins, pairing, read-only links, and what every answer carries."""

import asyncio
import os
import stat
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import httpx
import pytest
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from acquire.errors import ConfigError, TransportError
from acquire.outputs.screen.access import COOKIE, TRIES_N, TRIES_S, Admissions, Gate, is_loopback
from acquire.outputs.screen.server import Certificate, WebServer
from tests.manual_clock import ManualClock


async def hello(request: Request) -> Response:
    return PlainTextResponse("hello")


def client(
    admissions: Admissions | None, *, hosts: tuple[str, ...] = ("bench.example",)
) -> httpx.AsyncClient:
    inner = Starlette(
        routes=[Route(path, hello, methods=["GET", "POST"]) for path in ("/", "/do", "/pair", "/overlay")]
    )
    app = Gate(inner, hosts=hosts, admissions=admissions, overlay=("/overlay",), free=("/pair",))
    return httpx.AsyncClient(transport=httpx.ASGITransport(app=app), base_url=f"http://{hosts[0]}:8460")


def get(path: str, admissions: Admissions | None = None, **headers: str) -> httpx.Response:
    return call("GET", path, admissions, **headers)


def call(method: str, path: str, admissions: Admissions | None = None, **headers: str) -> httpx.Response:
    async def go() -> httpx.Response:
        async with client(admissions) as http:
            return await http.request(
                method, path, headers={key.replace("_", "-"): value for key, value in headers.items()}
            )

    return asyncio.run(go())


@pytest.fixture
def admissions(tmp_path: Path) -> Admissions:
    return Admissions(tmp_path / "paired.json", ManualClock())


def test_a_name_the_bench_does_not_go_by_is_refused() -> None:
    assert get("/").status_code == 200
    refused = get("/", host="evil.example:8460")
    assert refused.status_code == 421
    assert "'evil.example:8460'" in refused.text
    for broken in ("", "[::1", "bench.example.evil.example"):
        assert get("/", host=broken).status_code == 421


def test_orders_come_from_the_benchs_own_pages_only() -> None:
    assert call("POST", "/do").status_code == 403
    assert call("POST", "/do", origin="http://evil.example").status_code == 403
    assert call("POST", "/do", origin="null").status_code == 403
    assert call("POST", "/do", origin="https://bench.example:8460").status_code == 403, "another scheme"
    assert call("POST", "/do", origin="http://bench.example:8460").status_code == 200
    assert call("POST", "/do", sec_fetch_site="same-origin").status_code == 200
    assert call("POST", "/do", sec_fetch_site="cross-site").status_code == 403


def test_every_answer_keeps_the_page_to_itself() -> None:
    for response in (get("/"), get("/", host="evil.example"), get("/nowhere")):
        policy = response.headers["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert response.headers["x-content-type-options"] == "nosniff"
        assert response.headers["cache-control"] == "no-store"


def test_a_browser_pairs_once_and_is_remembered_over_a_restart(admissions: Admissions) -> None:
    assert get("/", admissions).status_code == 401
    sent_on = get("/", admissions, accept="text/html")
    assert (sent_on.status_code, sent_on.headers["location"]) == (303, "/pair")
    assert get("/pair", admissions).status_code == 200
    code = f"{admissions.code[:4]} {admissions.code[4:]}"  # as it is shown
    key = admissions.pair(code, "tablet")
    assert key is not None
    assert get("/", admissions, cookie=f"{COOKIE}={key}").status_code == 200
    again = Admissions(admissions.file, admissions.clock)
    assert again.code != admissions.code
    assert get("/", again, cookie=f"{COOKIE}={key}").status_code == 200
    assert key not in admissions.file.read_text(encoding="utf-8"), "the file holds no secret"
    if os.name == "posix":
        assert stat.S_IMODE(admissions.file.stat().st_mode) == 0o600


def test_a_code_cannot_be_guessed_in_peace(tmp_path: Path) -> None:
    clock = ManualClock()
    admissions = Admissions(tmp_path / "paired.json", clock)
    wrong = "0" * 8 if admissions.code != "0" * 8 else "1" * 8
    for _ in range(TRIES_N):
        assert admissions.pair(wrong, "x") is None
    with pytest.raises(ConfigError, match="too many wrong codes"):
        admissions.pair(admissions.code, "x")
    clock.move(TRIES_S)
    assert admissions.pair(admissions.code, "x") is not None


def test_browsers_that_pair_at_the_same_time_are_all_remembered(tmp_path: Path) -> None:
    admissions = Admissions(tmp_path / "paired.json", ManualClock())
    with ThreadPoolExecutor(8) as pool:
        keys = list(pool.map(lambda n: admissions.pair(admissions.code, f"tablet {n}"), range(24)))
    again = Admissions(tmp_path / "paired.json", ManualClock())
    assert {again.may(key) for key in keys} == {"all"}
    assert len(again.known) == 24


def test_a_session_ends_with_its_time_or_when_it_is_withdrawn(tmp_path: Path) -> None:
    clock = ManualClock()
    admissions = Admissions(tmp_path / "paired.json", clock)
    key = admissions.admit("all", "tablet")
    clock.move(29 * 86400)
    assert admissions.may(key) == "all"
    clock.move(2 * 86400)
    assert admissions.may(key) is None
    key = admissions.admit("all", "tablet")
    assert [one.label for one in admissions.known] == ["tablet"]
    admissions.withdraw()
    assert admissions.may(key) is None


def test_a_read_only_link_opens_the_overlay_and_nothing_else(admissions: Admissions) -> None:
    key = admissions.admit("overlay", "camera")
    assert get(f"/overlay?key={key}", admissions).status_code == 200
    assert get(f"/?key={key}", admissions).status_code == 401
    assert get("/", admissions, cookie=f"{COOKIE}={key}").status_code == 401
    assert get("/overlay?key=guess", admissions).status_code == 401
    given = call("POST", f"/overlay?key={key}", admissions, origin="http://bench.example:8460")
    assert given.status_code == 401


def test_a_list_of_browsers_that_cannot_be_read_says_what_to_do(tmp_path: Path) -> None:
    file = tmp_path / "paired.json"
    file.write_text("[{]", encoding="utf-8")
    with pytest.raises(ConfigError, match="cannot be read as the list") as caught:
        Admissions(file, ManualClock())
    assert "delete it" in caught.value.hint


@pytest.mark.parametrize(
    ("host", "own"),
    [("localhost", True), ("127.0.0.1", True), ("::1", True), ("192.0.2.1", False), ("bench", False)],
)
def test_what_only_this_machine_can_reach(host: str, own: bool) -> None:
    assert is_loopback(host) is own


def test_the_server_is_there_while_it_lasts_and_its_port_is_taken_once() -> None:
    app = Starlette(routes=[Route("/", hello)])
    with WebServer(app, host="127.0.0.1", port=0) as server:
        url = f"http://127.0.0.1:{server.port}/"
        assert httpx.get(url, trust_env=False).text == "hello"
        with pytest.raises(TransportError, match=f"port {server.port}"):
            WebServer(app, host="127.0.0.1", port=server.port)
    with pytest.raises(httpx.ConnectError):
        httpx.get(url, trust_env=False)


def test_a_certificate_that_is_none_is_refused_at_the_start(tmp_path: Path) -> None:
    file = tmp_path / "cert.pem"
    file.write_text("no certificate", encoding="utf-8")
    with pytest.raises(ConfigError, match=r"cert\.pem"):
        WebServer(Starlette(), host="127.0.0.1", port=0, certificate=Certificate(file))
