"""Pairs replies with requests, for families whose replies do not say what they answer."""

from collections.abc import Hashable

from drivers.base import FrameError


class Pairing:
    """Tells which request a reply answers, from what the recording says was sent and received.

    Where a request went unanswered, its reply may still come, late, when the same thing has been asked again.
    Such a reply could be either one, so it is not used.
    """

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """The stream starts anew."""
        self._open: tuple[bytes, Hashable] | None = None
        self._late: Hashable = None
        self.unanswered_n = 0

    def sent(self, request: bytes, shape: Hashable) -> bool:
        """A request went out; returns whether the one before it stayed without a reply.

        Replies to requests of one `shape` cannot be told from each other.
        """
        missed = self._open is not None
        if self._open is not None:
            self.unanswered_n += 1
            self._late = self._open[1]
        self._open = (request, shape)
        return missed

    def reply(self, frame: bytes) -> bytes:
        """A reply came; returns the request that it answers.

        Raises:
            FrameError: nothing was asked, or it may be the late reply to an earlier request.
        """
        answered, self._open = self._open, None
        if answered is None:
            raise FrameError("a reply that nobody asked for", frame)
        self.unanswered_n = 0
        late, self._late = self._late, None
        if late == answered[1]:
            raise FrameError("may be the late reply to an earlier request", frame)
        return answered[0]
