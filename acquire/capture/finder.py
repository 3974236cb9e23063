"""Finds each pull in a force stream: rest, load, release.

    rest ──rises above rest + threshold──> loaded ──back near rest for a while──> one segment ──> anatomy
      ^                                                                                              |
      └──────────────────────────────────────────────────────────────────────────────────────────────┘

Samples are looked at in blocks on a fixed grid of sample numbers, never as they happened to arrive, so the
outcome is the same for any cutting of the stream. At rest, a page of blocks costs a handful of numpy calls.
The level at rest follows slow drift page by page; pushing the block back (force far below rest) moves it not.
"""

from dataclasses import dataclass, replace
from math import ceil

import numpy as np
from numpy.typing import NDArray

from acquire.capture.anatomy import Pull, Segment, dissect_all
from acquire.capture.release import Release, ReleaseRules, ReleaseWatch
from acquire.capture.robust import median, robust_sd
from acquire.capture.settings import PullSettings

Floats = NDArray[np.float64]

BLOCK_S = 0.05
PAGE_S = 0.5
RELEASE_S = 0.15
"""A slip-stick cycle may touch zero for milliseconds; a hand that lets go stays away longer."""
REBASE_S = 3.0
"""Quiet at another level for this long: the zero itself has moved (a tare, a strap left on the hook)."""
SLACK_S = 0.7
"""Quiet for this long well below sliding: let go, although some tension stayed on the string."""
HISTORY_S = 2.0
"""How much rest is kept in front of a pull."""
STANDS_S = 30.0
"""No hand holds a string so still for so long: whatever the level, it is the zero now."""
LOW_SHARE = 0.35
"""Flat below this share of the last pull may be a new zero; flat above it is a string held taut."""
NOT_BACK = "started without rest: the force had not been back where it rested before; let go for a moment"
FALSE_ZERO = (
    "started without rest: the force fell below where it had been before the pull; let go between pulls"
)
WHITE_SAMPLES = 20
LOOK_BLOCKS = 50
FEED_SAMPLES = 32768
"""A long trace is taken in pieces of this size, so that memory stays flat."""


@dataclass(slots=True)
class _Rest:
    level_n: float
    noise_n: float
    threshold_n: float
    slack_n: float | None = None
    """Level with a slack string, while some tension seems to stay on it."""


class _Window:
    """The samples still needed, as growing columns addressed by sample number."""

    def __init__(self, first: int) -> None:
        self.first = first
        self._t = np.empty(0)
        self._f = np.empty(0)
        self._spare: list[tuple[Floats, Floats]] = []
        self._spare_count = 0

    @property
    def stop(self) -> int:
        return self.first + len(self._t) + self._spare_count

    def add(self, t: Floats, f: Floats) -> None:
        self._spare.append((t, f))
        self._spare_count += len(t)

    def _settle(self) -> None:
        if self._spare:
            self._t = np.concatenate([self._t, *(t for t, _ in self._spare)])
            self._f = np.concatenate([self._f, *(f for _, f in self._spare)])
            self._spare, self._spare_count = [], 0

    def t(self, start: int, stop: int) -> Floats:
        self._settle()
        return self._t[start - self.first : stop - self.first]

    def f(self, start: int, stop: int) -> Floats:
        self._settle()
        return self._f[start - self.first : stop - self.first]

    def forget_before(self, number: int) -> None:
        if number > self.first:
            self._settle()
            self._t = self._t[number - self.first :].copy()
            self._f = self._f[number - self.first :].copy()
            self.first = number


class PullFinder:
    """Takes the samples of one force stream in order; gives each pull once it has ended.

    `t` in s, `f` in N with tension positive; a saturated sample is passed as full scale. Sample numbers in a
    pull count every sample ever fed.
    """

    def __init__(self, settings: PullSettings) -> None:
        self.settings = settings
        rate = settings.rate_hz
        self._block = max(1, round(BLOCK_S * rate))
        self._page = max(1, ceil(max(8.0, PAGE_S * rate) / self._block)) * self._block
        self._release = ceil(max(2.0, RELEASE_S * rate) / self._block) * self._block
        self._slack = ceil(max(6.0, SLACK_S * rate) / self._block) * self._block
        self._shift = ceil(max(6.0, REBASE_S * rate) / self._block) * self._block
        self._history = ceil(HISTORY_S * rate) + self._page
        self._doubt = False  # the level at rest is not the old one, nor has it shown to be a new one
        self._zero_n = 0.0  # while in doubt: the level at rest of before
        self._alike_pages = 0  # while in doubt: for so long the force has been flat at one level
        self._height_n = 0.0  # of the last pull measured from a good zero
        self._proven = settings.rest_n is not None  # a pull came back to this level, or it was told
        self._restart(0, settings.rest_n)

    def _restart(self, number: int, rest_n: float | None) -> None:
        self._samples = _Window(number)
        self._next = self._page_from = number  # first sample not yet judged; where its page began
        self._loaded_from: int | None = None
        self._fence = number  # what lies before it belongs to the pull before
        self._watch: ReleaseWatch | None = None
        self._judged = number  # how far an open pull was looked at in vain
        self._quiet_from_s: float | None = None  # at rest since
        self._elsewhere_pages = 0
        self._rest: _Rest | None = None
        if rest_n is not None and self.settings.noise_n is not None:
            self._rest = self._rest_at(rest_n, self.settings.noise_n)

    def _rest_at(self, level_n: float, noise_n: float) -> _Rest:
        noise_n = self.settings.noise_n if self.settings.noise_n is not None else noise_n
        return _Rest(level_n, noise_n, self.settings.threshold_n(noise_n))

    @property
    def rest_n(self) -> float | None:
        """Level at rest as known now."""
        return None if self._rest is None else self._rest.level_n

    @property
    def noise_n(self) -> float | None:
        return None if self._rest is None else self._rest.noise_n

    @property
    def keeps_from(self) -> int:
        """Number of the oldest sample a pull may still refer to."""
        return self._samples.first

    def feed(self, t: Floats, f: Floats) -> list[Pull]:
        """Takes more samples; returns the pulls that have ended with them."""
        pulls: list[Pull] = []
        for at in range(0, len(t), FEED_SAMPLES):
            self._samples.add(t[at : at + FEED_SAMPLES], f[at : at + FEED_SAMPLES])
            while self._step(pulls):
                pass
            self._tidy()
        return pulls

    def interrupt(self, why: str) -> list[Pull]:
        """The stream broke off (a lost port): an open pull is refused, and rest must be found again."""
        pulls = self._cut_short(why)
        self._mistrust()
        self._restart(self._samples.stop, None)
        return pulls

    def finish(self) -> list[Pull]:
        """The stream has ended: what is still loaded was never released."""
        if self._loaded_from is not None:
            # The last samples need not fill a block; a release among them still counts.
            assert self._rest is not None
            watch = ReleaseWatch(self._rules(self._rest, block=1))
            ended = watch.feed(self._above_rest(self._loaded_from, self._samples.stop))
            if ended is not None:
                pulls: list[Pull] = []
                self._close(ended, pulls)
                return pulls
        return self._cut_short("never released: the recording ends under load")

    def _step(self, pulls: list[Pull]) -> bool:
        if self._loaded_from is not None:
            return self._step_loaded(pulls)
        if self._rest is None:
            return self._step_learning()
        return self._step_resting(self._rest)

    def _step_learning(self) -> bool:
        """Looks for a first quiet page. Until there is one, nothing can be a pull."""
        start = self._next
        stop = start + self._page
        if self._samples.stop < stop:
            return False
        page = self._samples.f(start, stop)
        noise_n = float(robust_sd(np.diff(page)) / np.sqrt(2.0))
        limit = max(0.5 * self.settings.min_force_n, 4.0 * self.settings.resolution_n)
        if self.settings.noise_n is not None:
            limit = max(limit, 8.0 * self.settings.noise_n)
        elif self._page >= WHITE_SAMPLES:
            # A page that is no wider than its own steps from sample to sample explain is still, but noisy.
            limit = max(limit, 8.0 * noise_n)
        if float(page.max() - page.min()) <= limit:
            self._rest = self._rest_at(median(page), noise_n)
            self._quiet_from_s = float(self._samples.t(start, stop)[0])
            self._alike_pages = 0
            if self._doubt:
                self._weigh(self._rest, self._rest.level_n)
        self._next = self._page_from = stop
        return True

    def _step_resting(self, rest: _Rest) -> bool:
        start = self._next
        whole = (self._samples.stop - start) // self._block * self._block
        stop = min(start + whole, self._page_from + self._page)
        if stop == start:
            return False
        f = self._samples.f(start, stop)
        if f.max() > rest.level_n + rest.threshold_n:
            hit = start + int((f > rest.level_n + rest.threshold_n).argmax())
            self._note_pushes(rest, start, hit)
            self._loaded_from = self._judged = hit
            self._watch = ReleaseWatch(self._rules(rest, self._block))
            return True
        self._note_pushes(rest, start, stop)
        self._next = stop
        if stop == self._page_from + self._page:
            self._turn_page(rest)
        return True

    def _note_pushes(self, rest: _Rest, start: int, stop: int) -> None:
        """Being pushed back is not being at rest: contact time starts when it ends."""
        if start == stop:
            return
        f, floor = self._samples.f(start, stop), rest.level_n - rest.threshold_n
        if f.min() < floor:
            last = start + int(np.flatnonzero(f < floor)[-1])
            self._quiet_from_s = self._time(last)
        elif self._quiet_from_s is None:
            self._quiet_from_s = self._time(start)

    def _turn_page(self, rest: _Rest) -> None:
        page = self._samples.f(self._page_from, self._page_from + self._page)
        level = median(page)
        flat = float(page.max() - page.min()) <= max(8 * rest.noise_n, 3 * self.settings.resolution_n)
        if self._doubt:
            if flat:
                self._weigh(rest, level)
            else:
                self._alike_pages = 0
        elif abs(level - rest.level_n) <= 0.5 * rest.threshold_n:
            # Half a step towards the new level: follows drift, shrugs off a nudge. The foot of a slow rise is
            # neither: it is not flat.
            if flat:
                rest.level_n += 0.5 * (level - rest.level_n)
            self._elsewhere_pages = 0
        elif flat:
            self._elsewhere_pages += 1
            is_slack = rest.slack_n is not None and abs(level - rest.slack_n) <= 0.5 * rest.threshold_n
            taut = level < rest.level_n and not self._proven  # no pull ever came back to what was higher
            if is_slack or taut or self._elsewhere_pages * self._page * self.settings.step_s >= REBASE_S:
                rest.level_n, rest.slack_n = level, None
                since = self._page_from - (self._elsewhere_pages - 1) * self._page
                self._quiet_from_s = self._time(max(since, self._samples.first))
                self._elsewhere_pages = 0
        else:
            self._elsewhere_pages = 0
        self._page_from += self._page

    def _mistrust(self) -> None:
        """Rest must be found again: the zero does not jump because a cable came off or a hand held on."""
        if self._rest is not None and not self._doubt:
            self._zero_n = self._rest.level_n if self._rest.slack_n is None else self._rest.slack_n
            self._doubt = True
        self._rest = None

    def _weigh(self, rest: _Rest, level_n: float) -> None:
        """A flat page while in doubt: is it the old rest, a new one, or a string held taut?"""
        self._alike_pages += 1
        if self._alike_pages == 1 or abs(level_n - rest.level_n) > 0.5 * rest.threshold_n:
            self._alike_pages = 1
            self._quiet_from_s = self._time(self._page_from)
        rest.level_n = level_n
        above_n = level_n - self._zero_n
        if abs(above_n) <= rest.threshold_n:
            self._doubt = False
            return
        low = above_n < max(LOW_SHARE * self._height_n, 2 * rest.threshold_n)
        if self._alike_pages * self._page * self.settings.step_s >= (REBASE_S if low else STANDS_S):
            self._doubt = self._proven = False

    def _step_loaded(self, pulls: list[Pull]) -> bool:
        assert self._loaded_from is not None
        assert self._watch is not None
        start = self._loaded_from
        limit = start + ceil(self.settings.max_pull_s * self.settings.rate_hz / self._block) * self._block
        whole = start + (self._samples.stop - start) // self._block * self._block
        # Not all there is at once: what lies behind the release would be looked at in vain.
        stop = min(whole, limit, self._judged + LOOK_BLOCKS * self._block)
        if stop > self._judged:
            ended = self._watch.feed(self._above_rest(self._judged, stop))
            self._judged = stop
            if ended is not None:
                self._close(ended, pulls)
                return True
        if stop < limit:
            return stop < whole
        why = f"never released: under load for more than {self.settings.max_pull_s:g} s"
        pulls.extend(self._cut_short(why, limit, certain=True))
        self._mistrust()
        self._next = self._page_from = limit
        return True

    def _time(self, number: int) -> float:
        return float(self._samples.t(number, number + 1)[0])

    def _above_rest(self, start: int, stop: int) -> Floats:
        assert self._rest is not None
        return self._samples.f(start, stop) - self._rest.level_n

    def _rules(self, rest: _Rest, block: int) -> ReleaseRules:
        band_n = max(8 * rest.noise_n, 2 * self.settings.resolution_n)
        return ReleaseRules(block, self._release, self._slack, self._shift, band_n)

    def _close(self, ended: Release, pulls: list[Pull]) -> None:
        assert self._rest is not None
        assert self._loaded_from is not None
        at, certain = self._loaded_from + ended.at, self._loaded_from + ended.certain
        found = [] if ended.shifted else self._dissect(at, certain, ())
        after_n = 0.0 if ended.shifted or self._proven else median(self._above_rest(at, certain))
        if after_n < -self._rest.threshold_n:
            # The string was taut when the stream began: what was taken for rest was none.
            pulls += [replace(pull, reasons=(FALSE_ZERO, *pull.reasons)) for pull in found]
            self._rest = self._loaded_from = None
            self._next = self._page_from = self._fence = certain
            return
        self._proven |= bool(found) and after_n <= self._rest.threshold_n
        pulls += found
        if found or ended.shifted:
            self._quiet_from_s = self._time(at)
        # What stayed on the string is where the next pull is measured from.
        if ended.stays_n and self._rest.slack_n is None and not ended.shifted:
            self._rest.slack_n = self._rest.level_n
        self._rest.level_n += ended.stays_n
        self._loaded_from = None
        self._next = self._page_from = self._fence = certain
        self._elsewhere_pages = 0

    def _cut_short(self, why: str, stop: int | None = None, *, certain: bool = False) -> list[Pull]:
        if self._loaded_from is None:
            return []
        stop = self._samples.stop if stop is None else stop
        found = self._dissect(stop, stop, (why,), certain=certain)
        self._loaded_from = None
        return found

    def _dissect(
        self, released: int, stop: int, reasons: tuple[str, ...], *, certain: bool = False
    ) -> list[Pull]:
        assert self._rest is not None
        assert self._loaded_from is not None
        # The same stretch in front of the pull, however much more happens to be kept.
        first = max(self._samples.first, self._loaded_from - self._history, self._fence)
        segment = Segment(
            t=self._samples.t(first, stop),
            f=self._samples.f(first, stop),
            loaded=self._loaded_from - first,
            released=released - first,
            rest_n=self._rest.level_n,
            noise_n=self._rest.noise_n,
            threshold_n=self._rest.threshold_n,
            quiet_from_s=self._quiet_from_s,
            first_number=first,
        )
        found = dissect_all(segment, self.settings, reasons, certain=certain)
        if self._doubt:
            return [replace(pull, reasons=(NOT_BACK, *pull.reasons)) for pull in found]
        if found:
            self._height_n = found[-1].highest_n
        return found

    def _tidy(self) -> None:
        """Keeps some rest in front of what comes, and all of an open pull."""
        anchor = self._loaded_from if self._loaded_from is not None else self._next
        keep = min(anchor, self._page_from) - self._history
        if keep - self._samples.first > self._history:
            self._samples.forget_before(keep)
