"""A .sr read back with sigrok-cli: what libsigrok read is written again by its own writer, and compared."""

from __future__ import annotations

import configparser
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from export_runs import BEGIN_US, CHANNELS, LOST_US, PERIOD_US, Made, Run
from lidjig.record.export import Wishes, export_run
from lidjig.record.store import Store

Found = tuple[dict[str, str], dict[str, npt.NDArray[np.float64]]]  # metadata; channel -> levels or values
Read = Callable[..., Found]


def session(file: Path) -> Found:
    """A session as sigrok's format has it."""
    with zipfile.ZipFile(file) as archive:
        assert archive.testzip() is None and archive.read("version") == b"2"
        meta = configparser.ConfigParser()
        meta.read_string(archive.read("metadata").decode())
        told = dict(meta["device 1"])
        numbers = {name: archive.read(name) for name in archive.namelist() if "-" in name}
    logic = b"".join(numbers[n] for n in sorted((n for n in numbers if n.startswith("logic-1-")), key=piece))
    width, probes = int(told["unitsize"]), int(told["total probes"])
    bits = np.unpackbits(np.frombuffer(logic, "u1").reshape(-1, width), axis=1, bitorder="little")
    out = {told[f"probe{i + 1}"]: bits[:, i].astype(float) for i in range(probes)}
    for number in range(probes + 1, probes + 1 + int(told["total analog"])):
        mine = sorted((n for n in numbers if n.startswith(f"analog-1-{number}-")), key=piece)
        out[told[f"analog{number}"]] = np.frombuffer(b"".join(numbers[n] for n in mine), "<f4").astype(float)
    return told, out


def piece(name: str) -> int:
    return int(name.rsplit("-", 1)[1])


@pytest.fixture
def read(opened: Store, made: Made, tmp_path: Path, sigrok: Callable[..., str]) -> Read:
    """read(), read(wishes): exported, read by libsigrok, written by libsigrok."""

    def go(*wished: Wishes) -> Found:
        wishes = wished[0] if wished else Wishes()
        export_run(opened, made.run, tmp_path / "run.sr", wishes, force=True)
        sigrok("-i", str(tmp_path / "run.sr"), "-o", str(tmp_path / "again.sr"))
        return session(tmp_path / "again.sr")

    return go


def test_every_sample_of_every_channel(read: Read, made: Made) -> None:
    """At the rate of the channels each sample of theirs is one of the session; float32 has 24 bits. A hole is NaN."""
    told, found = read()
    assert told["samplerate"] == "1 kHz"
    for channel, (times, values) in made.samples.items():
        got = found[f"{channel}_{CHANNELS[channel][0] or 'raw'}"]
        wanted = np.full(len(got), np.nan, dtype=np.float32)
        wanted[times // PERIOD_US] = values
        assert np.array_equal(got, wanted.astype(float), equal_nan=True)
        assert np.count_nonzero(~np.isnan(got)) == len(times)


def test_lines_have_the_level_of_each_moment(read: Read, made: Made) -> None:
    _told, found = read()
    times = 1000 * np.arange(len(found["observer_1"]))
    before = max(t for t, _level in made.slp if t < LOST_US) + 1
    changed = sorted([(0, 0), (700_000, 1), *made.slp, (before, 0)])
    stamps = np.array([t for t, _level in changed])
    levels = np.array([level for _t, level in changed])
    assert np.array_equal(found["observer_1"], levels[np.searchsorted(stamps, times, side="right") - 1])
    # What is not known is told by `gap`.
    assert np.array_equal(np.flatnonzero(found["gap"]), np.arange(-(-before // 1000), -(-LOST_US // 1000)))


def test_a_higher_rate_shows_when_more_closely(read: Read, made: Made) -> None:
    told, found = read(Wishes(("light",), 100_000))
    assert told["samplerate"] == "100 kHz"
    edges = np.flatnonzero(np.diff(found["observer_1"])) + 1
    events = [t for t, _level in made.slp]
    assert set(-(-np.array(events) // 10)) <= set(edges.tolist())
    assert BEGIN_US // 10 == int(np.flatnonzero(~np.isnan(found["light_permille"]))[0])


def test_sigroks_decoders_work_on_it(opened: Store, made: Made, tmp_path: Path, sigrok: Callable[..., str]) -> None:
    """Pulse lengths of SLP_S3# by the decoder `timing`, against the events."""
    export_run(opened, made.run, tmp_path / "run.sr", Wishes((), 10_000))
    told = sigrok("-i", str(tmp_path / "run.sr"), "-P", "timing:data=observer_1", "-A", "timing=time").splitlines()
    lengths = [line.split(": ")[1].split(" (")[0].strip() for line in told]
    # The first pulse begins where the line is first read (0.7 s): up to its first edge at 2.423789 s.
    assert lengths[0] == "1.724 s" and lengths[1] == "1.000 s"
    assert len(lengths) == len(made.slp)


def test_what_no_sample_shows_is_told(opened: Store, made: Made, tmp_path: Path) -> None:
    coarse = export_run(opened, made.run, tmp_path / "coarse.sr", Wishes((), 1))
    fine = export_run(opened, made.run, tmp_path / "fine.sr", Wishes((), 1000))
    assert any("shorter than a sample" in note for note in coarse.notes)
    assert not any("shorter than a sample" in note for note in fine.notes)
    assert fine.counts["samplerate_hz"] == 1000 and "first sample is at 0 us" in fine.notes[0]


@pytest.mark.parametrize("rate", ["0", "1000001"])
def test_a_rate_that_cannot_be(made: Made, run: Run, tmp_path: Path, rate: str) -> None:
    ran = run("export", made.run, str(tmp_path / "run.sr"), "--samplerate", rate, store=made.store)
    assert ran.status == 2 and "1 to 1000000 Hz" in ran.err
