"""Finds out how an unknown gauge speaks, and writes a description of it that a person confirms.

listen (each serial setting) ─┐
                              ├─ Heard ─> infer ─> Understood ─> describe ─> TOML ─> prove (it reads that)
ask (harmless requests) ──────┘

`infer` and everything it uses is pure. Nothing is asked before listening, and nothing that could set,
zero or switch a gauge is ever sent.
"""

from acquire.identify.describe import describe
from acquire.identify.heard import CannotTell, Heard
from acquire.identify.infer import Understood, infer, with_tension, with_unit
from acquire.identify.prove import Proof, prove

__all__ = [
    "CannotTell",
    "Heard",
    "Proof",
    "Understood",
    "describe",
    "infer",
    "prove",
    "with_tension",
    "with_unit",
]
