"""The bench at work: opens the gauges of a bench and gives what they send to the task at hand."""

from acquire.capture_rules import LEAST_FRICTION
from acquire.service.running import Service

__all__ = ["LEAST_FRICTION", "Service"]
