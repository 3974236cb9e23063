"""The files a bench keeps and edits, shipped as defaults: bench.toml, method.toml, gauges/*.toml."""

from pathlib import Path

FOLDER = Path(__file__).parent
