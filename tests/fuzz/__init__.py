"""Fuzzing: mutated bytes into everything that reads bytes from outside; `make fuzz` runs it.

`targets.py` holds what is tried and what must hold, without the fuzzer, so that the suite can run every seed
and every kept finding through it; `one.py` lets the fuzzer loose on one target.
"""
