"""The steps of one trial: its protocol, spread over panels, zones and the method's wash stages."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from acquire.errors import ConfigError
from acquire.model import Step, Test, Trial
from acquire.protocol import Protocol, ProtocolStep
from acquire.scoring.method import Method
from acquire.trials import uses

_NOT_ON_CONTROL = ("apply", "cure")


@dataclass(frozen=True, slots=True)
class Planned:
    """One step of the protocol on one panel, at one wash stage."""

    key: str
    """Name, panel, stage and zone, such as "slip/black-1" or "inspect/black-1/150"."""
    rule: ProtocolStep
    panel: str | None
    step: Step | None
    """What its readings, ratings or inspections belong to, if it has any."""
    block: int
    """Steps of one block may be taken in any order."""

    def __str__(self) -> str:
        words = [self.rule.title]
        if self.panel is not None:
            words.append(f"on {self.panel}")
        if self.step is not None and self.step.zone is not None:
            words.append(f"({self.step.zone} zone)")
        if self.step is not None and self.step.stage is not None:
            words.append(f"at stage {self.step.stage}")
        return " ".join(words)

    def concerns(self, other: "Planned") -> bool:
        """Whether both touch one panel; what concerns the whole trial touches them all."""
        return self.panel is None or other.panel is None or self.panel == other.panel


def planned_steps(
    trial: Trial, protocol: Protocol, method: Method, control_zones: Iterable[str] = ()
) -> list[Planned]:
    """Every step of a trial in order: the protocol, spread over panels, zones and the method's wash stages.

    Steps whose test the method does not use are left out, and on an untreated control what the product needs.
    """
    zoned = frozenset(control_zones)
    found: list[Planned] = []
    block, group = 0, ""
    for rule in protocol.steps:
        if not _concerned(rule, trial, method) or rule.kind == "inspect":
            continue
        if rule.kind == "wash":
            inspect = next(one for one in protocol.steps if one.kind == "inspect")
            for stage in (one.at for one in method.wash.stages if one.at > 0):
                for one in (rule, inspect):
                    block += 1
                    found += _spread(one, trial, zoned, block, stage)
            group = ""
            continue
        own = _group(rule)
        block, group = (block if own == group else block + 1), own
        found += _spread(rule, trial, zoned, block)
    return found


def _concerned(rule: ProtocolStep, trial: Trial, method: Method) -> bool:
    if rule.measured is not None and not uses(method, rule.measured):
        return False
    return not (trial.control and (rule.kind in _NOT_ON_CONTROL or rule.measured is Test.HANDLING))


def _group(rule: ProtocolStep) -> str:
    """What may be taken in any order: measuring and rating side by side; preparing has its order."""
    if rule.kind in ("measure", "rate"):
        return f"measure {rule.phase}"
    return rule.name


def _spread(
    rule: ProtocolStep, trial: Trial, zoned: frozenset[str], block: int, stage: int | None = None
) -> Iterator[Planned]:
    if not rule.per_panel:
        yield Planned(rule.name, rule, None, None, block)
        return
    # One panel is washed, and one shows how the product goes on: the method's scores look at the first.
    first_only = rule.first_panel_only or rule.measured in (Test.WASH, Test.HANDLING)
    for panel in trial.panels[:1] if first_only else trial.panels:
        zones = (None, "control") if rule.control_zone and panel in zoned else (None,)
        for zone in zones:
            parts = [
                rule.name,
                panel,
                *([str(stage)] if stage is not None else []),
                *([zone] if zone else []),
            ]
            step = None
            if rule.measured is not None:
                step = Step(test=rule.measured, panel=panel, phase=rule.phase, stage=stage, zone=zone)
            yield Planned("/".join(parts), rule, panel, step, block)


def must_serve(protocol: Protocol, method: Method) -> None:
    """Raises ConfigError if the method scores a test that the protocol has no step for."""
    missing = unserved(protocol, method)
    if missing:
        raise ConfigError(
            f"the method scores {', '.join(missing)}, and the protocol {protocol.title!r} has no step for it",
            hint="add the step to protocol.toml, or set used = false in method.toml",
        )


def unserved(protocol: Protocol, method: Method) -> list[str]:
    """Tests that the method scores and the protocol has no step for: such a trial would never be complete."""
    served = {(rule.measured, rule.phase) for rule in protocol.steps if rule.measured is not None}
    wanted = [(test, "treated") for test in Test] + [
        (test, "bare") for test in (Test.SLIP, Test.GLOSS, Test.UV)
    ]
    return [
        test.value if phase == "treated" else f"bare {test.value}"
        for test, phase in wanted
        if uses(method, test) and (test, phase) not in served
    ]


COMMAND_OF = {Test.SLIP: "slip", Test.GLOSS: "gloss", Test.WASH: "wash", Test.UV: "uv"}
"""How a test is called behind `panelwright capture`."""


def command_for(trial: Trial, one: Planned) -> str:
    """What is typed to take a step."""
    kind, step = one.rule.kind, one.step
    if step is None:
        if kind == "apply":
            return f"panelwright apply {trial.id} --panel {one.panel} --sprays N"
        if kind == "check":
            return "panelwright check GAUGE --against REFERENCE"
        said = "skip" if kind == "cure" else "done"
        reason = " --reason ..." if kind == "cure" else ""
        return f"panelwright step {said} {trial.id} {one.key}{reason}"
    if kind == "rate":
        return f"panelwright rate {trial.id} {step.test.value} VALUE --panel {step.panel}"
    if kind == "inspect":
        # Both answers, so that nobody copies one without having looked.
        return f"panelwright inspect {trial.id} {step.stage} --passed/--failed --panel {step.panel}"
    words = f"panelwright capture {trial.id} {COMMAND_OF[step.test]} --panel {step.panel}"
    if kind == "wash":
        return f"{words} --stage {step.stage}"
    return f"{words} --phase {step.phase}" + (" --control-zone" if step.zone else "")
