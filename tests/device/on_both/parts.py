"""Parts that only some benches need: not loaded without need, built while the jig works, refused without memory."""

import sys

import fake_board
from fake_board import bench
from fake_memory import NoMemory

from shared_proto import names

OPTIONAL = ("recording", "sampler", "slow", "meters", "bus", "pulses")


def loaded():
    return [name for name in OPTIONAL if "firmware." + name in sys.modules]


def unload():
    import firmware

    for name in OPTIONAL:
        sys.modules.pop("firmware." + name, None)
        if hasattr(firmware, name):
            delattr(firmware, name)


def start(folder):
    unload()
    jig, service, host = fake_board.start(folder)
    host.hello()
    return jig, service, host


def check_ordinary_benches_load_none_of_it(folder):
    unload()
    _jig, _service, host = fake_board.standin(folder)
    host.ok("disarm")
    assert host.load(2, fake_board.wiring()).name == "blob_commit_result"
    host.ok("arm")
    host.ok("set_route", route=names.ROUTE_STANDIN)
    host.ok("watch", channel=names.CH_CHARGER_I, count=1, t1=20000, t2=0, t3=0, hysteresis=100, dwell_ms=0)
    host.ok("watch_lines", mask=0x3FF)
    assert host.ok("measure", channel=names.CH_LIGHT, n=20)["n"] == 20
    host.ok("move", angle_mdeg=0, duration_ms=100, shape=1)
    host.run(200)
    # What stops what never began, and what asks for what is not there, needs nothing either.
    for channel in (names.CH_LIGHT, names.CH_METER_1_V, names.CH_PULSES):
        assert host.ok("sample", channel=channel, period_ms=0)["period_ms"] == 0
        host.ok("watch", channel=channel, count=0, t1=0, t2=0, t3=0, hysteresis=0, dwell_ms=0)
    fields = host.ok("meters")
    assert (fields["bus"], fields["meter_1"], fields["meter_2"]) == (names.BUS_NOT_WIRED, 0, 0)
    assert (fields["errors"], fields["recoveries"]) == (0, 0)
    for channel in (names.CH_METER_2_I, names.CH_PULSES):
        assert host.refused("sample", channel=channel, period_ms=100) == names.REFUSED_RANGE
    assert len(host.named("band")) == 1 and host.ok("status")["lock"] == names.ARMED
    assert loaded() == []


def check_built_when_asked_for(folder):
    # While armed and moving, after comparators have had their turns at the switch; either part before the other.
    jig, _service, host = start(folder)
    host.load(1, fake_board.profile())
    host.ok("arm")
    host.ok("set_route", route=names.ROUTE_STANDIN)
    for channel in (names.CH_M1, names.CH_M2):
        host.ok("watch", channel=channel, count=1, t1=20000, t2=0, t3=0, hysteresis=100, dwell_ms=0)
    host.ok("move", angle_mdeg=0, duration_ms=400, shape=1)
    assert host.ok("sample", channel=names.CH_M1, period_ms=1)["period_ms"] == 2
    assert loaded() == ["recording", "sampler"]
    host.run(600)
    times = [t_us for t_us, _raw in host.readings(names.CH_M1)]
    assert len(times) > 250 and set([times[k + 1] - times[k] for k in range(len(times) - 1)]) == {2000}
    assert host.ok("status")["lock"] == names.ARMED and jig.tick.error is None and len(host.named("output")) == 1
    host.ok("disarm")
    assert host.load(2, fake_board.wiring(tach=1 + names.LINE_OBS1)).name == "blob_commit_result"
    assert loaded() == list(OPTIONAL)
    sampler, slow = jig.sampler, jig.slow
    assert host.ok("sample", channel=names.CH_PULSES, period_ms=20)["period_ms"] == 20
    host.run(600)
    assert len(host.readings(names.CH_PULSES)) > 10
    # Another record at run time: what is no longer wired is no longer read, and the parts stay.
    assert host.load(2, fake_board.wiring()).name == "blob_commit_result"
    assert host.refused("sample", channel=names.CH_PULSES, period_ms=20) == names.REFUSED_RANGE
    host.run(300)
    host.batches.clear()
    host.run(300)
    assert host.readings(names.CH_PULSES) == [] and host.readings(names.CH_M1) != []
    assert host.load(2, fake_board.wiring(tach=1 + names.LINE_OBS2)).name == "blob_commit_result"
    assert host.ok("sample", channel=names.CH_PULSES, period_ms=20)["period_ms"] == 20
    assert jig.sampler is sampler and jig.slow is slow


def no_part_stays(jig, host):
    assert loaded() == [] and jig.sampler is None and jig.slow is None and jig.scan.recording is None
    entries = host.ok("log_read", start=max(jig.log.total - 4, 0))["entries"]
    assert names.LOG_EXCEPTION in [entries[at + 8] for at in range(0, len(entries), 16)]  # u64 time, then the code


def check_no_memory_for_samples(folder):
    jig, _service, host = start(folder)
    host.load(1, fake_board.profile())
    host.ok("arm")
    host.ok("set_route", route=names.ROUTE_STANDIN)
    host.ok("watch", channel=names.CH_CHARGER_I, count=1, t1=20000, t2=0, t3=0, hysteresis=100, dwell_ms=0)
    host.run(50)
    for module in ("firmware.recording", "firmware.sampler"):
        with NoMemory(module):
            assert host.refused("sample", channel=names.CH_LIGHT, period_ms=1) == names.REFUSED_MEMORY
        no_part_stays(jig, host)
    from firmware import sampler

    def full(_ring):
        raise MemoryError("test")

    sampler.SampleRing.__init__ = full  # all is loaded, and the ring finds no room
    assert host.refused("sample", channel=names.CH_LIGHT, period_ms=1) == names.REFUSED_MEMORY
    no_part_stays(jig, host)
    bench.raw[names.CH_CHARGER_I] = 10000
    host.ok("move", angle_mdeg=0, duration_ms=50, shape=0)
    host.run(200)
    assert len(host.named("band")) == 2 and len(host.named("output")) == 1  # all else goes on
    assert host.ok("status")["lock"] == names.ARMED and jig.tick.error is None
    assert host.ok("sample", channel=names.CH_LIGHT, period_ms=1)["period_ms"] == 1
    host.run(300)
    assert len(host.readings(names.CH_LIGHT)) > 100


def check_no_memory_for_a_wiring_record(folder):
    # The record before stays in force, and is the one on flash.
    jig, _service, host = start(folder)
    assert host.load(2, fake_board.wiring(scan=0)).name == "blob_commit_result"
    before = host.ok("status")["wiring_crc"]
    more = fake_board.wiring(tach=1 + names.LINE_OBS1)
    for module in ("firmware.slow", "firmware.bus", "firmware.pulses"):
        with NoMemory(module):
            answer = host.load(2, more)
        assert answer.name == "refusal" and answer.fields["reason"] == names.REFUSED_MEMORY, answer
        no_part_stays(jig, host)
        assert host.ok("status")["wiring_crc"] == before != 0
    bench.reset()
    jig, _service, host = start(folder)
    assert host.ok("status")["wiring_crc"] == before
    assert host.load(2, more).name == "blob_commit_result"
    assert host.ok("sample", channel=names.CH_PULSES, period_ms=20)["period_ms"] == 20


def check_no_memory_at_the_start(folder):
    # The board starts, with no record in force: the host sees that by its CRC and sends it again.
    _jig, _service, host = start(folder)
    more = fake_board.wiring(tach=1 + names.LINE_OBS1)
    assert host.load(2, more).name == "blob_commit_result"
    crc = host.ok("status")["wiring_crc"]
    bench.reset()
    with NoMemory("firmware.pulses"):
        jig, _service, host = start(folder)
        no_part_stays(jig, host)
        status = host.ok("status")
        assert status["wiring_crc"] == 0 and status["lock"] == names.DISARMED
        host.ok("arm")
        host.ok("disarm")
        assert host.refused("sample", channel=names.CH_PULSES, period_ms=20) == names.REFUSED_RANGE
    assert host.load(2, more).fields["crc"] == crc
    assert host.ok("sample", channel=names.CH_PULSES, period_ms=20)["period_ms"] == 20
    bench.reset()
    jig, _service, host = start(folder)
    assert jig.slow is not None and host.ok("status")["wiring_crc"] == crc


fake_board.checks(globals())
