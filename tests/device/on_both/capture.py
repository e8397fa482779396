"""Captures of a line on the sensor's side: when they are refused, when they end, what they leave, what they cost."""

import sys

import fake_board
import fake_hour
import fake_rp2
from fake_board import bench
from fake_memory import NoMemory

from shared_proto import names

MODULES = ("firmware.capture", "boards.pio_capture")
# Of a board that has captured once, on the 64-bit unix build, where pointers are twice the board's: what it holds more
# than before, beside the samples; and beside names, which stay once they are known (heap_families.py).
PART_BYTES = 6 * 1024
FLAT_BYTES = 2 * 1024


class Listening(fake_board.Host):
    """Has a capture under way while its session asks for something else, which a session alone does not allow."""

    def __init__(self, service):
        from shared_proto.frame import FrameDecoder

        fake_board.Host.__init__(self, service)
        self._frames = FrameDecoder()
        self._begun = 0  # its sequence number
        self.said = None  # its answer: name, and reason of a refusal

    def begin(self, line=0, step_ns=1000, samples=65536):
        """A capture that is under way."""
        from shared_proto import codec
        from shared_proto.frame import encode_frame

        self._begun = self.session._seq = self.session._seq + 1
        self.said = None
        body = codec.encode("capture", self._begun, line=line, step_ns=step_ns, samples=samples)
        bench.rx.extend(b"\0" + encode_frame(body))
        self.turn()
        assert fake_rp2.DMA.claimed == 1 and self.said is None

    def turn(self):
        from shared_proto import codec

        if self.beating:
            self.take(self.session.poll(bench.now_us))
            bench.rx.extend(self.session.take())
        self.service.turn()
        data, bench.tx = bytes(bench.tx), bytearray()
        for body in self._frames.feed(data):
            message = codec.decode(body)
            if self._begun and message.seq == self._begun:
                self.said = (message.name, message.fields.get("reason"))
        self.take(self.session.receive(data, bench.now_us))


def start(folder):
    unload()
    jig, service, _host = fake_board.start(folder)
    host = Listening(service)
    host.hello()
    return jig, service, host


def unload():
    import boards
    import firmware

    fake_rp2.DMA.claimed = 0
    for name in MODULES:
        sys.modules.pop(name, None)
    for package, name in ((firmware, "capture"), (boards, "pio_capture")):
        if hasattr(package, name):
            delattr(package, name)


def loaded():
    return [name for name in MODULES if name in sys.modules]


def stored(host):
    """All that can be read."""
    data = b""
    while True:
        fields = host.ok("capture_read", offset=len(data))
        assert len(fields["data"]) == min(128, fields["length"] - len(data))
        data += fields["data"]
        if len(data) == fields["length"]:
            return data


def at_rest():
    return fake_rp2.DMA.claimed == 0


def check_loaded_when_first_asked_for(folder):
    _jig, _service, host = start(folder)
    assert stored(host) == b"" and loaded() == []
    host.ok("capture", line=0, step_ns=1000, samples=32)
    assert loaded() == list(MODULES)


def check_samples_are_all_there(folder):
    _jig, _service, host = start(folder)
    assert host.ok("status")["lock"] == names.DISARMED  # it drives nothing
    bench.set(sensor=[1, 0])
    for line, level in ((0, 0xFF), (1, 0)):
        before = host.ok("status")["t_us"]
        fields = host.ok("capture", line=line, step_ns=1000, samples=40000)
        after = host.ok("status")["t_us"]
        assert (fields["step_ps"], fields["samples"]) == (1000000, 40000)
        assert before <= fields["t_us"] and fields["t_us"] + 40000 <= after
        assert stored(host) == bytes([level]) * 5000
        assert host.ok("capture_read", offset=8191) == {"length": 5000, "data": b""}
    host.ok("capture", line=1, step_ns=100, samples=65536)
    assert len(stored(host)) == 8192
    assert at_rest()


def check_steps_that_are_granted(folder):
    start(folder)
    from boards.pio_capture import clock_for

    for clock_hz in (125000000, 150000000):  # RP2040, RP2350
        for step_ns in (16, 17, 25, 99, 100, 333, 1000, 1001, 7777, 33333, 250000, 499999, 500000):
            hz, divider = clock_for(step_ns, clock_hz)
            assert divider == clock_hz * 256 // hz  # ports/rp2/rp2_pio.c
            assert 256 <= divider <= 65536 * 256
            asked = step_ns * clock_hz * 256  # in the same measure: 1e9 times 1/256 of a clock
            assert divider * 1000000000 <= asked
            # No shorter than it must be: a whole number of Hz, and of 1/256 clock; and the divider ends at 65536.
            if asked < 65536 * 256 * 1000000000:
                assert (divider + 2) * (hz + 1) * 1000000000 > asked * hz, (clock_hz, step_ns, hz, divider)


def check_what_is_out_of_range(folder):
    _jig, _service, host = start(folder)
    for step_ns, samples in ((1000, 33), (1000, 65535), (40000, 65536), (500000, 4032)):
        answer = host.ask("capture", line=0, step_ns=step_ns, samples=samples)
        assert answer.name == "refusal" and answer.fields["detail"] == 2, (step_ns, samples)
        assert answer.fields["reason"] == names.REFUSED_RANGE
    assert at_rest()
    assert host.ok("capture", line=0, step_ns=500000, samples=4000)["samples"] == 4000  # 2 s


def check_one_at_a_time(folder):
    _jig, _service, host = start(folder)
    host.begin()
    assert host.refused("capture", line=1, step_ns=1000, samples=32) == names.REFUSED_BUSY
    assert stored(host) == b""  # what is not complete is not there
    host.run(100)
    assert host.said == ("capture_result", None) and len(stored(host)) == 8192 and at_rest()
    # Another one takes the room of the one before, whatever becomes of it.
    host.begin(samples=32000)
    assert stored(host) == b""


def check_no_memory(folder):
    jig, _service, host = start(folder)
    host.load(1, fake_board.profile())
    host.ok("arm")
    for module in MODULES:
        with NoMemory(module):
            assert host.refused("capture", line=0, step_ns=1000, samples=64) == names.REFUSED_MEMORY
        assert jig.capture is None and "firmware.capture" not in sys.modules
    host.ok("capture", line=0, step_ns=1000, samples=64)
    assert stored(host) == bytes([255]) * 8
    from firmware import capture

    def full(size):
        raise MemoryError("test")

    capture.bytearray = full
    assert host.refused("capture", line=0, step_ns=1000, samples=64) == names.REFUSED_MEMORY
    del capture.bytearray
    assert stored(host) == b"" and at_rest()
    fake_rp2.DMA.claimed = fake_rp2.DMA.channels  # somebody has them all
    assert host.refused("capture", line=0, step_ns=1000, samples=64) == names.REFUSED_MEMORY
    assert fake_rp2.DMA.claimed == fake_rp2.DMA.channels
    fake_rp2.DMA.claimed = 0
    entries = host.ok("log_read", start=max(jig.log.total - 4, 0))["entries"]
    assert [entries[at + 8] for at in range(0, len(entries), 16)] == [names.LOG_EXCEPTION] * 4
    # All else goes on.
    host.ok("set_route", route=names.ROUTE_STANDIN)
    host.ok("move", angle_mdeg=0, duration_ms=50, shape=0)
    host.run(100)
    assert len(host.named("output")) == 1 and host.ok("status")["lock"] == names.ARMED
    host.ok("capture", line=0, step_ns=1000, samples=64)
    assert len(stored(host)) == 8


def check_a_disarm_ends_it(folder):
    jig, _service, host = start(folder)
    for armed in (True, False):
        if armed:
            host.ok("arm")
        host.ok("capture", line=0, step_ns=1000, samples=640)
        assert len(stored(host)) == 80
        host.ok("disarm")
        assert stored(host) == b"" and jig.capture._data == b""
        if armed:
            host.ok("arm")
        host.begin()
        host.ok("disarm")
        assert host.said == ("refusal", names.REFUSED_NOT_ARMED) and at_rest()
        host.run(100)
        assert stored(host) == b""


def check_a_trip_ends_it(folder):
    _jig, _service, host = start(folder)
    host.load(1, fake_board.profile())
    for under_way in (False, True):
        host.ok("arm")
        host.ok("set_route", route=names.ROUTE_STANDIN)
        if under_way:
            host.begin()
        else:
            host.ok("capture", line=0, step_ns=1000, samples=640)
        bench.set(supply=0)
        host.run(40)
        assert host.ok("status")["lock"] == names.TRIPPED
        assert stored(host) == b"" and at_rest()
        if under_way:
            assert host.said == ("refusal", names.REFUSED_TRIPPED)
        bench.set(supply=1)
        # It may be listened on.
        host.ok("capture", line=0, step_ns=1000, samples=640)
        assert len(stored(host)) == 80
        host.ok("disarm")
        assert stored(host) == b""
        host.ok("clear")


def check_a_host_that_is_silent(folder):
    # Disarmed, it is none of the jig's business; armed it trips.
    jig, service, host = start(folder)
    for armed in (False, True):
        if armed:
            host.ok("arm")
        host.begin(step_ns=400000, samples=4992)  # 2 s
        end_us = bench.now_us + 1500000
        while bench.now_us < end_us:
            service.turn()
        assert (jig.lock.state == names.TRIPPED) == armed
        host.run(700)
        assert host.said == (("refusal", names.REFUSED_TRIPPED) if armed else ("capture_result", None))
        assert len(stored(host)) == (0 if armed else 624) and at_rest()


def check_another_session(folder):
    # The answer to a host that is gone is dropped; what it asked for comes to its end.
    _jig, service, host = start(folder)
    host.begin()
    other = Listening(service)
    other.session = other._host.HostSession(78)
    other.hello()
    assert other.refused("capture", line=0, step_ns=1000, samples=32) == names.REFUSED_BUSY
    other.run(100)
    assert other.said is None and at_rest()
    assert len(stored(other)) == 8192
    other.ok("capture", line=0, step_ns=1000, samples=32)


def check_the_way_out(folder):
    jig, service, host = start(folder)
    host.begin()
    host.ok("leave")
    assert jig.ending and at_rest()
    service.farewell()
    jig.board.release_all()
    # And where the loop ends by an error, in the middle of one.
    bench.reset()
    jig, _service, host = fake_board.start(folder)
    host = Listening(_service)
    host.hello()
    host.begin()
    jig.board.release_all()
    assert at_rest() and not jig.board._listener._machine


def check_edges_are_told_all_the_while(folder):
    _jig, _service, host = start(folder)
    host.ok("watch_lines", mask=1 << names.LINE_S1)
    host.begin()
    for level in (0, 1, 0):
        bench.set(sensor=[level, 1])
        host.run(5)
    host.run(100)
    assert [(e["line"], e["level"]) for e in host.named("edge")] == [(names.LINE_S1, level) for level in (0, 1, 0)]
    assert bench.mode[12] == bench.mode[13] == 0  # inputs


def check_ticks_that_wrap(folder):
    # The first sample is before the wrap, the last one and the answer behind it.
    bench.offset = fake_board.PERIOD - 400000
    _jig, _service, host = start(folder)
    host.run(300)
    assert bench.now_us < 400000
    began = bench.now_us
    fields = host.ok("capture", line=0, step_ns=100000, samples=4000)
    assert bench.now_us > 400000
    assert began <= fields["t_us"] <= began + 3000, (began, fields)
    after = host.ok("capture", line=0, step_ns=1000, samples=32)
    assert 400000 <= after["t_us"] - fields["t_us"] < 420000, (fields, after)


def check_a_profile_that_comes_meanwhile(folder):
    jig, _service, host = start(folder)
    host.begin()
    assert host.load(1, fake_board.profile()).name == "blob_commit_result"
    from firmware import angle_parts

    angle_parts.forget_others(jig)  # as where another family comes: it knows the modules of boards by their beginning
    host.run(100)
    assert host.said == ("capture_result", None)
    host.ok("capture", line=0, step_ns=1000, samples=320)
    assert len(stored(host)) == 40 and at_rest()


def check_heap(folder):
    if sys.implementation.name != "micropython":
        return
    _jig, _service, host = start(folder)

    def once(samples):
        host.ok("capture", line=0, step_ns=100, samples=samples)
        host.events, host.pulses = [], []
        host.run(50)
        return fake_hour.in_use()

    host.run(50)
    before = fake_hour.in_use()
    small = once(32)
    whole = once(65536)
    host.ok("disarm")
    host.run(50)
    after = fake_hour.in_use()
    figures = (small - before, whole - small, after - before)
    print("capture: the part, 65536 samples, after a disarm:", *figures, "bytes")
    assert small - before < PART_BYTES
    assert abs(whole - small - 8192) < FLAT_BYTES
    assert after <= small + FLAT_BYTES
    for _ in range(10):
        again = once(65536)
    assert again <= whole + FLAT_BYTES, (whole, again)


fake_board.checks(globals())
