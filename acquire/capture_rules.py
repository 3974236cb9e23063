"""What a method asks of capture: which pulls are accepted at all, before anything is scored."""

from collections.abc import Mapping

from acquire.scoring.method import CaptureRules, LocalGravity, Method

LEAST_FRICTION = 0.02
"""No pull is weaker than this share of the block's weight; what is, is a hand near the string."""

Settings = dict[str, float | None]


def chosen_by(method: Method, gravity: LocalGravity | None, quantity: str) -> Settings:
    """Capture settings that the method chooses for a gauge of this quantity; without the rest, which follow
    from the gauge.

    Args:
        gravity: local gravity from the bench; the method's own value goes before it.
    """
    if quantity != "force":
        return {}
    slip = method.slip
    chosen: Settings = slip.capture.model_dump()
    if chosen["min_force_n"] is None:
        chosen["min_force_n"] = LEAST_FRICTION * float(slip.block_mass_kg) * slip.gravity(gravity).value_m_s2
    return {key: value for key, value in chosen.items() if value is not None}


def chosen_anew(
    was: Mapping[str, float | None], method: Method, gravity: LocalGravity | None, quantity: str
) -> Settings:
    """Settings of a stream as another method chooses them; what no method chooses stays as it was."""
    kept = {key: value for key, value in was.items() if key not in CaptureRules.model_fields}
    return {**kept, **chosen_by(method, gravity, quantity)}
