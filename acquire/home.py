"""Where a bench keeps its things: one folder, named on the command line.

bench.toml  method.toml  protocol.toml  gauges/*.toml     what a person edits
journal.sqlite  recordings/*.rec  photos/*               what the program writes and never changes
sealed/*.json                                            which code letter is which product, until unsealed
"""

from dataclasses import dataclass
from pathlib import Path
from shutil import copyfile

import config
from acquire.bench import Bench, load_bench
from acquire.errors import ConfigError
from acquire.journal import Journal
from acquire.protocol import Protocol, parse_protocol
from acquire.scoring.method import Method, parse_method
from acquire.sources import description_named
from drivers.description import GaugeDescription


@dataclass(frozen=True, slots=True)
class Home:
    """The folder of one bench. Reading methods raise ConfigError if a file is missing or faulty."""

    folder: Path

    @property
    def bench_file(self) -> Path:
        return self.folder / "bench.toml"

    @property
    def method_file(self) -> Path:
        return self.folder / "method.toml"

    @property
    def protocol_file(self) -> Path:
        return self.folder / "protocol.toml"

    @property
    def sealed(self) -> Path:
        """Folder of what must not be looked into while a trial is blind."""
        return self.folder / "sealed"

    @property
    def photos(self) -> Path:
        """Folder of the photographs beside notes; their names are hashes."""
        return self.folder / "photos"

    @property
    def gauges(self) -> Path:
        return self.folder / "gauges"

    @property
    def recordings(self) -> Path:
        return self.folder / "recordings"

    @property
    def journal_file(self) -> Path:
        return self.folder / "journal.sqlite"

    @property
    def option(self) -> str:
        """As it is typed behind a command, on any system."""
        return f'--home "{self.folder}"' if " " in str(self.folder) else f"--home {self.folder}"

    def create(self) -> list[Path]:
        """Lays out the folder from the shipped defaults; a file that is there already stays as it is.

        Returns:
            The files it wrote.
        """
        wanted = [self.bench_file, self.method_file, self.protocol_file]
        wanted += [self.gauges / path.name for path in sorted((config.FOLDER / "gauges").glob("*.toml"))]
        new = [path for path in wanted if not path.exists()]
        self.recordings.mkdir(parents=True, exist_ok=True)
        self.gauges.mkdir(exist_ok=True)
        for path in new:
            copyfile(config.FOLDER / path.relative_to(self.folder), path)
        return new

    def bench(self) -> Bench:
        self._must_exist(self.bench_file)
        return load_bench(self.bench_file, self.gauges)

    def method(self, path: Path | None = None) -> Method:
        """The bench's method, or another one from `path`."""
        path = path or self.method_file
        self._must_exist(path)
        return parse_method(_text(path), str(path))

    def protocol(self) -> Protocol:
        """The bench's protocol; the shipped one where the bench has no file of its own."""
        path = self.protocol_file if self.protocol_file.exists() else config.FOLDER / "protocol.toml"
        return parse_protocol(_text(path), str(path))

    def description(self, name: str) -> GaugeDescription:
        return description_named(name, self.gauges)

    def journal(self, *, readonly: bool = False) -> Journal:
        """Opens the journal.

        Raises:
            JournalError: it cannot be opened.
            ConfigError: there is no bench; or read-only, and there is no journal yet.
        """
        if not readonly or not self.bench_file.exists():
            # A copy of journal and recordings can be read without its bench; a bench is not begun by writing.
            self._must_exist(self.journal_file if readonly else self.bench_file)
        elif not self.journal_file.exists():
            raise ConfigError(
                f"there is no {self.journal_file.name} in {self.folder}: nothing has happened there yet",
                hint=f"open a trial: panelwright trial open ID --product NAME --panel P {self.option}",
            )
        return Journal.open(self.journal_file, readonly=readonly)

    def _must_exist(self, path: Path) -> None:
        if not path.exists():
            raise ConfigError(
                f"there is no {path.name} in {self.folder}",
                hint=f"lay out a bench there with: panelwright init {self.option}",
            )


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path} is not UTF-8 text: {error}", hint="save it as UTF-8") from error
