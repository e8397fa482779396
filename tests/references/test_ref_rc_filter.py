"""Filters behind pulse width modulation against published examples, scipy.signal and simulations of the circuit."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.cli.filter import standard_values
from lidjig.measure import rc_design
from lidjig.measure.rc_design import Ask, Design, Shelf, design, recommended
from lidjig.measure.rc_filter import (
    RcFilter,
    attenuation_db,
    cutoff_hz,
    modes,
    ripple_one_pole,
    ripple_part,
    settling_s,
)
from numpy.typing import NDArray
from scipy import linalg, signal
from scipy.integrate import solve_ivp

SHELF = standard_values()


# scipy says so of the leading zeros in the numerator of a low pass.
pytestmark = pytest.mark.filterwarnings("ignore::scipy.signal.BadCoefficients")


def state_space(circuit: RcFilter) -> tuple[NDArray[Any], NDArray[Any]]:
    """x' = A x + B u by the nodes' conductances, for any number of stages: x the capacitors' voltages, the last one the
    output.
    """
    n = len(circuit.r_ohm)
    conductance, feed = np.zeros((n, n)), np.zeros((n, 1))
    series = [circuit.r_ohm[0] + circuit.source_ohm, *circuit.r_ohm[1:]]
    for node, ohm in enumerate(series):
        conductance[node, node] += 1 / ohm
        if node == 0:
            feed[0, 0] = 1 / ohm
        else:
            conductance[node - 1, node - 1] += 1 / ohm
            conductance[node, node - 1] -= 1 / ohm
            conductance[node - 1, node] -= 1 / ohm
    conductance[-1, -1] += 1 / circuit.load_ohm
    farad = np.diag(1 / np.array(circuit.c_f))
    return -farad @ conductance, farad @ feed


def system(circuit: RcFilter) -> signal.StateSpace:
    a, b = state_space(circuit)
    return signal.StateSpace(a, b, np.eye(len(b))[-1:], [[0.0]])


CIRCUITS = [
    RcFilter((4700.0,), (1e-7,)),
    RcFilter((4700.0,), (1e-7,), 245.0, 1e5),
    RcFilter((4700.0, 4700.0), (1e-7, 1e-7)),
    RcFilter((4700.0, 4700.0), (1e-7, 1e-7), 245.0, 1e5),
    RcFilter((1000.0, 51000.0), (2.2e-8, 1e-9), 245.0, 2e4),
    RcFilter((51000.0, 1000.0), (1e-9, 2.2e-8), 1e4, 3e3),
]


# Exact formula, V = 1, D = 0.5: tau = 16 T 0.0156237, 64 T 0.0039062, 100 T 0.0025000 (computed with 7 digits).
@pytest.mark.parametrize(("periods", "ripple"), [(16, 0.0156237), (64, 0.0039062), (100, 0.0025000)])
def test_ripple_of_one_pole(periods: int, ripple: float) -> None:
    circuit = RcFilter((1000.0,), (1e-6,))  # tau 1 ms
    assert ripple_part(circuit, periods * 1000.0) == pytest.approx(ripple, abs=5e-8)
    assert ripple_one_pole(float(periods), 1.0) == pytest.approx(ripple, abs=5e-8)
    # Square wave of 0 and 1: the exact ripple is tanh(T / (4 tau)), which the approximation T / (4 tau) exceeds.
    assert ripple_one_pole(float(periods), 1.0) == pytest.approx(math.tanh(1 / (4 * periods)), rel=1e-12)


def test_eight_bits_at_10_khz() -> None:
    # Circuit Cellar, "PWM DAC ripple reduction" (after S. Woodward, EDN 2017): 8 bit, ripple V / 256, tau = 64 T,
    # settles to the ripple in 355 T; 35.5 ms at 10 kHz.
    circuit = RcFilter((6400.0,), (1e-6,))  # 6.4 ms = 64 T
    assert ripple_part(circuit, 1e4) == pytest.approx(1 / 256, rel=1e-4)
    # V / 256 is half an LSB of 7 bits.
    assert settling_s(circuit, 7) * 1e4 == pytest.approx(355, abs=0.5)
    assert settling_s(circuit, 7) == pytest.approx(35.5e-3, abs=0.05e-3)
    # The whole ask, the other way round: no more than 1 LSB of ripple of 8 bits is what tau = 64 T is needed for.
    ask = Ask(1e4, 8, 1.0, source_ohm=0.0, ripple_lsb=1.0)
    window = design(ask, 1, SHELF).window
    assert window.r_ohm * window.ripple_c_f == pytest.approx(64 / 1e4, rel=1e-4)


def test_six_bits_from_a_watch_crystal() -> None:
    # EDN, D. Ponikvar: 6 bit from 32768 Hz, T = 1.953 ms, ripple V / 64: tau at least 16 T = 32 ms (rounded up there),
    # 5 tau = 160 ms.
    pwm_hz = 32768 / 64
    assert 1 / pwm_hz == pytest.approx(1.953e-3, abs=1e-6)
    window = design(Ask(pwm_hz, 6, 1.0, source_ohm=0.0, ripple_lsb=1.0), 1, SHELF).window
    tau_s = window.r_ohm * window.ripple_c_f
    assert tau_s == pytest.approx(16 / pwm_hz, rel=1e-3) and tau_s <= 32e-3
    assert ripple_one_pole(32e-3, 1 / pwm_hz) <= 1 / 64


def test_ten_bits_at_15625_hz() -> None:
    # B. Baker, quoted in a forum: 68 dB at 15625 Hz for 10 bit, fc about 6 Hz: 2.7 kohm, 10 uF; of these parts fc is
    # 5.895 Hz (computed).
    circuit = RcFilter((2700.0,), (10e-6,))
    assert cutoff_hz(circuit) == pytest.approx(5.895, abs=5e-4)
    assert 68.0 <= attenuation_db(circuit, 15625.0) < 69.0
    assert attenuation_db(circuit, cutoff_hz(circuit)) == pytest.approx(10 * math.log10(2))


# Settling to half an LSB, t / tau = ln 2^(bits + 1) (computed).
@pytest.mark.parametrize(("bits", "taus"), [(8, 6.238), (10, 7.625), (12, 9.011), (14, 10.397), (16, 11.784)])
def test_settling_of_one_pole(bits: int, taus: float) -> None:
    assert settling_s(RcFilter((1000.0,), (1e-3,)), bits) == pytest.approx(taus, abs=5e-4)


def test_two_equal_stages_have_the_poles_of_a_loaded_chain() -> None:
    # H = 1 / (1 + 3 sRC + (sRC)^2), poles (3 +/- sqrt 5) / 2 over RC, half power at w RC = sqrt((sqrt 53 - 7) / 2)
    # (by Kirchhoff's laws, any textbook); two stages with an amplifier between would have 1 and 1.
    circuit = RcFilter((1000.0, 1000.0), (1e-6, 1e-6))
    assert [k * 1e-3 for k in modes(circuit).rate] == pytest.approx([(3 - 5**0.5) / 2, (3 + 5**0.5) / 2])
    assert 2 * math.pi * cutoff_hz(circuit) * 1e-3 == pytest.approx(math.sqrt((math.sqrt(53) - 7) / 2))


@pytest.mark.parametrize("circuit", CIRCUITS)
def test_step_and_frequency_response_of_scipy(circuit: RcFilter) -> None:
    found = modes(circuit)
    slow_s = 1 / found.rate[0]
    t_s, y = signal.step(system(circuit), T=np.linspace(0, 20 * slow_s, 2001))
    mine = sum(a * np.exp(-k * t_s) for a, k in zip(found.weight, found.rate, strict=True))
    assert circuit.gain * (1 - mine) == pytest.approx(y, abs=1e-9)
    for bits in (1, 8, 12, 16):
        at_s = settling_s(circuit, bits)
        _t, (_begin, half, end) = signal.step(system(circuit), T=[0.0, at_s / 2, at_s])
        assert 1 - end / circuit.gain == pytest.approx(0.5 ** (bits + 1), rel=1e-6)
        assert 1 - half / circuit.gain > 0.5 ** (bits + 1)
    _w, h = signal.freqresp(system(circuit), 2 * np.pi * np.array([cutoff_hz(circuit), 1e3, 1e5]))
    down_db = -20 * np.log10(np.abs(h) / circuit.gain)
    assert down_db[0] == pytest.approx(10 * math.log10(2), abs=1e-6)
    assert down_db[1:] == pytest.approx([attenuation_db(circuit, 1e3), attenuation_db(circuit, 1e5)], abs=1e-6)


def ripple_of_harmonics(circuit: RcFilter, pwm_hz: float, duty: float) -> float:
    """From the Fourier series of the pulses, each harmonic through scipy's frequency response."""
    points = 4096
    n = np.arange(1, points // 2)
    _w, h = signal.freqresp(system(circuit), 2 * np.pi * pwm_hz * n)
    lines = np.zeros(points // 2 + 1, dtype=complex)
    lines[1 : points // 2] = h * (1 - np.exp(-2j * np.pi * n * duty)) / (2j * np.pi * n)
    wave = np.fft.irfft(lines) * points
    return float(np.ptp(wave)) / circuit.gain


@pytest.mark.parametrize("duty", [0.03, 0.25, 0.5, 0.8])
@pytest.mark.parametrize("periods", [0.3, 3.0, 100.0])
@pytest.mark.parametrize("circuit", [c for c in CIRCUITS if c.poles == 2])
def test_ripple_of_two_poles_is_that_of_its_harmonics(circuit: RcFilter, periods: float, duty: float) -> None:
    pwm_hz = periods * modes(circuit).rate[0]
    # 4096 points and 2047 harmonics miss the turn by a little.
    assert ripple_part(circuit, pwm_hz, duty) == pytest.approx(ripple_of_harmonics(circuit, pwm_hz, duty), rel=2e-4)


@pytest.mark.parametrize("circuit", [CIRCUITS[1], CIRCUITS[3], CIRCUITS[4]])
def test_ripple_of_a_simulation_in_time(circuit: RcFilter) -> None:
    a, b = state_space(circuit)
    pwm_hz, duty = 2.0 * modes(circuit).rate[0], 0.4
    x, seen = np.zeros(len(b)), [0.0]
    for _period in range(40):  # twenty times the longest time constant
        seen = []
        for level, part in ((1.0, duty), (0.0, 1 - duty)):
            span = part / pwm_hz

            def slope(_t: float, at: NDArray[Any], level: float = level) -> NDArray[Any]:
                return a @ at + b[:, 0] * level

            done = solve_ivp(slope, (0, span), x, "LSODA", np.linspace(0, span, 400), rtol=1e-9, atol=1e-13)
            x = done.y[:, -1]
            seen += list(done.y[-1])
    assert ripple_part(circuit, pwm_hz, duty) * circuit.gain == pytest.approx(np.ptp(seen), rel=2e-4)


def steady(circuit: RcFilter, pwm_hz: float, duty: float, periods: int) -> NDArray[Any]:
    """Output over the last of so many periods from rest, 200 readings of it, by matrix exponentials."""
    a, b = state_space(circuit)
    end = linalg.solve(-a, b)[:, 0]
    on, off = linalg.expm(a * duty / pwm_hz), linalg.expm(a * (1 - duty) / pwm_hz)
    x = np.zeros(len(b))
    for _period in range(periods):
        x = off @ (end + on @ (x - end))
    step = linalg.expm(a / pwm_hz / 200)
    whole = round(duty * 200)
    seen = []
    for k in range(200):
        level = end if k < whole else 0 * end
        x = level + step @ (x - level)
        seen.append(x[-1])
    return np.array(seen)


@pytest.mark.parametrize("ask", [Ask(2e4, 8, 0.02), Ask(2e4, 10, 0.05), Ask(3e4, 12, 0.02, load_ohm=1e6)])
def test_what_is_designed_does_what_is_asked(ask: Ask) -> None:
    found = recommended([design(ask, poles, SHELF) for poles in (1, 2)])
    assert found is not None and found.chosen is not None and found.chosen.holds_worst
    chosen, lsb = found.chosen, 0.5**ask.bits
    circuit = RcFilter((chosen.r_ohm,) * found.poles, (chosen.c_f,) * found.poles, ask.source_ohm, ask.load_ohm)
    for duty in (0.25, 0.42, 0.5):
        # From the time that was asked for on, every single moment is within half an LSB plus half the ripple, of which
        # there is up to 3 % more on one side of the mean.
        output = steady(circuit, ask.pwm_hz, duty, math.ceil(ask.settle_s * ask.pwm_hz)) / circuit.gain
        assert np.abs(output - duty).max() <= lsb * (0.5 + 1.03 * chosen.nominal.ripple_lsb / 2)
    rest = steady(circuit, ask.pwm_hz, 0.5, math.ceil(10 * ask.settle_s * ask.pwm_hz)) / circuit.gain
    assert np.ptp(rest) / lsb == pytest.approx(chosen.nominal.ripple_lsb, rel=1e-2)


@pytest.mark.parametrize("ask", [Ask(2e4, 10, 0.025), Ask(2e4, 10, 0.025, load_ohm=2e4), Ask(1e5, 9, 0.3)])
def test_every_corner_of_the_tolerances_holds(ask: Ask) -> None:
    for poles in (1, 2):
        chosen = design(ask, poles, SHELF).chosen
        if chosen is None:
            continue
        seen_ripple, seen_settle = [], []
        for corner in itertools.product((-1, 1), repeat=2 * poles):
            r_ohm = tuple(chosen.r_ohm * (1 + 0.01 * sign) for sign in corner[:poles])
            c_f = tuple(chosen.c_f * (1 + 0.10 * sign) for sign in corner[poles:])
            circuit = RcFilter(r_ohm, c_f, ask.source_ohm, ask.load_ohm)
            seen_ripple.append(ripple_part(circuit, ask.pwm_hz) * 2**ask.bits)
            seen_settle.append(settling_s(circuit, ask.bits))
        assert max(seen_ripple) == pytest.approx(chosen.worst.ripple_lsb)
        assert max(seen_settle) == pytest.approx(chosen.worst.settle_s)


PARTS = st.floats(1e3, 1e5)
FARADS = st.floats(1e-9, 1e-6)


@settings(deadline=None, max_examples=60)
@given(PARTS, PARTS, FARADS, FARADS, st.floats(0, 1e4), st.floats(1e3, 1e7), st.floats(0.5, 500), st.integers(0, 3))
def test_ripple_falls_and_settling_grows_with_every_part(
    r1: float, r2: float, c1: float, c2: float, source: float, load: float, periods: float, grown: int
) -> None:
    """So the tolerances are worst with all parts low, or all high."""
    parts = [r1, r2, c1, c2]
    circuit = RcFilter((r1, r2), (c1, c2), source, load)
    pwm_hz = periods * modes(circuit).rate[0]
    parts[grown] *= 1.1
    other = RcFilter((parts[0], parts[1]), (parts[2], parts[3]), source, load)
    assert ripple_part(other, pwm_hz) < ripple_part(circuit, pwm_hz)
    assert settling_s(other, 10) > settling_s(circuit, 10)
    # Half duty has the most ripple, and a duty and its complement have the same.
    for duty in (0.1, 0.3, 0.45, 0.49):
        here = ripple_part(circuit, pwm_hz, duty)
        assert here < ripple_part(circuit, pwm_hz) and here == pytest.approx(ripple_part(circuit, pwm_hz, 1 - duty))


IMPOSSIBLE = [
    Ask(2e4, 10, 0.005),
    Ask(1e4, 8, 0.0355),
    Ask(1e6, 12, 0.1),
    Ask(100.0, 12, 0.1),
    Ask(2e4, 10, 0.005, load_ohm=1e4),
    Ask(2e4, 10, 0.005, ripple_lsb=1.0),
]


def holds(found: Design) -> bool:
    return found.chosen is not None and found.chosen.holds_worst


@pytest.mark.parametrize("poles", [1, 2])
@pytest.mark.parametrize("ask", IMPOSSIBLE)
def test_what_is_said_to_be_possible_is_and_what_is_less_is_not(ask: Ask, poles: int) -> None:
    refused = design(ask, poles, SHELF)
    if refused.chosen is not None:
        return
    possible = refused.possible
    assert refused.why and possible is not None
    if possible.bits_max is not None:
        assert holds(design(replace(ask, bits=possible.bits_max), poles, SHELF))
        if possible.bits_max + 1 < ask.bits:
            assert not holds(design(replace(ask, bits=possible.bits_max + 1), poles, SHELF))
    if possible.settle_s_min is not None:
        assert possible.settle_s_min > ask.settle_s
        assert holds(design(replace(ask, settle_s=possible.settle_s_min * 1.0001), poles, SHELF))
        assert not holds(design(replace(ask, settle_s=possible.settle_s_min * 0.9999), poles, SHELF))
    if possible.pwm_hz_min is not None:
        assert holds(design(replace(ask, pwm_hz=possible.pwm_hz_min * 1.0001), poles, SHELF))
        assert not holds(design(replace(ask, pwm_hz=possible.pwm_hz_min * 0.9999), poles, SHELF))
    if possible.fastest_settle_s is not None:
        both = replace(ask, pwm_hz=possible.pwm_hz_max, settle_s=possible.fastest_settle_s * 1.0001)
        assert holds(design(both, poles, SHELF))


def test_impossible_is_impossible_for_any_capacitor() -> None:
    """A search over finely spaced values with no tolerance finds none either."""
    ask = Ask(2e4, 10, 0.005)
    for poles in (1, 2):
        assert design(ask, poles, SHELF).chosen is None
        for r_ohm, c_f in itertools.product(np.geomspace(1e3, 1e5, 9), np.geomspace(1e-10, 1e-4, 121)):
            circuit = RcFilter((r_ohm,) * poles, (c_f,) * poles, ask.source_ohm)
            slow = settling_s(circuit, 10) > ask.settle_s
            assert slow or ripple_part(circuit, ask.pwm_hz) > 0.5 / 1024


def test_the_counter_needs_a_step_for_every_code() -> None:
    # RP2040 at 125 MHz: a period of 4096 counts is 30.5 kHz, whatever the filter.
    assert Ask(2e4, 12, 1.0).pwm_max_hz == pytest.approx(30517.6, abs=0.1)
    assert design(Ask(30500.0, 12, 1.0), 2, SHELF).chosen is not None
    refused = design(Ask(30600.0, 12, 1.0), 2, SHELF)
    assert refused.chosen is None and "steps" in refused.why


def test_parts_that_hold_only_as_printed_are_said_to() -> None:
    """Between what tolerances allow and what exact values allow."""
    ask = Ask(2e4, 10, 0.005)
    possible = design(ask, 2, SHELF).possible
    assert possible is not None and possible.settle_s_min is not None
    found = design(replace(ask, settle_s=possible.settle_s_min * 0.95), 2, SHELF)
    assert found.chosen is not None and not found.chosen.holds_worst and found.possible is not None
    nominal, worst = found.chosen.nominal, found.chosen.worst
    settle_s = possible.settle_s_min * 0.95
    assert nominal.ripple_lsb <= 0.5 and nominal.settle_s <= settle_s
    assert worst.ripple_lsb > 0.5 or worst.settle_s > settle_s


def test_the_fewest_stages_that_hold_are_recommended() -> None:
    enough = Ask(2e4, 10, 0.3)
    both = [design(enough, poles, SHELF) for poles in (1, 2)]
    assert all(holds(found) for found in both) and recommended(both) is both[0]
    # As printed one stage does it too; with tolerances only two do.
    barely = [design(replace(enough, settle_s=0.22), poles, SHELF) for poles in (1, 2)]
    assert barely[0].chosen is not None and not holds(barely[0]) and holds(barely[1])
    assert recommended(barely) is barely[1]
    none = [design(Ask(2e4, 10, 0.005), poles, SHELF) for poles in (1, 2)]
    assert recommended(none) is None


def test_a_load_is_given_smaller_resistors() -> None:
    free, loaded = (design(Ask(2e4, 8, 0.1, load_ohm=ohm), 2, SHELF).chosen for ohm in (math.inf, 1e5))
    assert free is not None and loaded is not None
    assert free.gain == 1.0 and 0.95 < loaded.gain < 1.0 and loaded.r_ohm < free.r_ohm
    assert loaded.gain == pytest.approx(1e5 / (1e5 + 2 * loaded.r_ohm + rc_design.SOURCE_OHM))


def test_what_cannot_be_is_refused() -> None:
    for broken in (((1.0,), (1.0, 1.0)), ((), ()), ((0.0,), (1.0,)), ((1.0,), (math.inf,)), ((1.0,) * 3, (1.0,) * 3)):
        with pytest.raises(ValueError, match="accepted"):
            RcFilter(*broken)
    with pytest.raises(ValueError, match="load"):
        RcFilter((1.0,), (1.0,), load_ohm=0.0)
    for pwm_hz, duty in ((0.0, 0.5), (math.nan, 0.5), (1.0, 1.5)):
        with pytest.raises(ValueError, match="accepted"):
            ripple_part(CIRCUITS[0], pwm_hz, duty)
    with pytest.raises(ValueError, match="bits"):
        settling_s(CIRCUITS[0], 0)
    for wrong in ((0.0, 8, 1.0), (1e4, 0, 1.0), (1e4, 8, math.nan), (math.inf, 8, 1.0)):
        with pytest.raises(ValueError, match="accepted"):
            Ask(*wrong)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="poles"):
        design(Ask(1e4, 8, 1.0), 3, SHELF)
    with pytest.raises(ValueError, match="0 R"):
        design(Ask(1e4, 8, 1.0), 1, Shelf((), (1e-6,)))
    assert ripple_part(CIRCUITS[0], 1e4, 0.0) == ripple_part(CIRCUITS[3], 1e4, 1.0) == 0.0
