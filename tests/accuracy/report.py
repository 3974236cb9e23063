"""Tables in markdown."""

from collections.abc import Iterable, Mapping

import numpy as np

from tests.accuracy.score import Tally


def _row(cells: Iterable[object]) -> str:
    return "| " + " | ".join(str(cell) for cell in cells) + " |"


def _head(titles: list[str]) -> list[str]:
    return [_row(titles), _row(["---"] * len(titles))]


def percent(part: int | float, whole: int | float, digits: int = 1) -> str:
    return f"{100 * part / whole:.{digits}f} %" if whole else "-"


def good_table(title: str, tallies: Mapping[str, Tally]) -> list[str]:
    """Pulls that should be accepted."""
    titles = [title, "pulls", "found", "refused", "false", "extra refused", "within", "median", "worst"]
    lines = _head(titles)
    for name, tally in tallies.items():
        errors, limits = np.abs(tally.errors_n), np.array(tally.limits_n)
        share = errors / np.array(tally.true_n)
        lines.append(
            _row(
                [
                    name,
                    tally.true,
                    percent(tally.found, tally.true, 2),
                    percent(tally.found - tally.accepted, tally.true),
                    percent(tally.extra_accepted, tally.taken, 2),
                    tally.extra_refused,
                    percent(int(np.count_nonzero(errors <= limits + 1e-9)), len(errors)),
                    percent(float(np.median(share)), 1.0, 2) if len(share) else "-",
                    percent(float(share.max()), 1.0) if len(share) else "-",
                ]
            )
        )
    return lines


def bad_table(tallies: Mapping[str, Tally]) -> list[str]:
    """Pulls that should be refused; a hand that rests too little is not to blame for its first pull."""
    lines = _head(["hand", "to refuse", "refused", "for the reason meant", "listed among all"])
    for name, tally in tallies.items():
        lines.append(
            _row(
                [
                    name,
                    tally.to_refuse,
                    percent(tally.refused, tally.to_refuse),
                    percent(tally.rightly, tally.to_refuse),
                    percent(tally.found, tally.true),
                ]
            )
        )
    return lines


def quiet_table(counts: Mapping[str, tuple[int, int]], hours: float) -> list[str]:
    """Traces without pulls: (accepted, refused) in `hours` of each."""
    lines = _head(["nothing pulled", "false pulls an hour", "refused an hour"])
    for name, (accepted, refused) in counts.items():
        lines.append(_row([name, f"{accepted / hours:.1f}", f"{refused / hours:.1f}"]))
    return lines
