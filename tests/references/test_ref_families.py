"""Decoders of PWM, SENT and SSI against data sheets, makers' documentation and the numbers that follow from them."""

from __future__ import annotations

import numpy as np
import pytest
from lidjig.bench.families.base import BAD_CHECK, BAD_TIMING, INTERNAL, STARTING, STRONG, WEAK
from lidjig.bench.families.crc import crc4_sent, crc6_ssi
from lidjig.bench.families.pwm import PwmEncoding
from lidjig.bench.families.sent import FORMATS, SentEncoding
from lidjig.bench.families.ssi import SsiEncoding
from lidjig.errors import BadInput

from tests.bench_profiles.sensor_waves import (
    CRC4_TABLE,
    limits,
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


def nibbles(text: str) -> list[int]:
    return [int(digit, 16) for digit in text]


# --- CRC


@pytest.mark.parametrize(
    ("data", "recommended", "legacy"),
    [
        # SAE J2716's own example, second hand: quoted in an open-source decoder. All legacy values: value from memory
        # (the form), computed.
        ("748748", 3, 5),
        # Sample frames in the comments of sent-CRC-calculator.c (jagumiel, 2021), which names no origin for them.
        ("478347", 0xD, 1),
        ("478343", 0x3, 5),
        ("478345", 0xA, 3),
        ("478344", 0x7, 2),
        ("477345", 0xC, 9),
        ("479345", 0xE, 4),
        ("479346", 0x4, 7),
        ("477347", 0xB, 11),
        # Computed from J2716's table (second hand).
        ("000000", 5, 15),
        ("FFFFFF", 10, 3),
        ("123456", 2, 13),
        ("224321", 4, 7),
        ("F5A280", 9, 6),
    ],
)
def test_sent_crc_4(data: str, recommended: int, legacy: int) -> None:
    assert crc4_sent(nibbles(data), legacy=False) == recommended
    assert crc4_sent(nibbles(data), legacy=True) == legacy


def test_sent_crc_4_is_the_published_table() -> None:
    # SAE J2716, seed 5 and table, second hand: open-source decoders. One nibble from the seed: T[n ^ T[5]].
    assert [crc4_sent([n], legacy=False) for n in range(16)] == [CRC4_TABLE[n ^ CRC4_TABLE[5]] for n in range(16)]


@pytest.mark.parametrize(
    ("angle", "check"),
    # MagnTek MT6701 data sheet 7.8.2, second hand: x^6 + x + 1 over angle and status, from 0. Values computed from it.
    [(0x0000, 0x00), (0x0001, 0x30), (0x1000, 0x35), (0x2000, 0x29), (0x2AAA, 0x2B), (0x3FFF, 0x1F)],
)
def test_ssi_crc_6(angle: int, check: int) -> None:
    assert crc6_ssi(angle << 4) == check
    assert ssi_word(angle) == angle << 10 | check


# --- PWM

PWM = PwmEncoding(frequency_hz=920.0, drive="push-pull")


def test_pwm_frame_of_the_published_part() -> None:
    # ams AS5600 data sheet v1-06, p.27: 4351 clocks; lowest angle 128 high and 4223 low, highest 4223 high and 128 low.
    fields = PWM.board_fields()
    assert (fields["head_clocks"], fields["tail_clocks"]) == (128, 128)
    assert 128 + PWM.codes - 1 + 128 == 4351
    low, high = PWM.window
    assert (low, high) == pytest.approx((128 / 4351, 4223 / 4351), rel=1e-12)


@pytest.mark.parametrize(
    ("code", "duty_percent"),
    # Computed from the frame of ams AS5600 data sheet v1-06, p.27: (128 + code) / 4351.
    [(0, 2.942), (1024, 26.477), (2048, 50.011), (3072, 73.546), (4095, 97.058)],
)
# ams AS5600 data sheet v1-06, p.19: PWMF.
@pytest.mark.parametrize("frequency_hz", [115.0, 230.0, 460.0, 920.0])
def test_pwm_duties_of_the_published_part(code: int, duty_percent: float, frequency_hz: float) -> None:
    encoding = PwmEncoding(frequency_hz=frequency_hz, drive="push-pull")
    encoding.check(limits())
    period_us = 1e6 / frequency_hz
    high_us = duty_percent / 100.0 * period_us
    # The duties are printed to 0.001 %, a twentieth of a clock.
    (reading,) = encoding.decode(seen(out=wave(0, [100.0, high_us, period_us - high_us, 10.0])))
    assert (reading.code, reading.fault) == (code, "")
    assert reading.part == pytest.approx(code / 4095)
    assert reading.detail["duty_percent"] == pytest.approx(duty_percent, abs=1e-9)


@pytest.mark.parametrize(("ratio", "fault"), [(0.96, ""), (1.04, ""), (0.94, BAD_TIMING), (1.06, BAD_TIMING)])
def test_pwm_frequency_is_good_to_5_percent(ratio: float, fault: str) -> None:
    # +/-5 %: ams AS5600 data sheet (value from memory); AS5045 data sheet rev 1.7, p.16, of its own PWM.
    (reading,) = PWM.decode(seen(out=pwm([1234], 920.0 * ratio)))
    assert (reading.code, reading.fault) == (None if fault else 1234, fault)


def test_pwm_frame_of_another_published_part() -> None:
    # ams AS5048, 1 kHz, 12 high + 4095 data + 8 low = 4119 clocks (value from memory).
    encoding = PwmEncoding(frequency_hz=1000.0, drive="push-pull", head_clocks=12, tail_clocks=8)
    encoding.check(limits())
    codes = [0, 1, 2047, 4094, 4095]
    assert [r.code for r in encoding.decode(seen(out=pwm(codes, 1000.0, 12, 4095, 8)))] == codes


@pytest.mark.parametrize("position", [0, 1, 2048, 4095])
def test_pwm_formula_of_a_third_published_part(position: int) -> None:
    # ams AS5045 data sheet rev 1.7, p.16-17: position = t_on * 4097 / (t_on + t_off) - 1, 1 us steps, period 4097 us.
    encoding = PwmEncoding(frequency_hz=244.0, drive="push-pull", head_clocks=1, tail_clocks=1)
    on_us = position + 1.0
    (reading,) = encoding.decode(seen(out=wave(0, [9.0, on_us, 4097.0 - on_us, 9.0])))
    assert reading.code == position


# --- SENT


@pytest.mark.parametrize(
    ("form", "lengths"),
    [
        # TI MCU+ SDK, SENT encoder: sync 56, nibbles 12..27, status and CRC a nibble each. Six data nibbles: 152..272.
        ("H.4", "152..272 ticks (0.456..0.816 ms)"),
        # Computed from the same: 56 + 5 * 12, 56 + 5 * 27; 56 + 6 * 12, 56 + 6 * 27.
        ("H.2", "116..191 ticks (0.348..0.573 ms)"),
        ("H.3", "128..218 ticks (0.384..0.654 ms)"),
    ],
)
def test_sent_frame_lengths(form: str, lengths: str) -> None:
    assert dict(SentEncoding(tick_us=3.0, format=form).describe())["frame"] == lengths


@pytest.mark.parametrize(
    ("form", "least", "most"),
    # Microchip dsPIC33 documentation, SENT, transmit mode timing, table "Range of FRAMETIME values", by data nibbles.
    [("H.2", 203, 884), ("H.3", 230, 896), ("H.1", 284, 920), ("H.7", 284, 920)],
)
def test_sent_frame_time_with_a_pause(form: str, least: int, most: int) -> None:
    for ticks in (least, most):
        SentEncoding(tick_us=3.0, format=form, frame_ticks=ticks).check(limits())
    for ticks in (least - 1, most + 1):
        with pytest.raises(BadInput, match=f"{least}..{most}"):
            SentEncoding(tick_us=3.0, format=form, frame_ticks=ticks).check(limits())


# Microchip dsPIC33 data sheets, SENT chapter: ticks of 3 to 90 us.
@pytest.mark.parametrize(("tick_us", "good"), [(2.0, False), (2.99, False), (3.0, True), (90.0, True), (90.1, False)])
def test_sent_ticks(tick_us: float, good: bool) -> None:
    encoding = SentEncoding(tick_us=tick_us, format="H.2")
    if good:
        encoding.check(limits(update_hz=20.0))
    else:
        with pytest.raises(BadInput, match="3..90 us"):
            encoding.check(limits(update_hz=20.0))


def test_sent_nibble_is_the_ratio_to_the_sync() -> None:
    # n = round(pulse * 56 / sync) - 12: SAE J2716, second hand: an open-source decoder. Every nibble, at a clock that
    # is 20 % off either way, which the receiver has to take (Microchip dsPIC33 documentation, SENT, receive mode
    # timing).
    encoding = SentEncoding(tick_us=10.0, format="H.7")
    for ratio in (0.801, 1.0, 1.199):
        for code in range(0x0123, 0x10000, 0x1111):
            (reading,) = encoding.decode(seen(out=sent(sent_ticks(sent_nibbles(code, "H.7", 0, 0xA5)), 10.0 * ratio)))
            assert (reading.code, reading.detail["channel_2"], reading.fault) == (code, 0xA5, "")
            assert reading.detail["tick_us"] == pytest.approx(10.0 * ratio)


@pytest.mark.parametrize("ratio", [0.79, 1.21])
def test_sent_clock_outside_its_tolerance(ratio: float) -> None:
    # Sync periods outside +/-20 % are rejected: Microchip dsPIC33 documentation, SENT, receive mode timing.
    pulses = sent_ticks(sent_nibbles(2000, "H.5", 0)) * 4
    readings = SentEncoding(tick_us=10.0, format="H.5").decode(seen(out=sent(pulses, 10.0 * ratio)))
    assert {r.fault for r in readings} == {BAD_TIMING}


@pytest.mark.parametrize(("ratio", "faults"), [(1.015, ["", ""]), (1.017, ["", BAD_TIMING])])
def test_sent_successive_syncs(ratio: float, faults: list[str]) -> None:
    # No more than 1.5625 % (1 part in 64) between successive messages: Microchip dsPIC33 documentation, SENT, receive
    # mode timing; ST SPC572L reference manual, 49.4.7.2.
    frame = sent_ticks(sent_nibbles(1000, "H.2", 0))
    readings = SentEncoding(tick_us=5.0, format="H.2").decode(
        seen(out=sent([*frame, *(ticks * ratio for ticks in frame)], 5.0))
    )
    assert [r.fault for r in readings] == faults


@pytest.mark.parametrize(
    ("form", "data", "code", "more"),
    [
        # SAE J2716 appendix H, second hand: an open-source J2716 core. H.1's reversed channel 2 and H.4's counter and
        # inverted nibble also: Melexis MLX90367 data sheet, 14.2.1; H.2 to H.5: TI SPRUJ79, frame formats.
        ("H.1", "123987", 0x123, {"channel_2": 0x789}),
        ("H.2", "ABC", 0xABC, {}),
        ("H.3", "1234", 0b001_010_011_100, {}),
        ("H.4", "1234AE", 0x123, {"counter": 0x4A}),
        ("H.5", "DEF000", 0xDEF, {}),
        # Which bits of the shared nibble are whose: value from memory.
        ("H.6", "FEDBA9", 0b1111_1110_1101_10, {"channel_2": 0b1001_1010_11}),
        ("H.7", "FEDCBA", 0xFEDC, {"channel_2": 0xAB}),
    ],
)
def test_sent_formats(form: str, data: str, code: int, more: dict[str, int]) -> None:
    encoding = SentEncoding(tick_us=3.0, format=form)
    values = [0, *nibbles(data), crc4_sent(nibbles(data), legacy=False)]
    (reading,) = encoding.decode(seen(out=sent(sent_ticks(values), 3.0)))
    assert (reading.code, reading.fault) == (code, "")
    assert {key: reading.detail[key] for key in more} == more
    assert encoding.board_fields()["frame_format"] == int(form[-1])


@pytest.mark.parametrize(
    ("code", "part", "fault"),
    [
        # SAE J2716 section 6 (value from memory): 1..4088 data, 0 initialising, 4089..4095 reserved or diagnostic.
        # In step with it, Melexis MLX90367 data sheet, 14.2.1: a second channel of 0xFF9 - channel 1.
        (0, None, STARTING),
        (1, 0.0, ""),
        (0xFF9 - 1, 1.0, ""),
        (0xFF9, None, INTERNAL),
        (4095, None, INTERNAL),
    ],
)
@pytest.mark.parametrize("form", ["H.2", "H.3", "H.4", "H.5"])
def test_sent_reserved_codes(form: str, code: int, part: float | None, fault: str) -> None:
    assert FORMATS[form].codes == 4088
    encoding = SentEncoding(tick_us=3.0, format=form)
    (reading,) = encoding.decode(seen(out=sent(sent_ticks(sent_nibbles(code, form, 0)), 3.0)))
    assert (reading.code, reading.part, reading.fault) == (code, part, fault)


def test_sent_status_bits() -> None:
    # Bits 0, 1: channel 1, 2 in error; bit 2 serial data, bit 3 begin of a serial message: Infineon KP276C1505 data
    # sheet, table 4; Melexis MLX90367 data sheet, 14.2.1.
    pulses = [ticks for status in range(16) for ticks in sent_ticks(sent_nibbles(77, "H.2", status))]
    for reading, status in zip(
        SentEncoding(tick_us=3.0, format="H.2").decode(seen(out=sent(pulses, 3.0))), range(16), strict=True
    ):
        detail = reading.detail
        assert (detail["status"], detail["serial_data"], detail["serial_start"]) == (
            status, (status & 4) // 4, (status & 8) // 8,
        )  # fmt: skip
        assert (reading.code, reading.fault) == (77, INTERNAL if status & 1 else "")


def test_sent_pause_of_56_ticks_is_no_sync() -> None:
    # Of two sync pulses in a row the first is taken for a pause: TI SPRUJ79, SENT frame format.
    frame = sent_nibbles(3000, "H.4", 0, 0x5A)
    total = int(sum(sent_ticks(frame))) + 56
    encoding = SentEncoding(tick_us=3.0, format="H.4", frame_ticks=total)
    readings = encoding.decode(seen(out=sent(sent_ticks(frame, total) * 3, 3.0)))
    assert [(r.code, r.fault) for r in readings] == [(3000, "")] * 3
    assert all(r.detail["pause_ticks"] == pytest.approx(56.0) for r in readings)


# --- SSI

SSI = SsiEncoding()


@pytest.mark.parametrize("rest", [0, 1])
def test_ssi_word_of_the_published_part(rest: int) -> None:
    # MagnTek MT6701 data sheet 7.8.2, second hand: data out at the rising edge, so drivers take it at the falling one:
    # in SPI mode 1 (the clock rests low) 24 bits, in mode 2 (it rests high) the first of 25 is no bit
    # (Arduino-FOC-drivers, mt6701).
    angles = [0, 1, 0x1000, 0x2000, 0x2AAA, 0x3FFF]
    for line in (ssi(map(ssi_word, angles), rest=rest), without(ssi(map(ssi_word, angles), rest=rest), "select")):
        readings = SSI.decode(line)
        assert [(r.code, r.fault) for r in readings] == [(angle, "") for angle in angles]
        # 14 bits over a full turn: 0.0219 deg a step (ams AS5048 data sheet v1-06, front page, of its own 14 bits).
        assert [r.part for r in readings] == [angle / 16384 for angle in angles]
    assert 360.0 / SSI.codes == pytest.approx(0.0219, abs=1e-4)


@pytest.mark.parametrize(
    ("status", "fault", "push", "angle"),
    [
        # MagnTek MT6701 data sheet 7.8.2, second hand: bit 9 of the word track lost, bit 8 push, bits 7:6 field, 0
        # normal. 1 strong, 2 weak, 3 neither: second hand, a third-party driver (MT6701-driver, mt6701_status_t).
        (0b0000, "", 0, True),
        (0b0100, "", 1, True),
        (0b0001, STRONG, 0, True),
        (0b0010, WEAK, 0, True),
        (0b0011, INTERNAL, 0, False),
        (0b1000, INTERNAL, 0, False),
        (0b1101, INTERNAL, 1, False),
    ],
)
def test_ssi_status(status: int, fault: str, push: int, angle: bool) -> None:
    (reading,) = SSI.decode(ssi([ssi_word(5000, status)]))
    assert (reading.code, reading.fault, reading.detail["push"]) == (5000, fault, push)
    assert (reading.part is not None) == angle


def test_ssi_crc_catches_every_single_and_double_error() -> None:
    # x^6 + x + 1 is primitive: 2-bit codewords are 63 bits apart, more than the word has (computed).
    word = ssi_word(0x1234, 4)
    flips = [1 << i for i in range(24)] + [1 << i | 1 << j for i in range(24) for j in range(i)]
    readings = SSI.decode(ssi([word ^ flip for flip in flips], 1e7, gap_us=30.0))
    assert len(readings) == len(flips)
    assert {r.fault for r in readings} == {BAD_CHECK}
    assert {r.part for r in readings} == {None}


def test_waves_of_these_tests_have_the_published_lengths() -> None:
    # TI MCU+ SDK, SENT encoder: 56 ticks, then 12 + n.
    falls = (made := sent(sent_ticks([0, 15, 7]), 3.0)).t_us[made.level == 0]
    assert np.diff(falls) == pytest.approx([168.0, 36.0, 81.0, 57.0])
