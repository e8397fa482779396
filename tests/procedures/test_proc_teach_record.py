"""A stored run as tracks: samples in their unit, lines as they changed, holes where something was lost."""

from __future__ import annotations

import numpy as np
from lidjig.bench import load_machine
from lidjig.jig_samples import Batch
from lidjig.jig_types import Event
from lidjig.record.power_states import smoothed_timeline, tracks_of
from lidjig.record.store import Store

from shared_proto import names

SLP_S3, SLP_S4, SUPPLY = (names.LINES.index(name) for name in ("observer_1", "observer_2", "supply_ok"))
BOOT = "lines boot 00000001"


def edge(counter: int, line: int, level: int, t_us: int) -> Event:
    return Event("edge", counter, t_us, {"line": line, "level": level})


def stored(store: Store, *, lost: bool) -> str:
    """cedar-15 has its signals only: working for 4 s, asleep from then on; with `lost`, events are missing at 2 s."""
    run = store.start_run("test", texts={"machine": load_machine("cedar-15")[1]})
    run.sample(BOOT, "mask", float(1 << SLP_S3 | 1 << SLP_S4 | 1 << SUPPLY), t_us=0)
    # The mark switch is of no interest here; it gives the record a beginning and an end.
    run.events([Event("mark", 1, 0, {"pressed": 1})])
    if lost:
        run.events([Event("lost", 2, 2_000_000, {"count": 3})])
        run.events([edge(3, SLP_S4, 1, 3_000_000), edge(4, SLP_S3, 1, 3_100_000)])
        run.events([Event("supply", 5, 3_200_000, {"present": 1, "supply_mv": 1800})])
    run.events([edge(6, SLP_S3, 0, 4_000_000), Event("mark", 7, 8_000_000, {"pressed": 1})])
    run.finish("pass")
    return run.id


def test_signals_alone_make_a_timeline(store: Store) -> None:
    run = stored(store, lost=False)
    found = smoothed_timeline(store, run, load_machine("cedar-15")[0])
    assert [(span.state, span.begin_us, span.end_us) for span in found.spans] == [
        ("S0", 0, 4_000_000),
        ("S3", 4_000_000, 8_000_000),
    ]


def test_after_lost_events_a_line_is_unknown_until_it_is_heard(store: Store) -> None:
    run = stored(store, lost=True)
    machine = load_machine("cedar-15")[0]
    tracks = tracks_of(store.run(run), {}, machine)
    assert tracks["observer_1"].gaps == ((2_000_000, 3_100_000),)
    assert tracks["observer_2"].gaps == ((2_000_000, 3_000_000),)
    found = smoothed_timeline(store, run, machine)
    assert [span.state for span in found.spans] == ["S0", "unknown", "S0", "S3"]
    gap = found.spans[1]
    assert abs(gap.begin_us - 2_000_000) <= 20_000
    assert 3_000_000 <= gap.end_us <= 3_220_000


def test_samples_come_in_their_unit_under_the_observers_name(store: Store) -> None:
    machine = load_machine("dogwood-14")[0]
    run = store.start_run("test")
    scale = machine.scale("meter_1_i")
    run.channel("meter_1_i", scale.unit, scale.per_raw, scale.offset)
    run.channel("jig_3v3", "mV", 0.1)
    run.events([Event("mark", 1, 1_000, {"pressed": 1})])
    raw = np.array([round(scale.raw(ma)) for ma in (-5.0, 0.0, 750.0)], "<u2")
    run.batch(Batch("meter_1_i", 1, 1_000, 10_000, raw.tobytes()))
    run.batch(Batch("jig_3v3", 1, 1_000, 10_000, raw.tobytes()))
    run.finish("pass")
    series = {row.channel: store.series(run.id, row.channel) for row in store.channels(run.id)}
    tracks = tracks_of(store.run(run.id), series, machine)
    assert set(tracks) == {"charger_i"}
    assert tracks["charger_i"].t_us.tolist() == [1_000, 6_000, 11_000]
    np.testing.assert_allclose(tracks["charger_i"].values, [-5.0, 0.0, 750.0], atol=scale.per_raw)


def test_where_board_time_begins_anew_the_tracks_go_on(store: Store) -> None:
    machine = load_machine("alder-14")[0]
    run = store.start_run("test")
    scale = machine.scale("light")
    run.channel("light", scale.unit, scale.per_raw, scale.offset)
    run.events([Event("mark", 1, 5_000_000, {"pressed": 1})])
    run.batch(Batch("light", 1, 5_000_000, 1_000, b"\x10\x00\x20\x00"))
    run.flush()
    run.gap("restart", "boot 00000001 -> 00000002", None)
    run.events([Event("boot", 1, 100, {"cause": 0}), Event("mark", 2, 2_000_000, {"pressed": 1})])
    run.batch(Batch("light", 1, 900_000, 1_000, b"\x30\x00\x40\x00"))
    run.finish("incomplete")
    series = {row.channel: store.series(run.id, row.channel) for row in store.channels(run.id)}
    light = tracks_of(store.run(run.id), series, machine)["light"]
    assert (np.diff(light.t_us) > 0).all()
    assert light.t_us.size == 4 and light.t_us[2] - light.t_us[1] > 900_000
