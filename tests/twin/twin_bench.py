"""What the tests of the simulated bench share."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from lidjig.bench.profiles import load_machine, load_sensor
from lidjig.jig import Jig
from lidjig.jig_samples import Batch
from lidjig.jig_types import Event
from lidjig.link.base import Deadline
from lidjig.link.twin import TwinLink, open_twin
from lidjig.twin.scenario import parse_scenario

from shared_proto import blobs, names

# All that a bench may have: both power monitors in the scenario, and all of it in the wiring record.
WHOLE_SET = "".join(
    f"[[machine.parameters.meter]]\nnumber = {number}\naddress = {address}\nshunt_mohm = 10.0\n"
    for number, address in ((1, 0x40), (2, 0x41))
)


def wire_whole_set(jig: Jig) -> None:
    """The wiring record of the whole set, onto the board."""
    wired: dict[str, object] = {
        "version": blobs.WIRING_VERSION, "lines_used": 0x3F, "invert": 0, "scan": 0x3FF, "light_pull_up": 0, "bus": 1,
        "meter_1": 0x40, "cal_1": 2560, "meter_2": 0x41, "cal_2": 2560, "tach": 1 + names.LINE_OBS1, "name": b"all",
    }  # fmt: skip
    jig.load_blob(names.BLOB_WIRING, blobs.pack(blobs.WIRING_FIELDS, wired))


class Memory:
    """A record in memory."""

    def __init__(self) -> None:
        self.batches: list[Event] = []
        self.gaps: list[tuple[str, str]] = []
        self.samples: list[Batch] = []

    def events(self, batch: list[Event]) -> None:
        self.batches += batch

    def batch(self, batch: Batch) -> None:
        self.samples.append(batch)

    def gap(self, kind: str, text: str, t_us: int | None) -> None:
        self.gaps.append((kind, text))

    def frames(self, lines: list[str]) -> None:
        pass


@contextmanager
def bench(text: str | None = None, *, name: str | None = None, vm: str = "cpython", **more: Any) -> Iterator[TwinLink]:
    """A bench from scenario text or by a shipped name."""
    if text is not None:
        link = TwinLink(parse_scenario(text, "test.toml"), vm=vm, **more)
    else:
        link = open_twin(name, vm=vm, **more)
    try:
        yield link
    finally:
        link.close()


@contextmanager
def jig_on(link: TwinLink, sensor: str = "hinge-a1", machine: str = "alder-14") -> Iterator[Jig]:
    """A connected jig with profiles on the board, every line watched."""
    with Jig(link, sink=Memory(), nonce_seed=7) as jig:
        jig.connect(Deadline(jig.clock, 5.0))
        jig.load_blob(names.BLOB_PROFILE, load_sensor(sensor)[0].to_blob())
        jig.load_blob(names.BLOB_WIRING, load_machine(machine)[0].wiring_blob())
        jig.watch_lines(names.LINES)
        yield jig


def pass_time(link: TwinLink, seconds: float) -> bytes:
    """Lets virtual time pass; returns what the board sent meanwhile."""
    end_s = link.clock.now_s() + seconds
    came = b""
    while link.clock.now_s() < end_s - 1e-6:
        came += link.read(end_s - link.clock.now_s())
    return came


def until(link: TwinLink, holds: Callable[[dict[str, Any]], bool], seconds: float = 30.0) -> dict[str, Any]:
    """Lets time pass in steps of 20 ms until the bench's state is as wanted; fails after `seconds`."""
    for _ in range(round(seconds / 0.02)):
        state = link.look()
        if holds(state):
            return state
        pass_time(link, 0.02)
    raise AssertionError(f"not within {seconds} s of virtual time; the bench is at {link.look()}")


def until_state(link: TwinLink, power_state: str, seconds: float = 30.0) -> dict[str, Any]:
    """Lets time pass until the machine is in that power state."""
    return until(link, lambda state: state["state"] == power_state and not state["busy"], seconds)


def fault(where: str, kind: str, **parameters: object) -> str:
    """A [[fault]] entry."""
    lines = [f'where = "{where}"', f'kind = "{kind}"']
    for key, value in parameters.items():
        lines.append(f'{key} = "{value}"' if isinstance(value, str) else f"{key} = {value}")
    return "[[fault]]\n" + "\n".join(lines) + "\n"


def edge(line: int, level: int) -> Callable[[Event], bool]:
    """Matches one edge event."""
    return lambda e: e.name == "edge" and e.data["line"] == line and e.data["level"] == level
