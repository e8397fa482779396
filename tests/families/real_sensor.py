"""A machine with its real sensor, the jig out of the way: what the lid does to it, what a dead or missing one does."""

from __future__ import annotations

from pathlib import Path

from family_bench import Standing, standing_in


def sleeps_and_wakes(bench: Standing) -> None:
    """Route through: the lid puts the machine to sleep and wakes it."""
    bench.jig.disarm()
    bench.jig.idle(0.1)
    for action, state in (("press-power", "S0"), ("shut-lid", "S3"), ("open-lid", "S0")):
        bench.ask(action, 8.0)
        assert bench.link.look()["state"] == state


def dead_stays_off_and_none_stays_awake(folder: Path, machine: str) -> None:
    """Common practice, no source: dead reads as shut; unplugged starts and never sleeps."""
    dead = '[[fault]]\nwhere = "sensor"\nkind = "dead"\n'
    none = "[jig]\nsensor_fitted = false\n"
    for text, state in ((dead, "S5"), (none, "S0")):
        path = folder / f"{machine}-{state}.toml"
        path.write_text(f'[machine]\nmodel = "{machine}"\n{text}', encoding="utf-8")
        with standing_in(str(path), vm="cpython") as bench:
            bench.jig.disarm()
            bench.jig.idle(0.1)
            for action in ("press-power", "shut-lid"):
                bench.ask(action, 8.0)
                assert bench.link.look()["state"] == state
