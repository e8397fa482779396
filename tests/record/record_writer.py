"""Writes a run and tells, over its output, which events are on disk: to be killed in the middle.

python record_writer.py STORE BATCHES PER_BATCH
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field

from lidjig.record import open_store


@dataclass(frozen=True)
class Event:
    name: str
    counter: int
    t_us: int
    data: dict[str, int] = field(default_factory=dict)


def main() -> None:
    store, batches, per_batch = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    run = open_store(store).start_run("cycle", job="killed", seed=1, texts={"sensor": "text of the profile"})
    print(f"run {run.id}", flush=True)
    counter = 0
    for number in range(batches):
        with run.step("close", cycle=number):
            batch = [
                Event("edge", counter + k + 1, 1000 * (counter + k), {"line": 1, "level": k % 2})
                for k in range(per_batch)
            ]
            run.events(batch)
            counter += per_batch
            print(counter, flush=True)  # as the board would be told
    run.finish("pass")
    print("finished", flush=True)


if __name__ == "__main__":
    main()
