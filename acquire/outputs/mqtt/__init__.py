"""The bench on an MQTT bus, for who wants to watch, show or keep it elsewhere. Nothing depends on it.

    journal ──cursor──> event/KIND     every event once per `seq`, in order; the journal is the queue
    live hub ─────────> live/...       at once; dropped where it cannot be sent in time
    state, gauge, scorecard, standings: retained, so that who comes later sees how things stand

`run_bus` runs in a thread of its own, reads the journal and never writes it. `messages` describes topics and
payloads, `following` is a subscriber, `schema` writes both down for other programs.
"""

from acquire.outputs.mqtt.bus import run_bus
from acquire.outputs.mqtt.settings import BusSettings

__all__ = ["BusSettings", "run_bus"]
