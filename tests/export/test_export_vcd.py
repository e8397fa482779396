"""A .vcd read back with vcdvcd, with sigrok-cli, and with GTKWave's own converter; it was written with pyvcd."""

from __future__ import annotations

import math
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from export_runs import BEGIN_US, CHANNELS, HOLE, LOST_US, Batch, Event, Made, Run
from lidjig.record.export import Wishes, export_run
from lidjig.record.store import Store, open_store
from vcd import VCDPhaseError, VCDWriter
from vcd_reader import vcdvcd


@pytest.fixture(scope="module")
def file(made: Made, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("vcd") / "run.vcd"
    with open_store(made.store, create=False) as store:
        export_run(store, made.run, path, Wishes())
    return path


@pytest.fixture(scope="module")
def vcd(file: Path) -> Any:
    return vcdvcd.VCDVCD(str(file))


def changes(vcd: Any, name: str) -> list[tuple[int, str]]:
    return list(vcd[name].tv)


def test_time_scale_is_a_microsecond(vcd: Any) -> None:
    assert float(vcd.timescale["timescale"]) == pytest.approx(1e-6)


def test_a_line_changes_when_its_events_say(vcd: Any, made: Made) -> None:
    """x before it was first read, and between the last event before a loss and the next edge."""
    before = max(t for t, _level in made.slp if t < LOST_US) + 1
    wanted = [(0, "x"), (700_000, "1"), *((t, str(level)) for t, level in made.slp if t < LOST_US)]
    wanted += [(before, "x"), *((t, str(level)) for t, level in made.slp if t > LOST_US)]
    assert changes(vcd, "jig.observer_1") == wanted


def test_outputs_route_and_lock(vcd: Any, made: Made) -> None:
    told = [(e.t_us, str(e.data["operated"])) for e in made.events if e.name == "output"]
    assert [(t, v) for t, v in changes(vcd, "jig.output_1") if v != "x"] == told
    assert changes(vcd, "jig.route_standin")[:2] == [(0, "x"), (600_000, "1")]
    assert changes(vcd, "jig.route_open")[:2] == [(0, "x"), (600_000, "0")]
    assert changes(vcd, "jig.lock_armed")[:2] == [(0, "x"), (500_000, "1")]


def test_the_gap_is_seen(vcd: Any, made: Made) -> None:
    before = max(t for t, _level in made.slp if t < LOST_US) + 1
    assert changes(vcd, "jig.gap") == [(0, "0"), (before, "1"), (LOST_US, "0")]


@pytest.mark.parametrize("channel", CHANNELS)
def test_every_sample(vcd: Any, made: Made, channel: str) -> None:
    """A value change dump holds changes: a sample equal to the one before is no line of it. 16 digits are written."""
    times, values = made.samples[channel]
    told = [(t, float(v)) for t, v in changes(vcd, f"analog.{channel}_{CHANNELS[channel][0] or 'raw'}")]
    known = [(t, v) for t, v in told if not math.isnan(v)]
    pairs = list(zip(times.tolist(), values.tolist(), strict=True))
    hole_us = BEGIN_US + 1000 * HOLE[2]
    wanted = [
        pair for i, pair in enumerate(pairs)
        if i == 0 or pair[1] != pairs[i - 1][1] or (channel == HOLE[0] and pair[0] == hole_us)
    ]  # fmt: skip
    assert [t for t, _v in known] == [t for t, _v in wanted]
    assert [v for _t, v in known] == pytest.approx([v for _t, v in wanted], rel=1e-15)


def test_a_hole_in_a_channel_is_unknown(vcd: Any, made: Made) -> None:
    begin, end = BEGIN_US + 1000 * HOLE[1], BEGIN_US + 1000 * HOLE[2]
    last = int(made.samples["light"][0][-1]) + 1000
    sampled = [(0, "0"), (BEGIN_US, "1"), (begin, "x"), (end, "1"), (last, "0")]
    assert changes(vcd, "analog.light_sampled") == sampled
    unknown = [t for t, v in changes(vcd, "analog.light_permille") if math.isnan(float(v))]
    assert unknown == [0, begin, last]
    assert changes(vcd, "analog.supply_sampled") == [(0, "0"), (BEGIN_US, "1"), (last, "0")]


def test_sigrok_reads_its_wires(file: Path, made: Made, sigrok: Callable[..., str]) -> None:
    """Every edge of SLP_S3# by its counter decoder. It knows no x: there the line is low."""
    shown = sigrok("-i", str(file), "-I", "vcd:downsample=1000", "--show")
    names = [line.split(":")[0].strip("- ") for line in shown.splitlines() if line.startswith("- ")]
    assert {"observer_1", "output_1", "gap", "route_standin", "light_sampled"} <= set(names)
    counted = sigrok("-i", str(file), "-P", "counter:data=observer_1").strip().splitlines()
    # Up where it is first read, then every event; the lost stretch begins with the machine asleep: low already.
    assert [level for t, level in made.slp if t < LOST_US][-1] == 0
    assert len(counted) == 1 + len(made.slp)


def test_gtkwave_reads_it(file: Path, tmp_path: Path, made: Made) -> None:
    """vcd2fst is GTKWave's own reader of .vcd; what it made of it is read again."""
    program, back = shutil.which("vcd2fst"), shutil.which("fst2vcd")
    if program is None or back is None:
        pytest.skip("no vcd2fst on PATH (apt-get install gtkwave)")
    fst = tmp_path / "run.fst"
    subprocess.run([program, str(file), str(fst)], check=True, capture_output=True, timeout=120)
    told = subprocess.run([back, str(fst)], check=True, capture_output=True, timeout=120).stdout
    (tmp_path / "back.vcd").write_bytes(told)
    again = vcdvcd.VCDVCD(str(tmp_path / "back.vcd"))
    rises = [(t, v) for t, v in again["jig.observer_1"].tv if v in "01" and t > 700_000]
    assert rises == [(t, str(level)) for t, level in made.slp]


def test_only_the_channels_asked_for(opened: Store, made: Made, tmp_path: Path) -> None:
    export_run(opened, made.run, tmp_path / "run.vcd", Wishes(("supply", "pulses")))
    found = vcdvcd.VCDVCD(str(tmp_path / "run.vcd"))
    assert {name for name in found.signals if name.startswith("analog.")} == {
        "analog.supply_mV", "analog.supply_sampled", "analog.pulses_raw", "analog.pulses_sampled",
    }  # fmt: skip


SLOW_HZ = (1.0, 25.0, 50.0, 200.0, 250.0)


@pytest.mark.parametrize("rate_hz", SLOW_HZ)
@pytest.mark.parametrize("length_us", [40_000, 500_000, 1_299_999, 1_300_000, 1_301_234])
def test_a_slow_channel_that_ends_last(rate_hz: float, length_us: int, tmp_path: Path) -> None:
    """Its last sample holds for a whole period, beyond the last event and the end of every faster channel."""
    period_us = round(1e6 / rate_hz)
    n = max(3, length_us // period_us)
    file = tmp_path / "run.vcd"
    with open_store(tmp_path / "runs.db") as store:
        run = store.start_run("watch")
        run.events([Event("boot", 1, 0, {"cause": 0})])
        for channel, count, spacing_us in (("light", 40, 1000), ("meter_1_v", n, period_us)):
            run.channel(channel, "mV", 1.0)
            raw = np.arange(count, dtype="<u2")
            run.batch(Batch(channel, 1, 1_000_000, spacing_us * (count - 1), raw.tobytes()))
        run.finish("pass")
        export_run(store, "last", file, Wishes())
    slow = vcdvcd.VCDVCD(str(file))["analog.meter_1_v_mV"].tv
    told = [(t, float(value)) for t, value in slow if t >= 1_000_000]
    assert [t for t, _value in told[:-1]] == [1_000_000 + k * period_us for k in range(n)]
    assert [value for _t, value in told[:-1]] == list(range(n))
    assert told[-1][0] == 1_000_000 + n * period_us and math.isnan(told[-1][1])
    stamps = [int(line[1:]) for line in file.read_text().splitlines() if line.startswith("#")]
    assert stamps == sorted(stamps) and stamps[-1] == told[-1][0] + 1000


def test_an_error_of_the_writing_library_is_no_traceback(
    made: Made, run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_given: Any, **_more: Any) -> None:
        raise VCDPhaseError("Out of order timestamp: 5")

    monkeypatch.setattr(VCDWriter, "change", refuse)
    ran = run("export", made.run, str(tmp_path / "run.vcd"), store=made.store)
    assert ran.status == 3 and "Traceback" not in ran.err
    assert "cannot be written as .vcd (VCDPhaseError: Out of order timestamp: 5)" in ran.err
    assert ".json and .csv" in ran.err and list(tmp_path.iterdir()) == []
