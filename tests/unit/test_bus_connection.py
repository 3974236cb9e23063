"""Tasks side by side: the first to end ends the others, even those that lose a cancellation."""

import asyncio

import pytest

from acquire.outputs.mqtt.connection import until_first_ends


async def _stubborn(lost: list[int]) -> None:
    """Loses two cancellations, as `asyncio.wait_for` does in Python 3.11 when a result arrives with one."""
    while len(lost) < 2:
        try:
            await asyncio.sleep(60)
        except asyncio.CancelledError:
            lost.append(1)
    await asyncio.sleep(60)


async def _ends() -> None:
    await asyncio.sleep(0)


async def _fails() -> None:
    await asyncio.sleep(0)
    raise ValueError("this one")


def test_a_task_that_loses_a_cancellation_is_ended_all_the_same() -> None:
    lost: list[int] = []
    asyncio.run(until_first_ends(_stubborn(lost), _ends()))
    assert len(lost) == 2


def test_what_went_wrong_in_one_is_passed_on_once_the_others_have_ended() -> None:
    lost: list[int] = []
    with pytest.raises(ValueError, match="this one"):
        asyncio.run(until_first_ends(_stubborn(lost), _fails()))
    assert len(lost) == 2
