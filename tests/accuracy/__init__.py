"""How well pull capture reads simulated pulls whose truth is known: `python -m tests.accuracy`."""
