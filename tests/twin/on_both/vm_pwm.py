"""machine.PWM: the port's arithmetic, and what its pins give."""

from vm_rig import Chip, LockedHeap, checks, raises

CLK_HZ = 125000000


def check_top_and_compare():
    # ports/rp2/machine_pwm.c: TOP = round(clk / f) - 1 at divider 1, CC = round(u16 * (TOP + 1) / 65535)
    chip = Chip()
    pwm = chip.PWM(12, freq=30500, duty_u16=32768)
    assert chip.pwm.slice_of(12).top + 1 == 4098  # 125 MHz / 30.5 kHz
    assert chip.pwm.times(12) == (2049 * 16, 2049 * 16)
    assert pwm.freq() == 30503  # 125 MHz / 4098, rounded
    assert pwm.duty_u16() == 32768 and pwm.duty_ns() == 16392  # 2049 of 8 ns
    # 65535 is high all the time, 0 low, more than 65535 as 65535
    for duty, high in ((65535, 4098), (0, 0), (70000, 4098), (1, 0), (8, 1), (65527, 4097)):
        pwm.duty_u16(duty)
        chip.run_us(200)
        assert chip.pwm.times(12) == (high * 16, (4098 - high) * 16), duty
        edges = chip.pwm.edges(12, chip.kernel.now - 100, chip.kernel.now)
        assert (edges == []) == (high in (0, 4098))
        if not edges:
            assert chip.pwm.level(12, chip.kernel.now) == (1 if high else 0)


def check_dividers():
    # 8.4 divider, as small as TOP <= 65534 lets it be; 8 Hz to 62.5 MHz (docs, rp2 quickref)
    chip = Chip()
    for freq, div16, top in (
        (1908, 16, 65513), (1907, 17, 61691), (1000, 31, 64515), (8, 3815, 65530), (62500000, 16, 1),
    ):  # fmt: skip
        pwm = chip.PWM(2, freq=freq, duty_u16=1)
        of = chip.pwm.slice_of(2)
        assert (of.div16, of.top) == (div16, top), (freq, of.div16, of.top)
        assert of.top <= 65534 and abs(pwm.freq() - freq) <= freq // 1000 + 1
    assert raises(ValueError, chip.PWM, 2, freq=7) == "freq too small"
    assert raises(ValueError, chip.PWM, 2, freq=300000000) == "freq too large"


def check_edges():
    chip = Chip()
    chip.run_us(10)
    chip.PWM(4, freq=1000000, duty_u16=65535 // 5)
    # 125 counts, 25 of them high, from the moment it was started
    assert chip.pwm.edges(4, 0, 13) == [(1250, 1), (1275, 0), (1375, 1), (1400, 0), (1500, 1), (1525, 0)]
    assert [chip.pwm.level(4, t) for t in (11, 12)] == [1, 1]
    assert chip.gpio.read(4) == chip.gpio.given(4) == 1
    chip.run_us(1)
    # A divider that is no whole number: clk_sys cycles rounded down.
    pwm = chip.PWM(6, freq=1907, duty_u16=32768)
    of = chip.pwm.slice_of(6)
    start = chip.kernel.now
    chip.run_us(2000)
    edges = chip.pwm.edges(6, start, chip.kernel.now)
    period16 = (of.top + 1) * 17
    assert [t for t, level in edges if level] == [start * 125 + period16 * k // 16 for k in (0, 1, 2, 3)]
    assert pwm.freq() == 1907


def check_new_duty_from_the_next_wrap():
    # RP2040 datasheet 4.5.2.3: TOP and CC are taken over as the counter wraps
    chip = Chip()
    pwm = chip.PWM(4, freq=10000, duty_u16=65535 // 2)
    chip.run_us(30)
    pwm.duty_u16(65535 // 4)
    chip.run_us(10)
    pwm.duty_u16(65535 // 5)  # the one before never came into force
    chip.run_us(200)
    high = 12500 // 2
    assert chip.pwm.edges(4, 1, 230) == [(high, 0), (12500, 1), (15000, 0), (25000, 1), (27500, 0)]
    # ... and so does a new frequency
    pwm.freq(20000)
    chip.run_us(200)
    assert chip.pwm.edges(4, 290, 420) == [(37500, 1), (38750, 0), (43750, 1), (45000, 0), (50000, 1), (51250, 0)]


def check_two_channels_of_a_slice():
    chip = Chip()
    told = []
    a = chip.PWM(2, freq=1000, duty_u16=16384)
    b = chip.PWM(3, freq=2000, duty_ns=100000)
    chip.pwm.on_change[2] = chip.pwm.on_change[3] = told.append
    assert a.freq() == b.freq() == 2000
    assert a.duty_u16() == 16384  # computed anew for the new TOP
    a.freq(4000)
    assert told == [2, 3]
    assert b.duty_ns() == 100000 and chip.pwm.times(3) == (12500 * 16, 18750 * 16)
    b.duty_ns(1000000)  # longer than the period: high
    assert chip.pwm.times(3)[1] == 0
    # another slice goes its own way; pins 16 apart are one channel
    c = chip.PWM(4, freq=5000, duty_u16=1000)
    assert c.freq() == 5000 and a.freq() == 4000
    assert chip.pwm.slice_of(18) is chip.pwm.slice_of(2)


def check_nothing_before_both_are_set():
    chip = Chip()
    pwm = chip.PWM(12)
    assert (pwm.freq(), pwm.duty_u16(), pwm.duty_ns()) == (0, 0, 0)
    pwm.freq(5000)
    chip.run_us(5000)
    assert chip.pwm.times(12) is None and chip.pwm.edges(12, 0, 5000) == [] and chip.gpio.given(12) == 0
    pwm.duty_u16(32768)
    chip.run_us(5000)
    assert len(chip.pwm.edges(12, 5000, 10000)) == 50


def check_invert_and_deinit():
    chip = Chip()
    pwm = chip.PWM(12, freq=10000, duty_u16=65535 // 4, invert=1)
    high, low = chip.pwm.times(12)
    assert (high, low) == (9375 * 16, 3125 * 16)
    chip.run_us(30)
    assert chip.gpio.given(12) == 1
    pwm.deinit()
    chip.run_us(500)
    assert chip.gpio.given(12) == 1 and chip.pwm.edges(12, 30, 530) == [] and chip.pwm.times(12) is None
    assert chip.pwm.edges(12, 20, 30) == [(3125, 1)]
    pwm.init(freq=10000, duty_u16=65535 // 4, invert=0)
    chip.run_us(100)
    # it goes on counting where it had stopped: 70 us are left of its period
    assert chip.pwm.edges(12, 530, 630) == [(66250, 0), (75000, 1), (78125, 0)]


def check_pin_taken_back():
    chip = Chip()
    chip.PWM(12, freq=10000, duty_u16=32768)
    chip.run_us(120)
    chip.gpio.set_mode(12, 0, 0)
    chip.run_us(500)
    assert chip.gpio.given(12) == 0 and chip.pwm.times(12) is None
    assert chip.pwm.edges(12, 0, 620) == [(0, 1), (6250, 0), (12500, 1), (15000, 0)]
    chip.gpio.release_all()
    assert chip.pwm.slices == {}


def check_duty_in_an_interrupt_allocates_nothing():
    chip = Chip()
    pwm = chip.PWM(12, freq=30500, duty_u16=0)
    for k in range(600):
        chip.run_us(1000)
        with LockedHeap(chip.kernel):
            pwm.duty_u16(100 * k)
    # What is too long ago is not made up.
    assert "no longer kept" in raises(ValueError, chip.pwm.edges, 12, 0, 1000)
    now = chip.kernel.now
    edges = chip.pwm.edges(12, now - 1100, now - 1050)
    # of the duty before the last two: number 597
    high = (59700 * 4098 + 32767) // 65535
    assert edges[1][0] - edges[0][0] == (high if edges[0][1] else 4098 - high)


checks(globals())
