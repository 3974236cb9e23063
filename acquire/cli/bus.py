"""`panelwright bus` and `panelwright follow`: a bench on an MQTT bus, and who watches it there."""

import os
import threading
from pathlib import Path
from typing import TYPE_CHECKING

import click

from acquire.cli.options import echo_json, home_option, json_option
from acquire.cli.plain import harmless

if TYPE_CHECKING:
    from acquire.outputs.mqtt.following import Shown

url_option = click.option(
    "--url", metavar="URL", help="The broker, such as mqtts://host:8883, in place of PANELWRIGHT_MQTT_URL."
)


@click.group()
def bus() -> None:
    """Publish a bench over MQTT.

    The broker and who we are there come from the environment: PANELWRIGHT_MQTT_URL (mqtt://host:1883, or
    mqtts://host:8883 with TLS), PANELWRIGHT_MQTT_USER and _PASSWORD, and for TLS _CA (certificates to trust),
    _CERT and _KEY (our own). Without a broker everything else works all the same.
    """


@bus.command(epilog="Example:  panelwright bus run --url mqtt://127.0.0.1 --home my-bench")
@url_option
@click.option(
    "--rate",
    type=click.FloatRange(min=1),
    default=200.0,
    show_default=True,
    help="Events a second at most while catching up.",
)
@home_option
def run(url: str | None, rate: float, home: Path) -> None:
    """Keep a bench on the bus until Ctrl-C, beside whatever else works with it.

    Everything in the journal is delivered once, in order; a broker that is away is waited for. Who watches
    live traces needs the bench's own service for that.
    """
    import signal
    from concurrent.futures import ThreadPoolExecutor
    from dataclasses import replace

    from acquire.home import Home
    from acquire.outputs.mqtt import BusSettings, run_bus

    settings = replace(BusSettings.from_environment(os.environ, url=url), rate_per_s=rate)
    stop = threading.Event()
    # The bus takes its leave of the broker in order, whichever way it is ended.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    with ThreadPoolExecutor(1) as pool:
        pool.submit(run_bus, Home(home), None, settings, stop, say=click.echo).result()


@bus.command(epilog="Example:  panelwright bus schema > bus.json")
def schema() -> None:
    """Print topics and payloads for other programs: an AsyncAPI 3 document with JSON Schemas."""
    from acquire.outputs.mqtt.schema import asyncapi

    echo_json(asyncapi())


@click.command(epilog="Example:  panelwright follow --url mqtt://127.0.0.1 --bench example-bench-invented")
@url_option
@click.option("--bench", metavar="NAME", help="Only this bench, as named in topics; all benches otherwise.")
@click.option(
    "--since", type=click.IntRange(min=0), metavar="N", help="First the events after this number; 0: all."
)
@click.option("--notes", is_flag=True, help="Also what the bench tells its people, at once.")
@json_option
def follow(url: str | None, bench: str | None, since: int | None, notes: bool, as_json: bool) -> None:
    """Print what benches publish, each event once and in order, until Ctrl-C.

    What was missed while away is asked for again; what is not to be had is said. See `panelwright bus` for
    the environment.
    """
    import asyncio

    from acquire.outputs.mqtt import BusSettings
    from acquire.outputs.mqtt.following import Connected
    from acquire.outputs.mqtt.following import follow as following

    settings = BusSettings.from_environment(os.environ, url=url)

    async def show() -> None:
        said = ""
        async for one in following(settings, bench=bench, since=since, notes=notes):
            # The same reason at every attempt is told once.
            if isinstance(one, Connected) and one.said == said:
                continue
            said = one.said if isinstance(one, Connected) else said
            echo_json(_as_data(one), indent=None) if as_json else click.echo(harmless(_in_words(one)))

    try:
        asyncio.run(show())
    except KeyboardInterrupt:
        # How a person ends it.
        return


def _as_data(shown: "Shown") -> dict[str, object]:
    from dataclasses import asdict

    from pydantic import BaseModel

    said = shown.model_dump(mode="json") if isinstance(shown, BaseModel) else asdict(shown)
    return {"what": type(shown).__name__, **said}


def _in_words(shown: "Shown") -> str:
    from acquire.chain import Event
    from acquire.outputs.mqtt.following import Connected, Gap
    from acquire.outputs.mqtt.messages import BenchState, NoteMessage
    from acquire.outputs.words import in_words

    match shown:
        case Connected(said=said):
            return f"-- {said}"
        case Gap(bench=bench, after=after, before=before):
            return f"-- {bench}: what came between {after} and {before} is missing and was not to be had"
        case BenchState(online=online, said=said, bench=bench, seq=seq):
            return f"-- {bench}: {'there' if online else 'not there'} ({said}), delivered up to {seq}"
        case NoteMessage(t_utc=t_utc, gauge=gauge, text=text):
            return f"    now  {t_utc:%Y-%m-%d %H:%M:%S}Z  {gauge + ': ' if gauge else ''}{text}"
    event = Event(shown.seq, shown.id, shown.kind, shown.t_utc, 0, shown.body, "", shown.hash)
    return f"{shown.seq:7d}  {shown.t_utc:%Y-%m-%d %H:%M:%S}Z  {in_words(event)}"
