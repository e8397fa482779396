"""Duty cycles of a wave, as sigrok's own decoder reads them."""

from __future__ import annotations

import subprocess
from pathlib import Path

from lidjig.bench.families.base import Wave


def duties_by_sigrok(wave: Wave, folder: Path) -> list[float]:
    """Percent, period by period: written as VCD into the folder and read by sigrok-cli's decoder `pwm`."""
    from vcd import VCDWriter  # of the tests' own, where sigrok-cli is there

    path = folder / "wave.vcd"
    with path.open("w", encoding="ascii") as stream, VCDWriter(stream, "1 ns") as out:
        line = out.register_var("line", "out", "wire", size=1, init=int(wave.level[0]))
        for t_us, level in zip(wave.t_us[1:], wave.level[1:], strict=True):
            out.change(line, round(1000 * float(t_us)), int(level))
        out.close(round(1000 * wave.end_us))
    done = subprocess.run(
        ["sigrok-cli", "-i", str(path), "-P", "pwm:data=out", "-A", "pwm=duty-cycle"],
        capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    return [float(row.split(":")[1].strip(" %")) for row in done.stdout.splitlines() if "%" in row]
