"""Which gauge a step needs."""

from acquire.capture.ambient import AMBIENT
from acquire.errors import ConfigError
from acquire.home import Home
from acquire.model import Step, Test

QUANTITY_OF = {Test.SLIP: "force", Test.GLOSS: "gloss", Test.WASH: "count", Test.UV: "irradiance"}


def gauges_for(home: Home, step: Step, gauge: str | None = None) -> list[str]:
    """The gauge a step needs (`gauge`, else the bench's first that fits), and those of the room.

    Raises:
        ConfigError: the bench has no such gauge, or the step is a person's to answer.
    """
    bench = home.bench()
    quantities = {name: home.description(bench.gauge(name).description).quantity for name in bench.with_port}
    wanted = quantity_for(step)
    fitting = [name for name, quantity in quantities.items() if quantity == wanted]
    if gauge is not None and gauge not in fitting:
        bench.gauge(gauge)
        does = f"measures {quantities[gauge]}" if gauge in quantities else "has no port"
        raise ConfigError(
            f"gauge {gauge!r} {does}; {step.test.value} needs {wanted}",
            hint=f"gauges of this bench that fit: {', '.join(fitting) or 'none'}",
        )
    fitting = fitting if gauge is None else [gauge]
    if not fitting:
        raise no_gauge(step)
    room = [name for name, quantity in quantities.items() if quantity in AMBIENT and name != fitting[0]]
    return [fitting[0], *room]


def quantity_for(step: Step) -> str:
    """What a step measures.

    Raises:
        ConfigError: the step is a person's to answer.
    """
    quantity = QUANTITY_OF.get(step.test)
    if quantity is None:
        raise ConfigError(
            f"{step.test.value} is judged by a person",
            hint=f"use: panelwright rate TRIAL {step.test.value} VALUE",
        )
    return quantity


def no_gauge(step: Step) -> ConfigError:
    """Says that a step has no gauge, and what to do."""
    return ConfigError(
        f"no gauge of this bench measures {quantity_for(step)}, which {step.test.value} needs",
        hint="add one to bench.toml under [gauges.NAME]",
    )
