"""The invented scenario: what the demonstration's products and surfaces are like. Nothing here is real."""

from dataclasses import dataclass

PANELS = ("black-1", "white-1")
BARE_FRICTION = (0.36, 0.30)
BARE_GLOSS = {"black-1": 91.0, "white-1": 88.5}


@dataclass(frozen=True, slots=True)
class Product:
    """An invented product: what a tester would find."""

    trial: str
    name: str
    friction: tuple[float, float]
    """Static and kinetic coefficient on the treated panel."""
    gloss_gain: float
    handling: float
    appearance: tuple[float, float]
    """One rating a panel."""
    holds_strokes: int
    """Water behaves up to so many strokes."""
    control: bool = False


PRODUCTS = (
    Product("control", "Untreated control", BARE_FRICTION, 0.0, 0.0, (5.0, 5.0), 0, control=True),
    Product("one", "Invented Spray Sealant One", (0.21, 0.18), 1.6, 8.5, (8.0, 7.5), 20),
    Product("two", "Invented Paste Wax Two", (0.26, 0.22), 3.1, 5.0, (8.5, 8.0), 8),
    Product("three", "Invented Ceramic Coating Three", (0.15, 0.13), 2.2, 6.0, (9.0, 6.5), 40),
)
