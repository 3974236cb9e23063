"""What can go wrong, as one tree.

    PanelwrightError                 .hint says what to do next
    ├── ConfigError (ValueError)     a file a person edits: file, key, what would be valid
    ├── TransportError (OSError)
    │   ├── PortBusy                 another program has it: a person must act
    │   └── PortLost                 gone or silent: retried by itself
    ├── RecordingError (ValueError)  a .rec file, with its line number
    ├── SourceError (ValueError)     a force trace in somebody's own file, with line and column
    ├── MethodError (ValueError)     readings and method do not fit together
    └── JournalError                 could not append, or the chain is broken: acquisition stops

A driver's `FrameError` stands apart, in `drivers.base`: one bad frame is data, not a failure.
"""


class PanelwrightError(Exception):
    """Base of all errors a person may meet: what happened, and in `hint` what to do next."""

    def __init__(self, what: str, *, hint: str = "") -> None:
        super().__init__(what)
        self.hint = hint


class ConfigError(PanelwrightError, ValueError):
    """A configuration file does not say what it should; the message lists every fault, each with its key."""


class TransportError(PanelwrightError, OSError):
    """A port could not be used."""


class PortBusy(TransportError):
    """Another program holds the port."""


class PortLost(TransportError):
    """The port went away or fell silent; it is looked for again."""


class RecordingError(PanelwrightError, ValueError):
    """A recording cannot be read; the message names file and line."""


class SourceError(PanelwrightError, ValueError):
    """A force trace cannot be read; the message names file, line and column."""


class MethodError(PanelwrightError, ValueError):
    """Readings and method do not fit together."""


class JournalError(PanelwrightError):
    """The journal could not be appended to, or does not hold together."""
