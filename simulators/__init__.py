"""Simulated gauges: they know the truth, serve bytes on a wire, and share no code with what reads them.

    hands (stdin) ─→ station ─messages→ faults ─bytes→ wire (pseudo-terminal or TCP)
                        └─ truth (JSON lines; only tests read it)

`force`, `gloss` and `wash` hold the physics, `front` the gauge in front of it, `speech` the bytes of each
wire format, `run` the loop of one simulator process and `cli` its commands. Nothing here is a real product.
"""
