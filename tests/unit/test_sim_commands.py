"""Commands on stdin and damage on the way out."""

from random import Random

import pytest

from simulators.commands import CommandError, parse
from simulators.faults import Faults
from simulators.force_station import ForceStation
from simulators.gloss_station import GlossStation
from simulators.run import COMMON_FORMS
from simulators.station import Station
from simulators.wash_station import WashStation

FORMS = {**ForceStation.forms, **COMMON_FORMS}


def test_a_command_is_read() -> None:
    command = parse("  pull 5 hand=fast \n", FORMS)
    assert (command.name, command.count(), command.options) == ("pull", 5, {"hand": "fast"})
    assert parse("pull", FORMS).count() == 1
    assert parse("fault silence s=2", FORMS).option("s", 1.0) == 2.0
    assert parse("fault silence", FORMS).option("s", 1.0) == 1.0


@pytest.mark.parametrize("station", [ForceStation, GlossStation, WashStation])
def test_every_example_is_right(station: type[Station]) -> None:
    forms = {**station.forms, **COMMON_FORMS}
    for name, form in forms.items():
        assert parse(form.example, forms).name == name


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("pul 5", "did you mean 'pull'"),
        ("pull 5 hnd=fast", "did you mean 'hand'.*for example: pull 5 hand=fast"),
        ("pull 5 6", "too many words"),
        ("weight", "says too little; for example: weight 0.2"),
        ("quit now", "too many words"),
    ],
)
def test_a_wrong_command_is_refused_with_what_would_be_right(line: str, message: str) -> None:
    with pytest.raises(CommandError, match=message):
        parse(line, FORMS)


@pytest.mark.parametrize("word", ["0", "1.5", "-2", "x", "nan", "inf"])
def test_a_count_is_a_whole_number_from_1(word: str) -> None:
    with pytest.raises(CommandError, match=word):
        parse(f"pull {word}", FORMS).count()


def test_an_option_keeps_within_its_limits() -> None:
    with pytest.raises(CommandError, match="p must lie in 0 to 1"):
        parse("fault garble p=2", FORMS).option("p", 0.0, at_least=0.0, at_most=1.0)


MESSAGE = b"+012.34\r\n"


def test_without_faults_nothing_is_touched() -> None:
    faults = Faults(Random(1))
    assert faults.idle
    assert faults.send(MESSAGE, 0.0) == MESSAGE
    assert faults.damages == []


def test_garbling_turns_about_the_stated_share_of_bytes_into_others() -> None:
    faults = Faults(Random(1), garble_p=0.02)
    sent = [faults.send(MESSAGE, 0.0) for _ in range(5000)]
    assert {len(one) for one in sent} == {len(MESSAGE)}
    wrong_n = sum(a != b for one in sent for a, b in zip(one, MESSAGE, strict=True))
    assert wrong_n / (5000 * len(MESSAGE)) == pytest.approx(0.02, rel=0.1)
    assert len(faults.damages) == sum(one != MESSAGE for one in sent)


def test_a_cut_takes_bytes_out_and_a_repeat_sends_some_twice() -> None:
    for seed in range(50):
        faults = Faults(Random(seed), cuts_n=1, repeats_n=1)
        cut, repeated, whole = (faults.send(MESSAGE, 0.0) for _ in range(3))
        gone_n = len(MESSAGE) - len(cut)
        assert 0 < gone_n < len(MESSAGE)
        assert any(cut == MESSAGE[:at] + MESSAGE[at + gone_n :] for at in range(len(MESSAGE) - gone_n + 1))
        twice_n = len(repeated) - len(MESSAGE)
        assert 0 < twice_n < len(MESSAGE)
        assert any(
            repeated == MESSAGE[: at + twice_n] + MESSAGE[at:] for at in range(len(MESSAGE) - twice_n + 1)
        )
        assert whole == MESSAGE
        assert [damage.fault for damage in faults.damages] == ["cut", "repeat"]


def test_silence_ends_by_itself() -> None:
    faults = Faults(Random(1), silent_until_s=2.0)
    assert faults.send(MESSAGE, 1.9) == b""
    assert faults.send(MESSAGE, 2.0) == MESSAGE
    assert faults.idle


def test_the_same_seed_does_the_same_damage() -> None:
    def sent(seed: int) -> list[bytes]:
        faults = Faults(Random(seed), garble_p=0.1, cuts_n=3)
        return [faults.send(MESSAGE, 0.0) for _ in range(20)]

    assert sent(4) == sent(4)
    assert sent(4) != sent(5)
