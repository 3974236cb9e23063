"""When samples were taken, told from their count and from when the computer read them."""

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]

FOLLOW = 1.05
"""The clock gives way to the times of reading by so much at most: it follows a gauge that runs slower than it
says, while a burst that is read in pieces is over before it can move the clock by much."""
GAP_S = 0.15
GAP_STEPS = 4.0
"""Nothing was read for so much longer than the samples account for: they were lost, not late."""


class SampleClock:
    """Gives each chunk of samples its times, in order; the outcome does not depend on how many come at once.

    A sample is never later than it was read, and none is earlier than the one before. Whole nanoseconds, so
    that sums are exact however they are split.

    Args:
        rate_hz: nominal sample rate.
    """

    def __init__(self, rate_hz: float) -> None:
        self._step_ns = round(1e9 / rate_hz)
        self._slow_ns = round(FOLLOW * self._step_ns)
        self._gap_ns = round(max(1e9 * GAP_S, GAP_STEPS * self._step_ns))
        self._last_us = self._read_us = 0
        self._lag_ns = 0  # by how much the clock is behind the last reading
        self._fresh = True

    def restart(self, t_us: int) -> None:
        """The stream begins anew at `t_us`: no sample is earlier, and what came before tells nothing."""
        self._last_us = max(self._last_us, t_us)
        self._fresh = True

    def take(self, read_us: Times, counts: Times) -> tuple[Times, NDArray[np.float64]]:
        """Takes chunks, at least one: when each was read (µs) and how many samples it holds, shape (chunks,).

        Returns:
            For each chunk the time of its last sample and the step between its samples, in µs.
        """
        waited_ns = 1000 * np.diff(read_us, prepend=self._read_us)
        gap = waited_ns - counts * self._step_ns > self._gap_ns
        gap[0] |= self._fresh
        # A lag never exceeds a gap: taking away as much as that leaves none.
        lag_ns = self._lags(np.where(gap, -self._gap_ns, waited_ns - counts * self._slow_ns))
        last_us = read_us - lag_ns // 1000
        since_us = np.diff(last_us, prepend=self._last_us)
        step_us = since_us / counts
        step_us[gap] = np.minimum(step_us[gap], 1e-3 * self._step_ns)
        self._last_us, self._read_us, self._lag_ns = int(last_us[-1]), int(read_us[-1]), int(lag_ns[-1])
        self._fresh = False
        return last_us, step_us

    def _lags(self, more_ns: Times) -> Times:
        """Adds up what each chunk adds to the lag, kept between none and a gap."""
        sums = np.cumsum(more_ns)
        lags = sums - np.minimum(np.minimum.accumulate(sums), -self._lag_ns)
        over = lags > self._gap_ns
        first = int(over.argmax())
        if over[first]:
            # A gauge far slower than it says: rare, and not worth more than plain steps.
            lag = self._gap_ns
            rest = [lag]
            for more in more_ns[first + 1 :].tolist():
                lag = min(max(lag + more, 0), self._gap_ns)
                rest.append(lag)
            lags[first:] = rest
        return lags
