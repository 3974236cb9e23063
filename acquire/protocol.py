"""The protocol: the steps of a trial in their order, as a tester writes them down in protocol.toml.

Method and protocol are two files, because they change for different reasons: the method says how readings
become points, the protocol what is done with hands, in which order, after which wait. `Protocol.sha256` is
the fingerprint of exactly that text; a trial keeps the protocol it was opened under.
"""

import hashlib
import tomllib
from collections import Counter
from collections.abc import Iterator
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationError, model_validator

from acquire.errors import ConfigError
from acquire.model import Phase, Test
from drivers.keys import OneLine, faults

StepKind = Literal["prepare", "apply", "cure", "measure", "rate", "wash", "inspect", "check", "close"]

_MEASURED = ("slip", "gloss", "UV screening")
_RATED = ("handling", "appearance")
_WHOLE_TRIAL = ("check", "close")


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False)


class ProtocolStep(_Table):
    """One step as the file describes it; it is taken on every panel it concerns."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
    kind: StepKind
    title: OneLine
    """For a person: what is done."""
    test: Literal["slip", "gloss", "UV screening", "handling", "appearance"] | None = None
    """What is measured or rated; a step whose test the method does not use is left out."""
    phase: Phase = "treated"
    control_zone: bool = False
    """Taken on the untreated control zone too, on a panel that has one."""
    first_panel_only: bool = False
    holds: bool = True
    """Whether what comes later waits for it; if not, leaving it out is marked and nothing more."""
    wait_h: Annotated[float, Field(gt=0, le=10_000)] | None = None
    """Of a cure: hours from the application until the next step."""
    needs: list[OneLine] = []
    """What should be at hand."""
    instruction: str = ""
    caution: str = ""

    @property
    def measured(self) -> Test | None:
        """The test that readings or ratings of this step belong to."""
        if self.kind in ("wash", "inspect"):
            return Test.WASH
        return None if self.test is None else Test(self.test)

    @property
    def per_panel(self) -> bool:
        return self.kind not in _WHOLE_TRIAL

    @model_validator(mode="after")
    def _keys_fit_the_kind(self) -> Self:
        found = list(self._misfits())
        if found:
            raise ValueError("; ".join(found))
        return self

    def _misfits(self) -> Iterator[str]:
        fitting = {"measure": _MEASURED, "rate": _RATED}.get(self.kind, ())
        if fitting and self.test not in fitting:
            yield f"a step to {self.kind} needs test = one of {', '.join(fitting)}"
        if not fitting and self.test is not None:
            yield f"test goes with measure and rate, not with {self.kind}"
        if (self.wait_h is None) == (self.kind == "cure"):
            yield "a cure needs wait_h" if self.kind == "cure" else "wait_h goes with a cure only"
        if self.control_zone and self.kind != "measure":
            yield "control_zone goes with a step to measure only"
        if self.phase == "bare" and self.kind != "measure":
            yield 'phase = "bare" goes with a step to measure only'


class Protocol(_Table):
    """All steps of a trial. Make it with `parse_protocol`."""

    format: Literal["panelwright-protocol 1"]
    title: OneLine
    steps: Annotated[list[ProtocolStep], Field(min_length=1)]

    _sha256: str = PrivateAttr("")
    _text: str = PrivateAttr("")

    @property
    def sha256(self) -> str:
        """Hexadecimal SHA-256 of the protocol's text, as UTF-8."""
        return self._sha256

    @property
    def text(self) -> str:
        return self._text

    @model_validator(mode="after")
    def _order_can_be(self) -> Self:
        found = list(self._disorder())
        if found:
            raise ValueError("; ".join(found))
        return self

    def _disorder(self) -> Iterator[str]:
        names = Counter(step.name for step in self.steps)
        yield from (f"{name!r} is the name of {n} steps" for name, n in names.items() if n > 1)
        kinds = [step.kind for step in self.steps]
        for kind in ("apply", "cure", "wash", "inspect", "check", "close"):
            if kinds.count(kind) > 1:
                yield f"there may be one step to {kind}, not {kinds.count(kind)}"
        if kinds[-1] != "close":
            yield "the last step must be the one to close the trial"
        # A wash whose panel nobody looks at, or the other way round, would leave its stage open for ever.
        if ("wash" in kinds) != ("inspect" in kinds) or (
            "wash" in kinds and kinds.index("inspect") != kinds.index("wash") + 1
        ):
            yield "wash and inspect go together, one right behind the other: both are repeated at each stage"
        yield from self._around_the_application(kinds)

    def _around_the_application(self, kinds: list[StepKind]) -> Iterator[str]:
        if "apply" not in kinds:
            yield "there must be a step to apply the product"
            return
        applied = kinds.index("apply")
        if "cure" in kinds and kinds.index("cure") < applied:
            yield "the cure comes behind the application it counts from"
        for place, step in enumerate(self.steps):
            if step.kind == "measure" and (step.phase == "bare") != (place < applied):
                where = "before" if step.phase == "bare" else "behind"
                yield f"{step.name!r} measures a {step.phase} panel, so it must stand {where} the application"


def parse_protocol(text: str, where: str) -> Protocol:
    """Reads a protocol.

    Args:
        text: the content of a protocol.toml.
        where: what to call it in messages, for example its path.

    Raises:
        ConfigError: with every fault at once, each with its key.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{where}: not valid TOML: {error}", hint="mend that line") from error
    try:
        protocol = Protocol.model_validate(table)
    except ValidationError as error:
        found = faults(error, Protocol)
        raise ConfigError(
            f"{where}: {len(found)} fault(s)\n" + "\n".join(f"  {fault}" for fault in found),
            hint="correct the keys named and try again",
        ) from error
    protocol._sha256 = hashlib.sha256(text.encode()).hexdigest()
    protocol._text = text
    return protocol
