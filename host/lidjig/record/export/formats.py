"""Which suffix is written by what, and how a file comes to be: whole or not at all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from importlib import import_module
from pathlib import Path

from lidjig.errors import BadInput, LidjigError, NotExported
from lidjig.record.source import Source
from lidjig.record.store import Store
from lidjig.record.whole_file import check_free, whole_file

RATE_MAX_HZ = 1_000_000  # a sample is at least the microsecond that events are stamped with


@dataclass(frozen=True)
class Wishes:
    """What is to be in the file. channels: of the sampled ones, empty = all. rate_hz: samples a second, where the
    format has one rate for everything; None = chosen by the writer.
    """

    channels: tuple[str, ...] = ()
    rate_hz: int | None = None


@dataclass
class Exported:
    """What was written. counts: what -> how many; notes: what a reader of the file has to know."""

    run: str
    file: Path
    format: str
    size: int = 0
    counts: dict[str, int] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


# Suffix -> module beside this one; its write(source, path, wishes, exported) writes the file at path.
FORMATS: dict[str, str] = {
    ".csv": "csv_file",
    ".vcd": "vcd_file",
    ".sr": "sr_file",
    ".parquet": "parquet_file",
    ".json": "json_file",
    ".junit.xml": "junit_file",
}


def format_of(path: Path) -> str:
    """The suffix of FORMATS that a file's name ends with. Raises BadInput for any other."""
    for suffix in FORMATS:
        if path.name.lower().endswith(suffix) and len(path.name) > len(suffix):
            return suffix
    raise BadInput("", "FILE", str(path), f"a name that ends in {', '.join(FORMATS)}")


def export_run(store: Store, wanted: str, path: Path, wishes: Wishes, *, force: bool = False) -> Exported:
    """Write a run to path. wanted: as for Store.run(). force: replaces a file that is there.

    The file appears when it is complete. Raises BadInput for a suffix, channel or rate that is not taken, a file that
    is there already or cannot be written, FileNotWritten for a full disk, StoreFailed where the record cannot be read,
    NotExported where the library that writes the format does not take what is in the run.
    """
    suffix = format_of(path)
    module = import_module(f"lidjig.record.export.{FORMATS[suffix]}")
    _check(path, suffix, wishes, force)
    source = Source.of(store, wanted, wishes.channels)
    exported = Exported(source.run.id, path, suffix)
    write: Callable[[Source, Path, Wishes, Exported], None] = module.write
    with whole_file(path, "FILE", force=force) as temporary:
        try:
            write(source, temporary, wishes, exported)
        except (LidjigError, OSError):
            raise
        except Exception as error:  # each library has errors of its own
            raise NotExported(source.run.id, suffix, f"{type(error).__name__}: {error}") from error
        exported.size = temporary.stat().st_size
    return exported


def _check(path: Path, suffix: str, wishes: Wishes, force: bool) -> None:
    if wishes.rate_hz is not None:
        if suffix != ".sr":
            raise BadInput("", "--samplerate", wishes.rate_hz, "only with .sr: every other format keeps its own times")
        if not 1 <= wishes.rate_hz <= RATE_MAX_HZ:
            raise BadInput("", "--samplerate", wishes.rate_hz, f"1 to {RATE_MAX_HZ} Hz")
    if wishes.channels and suffix == ".junit.xml":
        raise BadInput("", "--channel", ", ".join(wishes.channels), "no --channel with .junit.xml: it holds no samples")
    check_free(path, "FILE", force=force)
