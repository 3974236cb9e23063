"""The invented scenario: what the demonstration's products and surfaces are like. Nothing here is real."""

from dataclasses import dataclass

BARE_FRICTION = (0.36, 0.30)
BARE_GLOSS = {"black": 91.0, "white": 88.5}
DRIFTED_GAIN = 1.03
"""What the force gauge comes to show of the true force: on the 200 g weight 0.06 N, twice its tolerance."""


@dataclass(frozen=True, slots=True)
class Product:
    """An invented product: what a tester would find."""

    trial: str
    name: str
    panels: tuple[str, str]
    """Each named by its colour and a number."""
    friction: tuple[float, float]
    """Static and kinetic coefficient on the treated panel."""
    gloss_gain: float
    handling: float
    appearance: tuple[float, float]
    """One rating a panel."""
    holds_strokes: int
    """Water behaves up to so many strokes."""
    used_g: float = 0.0
    """Put on each panel."""
    control: bool = False


PRODUCTS = (
    Product(
        trial="control",
        name="Untreated control",
        panels=("black-1", "white-1"),
        friction=BARE_FRICTION,
        gloss_gain=0.0,
        handling=0.0,
        appearance=(5.0, 5.0),
        holds_strokes=0,
        control=True,
    ),
    Product(
        trial="one",
        name="Invented Spray Sealant One",
        panels=("black-2", "white-2"),
        friction=(0.21, 0.18),
        gloss_gain=1.6,
        handling=8.5,
        appearance=(8.0, 7.5),
        holds_strokes=20,
        used_g=3.2,
    ),
    Product(
        trial="two",
        name="Invented Paste Wax Two",
        panels=("black-3", "white-3"),
        friction=(0.26, 0.22),
        gloss_gain=3.1,
        handling=5.0,
        appearance=(8.5, 8.0),
        holds_strokes=8,
        used_g=1.8,
    ),
    Product(
        trial="three",
        name="Invented Ceramic Coating Three",
        panels=("black-4", "white-4"),
        friction=(0.15, 0.13),
        gloss_gain=2.2,
        handling=6.0,
        appearance=(9.0, 6.5),
        holds_strokes=40,
        used_g=1.2,
    ),
)


def colour_of(panel: str) -> str:
    """The colour of a panel, from its name."""
    return panel.partition("-")[0]
