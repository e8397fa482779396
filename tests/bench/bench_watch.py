"""Cost of the live view: ten looks a second for 30 s on the simulated bench, kept to wall time as on a terminal.

python tests/bench/bench_watch.py [--record]: processor time of the host and of the simulated board as parts of one
core, looks a second, and bytes to a terminal of 80 by 24.
"""

from __future__ import annotations

import io
import platform
import resource
import sys
import tempfile
import time
from pathlib import Path

from lidjig.bench import load_machine, load_sensor
from lidjig.jig import Jig
from lidjig.link.base import Deadline
from lidjig.link.twin import TwinLink
from lidjig.procedures.asking import Operator
from lidjig.procedures.base import Bench
from lidjig.procedures.progress import Quiet
from lidjig.procedures.watching import Look, Watching
from lidjig.record.store import open_store
from lidjig.show.live import LiveView
from lidjig.show.pace import Pace
from lidjig.twin.scenario import parse_scenario
from rich.console import Console

SECONDS = 30.0


def main(*, record: bool) -> None:
    terminal = io.StringIO()
    console = Console(file=terminal, width=80, height=24, force_terminal=True, highlight=False)
    with tempfile.TemporaryDirectory() as folder, open_store(Path(folder) / "runs.db") as store:
        link = TwinLink(parse_scenario('[machine]\nmodel = "alder-14"\nstart_state = "S0"\n', "bench.toml"))
        jig = Jig(link, nonce_seed=1)
        jig.connect(Deadline(link.clock, 5.0))
        jig.sink = recorder = store.start_run("watch")
        machine, sensor = load_machine("alder-14")[0], load_sensor("hinge-a1")[0]
        bench = Bench(jig, recorder, machine, sensor, Operator(), Quiet())
        bench.load_profiles()
        looks: list[Look] = []
        with LiveView(console, Pace(link.clock)) as view:

            def see(look: Look) -> None:
                looks.append(look)
                view(look)

            began_s, host_s = time.monotonic(), time.process_time()
            Watching(bench, see, SECONDS, record=record).run()
            wall_s, host_s = time.monotonic() - began_s, time.process_time() - host_s
        link.close()
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"watch{' --record' if record else ''} for {wall_s:.1f} s on {platform.processor() or platform.machine()}:")
    print(f"  host {host_s / wall_s:.1%} of one core, simulated board (with its start)", end=" ")
    print(f"{(children.ru_utime + children.ru_stime) / wall_s:.1%}")
    print(f"  {len(looks) / wall_s:.2f} looks a second, {len(terminal.getvalue().encode()) / wall_s / 1000:.1f} kB/s")


if __name__ == "__main__":
    main(record="--record" in sys.argv[1:])
