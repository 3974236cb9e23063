"""A recording and what it must give: `<gauge>/<scenario>.rec` beside `<gauge>/<scenario>.expected.jsonl`.

An expectation holds one line for each sample and each damaged frame, in stream order within each opening.
"""

from pathlib import Path

from drivers import talks
from drivers.registry import make_driver
from tests.contract.gauges import description

FOLDER = Path(__file__).parent


def names() -> list[str]:
    return sorted(path.relative_to(FOLDER).with_suffix("").as_posix() for path in FOLDER.glob("*/*.rec"))


def recording(name: str) -> Path:
    return FOLDER / f"{name}.rec"


def expectation(name: str) -> Path:
    return FOLDER / f"{name}.expected.jsonl"


def outcome(name: str, cut: talks.Cutter = list) -> str:
    """What a recording gives when its chunks are cut another way, as the text of an expectation.

    Raises:
        RequestError: a request was sent that the description does not send.
        ValueError: the recording is cut or damaged.
    """
    path = recording(name)
    driver = make_driver(description(talks.read_header(path)["driver"]))
    return talks.outcome(driver, talks.openings(path), cut)
