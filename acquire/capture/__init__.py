"""Samples become readings without a click: pulls, settled values, counts. Knows no port, disk or clock."""

CAPTURE_VERSION = 3
"""Raised whenever the same bytes may give other readings than before; journals name theirs."""
