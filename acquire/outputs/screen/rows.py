"""The readings and refusals of the step that is armed, as known now, read on from where they were left."""

import json
from dataclasses import dataclass, field
from typing import Any

from acquire.facts import facts
from acquire.journal import Journal
from acquire.known import amended
from acquire.model import Amendment, Reading, Refusal, Step, Test
from acquire.scoring.method import Method
from acquire.scoring.selection import left_out_by_stamp
from acquire.trials import Record, state_of

MOST_REFUSALS = 20
"""So many of the newest are shown; the others are counted."""


@dataclass
class StepRows:
    """What belongs to one step of a trial."""

    trial: str
    step: Step
    readings: dict[str, Reading] = field(default_factory=dict)
    """As logged, by id, in the journal's order."""
    refusals: list[Refusal] = field(default_factory=list)
    _amendments: dict[str, list[Amendment]] = field(default_factory=dict)

    def begin(self, journal: Journal) -> None:
        """Reads all that the journal holds of the step.

        Raises:
            JournalError: it cannot be read.
        """
        # Of a long journal only what names the trial is looked at closely.
        named = f'"trial":{json.dumps(self.trial)}'
        for kind in ("reading", "refusal"):
            for _, text in journal.bodies(kind):
                if named in text:
                    self.hear(kind, json.loads(text))
        for event, amendment in facts(journal, "amendment", Amendment):
            if amendment.reading in self.readings:
                self.hear(event.kind, event.body)

    def hear(self, kind: str, body: dict[str, Any]) -> None:
        """Takes an event, if it concerns the step."""
        if kind == "amendment" and body.get("reading") in self.readings:
            amendment = Amendment.model_validate(body)
            self._amendments.setdefault(amendment.reading, []).append(amendment)
        if kind not in ("reading", "refusal") or body.get("trial") != self.trial or body.get("step") is None:
            return
        if Step.model_validate(body["step"]) != self.step:
            return
        if kind == "reading":
            reading = Reading.model_validate(body)
            self.readings[reading.id] = reading
        else:
            self.refusals.append(Refusal.model_validate(body))

    def known(self) -> list[Reading]:
        """The readings with their amendments."""
        return [amended(one, self._amendments.get(one.id, ())) for one in self.readings.values()]

    def as_data(self, method: Method) -> dict[str, Any]:
        """For the page: how far the step is, and each reading with what became of it."""
        known = self.known()
        # Strokes come in bunches by the thousand, and those of earlier stages count too: how far a wash is,
        # its gauge tells.
        is_wash = self.step.test is Test.WASH
        state = None if is_wash else state_of(self.trial, self.step, method, Record(tuple(known)))
        return {
            "trial": self.trial,
            "step": self.step.model_dump(mode="json"),
            "text": str(self.step),
            "taken": None if state is None else state.taken,
            "wanted": None if state is None else state.wanted,
            "readings": [_reading(one, method) for one in (known[-1:] if is_wash else known)],
            "refusals": [_refusal(one) for one in self.refusals[-MOST_REFUSALS:]],
            "refused_n": len(self.refusals),
        }


def _reading(one: Reading, method: Method) -> dict[str, Any]:
    if one.counts is False:
        became = "undone"
    elif one.extra and not one.counts:
        became = "extra"
    elif left_out_by_stamp(one, method) is not None:
        became = "not counted"
    else:
        became = "taken"
    return {
        "id": one.id,
        "value": one.value,
        "unit": one.unit,
        "resolution": one.resolution,
        "became": became,
        "flagged": one.flagged,
        "state": one.stamp.state.value,
        "t_utc": one.t_utc.isoformat(),
    }


def _refusal(one: Refusal) -> dict[str, Any]:
    return {"id": one.id, "reasons": list(one.reasons), "t_utc": one.t_utc.isoformat()}
