"""Holds a description against the bytes it was written from."""

from dataclasses import dataclass

from acquire.clock import Clock
from acquire.errors import PortLost
from acquire.identify.ask import exchange
from acquire.identify.heard import CannotTell, Heard
from acquire.identify.listen import Open
from drivers.base import FrameError, Sample
from drivers.description import GaugeDescription
from drivers.plan import Request
from drivers.registry import make_driver

DAMAGED_SHARE = 0.05
"""So many lines may have been damaged on the way; more, and the description is wrong."""
LIVE_ROUNDS_N = 10
FOLLOWING_N = 12
"""A queue of errors ends sooner than this."""


@dataclass(frozen=True, slots=True)
class Proof:
    """What a description makes of what was heard."""

    samples: tuple[Sample, ...]
    damaged: tuple[FrameError, ...]

    @property
    def holds(self) -> bool:
        """At least one value was read, and hardly a line was damaged."""
        total = len(self.samples) + len(self.damaged)
        return bool(self.samples) and len(self.damaged) <= DAMAGED_SHARE * total


def prove(description: GaugeDescription, heard: Heard) -> Proof:
    """Decodes what was heard as the service would."""
    driver = make_driver(description)
    samples: list[Sample] = []
    damaged: list[FrameError] = []
    for _, data in heard.chunks:
        batch = driver.feed(data)
        samples += batch
        damaged += batch.errors
    return Proof(tuple(samples), tuple(damaged))


def prove_live(description: GaugeDescription, open_: Open, clock: Clock) -> Proof:
    """Asks the gauge as the service would, by this description, and decodes what it answers.

    Raises:
        CannotTell: the port was lost meanwhile.
    """
    driver = make_driver(description)
    plan = driver.plan()
    assert plan is not None, "only gauges whose family asks them are proved live"
    samples: list[Sample] = []
    damaged: list[FrameError] = []
    wire = open_(description.serial)

    def ask(request: Request) -> bytes:
        clock.sleep(plan.gap_s)
        damaged.extend(driver.sent(request.data))
        reply = exchange(wire, clock, request.data, lambda received: request.missing(received) == 0)[0]
        batch = driver.feed(reply)
        samples.extend(batch)
        damaged.extend(batch.errors)
        return reply

    try:
        for number in range(LIVE_ROUNDS_N):
            for request in plan.requests:
                if number % request.every_n if request.every_n else number:
                    continue
                following: Request | None = request
                for _ in range(FOLLOWING_N):
                    if following is None:
                        break
                    reply = ask(following)
                    following = following.follow(reply) if following.follow else None
    except PortLost as error:
        raise CannotTell(f"{wire.name}: {error}") from error
    finally:
        wire.close()
    return Proof(tuple(samples), tuple(damaged))
