"""The loop of one simulator process: hands in, bytes out, in time that may run faster than the clock."""

import json
import select
import signal
import socket
import time
from collections import deque
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from types import FrameType, TracebackType
from typing import TextIO

from simulators.commands import Command, CommandError, Form, parse
from simulators.faults import Faults
from simulators.hands import Hands
from simulators.line import Line
from simulators.speech import Format, Requests
from simulators.station import Station
from simulators.wire import Wire

TICK_S = 0.01
"""How often a streaming gauge sends what has come together, in real time."""
IDLE_S = 0.02
"""How often a waiting gauge looks whether somebody has opened its port."""
AUTO_PAUSE_S = 2.0
HALF_HEARD_S = 0.05
"""Real time in which a listener reads the half of a message that a drawn cable leaves it."""

COMMON_FORMS = {
    "pause": Form("pause 3", "seconds", bare=False),
    "fault": Form(
        "fault garble p=0.01",
        "garble, cut, repeat, silence, noise, echo, speed, parity, flow, stall or none",
        frozenset({"p", "n", "s", "bits"}),
        bare=False,
    ),
    "unplug": Form("unplug s=1.5", "mid for in the middle of a message", frozenset({"s"})),
    "quit": Form("quit"),
}


class TruthFile:
    """Writes what really happens, one JSON object a line, as it happens. Only tests read it."""

    def __init__(self, path: Path | None) -> None:
        self._file: TextIO | None = path.open("w", encoding="utf-8") if path else None

    def __call__(self, event: str, **facts: object) -> None:
        if self._file is not None:
            self._file.write(json.dumps({"event": event, **facts}) + "\n")
            self._file.flush()

    def __enter__(self) -> "TruthFile":
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._file is not None:
            self._file.close()


class Simulator:
    """One gauge on one wire, driven by hands.

    What the gauge does (`pull`, `press`, `pause` ...) happens in the order given; `fault`, `unplug` and
    `quit` happen at once, also in the middle of it. Seconds are simulated ones. Each command is answered
    by one line when it is done.
    """

    def __init__(
        self,
        station: Station,
        wire: Wire,
        form: Format,
        *,
        truth: TruthFile,
        say: Callable[[str], None],
        seed: int,
        speed: float,
        auto: bool,
        bytes_per_s: float | None = None,
    ) -> None:
        self.station, self.wire, self.form = station, wire, form
        self.truth, self._say_line = truth, say
        self.speed, self.auto = speed, auto
        self.faults = Faults(Random(f"faults {seed}"))
        self.line = Line(Random(f"line {seed}"), bytes_per_s)
        self._rng = Random(f"entry {seed}")
        self._requests = Requests(form.request)
        self._forms: Mapping[str, Form] = {**station.forms, **COMMON_FORMS}
        self._waiting: deque[Command] = deque()
        self._doing: Command | None = None
        self._pause_until_s = 0.0
        self._rest_until_s = AUTO_PAUSE_S
        self._later: list[tuple[float, Command]] = []
        self._unplug_in_message: Command | None = None
        self._ended = False
        self._unheard = True
        self._listened = False

    def run(self) -> None:
        """Serves until told to end. Raises WireError if the port cannot be made."""
        hands = Hands()
        self._catch_signals(hands)
        self.wire.plug()
        try:
            began_s = time.monotonic()
            self.truth("start", t_s=0.0, utc=datetime.now(UTC).isoformat(), speed=self.speed)
            # What is sent at power-up goes out before anybody is told where to listen.
            self._step(0.0)
            self._say(port=self.wire.address)
            while not self._ended:
                t_s = (time.monotonic() - began_s) * self.speed
                for line in hands.take():
                    self._hear(line, t_s)
                self._step(t_s)
                waitables: list[int | socket.socket] = [hands.wakes, *self.wire.waitables()]
                select.select(waitables, [], [], self._patience_s(t_s))
        finally:
            self.wire.unplug()

    def _catch_signals(self, hands: Hands) -> None:
        def end(signum: int, frame: FrameType | None) -> None:
            self._ended = True
            hands.wake()

        for signum in (signal.SIGINT, signal.SIGTERM):
            signal.signal(signum, end)

    def _say(self, **answer: object) -> None:
        self._say_line(json.dumps(answer))

    def _hear(self, line: str | None, t_s: float) -> None:
        if line is None:
            # What was asked for before the hands let go is still carried out.
            if not self.auto:
                self._waiting.append(Command("quit", "quit", None, {}))
            return
        if not line.strip():
            return
        try:
            command = parse(line, self._forms)
            if command.name in ("fault", "unplug", "quit"):
                self._at_once(command, t_s)
            else:
                self._waiting.append(command)
        except CommandError as error:
            self._say(error=str(error), command=line.strip())

    def _at_once(self, command: Command, t_s: float) -> None:
        if command.name == "quit":
            self._ended = True
            self._done(command)
        elif command.name == "unplug":
            if any(later.name == "unplug" for _, later in self._later):
                raise CommandError(f"{command.text!r}: it is unplugged already")
            if command.word == "mid":
                self._unplug_in_message = command
            else:
                self._unplug(command, t_s)
        else:
            self._fault(command, t_s)

    def _unplug(self, command: Command, t_s: float) -> None:
        self.wire.unplug()
        self.truth("unplug", t_s=t_s)
        self._later.append((t_s + command.option("s", 1.0, at_least=0.0), command))

    def _fault(self, command: Command, t_s: float) -> None:
        faults, count = self.faults, int(command.option("n", 1, at_least=1))
        match command.word:
            case "garble":
                faults.garble_p = command.option("p", 0.01, at_least=0.0, at_most=1.0)
            case "cut":
                faults.cuts_n += count
            case "repeat":
                faults.repeats_n += count
            case "silence":
                faults.silent_until_s = t_s + command.option("s", 1.0, at_least=0.0)
                self._later.append((faults.silent_until_s, command))
                return
            case "none":
                faults.garble_p, faults.cuts_n, faults.repeats_n, faults.silent_until_s = 0.0, 0, 0, 0.0
                self.line.clear()
            case _:
                self._fault_of_line(command, t_s)
                return
        self._done(command)

    def _fault_of_line(self, command: Command, t_s: float) -> None:
        line = self.line
        match command.word:
            case "noise" | "stall":
                until_s = t_s + command.option("s", 1.0, at_least=0.0)
                setattr(line, f"{command.word}_until_s", until_s)
                self._later.append((until_s, command))
                return
            case "echo":
                line.echo = True
            case "speed" | "parity":
                line.mismatch = command.word
                line.bits = int(command.option("bits", 7, at_least=7, at_most=8))
            case "flow":
                line.flow_p = command.option("p", 0.01, at_least=0.0, at_most=1.0)
            case _:
                raise CommandError(f"{command.text!r}: no such fault; known: {self._forms['fault'].word}")
        self._done(command)

    def _done(self, command: Command) -> None:
        self._say(done=command.name, command=command.text)

    def _step(self, t_s: float) -> None:
        """Everything that is due at `t_s`."""
        for due in [due for due in self._later if due[0] <= t_s]:
            self._later.remove(due)
            self._finish_later(due[1], t_s)
        self._serve(t_s)
        self._go_on(t_s)

    def _finish_later(self, command: Command, t_s: float) -> None:
        if command.name == "unplug":
            self.wire.plug()
            self.truth("plug", t_s=t_s)
        self._done(command)

    def _serve(self, t_s: float) -> None:
        received = self.wire.receive()
        messages = self.station.advance(t_s)
        messages += self._answers(self.line.heard(received), t_s)
        if self.wire.listening and not self._listened:
            messages = self.station.opened(t_s) + messages
        self._listened = self.wire.listening
        if not self.wire.listening:
            self._unheard = True
        elif messages and self._unheard:
            self._unheard = False
            if self.form.stream:
                # Whoever opens a stream comes in the middle of a line.
                messages[0] = messages[0][self._rng.randrange(len(messages[0])) :]
        if messages and self._unplug_in_message is not None:
            self._break_off(messages, t_s)
            return
        data = b"".join(messages) if self.faults.idle else self._damaged(messages, t_s)
        if not self.wire.listening:
            self.line.held = data = b""
        elif not self.line.idle:
            data = self.line.out(data, received, t_s)
        if data:
            self.wire.send(data)

    def _break_off(self, messages: list[bytes], t_s: float) -> None:
        """Half a message, and the cable is out."""
        command, self._unplug_in_message = self._unplug_in_message, None
        assert command is not None
        self.wire.send(b"".join([*messages[:-1], messages[-1][: len(messages[-1]) // 2]]))
        # A terminal that is closed takes what nobody has read with it; a cable does not.
        time.sleep(HALF_HEARD_S)
        self._unplug(command, t_s)

    def _answers(self, received: bytes, t_s: float) -> list[bytes]:
        if self.station.ear is None:
            return [self.station.reply(t_s) for _ in range(self._requests.feed(received))]
        replies = [self.station.answer(request, t_s) for request in self.station.ear.feed(received)]
        return [reply for reply in replies if reply]

    def _damaged(self, messages: list[bytes], t_s: float) -> bytes:
        out = b"".join([self.faults.send(message, t_s) for message in messages])
        for damage in self.faults.damages:
            facts = {"meant": damage.meant.decode("latin-1"), "sent": damage.sent.decode("latin-1")}
            self.truth("fault", t_s=t_s, fault=damage.fault, **facts)
        self.faults.damages.clear()
        return out

    def _go_on(self, t_s: float) -> None:
        """Ends what is done and begins what comes next, as far as that goes without waiting."""
        while not self._ended and not self.station.busy and t_s >= self._pause_until_s:
            if self._doing is not None:
                self._done(self._doing)
                self._doing, self._rest_until_s = None, t_s + AUTO_PAUSE_S
            if not self._waiting and self.auto and t_s >= self._rest_until_s:
                self._waiting.append(parse(self.station.auto(), self._forms))
            if not self._waiting:
                return
            self._begin(self._waiting.popleft(), t_s)

    def _begin(self, command: Command, t_s: float) -> None:
        try:
            if command.name == "quit":
                self._ended = True
            elif command.name == "pause":
                self._pause_until_s = t_s + command.number()
            else:
                self.station.start(command, t_s)
        except CommandError as error:
            self._say(error=str(error), command=command.text)
        else:
            self._doing = command

    def _patience_s(self, t_s: float) -> float:
        """How long nothing can be due, in real time."""
        if self.form.stream or not self.line.idle or (self.station.busy and self.station.next_s is None):
            return TICK_S
        dues_s = [due_s for due_s, _ in self._later]
        if self.station.next_s is not None:
            dues_s.append(self.station.next_s)
        if self._pause_until_s > t_s:
            dues_s.append(self._pause_until_s)
        wait_s = (min(dues_s) - t_s) / self.speed if dues_s else IDLE_S
        return min(IDLE_S, max(0.0, wait_s))
