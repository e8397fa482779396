"""Power states of a stored run that was judged without an observer from some time on: every reader says the same."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from lidjig.bench import load_machine
from lidjig.jig_samples import Batch
from lidjig.jig_types import Event
from lidjig.procedures.rederiving import heard
from lidjig.record.axis import boots_of, levels_of
from lidjig.record.export.signals import signals_of
from lidjig.record.model import OBSERVERS_STEP
from lidjig.record.power_signed import told_by
from lidjig.record.power_spans import BANDS, EVENTS, PowerSpans, power_spans
from lidjig.record.source import Source
from lidjig.record.store import Store, open_store
from lidjig.record.stored import StoredRun

from shared_proto import names

ALDER, TEXT = load_machine("alder-14")
SLP_S3, SLP_S4, SUPPLY = (names.LINES.index(name) for name in ("observer_1", "observer_2", "supply_ok"))
BEGAN_US, SHUT_US, END_US = 100_000, 4_000_000, 9_000_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with open_store(tmp_path / "runs.db") as opened:
        yield opened


def made(store: Store, *, aside: bool, sampled: bool) -> StoredRun:
    """Running until SHUT_US, then asleep by its lines and its light; the charger's current stays high all along.
    aside: the run says that the current told nothing from then on.
    """
    run = store.start_run("test", texts={"machine": TEXT})
    mask = 1 << SLP_S3 | 1 << SLP_S4 | 1 << SUPPLY
    run.sample("lines boot 00000001", "mask", float(mask), t_us=BEGAN_US)
    band = [("charger_v", 6, 3), ("charger_i", 7, 2), ("light", 9, 1)]
    run.events([Event("mark", 1, BEGAN_US, {"pressed": 1})])
    run.events(
        Event("band", number, BEGAN_US + 10_000, {"channel": channel, "band": value, "raw": 0})
        for number, (_name, channel, value) in enumerate(band, start=2)
    )
    run.events(
        [
            Event("band", 5, SHUT_US, {"channel": 9, "band": 0, "raw": 0}),
            Event("edge", 6, SHUT_US + 1_000, {"line": SLP_S3, "level": 0}),
            Event("mark", 7, END_US, {"pressed": 0}),
        ]
    )
    if sampled:
        for name in ("charger_v", "charger_i", "light"):
            scale = ALDER.scale(name)
            run.channel(name, scale.unit, scale.per_raw, scale.offset)
            for number, begin_us in enumerate(range(BEGAN_US, END_US, 500_000), start=1):
                times = begin_us + 10_000 * np.arange(50)
                values = np.full(50, {"charger_v": 20_000.0, "charger_i": 1_500.0, "light": 600.0}[name])
                if name == "light":
                    values[times >= SHUT_US] = 0.0
                raw = np.round(values / scale.per_raw).astype("<u2")
                run.batch(Batch(name, number, begin_us, 490_000, raw.tobytes()))
    if aside:
        with run.step(OBSERVERS_STEP) as step:
            step.result = {"left_out": ["charger_i"], "t_us": BEGAN_US, "since_us": SHUT_US}
    run.finish("pass")
    return store.run(run.id)


def states(found: PowerSpans) -> list[str]:
    return [span.state for span in found.spans if span.seconds > 0.1]


@pytest.mark.parametrize(("sampled", "method"), [(False, EVENTS), (True, BANDS)])
def test_a_machine_judged_by_its_lines_is_shown_as_it_was_judged(store: Store, sampled: bool, method: str) -> None:
    run = made(store, aside=True, sampled=sampled)
    found = power_spans(store, run, store.channels(run.id))
    assert found.method == method and states(found) == ["S0", "S3"]
    asleep = found.spans[-1]
    assert abs(asleep.begin_us - SHUT_US) <= 20_000
    assert all(a.end_us == b.begin_us for a, b in zip(found.spans, found.spans[1:], strict=False))


@pytest.mark.parametrize("sampled", [False, True])
def test_without_that_step_the_observers_contradict_one_another(store: Store, sampled: bool) -> None:
    run = made(store, aside=False, sampled=sampled)
    found = power_spans(store, run, store.channels(run.id))
    assert states(found) == ["S0", "unknown"]
    assert found.spans[-1].why is not None and found.spans[-1].why.cause == "contradiction"


def test_every_reader_of_the_record_says_the_same(store: Store) -> None:
    """A replay, an export, and the spans by events."""
    run = made(store, aside=True, sampled=False)
    (boot,) = heard(run, ALDER)
    wanted = [(span.begin_us, span.state) for span in power_spans(store, run, store.channels(run.id)).spans]
    assert boot.timeline == [item for item in wanted if item[1] != "unknown" or item[0] > BEGAN_US]
    asleep = next(s for s in signals_of(Source.of(store, run.id, ())) if s.name == "power_S3")
    assert (
        [t for t, v in asleep.changes if v == 1]
        == [SHUT_US + 1_000]
        == [t_us for t_us, state in boot.timeline if state == "S3"]
    )


def test_a_boot_goes_on_with_what_the_one_before_ended_with(store: Store) -> None:
    run = store.start_run("test", texts={"machine": TEXT})
    run.sample("lines boot 00000001", "mask", 0.0, t_us=1_000)
    run.events([Event("mark", 1, 2_000, {"pressed": 1})])
    with run.step(OBSERVERS_STEP) as step:
        step.result = {"left_out": ["light"], "t_us": 1_000}
    run.gap("restart", "boot 00000001 -> 00000002", None)
    run.events([Event("boot", 1, 100, {"cause": 0}), Event("mark", 2, 9_000, {"pressed": 1})])
    run.sample("lines boot 00000002", "mask", 0.0, t_us=5_000)
    with run.step(OBSERVERS_STEP) as step:
        step.result = {"left_out": [], "t_us": 5_000}
    run.finish("pass")
    stored = store.run(run.id)
    boots = boots_of(stored)
    told = told_by(stored, ALDER, boots, levels_of(stored, boots))
    assert {number: [(since_us, set(one.left_out)) for since_us, one in mine] for number, mine in told.items()} == {
        1: [(0, set()), (1_000, {"light"})],
        2: [(0, {"light"}), (5_000, set())],
    }
