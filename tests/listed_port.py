"""A port as the operating system would list it."""


class Listed:
    """What the service looks at of such an entry."""

    def __init__(self, device: str, serial_number: str | None, description: str = "n/a") -> None:
        self.device = device
        self.serial_number = serial_number
        self.description = description
