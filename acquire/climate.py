"""What surrounds the tests goes into the journal as events of its own: kind "climate". It is never scored."""

from collections.abc import Callable

from acquire.bench import Bench
from acquire.capture.taken import Taken
from acquire.chain import Event
from acquire.clock import Clock
from acquire.journal import Journal
from acquire.logger import Source, place_of
from acquire.model import Climate


def climate_of(taken: Taken, *, gauge: str, source: Source, bench: Bench) -> Climate:
    """A slow value as it is kept, held against the bench's standard atmosphere if it is the room's.

    Raises:
        ConfigError: the bench has no such gauge.
    """
    where = bench.gauge(gauge).where
    channel = taken.details.get("channel")
    concerned = where == "room" and taken.quantity in ("temperature", "humidity")
    at, raw = place_of(taken, source)
    return Climate(
        gauge=gauge,
        quantity=taken.quantity,
        value=taken.value,
        unit=taken.unit,
        channel=None if channel is None else str(channel),
        where=where,
        outside=bench.atmosphere.outside(taken.quantity, taken.value) if concerned else None,
        atmosphere=bench.atmosphere.name if concerned else None,
        t_utc=at,
        raw=raw,
    )


def log_climate(journal: Journal, clock: Clock, climate: Climate, *, sync: Callable[[], None]) -> Event:
    """Writes it down, bytes first.

    Raises:
        JournalError, OSError: nothing was written.
    """
    sync()
    return journal.append("climate", climate, t_utc=clock.utc(), t_mono_ns=clock.monotonic_ns())


def in_words(climate: Climate) -> str:
    """One sentence for a person."""
    names = {"temperature": "air" if climate.where == "room" else "panel surface"}
    what = names.get(climate.quantity, climate.quantity)
    channel = f" ({climate.channel})" if climate.channel else ""
    said = f"{what}{channel} {climate.value:g} {climate.unit}"
    return f"{said}, outside: {climate.outside}" if climate.outside else said
