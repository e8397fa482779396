"""The analog output by a DAC: what its bus can do to it, and who else is on it."""

from __future__ import annotations

from pathlib import Path

import pytest
from analog_bench import DAC, PWM, RESOLUTION_DEG, read, share, uncertainty_deg
from family_bench import error_deg, last_good, standing_in
from lidjig.bench.pair import check_pair
from lidjig.bench.profiles import load_machine, load_sensor, parse_machine
from lidjig.errors import BadInput, Refused
from lidjig.jig_types import Lock, Reason, Route
from lidjig.twin.scenario import parse_scenario

from shared_proto import blobs, family_blobs, names
from tests.twin.twin_bench import WHOLE_SET, wire_whole_set


def test_a_dac_that_does_not_answer_trips() -> None:
    """The profile wants a DAC, and this bench has none: nothing is driven."""
    with standing_in(PWM, vm="cpython") as bench:
        bench.jig.disarm()
        bench.jig.load_blob(names.BLOB_PROFILE, load_sensor("hinge-v2")[0].to_blob())
        bench.jig.arm()
        with pytest.raises(Refused):
            bench.jig.set_route(Route.STANDIN)
        assert bench.jig.status().reason == Reason.FIRMWARE
        assert bench.link.look()["pins"][3] == 0


def test_a_dac_whose_bus_hangs_trips(vm: str, tmp_path: Path) -> None:
    """In mid-move: three writes in a row that fail, 2 ms each, and the line is let go."""
    path = tmp_path / "hangs.toml"
    fault = '[[fault]]\nwhere = "bus"\nkind = "hung"\nat_s = 3.5\nclocks = 0\n'
    text = '[machine]\nmodel = "larch-14"\n[sensor]\nprofile = "hinge-v2"\n' + WHOLE_SET + fault
    path.write_text(text, encoding="utf-8")
    with standing_in(str(path), vm=vm) as bench:
        bench.jig.move(30.0, 3.0)
        bench.jig.idle(1.0)
        status = bench.jig.status()
        assert bench.jig.lock is Lock.TRIPPED and status.reason == Reason.FIRMWARE
        assert bench.link.look()["pins"][3] == 0
        assert 3.5e6 <= status.trip_t_us <= 3.52e6


def test_steps_of_a_move_reach_the_dac_in_time() -> None:
    """Moving over 18 deg in 100 ms, a step every 2 ms: the line lags by the beat of the sensor, a turn of the service
    loop and no more. Told by the code on the line against the angle on the board at the same moment.
    """
    with standing_in(DAC, vm="cpython") as bench:
        bench.to(60.0)
        bench.jig.move(96.0, 0.2, "linear")  # 0.18 deg a millisecond
        lags = []
        for _ in range(15):
            bench.jig.idle(0.01)
            angle_deg = bench.jig.status().angle_deg
            lags.append((angle_deg - 180.0 * (share(bench) - 0.1) / 0.8) / 0.18)
        assert max(lags) < 6.0, lags  # ms: a beat of 2 ms, its filter of 0.3 ms, 1 ms of the loop, what status takes


def test_a_dac_and_power_monitors_on_one_bus(vm: str, tmp_path: Path) -> None:
    """Each monitor is read every 5 ms; the codes arrive all the same, and nobody fails."""
    path = tmp_path / "both.toml"
    path.write_text('[machine]\nmodel = "larch-14"\n[sensor]\nprofile = "hinge-v2"\n' + WHOLE_SET, encoding="utf-8")
    with standing_in(str(path), vm=vm) as bench:
        jig = bench.jig
        jig.disarm()
        wire_whole_set(jig)
        for channel in ("meter_1_v", "meter_1_i", "meter_2_v", "meter_2_i"):
            jig.sample(channel, 0.005)
        jig.arm()
        jig.set_route(Route.STANDIN)
        for angle_deg in (0.0, 77.0, 180.0, 12.5):
            jig.move(angle_deg, 0.1)
            jig.idle(0.2)
            error = error_deg(bench.sensor, last_good(read(bench)), angle_deg)
            assert abs(error) <= RESOLUTION_DEG + uncertainty_deg(DAC)
        meters = jig.meters()
        assert (meters.errors, meters.recoveries) == (0, 0) and jig.lock is Lock.ARMED


def test_the_board_knows_who_is_on_its_pins() -> None:
    """By the wiring record: observers 3 and 4 without a bus."""
    with standing_in(DAC, vm="cpython") as bench:
        jig = bench.jig
        jig.disarm()
        text = load_machine("larch-14")[1] + '\n[observers.observer_3]\nsignal = "PWR_GOOD"\n'
        jig.load_blob(names.BLOB_WIRING, parse_machine(text, "crowded.toml").wiring_blob())
        jig.arm()
        with pytest.raises(Refused):
            jig.set_route(Route.STANDIN)
        assert jig.lock is Lock.ARMED and bench.link.look()["pins"][3] == 0


def test_a_record_that_makes_no_voltage_is_refused() -> None:
    """The board looks for itself: no slope, bands inside the span."""
    with standing_in(DAC, vm="cpython") as bench:
        bench.jig.disarm()
        good = load_sensor("hinge-v2")[0].to_blob()
        fields = family_blobs.fields(family_blobs.ANALOG)
        values, _ = blobs.unpack(fields, good)
        for name, value in (("high_permyriad", 1000), ("fault_low_permyriad", 1001), ("fault_high_permyriad", 8999)):
            with pytest.raises(Refused) as refused:
                bench.jig.load_blob(names.BLOB_PROFILE, blobs.pack(fields, {**values, name: value}))
            assert fields[refused.value.detail][0] == name
        bench.jig.load_blob(names.BLOB_PROFILE, good)


def test_a_dac_and_observers_on_its_pins_are_refused() -> None:
    sensor, (machine, text) = load_sensor("hinge-v2")[0], load_machine("larch-14")
    check_pair(sensor, machine)
    crowded = parse_machine(text + '\n[observers.observer_3]\nsignal = "PWR_GOOD"\n', "crowded.toml")
    check_pair(load_sensor("hinge-v1")[0], crowded)
    with pytest.raises(BadInput, match="observer_3 on a pin of the bus"):
        check_pair(sensor, crowded)
    bench = '[machine]\nmodel = "larch-14"\n[machine.parameters.wired]\nobserver_3 = "slp_s3"\n'
    with pytest.raises(BadInput, match="observers 3 and 4"):
        parse_scenario(bench + '[sensor]\nprofile = "hinge-v2"\n', "crowded.toml")
