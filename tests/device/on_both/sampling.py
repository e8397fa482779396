"""Samples in batches: rates and stamps, early ends, holes, and that neither safety nor memory pays for them."""

import fake_board
from fake_board import bench

from shared_proto import names


def start(folder):
    jig, service, host = fake_board.start(folder)
    host.hello()
    return jig, service, host


def differences(values):
    return [values[k + 1] - values[k] for k in range(len(values) - 1)]


def follow(host, ms, channels):
    """Runs while the channels' readings name the millisecond they are taken in; gives the time of reading 0."""
    begin_us = bench.now_us // 1000 * 1000
    clock = bench.advance

    def advance(us):
        end = bench.now_us + us
        while bench.now_us < end:
            step = min(1000 - bench.now_us % 1000, end - bench.now_us)
            if bench.now_us % 1000 + step == 1000:
                for channel in channels:
                    bench.raw[channel] = (bench.now_us + step - begin_us) // 1000 & 0xFFFF
            clock(step)

    bench.advance = advance
    try:
        host.run(ms)
    finally:
        del bench.advance
    return begin_us


def placed_right(host, channel, begin_us, slack_us=0):
    """Every reading lies where the batch says that it was taken."""
    for t_us, raw in host.readings(channel):
        assert abs(t_us - (begin_us + raw * 1000)) <= slack_us, (channel, t_us, begin_us, raw)


def check_every_channel_of_the_converter(folder):
    # One at a time at 1 kS/s: no reading missing, none twice.
    _jig, _service, host = start(folder)
    for channel in range(10):
        host.batches.clear()
        assert host.ok("sample", channel=channel, period_ms=1)["period_ms"] == 1
        begin_us = follow(host, 500, (channel,))
        assert host.ok("sample", channel=channel, period_ms=0)["period_ms"] == 0
        host.run(20)
        raws = [raw for _t_us, raw in host.readings(channel)]
        assert len(raws) >= 498 and set(differences(raws[:490])) == {1}, (channel, raws)
        numbers = host.numbers(channel)
        assert numbers == list(range(1, len(numbers) + 1)) and len(numbers) >= 8
        if channel in (names.CH_SUPPLY, names.CH_LIGHT):
            assert [len(b["data"]) for b in host.batches][1:6] == [128] * 5  # as the ring has them
        placed_right(host, channel, begin_us)
    host.turn()
    assert bench.timer is None  # the tick runs only while it has something to do


def check_three_inputs_at_once(folder):
    # Supply, light and the switch at 1 kS/s each, armed, standing in and moving: nothing is lost.
    jig, _service, host = fake_board.standin(folder)
    channels = (names.CH_LIGHT, names.CH_CHARGER_I)
    for channel in (names.CH_SUPPLY,) + channels:
        assert host.ok("sample", channel=channel, period_ms=1)["period_ms"] == 1
    for n in range(4):
        host.ok("move", angle_mdeg=n % 2 * 110000, duration_ms=400, shape=1)
    begin_us = follow(host, 1600, channels)
    for channel in channels:
        raws = [raw for _t_us, raw in host.readings(channel)]
        follows = differences(raws[130:])
        assert len(follows) > 1300 and set(follows) == {1}
    assert len(host.readings(names.CH_SUPPLY)) > 1500
    assert begin_us and host.ok("status")["lock"] == names.ARMED and len(host.named("output")) == 4
    assert jig.sampler.lost == 0


def check_switched_channels_share(folder):
    # Eight channels behind the switch: 8 ms each, and 16 where 10 are asked for, since turns come every 8 ms.
    _jig, _service, host = start(folder)
    granted = [host.ok("sample", channel=ch, period_ms=10)["period_ms"] for ch in range(1, 9)]
    assert granted == [10, 10, 12, 12, 10, 12, 14, 16], granted  # by those that were there
    host.run(50)
    host.batches.clear()
    begin_us = follow(host, 3000, range(1, 9))
    for channel in range(1, 9):
        times = [t_us for t_us, _raw in host.readings(channel)]
        steps = differences(times)
        assert len(steps) > 150 and set(steps) == {16000}, (channel, set(steps))
        numbers = host.numbers(channel)
        assert differences(numbers) == [1] * (len(numbers) - 1)
    for channel in range(1, 9):
        for batch in [b for b in host.batches if b["channel"] == channel][1:]:
            assert batch["span_us"] <= 300000  # and so it is soon told
    placed = [b for b in host.batches if b["t_us"] > begin_us]
    assert len(placed) > 60


def check_a_watched_channel_takes_turns_too(folder):
    _jig, _service, host = start(folder)
    assert host.ok("sample", channel=names.CH_M1, period_ms=1)["period_ms"] == 1
    host.run(100)
    host.ok("watch", channel=names.CH_M2, count=1, t1=20000, t2=0, t3=0, hysteresis=100, dwell_ms=0)
    at_us = bench.now_us
    host.run(300)
    assert [e["band"] for e in host.named("band")] == [1]
    steps = differences([t_us for t_us, _raw in host.readings(names.CH_M1) if t_us > at_us + 5000])
    assert set(steps) == {2000}  # each batch is true to its spacing, before and after
    bench.raw[names.CH_M2] = 100
    host.run(60)
    assert [e["band"] for e in host.named("band")] == [1, 0]


def check_comparator_and_samples_of_one_channel(folder):
    # At the same time, of each of the three inputs, and the readings are the same.
    _jig, _service, host = start(folder)
    for channel in (names.CH_SUPPLY, names.CH_LIGHT, names.CH_VS):
        host.ok("sample", channel=channel, period_ms=2)
        host.ok("watch", channel=channel, count=1, t1=40000, t2=0, t3=0, hysteresis=100, dwell_ms=10)
    host.run(50)
    for channel in (names.CH_SUPPLY, names.CH_LIGHT, names.CH_VS):
        bench.raw[channel] = 50000
    host.run(400)
    for channel in (names.CH_SUPPLY, names.CH_LIGHT, names.CH_VS):
        bands = [e for e in host.named("band") if e["channel"] == channel]
        assert [e["band"] for e in bands] == [0, 1]
        first = [t_us for t_us, raw in host.readings(channel) if raw == 50000][0]
        assert abs(first - bands[1]["t_us"]) <= 2000


def check_a_measurement_interrupts_the_switch_only(folder):
    _jig, _service, host = start(folder)
    for channel in (names.CH_M1, names.CH_LIGHT, names.CH_SUPPLY):
        host.ok("sample", channel=channel, period_ms=1)
    host.run(100)
    at_us = bench.now_us
    assert host.ok("measure", channel=names.CH_VS, n=100)["n"] == 100
    host.run(200)
    light = [t_us for t_us, _raw in host.readings(names.CH_LIGHT)]
    assert set(differences(light)) == {1000}
    switched = [t_us for t_us, _raw in host.readings(names.CH_M1)]
    steps = differences(switched)
    assert len([s for s in steps if s != 1000]) == 1 and 100000 <= max(steps) <= 105000, set(steps)
    assert at_us < switched[steps.index(max(steps))] + max(steps)
    numbers = host.numbers(names.CH_M1)
    assert numbers == list(range(1, len(numbers) + 1))  # interrupted, and nothing lost


def check_lost_ticks_end_a_batch(folder):
    # The board could not tick for 30 ms (it wrote to its flash): what follows is a batch of its own.
    _jig, _service, host = start(folder)
    host.ok("sample", channel=names.CH_LIGHT, period_ms=1)
    follow(host, 110, (names.CH_LIGHT,))
    timer, bench.timer = bench.timer, None
    bench.advance(30000)
    bench.timer = timer
    begin_us = follow(host, 200, (names.CH_LIGHT,))
    times = [t_us for t_us, _raw in host.readings(names.CH_LIGHT)]
    steps = differences(times)
    assert [s for s in steps if s != 1000] == [31000], set(steps)
    for t_us, raw in host.readings(names.CH_LIGHT):
        if t_us > begin_us:
            assert t_us == begin_us + raw * 1000


def check_one_late_tick_ends_a_batch(folder):
    # 0.6 ms late and then on the beat again: no reading stands further than half a millisecond from where it was taken.
    _jig, _service, host = start(folder)
    host.ok("sample", channel=names.CH_LIGHT, period_ms=1)
    host.run(100)
    for late_us in (200, 600):
        host.run(200)
        host.batches.clear()
        host.run(200)
        timer, bench.timer = bench.timer, None
        bench.advance(1000 - bench.now_us % 1000 + late_us)
        bench.raw[names.CH_LIGHT] = late_us
        bench.interrupt(timer.callback, timer)
        taken_us = bench.now_us
        bench.raw[names.CH_LIGHT] = 1000
        bench.timer = timer
        host.run(200)
        readings = host.readings(names.CH_LIGHT)
        at = [t_us for t_us, raw in readings if raw == late_us]
        assert len(at) == 1 and abs(at[0] - taken_us) <= 250, (late_us, at, taken_us)
        steps = differences([t_us for t_us, _raw in readings])
        assert min(steps) >= 400 and max(steps) <= 1600


def check_a_slow_channel_is_told_soon(folder):
    _jig, _service, host = start(folder)
    for period_ms in (5, 40, 100, 1000):
        host.batches.clear()
        host.ok("sample", channel=names.CH_LIGHT, period_ms=period_ms)
        seen = 0
        for _ in range(400):
            host.turn()
            for batch in host.batches[seen:]:
                assert bench.now_us - batch["t_us"] <= 340000, period_ms
            seen = len(host.batches)
        assert seen > 5
    assert host.ok("sample", channel=names.CH_LIGHT, period_ms=10000)["period_ms"] == 10000


def check_holes(folder):
    # The host is silent for 4 s and comes back: nothing old but what is at most 2 s old, and a hole of the right size.
    _jig, _service, host = start(folder)
    host.ok("sample", channel=names.CH_LIGHT, period_ms=1)
    host.run(200)
    host.beating = False
    host.run(4000)
    host.beating = True
    host.run(1500)
    numbers = host.numbers(names.CH_LIGHT)
    times = [t_us for t_us, _raw in host.readings(names.CH_LIGHT)]
    jumps = [k for k in range(len(numbers) - 1) if numbers[k + 1] != numbers[k] + 1]
    assert len(jumps) in (1, 2), numbers
    missing = sum([numbers[k + 1] - numbers[k] - 1 for k in jumps])
    gaps_us = sum([step - 1000 for step in differences(times)])
    # A batch is 64 ms; one that was dropped in part counts.
    assert missing > 20 and 0 <= missing * 64000 - gaps_us < 64000 * len(jumps), (missing, gaps_us)
    logged = log_of(host, names.LOG_SAMPLES_LOST)
    assert sum(logged) == missing and len(logged) <= 2, logged


def log_of(host, code):
    """32-bit arguments of all log entries of a kind."""
    import struct

    out = []
    start_at = 0
    while True:
        answer = host.ok("log_read", start=start_at)
        entries = answer["entries"]
        if not entries:
            return out
        for at in range(0, len(entries), 16):
            _t_us, found, _small, big = struct.unpack("<QHHI", entries[at : at + 16])
            if found == code:
                out.append(big)
        start_at = answer["first"] + len(entries) // 16


def check_host_that_does_not_read(folder):
    # The port takes nothing for a second, while three inputs are sampled: dropped, counted, never a stall.
    jig, service, host = start(folder)
    for channel in (names.CH_M1, names.CH_LIGHT, names.CH_SUPPLY):
        host.ok("sample", channel=channel, period_ms=1)
    host.run(200)
    bench.tx_room = 0
    host.run(1000)
    bench.tx_room = 1 << 20
    host.run(1200)
    for channel in (names.CH_M1, names.CH_LIGHT, names.CH_SUPPLY):
        numbers = host.numbers(channel)
        assert sorted(numbers) == numbers and numbers[-1] > len(numbers)
        steps = [s for s in differences([t_us for t_us, _raw in host.readings(channel)]) if s != 1000]
        missing_us = (numbers[-1] - len(numbers)) * 64000
        assert len(steps) in (1, 2) and 0 <= missing_us - sum(steps) + 1000 * len(steps) < 64000 * len(steps)
    assert jig.sampler.lost > 0 and sum(log_of(host, names.LOG_SAMPLES_LOST)) > 0
    assert host.ok("status")["tx_dropped"] == 0


def check_new_session_goes_on(folder):
    # Another hello ends nothing; a restart of the board does.
    jig, service, host = start(folder)
    host.ok("sample", channel=names.CH_LIGHT, period_ms=1)
    host.run(200)
    last = host.numbers(names.CH_LIGHT)[-1]
    host = fake_board.Host(service, 78)
    host.hello()
    host.run(300)
    assert host.numbers(names.CH_LIGHT)[0] > last
    assert host.ok("sample", channel=names.CH_LIGHT, period_ms=1)["period_ms"] == 1
    host.batches.clear()
    host.run(200)
    assert host.numbers(names.CH_LIGHT)[0] == 1
    bench.reset()
    _jig, _service, host = start(folder)
    host.run(200)
    assert host.batches == [] and bench.timer is None


def check_a_stop_loses_nothing(folder):
    # What was read up to it comes after its answer, in its own place; even what was read since its turn began.
    _jig, _service, host = start(folder)
    read = bench.read

    def late_read():
        bench.advance(5000)
        return read()

    after = 0
    for ms in range(64, 128):
        host.ok("sample", channel=names.CH_LIGHT, period_ms=1)
        host.batches.clear()
        host.run(ms)
        bench.read = late_read
        answer = host.ok("sample", channel=names.CH_LIGHT, period_ms=0)
        del bench.read
        assert answer["period_ms"] == 0
        host.run(100)
        numbers, times = host.numbers(names.CH_LIGHT), [t_us for t_us, _raw in host.readings(names.CH_LIGHT)]
        assert numbers == list(range(1, len(numbers) + 1)) and set(differences(times)) == {1000}
        assert 0 <= times[-1] - answer["t_us"] <= 5000
        after += host.batches[-1]["t_us"] > answer["t_us"]
        host.batches.clear()
        host.run(100)
        assert host.batches == []
    assert after > 0  # so a host cannot tell by the time whether a batch is of before


def check_trips_do_not_end_it(folder):
    # What the machine does when the jig has let go is worth seeing most.
    _jig, _service, host = fake_board.closed(folder)
    host.ok("sample", channel=names.CH_SUPPLY, period_ms=1)
    host.run(100)
    bench.raw[0] = 65535
    host.run(200)
    fake_board.is_safe(host)
    assert host.readings(names.CH_SUPPLY)[-1][1] == 65535
    assert host.ok("sample", channel=names.CH_M1, period_ms=4)["period_ms"] == 4
    host.ok("disarm")
    host.batches.clear()
    host.run(400)
    assert len(host.readings(names.CH_M1)) > 50


def check_a_fault_in_the_tick_ends_it(folder):
    jig, _service, host = start(folder)
    host.ok("sample", channel=names.CH_LIGHT, period_ms=1)
    host.run(100)

    def fails():
        raise ValueError("test")

    jig.scan._read_light = fails
    host.run(100)
    assert fake_board.trip_of(host)["reason"] == names.REASON_FIRMWARE
    host.turn()
    assert jig.scan.active == 0 and bench.timer is None
    times = [t_us for t_us, _raw in host.readings(names.CH_LIGHT)]
    assert len(times) >= 95 and set(differences(times)) == {1000}  # what it had so far has been sent


def check_a_channel_that_is_no_longer_wired(folder):
    # Its samples and bands end with it; those of the others go on, and what was read before comes.
    jig, _service, host = start(folder)
    dropped, kept = (names.CH_LIGHT, names.CH_CHARGER_I), names.CH_CHARGER_V
    for channel in dropped + (kept,):
        bench.raw[channel] = 1000
        host.ok("sample", channel=channel, period_ms=10)
        host.ok("watch", channel=channel, count=1, t1=20000, t2=0, t3=0, hysteresis=100, dwell_ms=0)
    host.run(1000)
    scan = 0x3FF & ~(1 << dropped[0]) & ~(1 << dropped[1])
    assert host.load(2, fake_board.wiring(scan=scan)).name == "blob_commit_result"
    host.run(500)
    for channel in dropped:
        assert len(host.readings(channel)) > 80  # up to then nothing is lost
    host.batches.clear()
    host.events.clear()
    for channel in dropped + (kept,):
        bench.raw[channel] = 40000
    host.run(1000)
    assert {batch["channel"] for batch in host.batches} == {kept}
    numbers = host.numbers(kept)
    assert differences(numbers) == [1] * (len(numbers) - 1)
    assert {event["channel"] for event in host.named("band")} == {kept}
    # Wired again it is neither sampled nor watched until it is asked for.
    assert host.load(2, fake_board.wiring()).name == "blob_commit_result"
    host.batches.clear()
    host.run(500)
    assert {batch["channel"] for batch in host.batches} == {kept}
    assert host.ok("sample", channel=names.CH_LIGHT, period_ms=10)["period_ms"] == 10
    # With the last one gone the tick has nothing to do.
    host.ok("sample", channel=names.CH_LIGHT, period_ms=0)
    assert host.load(2, fake_board.wiring(scan=0)).name == "blob_commit_result"
    host.run(50)
    assert jig.scan.active == 0


def check_refusals(folder):
    _jig, _service, host = start(folder)
    assert host.refused("sample", channel=15, period_ms=1) == names.REFUSED_RANGE
    for channel in range(10, 15):  # not wired without a record that says so
        assert host.refused("sample", channel=channel, period_ms=100) == names.REFUSED_RANGE
        assert host.refused("measure", channel=channel, n=1) == names.REFUSED_RANGE
    host.load(2, fake_board.wiring(scan=0))
    assert host.refused("sample", channel=names.CH_LIGHT, period_ms=1) == names.REFUSED_RANGE
    assert host.ok("sample", channel=names.CH_LIGHT, period_ms=0)["period_ms"] == 0
    assert host.ok("sample", channel=names.CH_M1, period_ms=1)["period_ms"] == 1


def check_across_the_wrap(folder):
    bench.offset = fake_board.PERIOD - 700000
    _jig, _service, host = start(folder)
    host.ok("sample", channel=names.CH_LIGHT, period_ms=1)
    begin_us = follow(host, 1500, (names.CH_LIGHT,))
    times = [t_us for t_us, _raw in host.readings(names.CH_LIGHT)]
    assert len(times) > 1400 and set(differences(times)) == {1000}
    placed_right(host, names.CH_LIGHT, begin_us)


def check_series(folder):
    # Readings without an even beat: one more than a quarter of the spacing from its place begins a new batch.
    from firmware.sampler import Sampler

    def batches(times):
        sampler = Sampler(lambda a, b: a - b)
        series = sampler.start(12, 5000)
        for n in range(len(times)):
            series.put(n, times[n])
        sampler.stop(12)
        out = []
        while True:
            batch = sampler.oldest(0)
            if batch is None:
                return out
            channel, number, first, span, data = batch
            assert (channel, number) == (12, len(out) + 1)
            out.append((first, span, len(data) // 2))
            sampler.sent()

    assert batches([0, 5000, 10000]) == [(0, 10000, 3)]
    assert batches([0, 6250, 8750, 15000]) == [(0, 15000, 4)]
    assert batches([0, 6251]) == [(0, 0, 1), (6251, 0, 1)]
    assert batches([1250, 5000, 10000]) == [(1250, 8750, 3)]
    assert batches([1251, 5000]) == [(1251, 0, 1), (5000, 0, 1)]
    assert batches([0, 5000, 15000]) == [(0, 5000, 2), (15000, 0, 1)]
    assert batches([n * 5000 for n in range(60)]) == [(0, 245000, 50), (250000, 45000, 10)]


def check_batches_that_wait(folder):
    # Bounded, let go when they are old, and counted.
    from firmware.sampler import Sampler

    sampler = Sampler(lambda a, b: a - b)
    series = sampler.start(12, 1000000)
    for n in range(30):
        series.put(n, n * 1000000)
    assert sampler.lost == 30 - 24
    assert sampler.oldest(10000000)[1] == 9 and sampler.lost == 6 + 8  # the ninth is of 8 s
    assert sampler.oldest(1 << 28) is None and sampler.lost == 30
    series.put(30, 30000000)
    assert sampler.oldest(30000000)[1] == 31
    sampler.start(12, 1000000)
    assert sampler.oldest(30000000) is None  # of a series that is no more


def check_ring_of_the_tick(folder):
    from firmware.sampler import SampleRing

    ring = SampleRing()
    for n in range(300):
        ring.push(n, n, n, n & 7, n)
    assert ring.dropped() == 300 - 255
    ring.know_dropped()
    assert ring.dropped() == 0
    seen = []
    for everything in (False, False, False, False, True, True):
        count = ring.block(everything)
        seen.append(count)
        for at in range(ring.tail, ring.tail + count):
            assert ring.stamp[at] == ring.supply[at] == ring.light[at] == ring.reading[at] == at
            assert ring.turn[at] == at & 7
        ring.free(count)
    assert seen == [64, 64, 64, 0, 63, 0]


fake_board.checks(globals())
