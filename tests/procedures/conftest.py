"""A simulated bench with its record, for procedures."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from lidjig.bench import load_machine, load_sensor
from lidjig.jig import Jig
from lidjig.link.base import Deadline
from lidjig.link.twin import TwinLink
from lidjig.procedures.asking import Operator
from lidjig.procedures.base import Bench
from lidjig.procedures.progress import Quiet
from lidjig.record.store import Store, open_store
from lidjig.twin.scenario import parse_scenario

Make = Callable[..., Bench]


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "runs.db") as opened:
        yield opened


@pytest.fixture
def bench(store: Store) -> Iterator[Make]:
    """bench(scenario text): jig, record and profiles on a simulated bench."""
    links: list[TwinLink] = []

    def make(text: str = "", vm: str = "auto", machine: str = "alder-14", sensor: str = "hinge-a1") -> Bench:
        link = TwinLink(parse_scenario(text, "test.toml"), vm=vm)
        links.append(link)
        jig = Jig(link, nonce_seed=1)
        jig.connect(Deadline(link.clock, 5.0))
        recorder = store.start_run("test")
        jig.sink = recorder
        return Bench(jig, recorder, load_machine(machine)[0], load_sensor(sensor)[0], Operator(), Quiet())

    yield make
    for link in links:
        link.close()
