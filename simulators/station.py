"""What every simulated gauge looks like to the loop that runs it."""

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from typing import ClassVar

from simulators.commands import Command, Form

Truth = Callable[..., None]
"""Writes one fact: `truth("pull", t_s=12.5, ...)`."""


class Station(ABC):
    """A gauge and what it measures, in simulated time. It sends messages; it knows of no wire."""

    forms: ClassVar[Mapping[str, Form]]

    def __init__(self, truth: Truth) -> None:
        self.truth = truth

    @property
    @abstractmethod
    def busy(self) -> bool:
        """Whether the last command is still being carried out."""

    @abstractmethod
    def start(self, command: Command, t_s: float) -> None:
        """Begins a command; called only while not busy.

        Raises:
            CommandError: it cannot be followed.
        """

    @abstractmethod
    def advance(self, t_s: float) -> list[bytes]:
        """Lets time pass until `t_s` and returns the messages sent of its own accord."""

    def reply(self, t_s: float) -> bytes:
        """Answers one request; called for polled formats only."""
        raise NotImplementedError("this format answers no requests")

    @property
    @abstractmethod
    def next_s(self) -> float | None:
        """When `advance` will have something to do, if that is known."""

    @abstractmethod
    def auto(self) -> str:
        """The command that a hand would give next if left alone."""
