"""PWM, SENT and SSI outputs: what a broken sensor or wire sends, noise, garbage."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from lidjig.bench.families.base import (
    ABOVE,
    BAD_CHECK,
    BAD_TIMING,
    BELOW,
    INTERNAL,
    SILENT,
    Encoding,
    Reading,
    Seen,
    Wave,
)
from lidjig.bench.families.pwm import PwmEncoding
from lidjig.bench.families.sent import FORMATS, SentEncoding
from lidjig.bench.families.ssi import SsiEncoding

from tests.bench_profiles.sensor_waves import (
    crc4,
    glitched,
    inverted,
    limits,
    noisy,
    pwm,
    seen,
    sent,
    sent_nibbles,
    sent_ticks,
    ssi,
    ssi_word,
    wave,
    without,
)

PWM = PwmEncoding(frequency_hz=920.0, drive="push-pull")
DUTY = PwmEncoding(frequency_hz=200.0, drive="open-drain", codes=1001, duty_low_percent=10.0, duty_high_percent=90.0)
SENT = SentEncoding(tick_us=3.0, format="H.4")
PAUSED = SentEncoding(tick_us=3.0, format="H.4", frame_ticks=300)
SSI = SsiEncoding()
ALL: list[Encoding] = [PWM, DUTY, SENT, PAUSED, *(SentEncoding(tick_us=3.0, format=f) for f in FORMATS), SSI]


def faults(readings: list[Reading]) -> list[str]:
    return [reading.fault for reading in readings]


def codes(readings: list[Reading]) -> list[int | None]:
    return [reading.code for reading in readings]


def frames(*values: int, form: str = "H.4", total: int = 0, legacy: bool = False) -> list[float]:
    """Pulses, in ticks, of frames with these codes one after the other."""
    return [
        ticks
        for count, value in enumerate(values)
        for ticks in sent_ticks(sent_nibbles(value, form, 0, count, legacy=legacy), total)
    ]


# --- PWM


def test_pwm_reads_every_period_when_it_ended() -> None:
    readings = PWM.decode(seen(out=pwm([100, 2000, 4000], 920.0)))
    assert (codes(readings), faults(readings)) == ([100, 2000, 4000], [""] * 3)
    assert [r.t_us for r in readings] == pytest.approx([50.0 + n * 1e6 / 920.0 for n in (1, 2, 3)])


def test_pwm_active_low_is_the_same_turned_over() -> None:
    low = msgspec.structs.replace(PWM, active="low")
    made = pwm([5, 1234, 4090], 920.0)
    assert codes(low.decode(seen(out=inverted(made)))) == codes(PWM.decode(seen(out=made))) == [5, 1234, 4090]
    assert low.board_fields()["active_high"] == 0


def test_pwm_watch_may_begin_within_a_pulse() -> None:
    made = pwm([700, 800, 900], 920.0)
    cut = Wave(np.concatenate(([made.t_us[1] + 20.0], made.t_us[2:])), made.level[1:], made.end_us)
    assert codes(PWM.decode(seen(out=cut))) == [800, 900]


@pytest.mark.parametrize("share", np.linspace(0.0, 1.0, 11))
def test_pwm_plain_duty_over_a_window(share: float) -> None:
    duty = 0.1 + 0.8 * share
    (reading,) = DUTY.decode(seen(out=wave(0, [70.0, 5000.0 * duty, 5000.0 * (1.0 - duty), 10.0])))
    assert (reading.code, reading.fault) == (round(1000 * share), "")


@pytest.mark.parametrize(("duty", "fault"), [(0.0985, BELOW), (0.0995, ""), (0.9005, ""), (0.9015, ABOVE)])
def test_pwm_duty_outside_its_window(duty: float, fault: str) -> None:
    (reading,) = DUTY.decode(seen(out=wave(0, [70.0, 5000.0 * duty, 5000.0 * (1.0 - duty), 10.0])))
    assert reading.fault == fault
    assert reading.code == (None if fault else 1000 * round(duty))


@pytest.mark.parametrize(("clocks", "code"), [(1000.4, 1000), (1000.6, 1001), (-0.4, 0), (-3.0, 0), (4098.0, 4095)])
def test_pwm_takes_the_nearest_code_and_the_end_just_past_it(clocks: float, code: int) -> None:
    clock_us = 1e6 / 920.0 / 4351
    made = wave(0, [50.0, (128 + clocks) * clock_us, (4223 - clocks) * clock_us, 9.0])
    assert codes(PWM.decode(seen(out=made))) == [code]


@pytest.mark.parametrize("level", [0, 1])
def test_pwm_output_that_never_changes(level: int) -> None:
    (reading,) = PWM.decode(seen(out=wave(level, [20_000.0])))
    assert (reading.code, reading.part, reading.fault) == (None, None, SILENT)
    assert reading.detail == {"level": "high" if level else "low", "silent_us": 20_000.0}


def test_pwm_output_that_stops_and_comes_back() -> None:
    first, last = pwm([100, 200], 920.0), pwm([300, 400], 920.0)
    joined = Wave(
        np.concatenate((first.t_us, last.t_us + first.end_us + 9000.0)),
        np.concatenate((first.level, last.level)),
        first.end_us + 9000.0 + last.end_us,
    )
    readings = PWM.decode(seen(out=joined))
    assert faults(readings) == ["", "", SILENT, "", ""]
    # The end of the last pulse before the silence was never seen: 10 us high, then what follows.
    assert codes(readings) == [100, 200, None, 300, 400]


def test_pwm_watched_too_short_to_say_anything() -> None:
    assert PWM.decode(seen(out=wave(0, [500.0]))) == []
    assert PWM.decode(seen(out=wave(0, [300.0, 300.0]))) == []
    assert PWM.decode(seen()) == []


def test_pwm_glitch_is_bad_timing() -> None:
    readings = PWM.decode(seen(out=glitched(pwm([1000, 1000, 1000], 920.0), 1700.0, 1.0)))
    assert faults(readings) == ["", BAD_TIMING, BAD_TIMING, ""]


@given(code=st.integers(0, 4095), seed=st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_pwm_noise_on_the_edges_costs_no_more_than_it_is(code: int, seed: int) -> None:
    # Computed: each of the three edges moves by 0.2 us at most, 0.8 of a clock of 1e6 / 920 / 4351 = 0.25 us; the duty
    # is then off by 2 * 0.8 clocks and a rounding.
    for reading in PWM.decode(seen(out=noisy(pwm([code] * 4, 920.0), 0.2, seed))):
        assert reading.fault == "" and reading.code is not None
        assert abs(reading.code - code) <= 3


@given(
    low=st.floats(1.0, 60.0),
    width=st.floats(10.0, 38.0),
    steps=st.integers(600, 3000),
    code_share=st.floats(0.0, 1.0),
)
@settings(max_examples=80, deadline=None)
def test_pwm_window_in_whole_clocks_is_off_by_half_a_step_at_most(
    low: float, width: float, steps: int, code_share: float
) -> None:
    encoding = PwmEncoding(
        frequency_hz=100.0, drive="open-drain", codes=steps, duty_low_percent=low, duty_high_percent=low + width
    )
    encoding.check(limits(update_hz=50.0))
    fields = encoding.board_fields()
    code = round(code_share * (steps - 1))
    total = fields["head_clocks"] + steps - 1 + fields["tail_clocks"]
    sent_duty = (fields["head_clocks"] + code) / total
    wanted = (low + width * code / (steps - 1)) / 100.0
    assert abs(sent_duty - wanted) * total <= 0.5 + 1e-6


# --- SENT


def test_sent_reads_every_frame_at_the_end_of_its_crc() -> None:
    readings = SENT.decode(seen(out=sent(frames(1, 2000, 4088), 3.0)))
    assert (codes(readings), faults(readings)) == ([1, 2000, 4088], [""] * 3)
    assert [r.part for r in readings] == pytest.approx([0.0, 1999 / 4087, 1.0])
    assert [r.detail["counter"] for r in readings] == [0, 1, 2]
    assert readings[0].t_us == pytest.approx(40.0 + 3.0 * sum(frames(1)))
    assert readings[0].detail["low_ticks"] == pytest.approx(5.0)


@pytest.mark.parametrize("form", sorted(FORMATS))
@pytest.mark.parametrize("legacy", [False, True])
def test_sent_ends_of_every_format(form: str, legacy: bool) -> None:
    encoding = SentEncoding(tick_us=12.5, format=form, crc="legacy" if legacy else "recommended")
    first = FORMATS[form].first
    ends = (first, first + FORMATS[form].codes - 1)
    readings = encoding.decode(seen(out=sent(frames(*ends, form=form, legacy=legacy), 12.5)))
    assert [(r.code, r.part, r.fault) for r in readings] == [(ends[0], 0.0, ""), (ends[1], 1.0, "")]


def test_sent_crc_of_the_other_kind_is_a_bad_check() -> None:
    readings = SENT.decode(seen(out=sent(frames(1000, 2000, 3000, legacy=True), 3.0)))
    assert faults(readings) == [BAD_CHECK] * 3
    assert codes(readings) == [None] * 3


def test_sent_wrong_nibble_is_a_bad_check() -> None:
    pulses = frames(1000, 1000, 1000)
    pulses[9 + 3] += 1.0
    assert faults(SENT.decode(seen(out=sent(pulses, 3.0)))) == ["", BAD_CHECK, ""]


def test_sent_contents_that_the_format_does_not_have() -> None:
    nibbles = sent_nibbles(1000, "H.1", 0, 0x123)  # as H.4: the last nibble is no inverse of the first
    assert faults(SENT.decode(seen(out=sent(sent_ticks(nibbles), 3.0)))) == [BAD_CHECK]
    single = SentEncoding(tick_us=3.0, format="H.5")
    assert faults(single.decode(seen(out=sent(sent_ticks(nibbles), 3.0)))) == [BAD_CHECK]
    fast = SentEncoding(tick_us=3.0, format="H.3")
    eight = [0, 8, 0, 0, 0, crc4([8, 0, 0, 0])]
    assert faults(fast.decode(seen(out=sent(sent_ticks(eight), 3.0)))) == [BAD_TIMING]


def test_sent_error_flag_of_the_status() -> None:
    flagged = sent(sent_ticks(sent_nibbles(2000, "H.4", 1)), 3.0)
    (reading,) = SENT.decode(seen(out=flagged))
    assert (reading.code, reading.fault) == (2000, INTERNAL) and reading.part is not None
    (reading,) = msgspec.structs.replace(SENT, status=1).decode(seen(out=flagged))
    assert (reading.code, reading.fault) == (2000, "")


def test_sent_pause_makes_the_frames_one_length() -> None:
    readings = PAUSED.decode(seen(out=sent(frames(1, 4088, 2222, total=300), 3.0)))
    assert (codes(readings), faults(readings)) == ([1, 4088, 2222], [""] * 3)
    steps = [r.t_us + 3.0 * float(r.detail["pause_ticks"]) for r in readings]
    assert np.diff(steps) == pytest.approx([900.0, 900.0])


def test_sent_pause_that_should_not_be() -> None:
    readings = SENT.decode(seen(out=sent(frames(10, 20, 30, total=300), 3.0)))
    # What follows the last one was not seen: it may be the end of a watch within the next frame.
    assert faults(readings) == [BAD_TIMING, BAD_TIMING, ""]


def test_sent_pause_that_is_missing_or_of_another_length() -> None:
    missing = PAUSED.decode(seen(out=sent(frames(10, 20, 30), 3.0)))
    assert faults(missing) == [BAD_TIMING, BAD_TIMING, ""]
    assert [r.detail["counter"] if "counter" in r.detail else r.detail["crc"] for r in missing] == [
        frames(10)[-1] - 12, sent_nibbles(20, "H.4", 0, 1)[-1], 2,
    ]  # fmt: skip
    assert faults(PAUSED.decode(seen(out=sent(frames(10, 20, 30, total=330), 3.0)))) == [BAD_TIMING] * 3


def test_sent_low_time_too_short_is_no_pulse() -> None:
    readings = SENT.decode(seen(out=sent(frames(10, 20), 3.0, low_ticks=2.0)))
    assert faults(readings) == [BAD_TIMING] * 2
    assert readings[0].detail["low_ticks"] == pytest.approx(2.0)


def test_sent_watch_may_begin_and_end_within_a_frame() -> None:
    pulses = frames(1111, 2222, 3333)
    readings = SENT.decode(seen(out=sent(pulses[4:-3], 3.0)))
    assert (codes(readings), faults(readings)) == ([2222], [""])


@pytest.mark.parametrize("place", range(1, 9))
def test_sent_lost_pulse_costs_one_frame(place: int) -> None:
    pulses = frames(500, 600, 700)
    pulses[9 + place - 1] += pulses[9 + place]
    del pulses[9 + place]
    readings = SENT.decode(seen(out=sent(pulses, 3.0)))
    assert (codes(readings), faults(readings)) == ([500, None, 700], ["", BAD_TIMING, ""])


def test_sent_output_that_stops_and_comes_back() -> None:
    pulses = [*frames(500, 600), 3000.0, *frames(700)]
    readings = SENT.decode(seen(out=sent(pulses, 3.0)))
    assert (codes(readings), faults(readings)) == ([500, 600, None, 700], ["", "", SILENT, ""])
    assert readings[2].detail["level"] == "high"


def test_sent_output_that_is_pulled_low_and_let_go() -> None:
    whole = sent(frames(500, 600), 3.0)
    rise = int(np.flatnonzero((whole.t_us > 700.0) & (whole.level == 1))[0])
    late = Wave(
        whole.t_us + np.where(np.arange(len(whole.t_us)) < rise, 0.0, 5000.0), whole.level, whole.end_us + 5000.0
    )
    readings = SENT.decode(seen(out=late))
    assert (codes(readings), faults(readings)) == ([500, None], ["", SILENT])
    assert readings[1].detail["level"] == "low"


@pytest.mark.parametrize(
    ("ratios", "wanted"),
    [
        # One frame at another tick is in doubt, the next is not; a tick that stays is taken from the second frame on.
        ((1.0, 1.05, 1.0, 1.0), ["", BAD_TIMING, "", ""]),
        ((1.0, 1.05, 1.05, 1.05), ["", BAD_TIMING, "", ""]),
        ((1.0, 1.05, 1.1, 1.1), ["", BAD_TIMING, BAD_TIMING, ""]),
    ],
)
def test_sent_tick_that_jumps(ratios: tuple[float, ...], wanted: list[str]) -> None:
    pulses = [ticks * ratio for ratio in ratios for ticks in frames(900)]
    assert faults(SENT.decode(seen(out=sent(pulses, 3.0)))) == wanted


@pytest.mark.parametrize("level", [0, 1])
def test_sent_output_that_never_changes(level: int) -> None:
    (reading,) = SENT.decode(seen(out=wave(level, [10_000.0])))
    assert (reading.fault, reading.detail["level"]) == (SILENT, "high" if level else "low")
    assert SENT.decode(seen(out=wave(level, [1000.0]))) == []
    assert SENT.decode(seen()) == []


def test_sent_pulses_of_something_else_are_bad_timing() -> None:
    readings = SENT.decode(seen(out=sent([20.0] * 100, 3.0)))
    assert faults(readings) == [BAD_TIMING]
    assert readings[0].detail["pulses"] == 100
    assert faults(SENT.decode(seen(out=sent([500.0] * 6, 3.0)))) == [BAD_TIMING]


def test_sent_spike_in_a_sync_leaves_the_frame_before_it_alone() -> None:
    # The rest of the sync is still one within 20 %, and what follows are nibbles by its ratio.
    spiked = frames(0x711)
    pulses = [*frames(0x711), 6.0, 50.0, *spiked[1:], *frames(0x711)]
    assert faults(SENT.decode(seen(out=sent(pulses, 3.0)))) == ["", BAD_TIMING, BAD_TIMING, ""]


@given(code=st.integers(1, 4088), seed=st.integers(0, 1000))
@settings(max_examples=60, deadline=None)
def test_sent_noise_on_the_edges_changes_no_nibble(code: int, seed: int) -> None:
    # Computed: edges within 0.1 tick; a pulse is off by 0.2 tick, and by 27/56 of the sync's 0.2: below half a tick.
    # Two syncs differ by 0.4 of 56 ticks, below 1/64.
    for encoding, total in ((SENT, 0), (PAUSED, 300)):
        readings = encoding.decode(seen(out=noisy(sent(frames(code, code, code, total=total), 3.0), 0.3, seed)))
        assert (codes(readings), faults(readings)) == ([code] * 3, [""] * 3)


@given(at=st.floats(0.02, 0.98), width_us=st.floats(0.05, 2.0))
@settings(max_examples=150, deadline=None)
def test_sent_glitch_never_gives_a_wrong_angle(at: float, width_us: float) -> None:
    made = sent(frames(*range(1000, 1005)), 3.0)
    readings = SENT.decode(seen(out=glitched(made, at * made.end_us, width_us)))
    assert {r.code for r in readings if r.part is not None} <= set(range(1000, 1005))


# --- SSI


@pytest.mark.parametrize("rest", [0, 1])
@pytest.mark.parametrize("clock_hz", [20e3, 1e6, 15e6])
def test_ssi_reads_words_at_any_clock(rest: int, clock_hz: float) -> None:
    words = [ssi_word(angle) for angle in (0, 1, 8191, 16383)]
    whole = ssi(words, clock_hz, rest=rest)
    for line in (whole, without(whole, "select")):
        readings = SSI.decode(line)
        assert (codes(readings), faults(readings)) == ([0, 1, 8191, 16383], [""] * 4)
        assert readings[0].detail["clock_hz"] == pytest.approx(clock_hz, rel=1e-6)


def test_ssi_receiver_that_reads_whole_bytes() -> None:
    line = ssi([ssi_word(4321), ssi_word(1234)], rest=1, clocks=31)
    assert codes(SSI.decode(line)) == codes(SSI.decode(without(line, "select"))) == [4321, 1234]


def test_ssi_other_edge() -> None:
    line = ssi([ssi_word(4321)], rest=0)
    turned = Seen(3.3, {**line.waves, "clock": inverted(line.waves["clock"])})
    assert codes(SsiEncoding(sample_edge="rising").decode(turned)) == [4321]


def test_ssi_bit_is_the_one_set_up_before_the_edge() -> None:
    # Taken at the edge at which the next bit comes out: what stood there before counts, and one clock more is needed.
    line = ssi([ssi_word(4321)], rest=0, clocks=25)
    assert codes(SsiEncoding(sample_edge="rising").decode(line)) == [4321]


@pytest.mark.parametrize(
    ("clocks", "fault"), [(12, BAD_TIMING), (23, BAD_TIMING), (24, ""), (32, ""), (48, BAD_TIMING)]
)
def test_ssi_word_of_another_length(clocks: int, fault: str) -> None:
    assert faults(SSI.decode(ssi([ssi_word(77)], rest=0, clocks=clocks))) == [fault]


def test_ssi_watch_may_begin_within_a_word() -> None:
    line = without(ssi([ssi_word(50), ssi_word(60)], rest=0), "select")
    clock = line.waves["clock"]
    for cut, left in ((slice(10, None), [60]), (slice(None, -10), [50])):
        t_us = clock.t_us[cut]
        begun = Wave(t_us, clock.level[cut], clock.end_us if cut.stop is None else float(t_us[-1]))
        assert codes(SSI.decode(Seen(3.3, {**line.waves, "clock": begun}))) == left


def test_ssi_bad_check_tells_what_was_read() -> None:
    word = ssi_word(5000) ^ 0x100
    (reading,) = SSI.decode(ssi([word]))
    assert (reading.code, reading.part, reading.fault, reading.detail["word"]) == (None, None, BAD_CHECK, word)


def test_ssi_lines_that_stay() -> None:
    line = ssi([ssi_word(5000)] * 2)
    still = wave(0, [2000.0])
    (reading,) = SSI.decode(Seen(3.3, {"clock": still, "data": line.waves["data"]}))
    assert (reading.fault, reading.detail["conductor"]) == (SILENT, "clock")
    high = SSI.decode(Seen(3.3, {**line.waves, "data": wave(1, [2000.0])}))
    assert [(r.fault, r.detail["conductor"], r.detail["level"]) for r in high] == [(SILENT, "data", "high")] * 2
    # All low is angle 0 with a good check: told apart by no receiver, so it is said.
    low = SSI.decode(Seen(3.3, {**line.waves, "data": still}))
    assert [(r.code, r.fault, r.detail["data"]) for r in low] == [(0, "", "never high")] * 2
    assert SSI.decode(seen(data=still)) == SSI.decode(seen(clock=still)) == []


@given(angles=st.lists(st.integers(0, 16383), min_size=1, max_size=4), seed=st.integers(0, 1000))
@settings(max_examples=40, deadline=None)
def test_ssi_noise_on_the_edges_changes_no_bit(angles: list[int], seed: int) -> None:
    # Half a period is 500 ns at 1 MHz; edges within 100 ns of theirs.
    line = ssi([ssi_word(angle) for angle in angles])
    shaken = {name: noisy(of, 0.1, seed + n) for n, (name, of) in enumerate(line.waves.items())}
    assert codes(SSI.decode(Seen(3.3, shaken))) == angles


# --- any of them


def test_entries_out_of_order_are_put_in_order() -> None:
    made = sent(frames(10, 20), 3.0)
    order = np.random.default_rng(1).permutation(len(made.t_us))
    assert SENT.decode(seen(out=Wave(made.t_us[order], made.level[order], made.end_us))) == SENT.decode(seen(out=made))


Times = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True), st.floats(0.0, 5000.0), st.integers(0, 60).map(lambda n: n * 36.0)
)
Garbage = st.builds(
    lambda entries, end: Wave(np.array([t for t, _ in entries]), np.array([v for _, v in entries], dtype=np.int8), end),
    st.lists(st.tuples(Times, st.integers(-1, 2)), max_size=80),
    Times,
)


@given(waves=st.dictionaries(st.sampled_from(["out", "data", "clock", "select"]), Garbage))
@example(waves={"out": Wave(np.zeros(0), np.zeros(0, dtype=np.int8), float("nan"))})
@example(waves={"out": Wave(np.array([0.0, 5e-324, 1e-323]), np.array([0, 1, 0], dtype=np.int8), 1.0)})
@example(waves={"out": Wave(np.array([0.0, 1.0, 2.0]), np.array([1], dtype=np.int8), 9.0)})
@settings(max_examples=150, deadline=None)
def test_garbage_never_raises(waves: dict[str, Wave]) -> None:
    for encoding in ALL:
        readings = encoding.decode(Seen(3.3, waves))
        assert [r.t_us for r in readings] == sorted(r.t_us for r in readings)
        for reading in readings:
            assert reading.part is None or 0.0 <= reading.part <= 1.0
            assert reading.fault or reading.part is not None


@given(steps=st.lists(st.floats(0.1, 200.0), max_size=120), level=st.integers(0, 1))
@settings(max_examples=100, deadline=None)
def test_any_pulses_never_raise(steps: list[float], level: int) -> None:
    made = wave(level, [50.0, *steps])
    for encoding in ALL:
        encoding.decode(Seen(3.3, {"out": made, "data": made, "clock": made}))
