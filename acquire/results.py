"""From the journal to scorecards and standings.

    journal ──gather──> material ──scorecards──> scorecards ──rank──> standings

`gather` is the only part that reads the journal; what follows is a function of the material, the bench (for
local gravity) and the method, so any figure can be worked out again, by this method or by another.
"""

from dataclasses import dataclass

from acquire.bench import Bench
from acquire.calibration.checks import Check
from acquire.errors import ConfigError
from acquire.facts import facts
from acquire.journal import Journal
from acquire.logger import as_stamped as logged_readings
from acquire.logger import readings as known_readings
from acquire.model import Inspection, Rating, Reading, Refusal, Step, StreamStart, Trial
from acquire.scoring.method import Method
from acquire.scoring.results import LeftOut, Scorecard
from acquire.scoring.scorecard import score
from acquire.scoring.standings import Standings, rank
from acquire.trials import trials_of, withdrawn
from drivers.keys import nearest


@dataclass(frozen=True, slots=True)
class Material:
    """All that a journal holds for scoring, each in the journal's order."""

    trials: tuple[Trial, ...]
    readings: tuple[Reading, ...]
    refusals: tuple[Refusal, ...]
    ratings: tuple[Rating, ...]
    """The newest of each trial and step."""
    replaced: tuple[tuple[Rating, Rating], ...]
    """Older ratings, each with the one that replaced it."""
    inspections: tuple[Inspection, ...]
    checks: tuple[tuple[str, Check], ...]
    """With the id of the event, which stamps point at."""
    streams: tuple[StreamStart, ...]

    def trial(self, name: str) -> Trial:
        """Raises ConfigError with the nearest known id."""
        found = next((trial for trial in self.trials if trial.id == name), None)
        if found is None:
            known = [trial.id for trial in self.trials]
            raise ConfigError(
                f"the journal has no trial {name!r}",
                hint=nearest(name, known) if known else "no trial was begun yet; see: panelwright trial",
            )
        return found


def gather(journal: Journal, *, as_stamped: bool = False) -> Material:
    """Reads what scoring needs.

    Args:
        as_stamped: readings as they were logged, without anything learnt since (doubts, flags, rulings).

    Raises:
        JournalError: the journal cannot be read.
    """
    void = withdrawn(journal)
    ratings, replaced = _newest(
        [rating for _, rating in facts(journal, "rating", Rating) if rating.id not in void]
    )
    trials = trials_of(journal)
    return Material(
        trials=tuple(trials.values()),
        readings=tuple(logged_readings(journal) if as_stamped else known_readings(journal)),
        refusals=tuple(refusal for _, refusal in facts(journal, "refusal", Refusal)),
        ratings=tuple(ratings),
        replaced=tuple(replaced),
        inspections=tuple(
            found for _, found in facts(journal, "inspection", Inspection) if found.id not in void
        ),
        checks=tuple((event.id, check) for event, check in facts(journal, "check", Check)),
        streams=tuple(start for _, start in facts(journal, "stream", StreamStart)),
    )


def scorecard(material: Material, bench: Bench, method: Method, trial: str) -> Scorecard:
    """Scores one trial.

    Raises:
        ConfigError: there is no such trial.
        MethodError: something would count twice.
    """
    found = material.trial(trial)
    name = found.id
    card = score(
        method,
        material.readings,
        material.ratings,
        material.inspections,
        trial=name,
        panels=found.panels,
        control=found.control,
        gravity=bench.gravity(),
    )
    return _with_replaced(card, [pair for pair in material.replaced if pair[0].trial == name])


def scorecards(material: Material, bench: Bench, method: Method) -> list[Scorecard]:
    """Scores every trial, in the order in which they were begun.

    Raises:
        MethodError: something would count twice.
    """
    return [scorecard(material, bench, method, trial.id) for trial in material.trials]


def standings(material: Material, bench: Bench, method: Method) -> Standings:
    """All trials side by side.

    Raises:
        ConfigError: there is none yet.
        MethodError: something would count twice.
    """
    if not material.trials:
        raise ConfigError("the journal has no trial yet", hint="begin one; see: panelwright trial --help")
    return rank(scorecards(material, bench, method))


def _newest(ratings: list[Rating]) -> tuple[list[Rating], list[tuple[Rating, Rating]]]:
    """Order in the journal decides, not the clock, which somebody may have set back."""
    newest: dict[tuple[str, Step], Rating] = {}
    for rating in ratings:
        newest[rating.trial, rating.step] = rating
    replaced = [
        (rating, newest[rating.trial, rating.step])
        for rating in ratings
        if newest[rating.trial, rating.step] is not rating
    ]
    return list(newest.values()), replaced


def _with_replaced(card: Scorecard, replaced: list[tuple[Rating, Rating]]) -> Scorecard:
    """Lists replaced ratings among what was left out: nothing vanishes from a scorecard."""
    scores = list(card.scores)
    for older, newer in replaced:
        for index, found in enumerate(scores):
            if found.test is older.step.test:
                out = LeftOut(id=older.id, why=f"{older.value:g}, replaced by the later rating {newer.id}")
                scores[index] = found.model_copy(update={"left_out": (*found.left_out, out)})
    return card.model_copy(update={"scores": tuple(scores)})
