"""What every simulated gauge looks like to the loop that runs it."""

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from typing import ClassVar, Protocol

from simulators.commands import Command, Form

Truth = Callable[..., None]
"""Writes one fact: `truth("pull", t_s=12.5, ...)`."""


class Ear(Protocol):
    """Finds requests in the bytes that a host sends."""

    def feed(self, received: bytes) -> list[bytes]:
        """The requests that these bytes completed."""


class Station(ABC):
    """A gauge and what it measures, in simulated time. It sends messages; it knows of no wire."""

    forms: ClassVar[Mapping[str, Form]]

    ear: "Ear | None" = None
    """For formats whose requests differ: finds them in what the host sends."""

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

    def answer(self, request: bytes, t_s: float) -> bytes:
        """Answers a request that `ear` found; empty if it is not for this gauge."""
        raise NotImplementedError("this format has no requests of its own kind")

    def opened(self, t_s: float) -> list[bytes]:
        """Somebody has opened the port; returns what is sent at once."""
        return []

    @property
    @abstractmethod
    def next_s(self) -> float | None:
        """When `advance` will have something to do, if that is known."""

    @abstractmethod
    def auto(self) -> str:
        """The command that a hand would give next if left alone."""
