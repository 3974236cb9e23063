"""The demonstration: an invented scenario on simulated gauges, run as the real thing would be."""
