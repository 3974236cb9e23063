"""Identification of every shipped simulated gauge, as processes on real ports.

Gauges that speak in lines, and the clock they are timed by, run three times faster, so that the rhythm they
agree on is the real one. Gauges that are asked run at the clock's own pace: replies are waited for in it.
"""

from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import config
from acquire.cli.identify_asked import make
from acquire.cli.identify_said import Said
from acquire.clock import SystemClock
from acquire.identify import CannotTell, Heard, describe, infer, prove, with_unit
from acquire.identify.ask import Requests, load_requests
from acquire.identify.prove import prove_live
from acquire.identify.session import Session
from acquire.ports import parse_address
from acquire.ports.owner import connect_to
from drivers.description import GaugeDescription, load_description, parse_description
from tests.sim_process import SimProcess

FAST = 3.0
WEIGHT_KG = 0.2
STANDARD_GRAVITY_M_PER_S2 = 9.80665
"""Exact by definition (3rd CGPM, 1901; from memory)."""


@dataclass(frozen=True, slots=True)
class Shipped:
    """A simulator and what a person does and says; `truth` is what it then shows, by unit and channel."""

    station: str
    speaks: str
    speed: float = FAST
    hands: tuple[str, ...] = ()
    said: Said = field(default_factory=lambda: Said(ask=False))
    units: tuple[int, ...] = ()
    registers: tuple[int, int] | None = None
    truth: dict[str, float] = field(default_factory=dict)
    within: float = 0.0
    tcp: bool = False
    needs: str = ""
    """What had to be said besides the unit, for the table."""


_PULLED_N = WEIGHT_KG * STANDARD_GRAVITY_M_PER_S2
_KEYS = "press 12 every_s=1"
_WEIGHT = (f"weight {WEIGHT_KG}",)
GAUGES: dict[str, Shipped] = {
    "force-stream-n": Shipped("force", "force-stream-n"),
    "force-unit-mode": Shipped("force", "force-unit-mode"),
    "force-poll-gf": Shipped("force", "force-poll-gf", needs="that a pull shows as negative"),
    "gloss-key": Shipped("gloss", "gloss-key", hands=("pause 1.5", _KEYS)),
    "gloss-poll": Shipped("gloss", "gloss-poll", hands=("pause 6", _KEYS)),
    "wash-stroke": Shipped("wash", "wash-stroke"),
    "wash-poll": Shipped("wash", "wash-poll"),
    "balance-line": Shipped("room", "balance-line"),
    "irradiance-line": Shipped("room", "irradiance-line"),
    "scpi-force": Shipped(
        "force", "scpi-force", 1.0, _WEIGHT, Said(False, None, (-250.0, 250.0), ask_measure=True),
        truth={"N": _PULLED_N}, within=0.05, needs="MEAS may be asked, range",
    ),
    "modbus-force": Shipped(
        "force", "modbus-force", 1.0, _WEIGHT, Said(False, "N", (-200.0, 200.0), None, ("10:float32",)),
        truth={"N": _PULLED_N}, within=0.05, needs="register and type, range",
    ),
    "modbus-climate": Shipped(
        "room", "modbus-climate", 1.0, ("set temperature=26.5 humidity=61",),
        Said(False, "degC", (-40.0, 85.0), None, ("0:int16*0.1", "1:int16*0.1=%,0..100")),
        truth={"degC": 26.5, "%": 61.0}, within=0.4, needs="registers, type and scale, range",
    ),
    "bus, unit 1 (modbus-force)": Shipped(
        "bus", "modbus-bus", 1.0, _WEIGHT, Said(False, "N", (-200.0, 200.0), None, ("10:float32",)), (1, 3),
        truth={"N": _PULLED_N}, within=0.05, needs="register and type, range",
    ),
    "bus, unit 3 (modbus-panel)": Shipped(
        "bus", "modbus-bus", 1.0, ("set panel-1=40 panel-2=30",),
        Said(False, "degC", (-20.0, 120.0), None, ("100:int32*0.01", "200:int32*0.01=degC,-20..120")),
        (3,), (100, 201),
        truth={"degC register-100": 40.0, "degC register-200": 30.0}, within=0.4,
        needs="where to ask, registers, type and scale, range",
    ),
    "contact-wash": Shipped("wash", "contact-wash", tcp=True, hands=("pause 3", "strokes 5")),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Found:
    """What came of one attempt: a description, or why there is none."""

    heard: Heard | None = None
    description: GaugeDescription | None = None
    asked_unit: bool = False
    why: str = ""
    wrong: str = ""
    """How the live values of the description differ from the truth; empty where they do not."""

    @property
    def share(self) -> str:
        """For the table: yes, told the unit, or no."""
        if self.description is None or self.wrong:
            return "no"
        return "told the unit" if self.asked_unit else "yes"


def shipped_description(name: str) -> GaugeDescription:
    return load_description(Path(config.FOLDER) / "gauges" / f"{name}.toml")


def identify_all(folder: Path) -> dict[str, Found]:
    """Identifies all at once, each with a simulator of its own below `folder`."""
    with ExitStack() as sims, ThreadPoolExecutor(len(GAUGES)) as pool:
        ports = {}
        for number, (name, gauge) in enumerate(GAUGES.items()):
            where = ("--tcp", "0") if gauge.tcp else ("--link", str(folder / f"gauge-{number}"))
            auto = () if gauge.speed == 1.0 or gauge.tcp else ("--auto",)
            args = (gauge.station, "--speaks", gauge.speaks, *where, "--speed", f"{gauge.speed:g}", *auto)
            sim = sims.enter_context(SimProcess(*args))
            ports[name] = sim.port
            for line in gauge.hands:
                sim.tell(line)
        return dict(zip(ports, pool.map(_identify, ports, ports.values()), strict=True))


def _identify(name: str, port: str) -> Found:
    """As the command does it; every request may be sent."""
    gauge = GAUGES[name]
    clock = SystemClock(gauge.speed)
    address = parse_address(port)
    session = Session(
        lambda settings: connect_to(address, settings)(clock.sleep),
        clock,
        lambda text: None,
        may_ask=lambda requests: True,
        has_speed=False,
    )
    try:
        heard = session.listen()
        if heard is None:
            requests = _requests(gauge)
            answer = session.ask(requests)
            if answer is None:
                return Found(why="does not answer")
            if answer.request.kind != "line":
                made = make(session, answer, requests, gauge.said).description
                return _held_to_truth(gauge, session, made)
            heard = session.poll(answer)
        return _of_lines(name, heard)
    except CannotTell as error:
        return Found(why=f"{error}. {error.hint}")


def _requests(gauge: Shipped) -> Requests:
    requests = load_requests()
    if gauge.registers is not None:
        requests = requests.reading(*gauge.registers)
    return requests.only_modbus(gauge.units) if gauge.units else requests


def _held_to_truth(gauge: Shipped, session: Session, made: GaugeDescription) -> Found:
    wrong = []
    read: dict[str, float] = {}
    for sample in prove_live(made, session.open_, session.clock).samples:
        name = f"{sample.kind.unit} {sample.kind.channel or ''}".strip()
        read[name] = sample.value
    if read.keys() != gauge.truth.keys():
        wrong.append(f"reads {sorted(read)} instead of {sorted(gauge.truth)}")
    wrong += [
        f"{name}: {read[name]} instead of {true}"
        for name, true in gauge.truth.items()
        if name in read and not abs(read[name] - true) <= gauge.within
    ]
    return Found(None, made, gauge.said.unit is not None, wrong="; ".join(wrong))


def _of_lines(name: str, heard: Heard) -> Found:
    shipped = shipped_description(name)
    understood = infer(heard)
    asked = not understood.line.units
    if asked:
        # Not printed, so not to be heard: a person is asked, and answers.
        understood = with_unit(understood, shipped.quantity, shipped.unit)
    description = parse_description(describe(understood, "x").encode(), "x")
    mine, theirs = prove(description, heard), prove(shipped, heard)
    # The sign of a pull cannot be heard: a person says it.
    sign = -1.0 if shipped.tension == "negative" else 1.0
    alike = [one.value for one in mine.samples] == [sign * one.value + 0.0 for one in theirs.samples]
    return Found(heard, description, asked, wrong="" if mine.holds and alike else "values differ")
