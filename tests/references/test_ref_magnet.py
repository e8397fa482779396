"""Magnet and sensor errors against an independent library, published closed forms and application notes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from lidjig.measure import magnet_field as mf
from lidjig.measure import sensor_errors as se
from lidjig.measure.curve import Recording, Scale, figures
from lidjig.measure.curve_fit import least_squares
from lidjig.measure.curve_why import ratio_of
from scipy.integrate import dblquad

TURN = np.arange(1440) * 0.25


def half_peak_to_peak(error: mf.Floats) -> float:
    return float(np.ptp(error)) / 2.0


def test_field_against_magpylib() -> None:
    # magpylib (Ortner and Coliado Bandeira, SoftwareX 11 (2020) 100466): its own closed form, and nearer to the axis
    # than 0.05 of the radius a series that breaks off. Points all around a 6 x 2.5 mm magnet, near and far, beside it
    # as well as in front.
    magpylib = pytest.importorskip("magpylib", reason="magpylib is not installed: pip install magpylib")
    points = np.random.default_rng(3).uniform(-9.0, 9.0, (3000, 3))
    points[:500, :2] *= 0.08  # around the axis
    points = points[(np.hypot(points[:, 0], points[:, 1]) > 3.001) | (np.abs(points[:, 2]) > 1.251)]
    theirs = magpylib.magnet.Cylinder(dimension=(6.0, 2.5), polarization=(1.2, 0.0, 0.0)).getB(points)
    ours = mf.field_t(mf.Magnet(3.0, 2.5, 1.2), points)
    assert len(points) > 2500
    off, near = np.max(np.abs(ours - theirs), axis=1), np.hypot(points[:, 0], points[:, 1]) < 0.15
    assert np.max(off[~near]) < 2e-12
    assert np.max(off[near]) < 2e-10


def test_angle_with_every_offset_and_tilt_against_magpylib() -> None:
    # The same mounting built in magpylib by moving and rotating its objects: geometry, not only the field.
    magpylib = pytest.importorskip("magpylib", reason="magpylib is not installed: pip install magpylib")
    rotation = pytest.importorskip("scipy.spatial.transform").Rotation
    magnet = mf.Magnet(3.0, 2.5, 1.2)
    mounting = mf.Mounting(1.5, (0.4, -0.3), (0.25, 0.35), (3.0, -4.0), (-5.0, 2.0))
    lids = np.arange(0.0, 360.0, 15.0)
    theirs = []
    for lid in lids:
        source = magpylib.magnet.Cylinder(dimension=(6.0, 2.5), polarization=(1.2, 0.0, 0.0), position=(0, 0, -1.25))
        source.rotate(rotation.from_euler("xy", [3.0, -4.0], degrees=True), anchor=(0, 0, 0))
        source.move((0.25, 0.35, 0.0))
        source.rotate_from_angax(lid, "z", anchor=(0, 0, 0))
        sensor = magpylib.Sensor(position=(0.4, -0.3, 1.5))
        sensor.rotate(rotation.from_euler("xy", [-5.0, 2.0], degrees=True))
        theirs.append(source.getB(sensor))
    assert mf.sensor_field_t(magnet, mounting, lids) == pytest.approx(np.asarray(theirs), abs=1e-12)


def test_field_against_the_surface_charge_integral() -> None:
    # The definition itself, integrated over the side face by scipy's adaptive quadrature:
    # B = J / 4 pi * integral of cos(phi) (r - r') / |r - r'|^3 R dphi dz.
    at = np.array([0.9, -0.4, 2.25])

    def part(axis: int) -> float:
        def integrand(z: float, phi: float) -> float:
            apart = at - np.array([3.0 * math.cos(phi), 3.0 * math.sin(phi), z])
            return 3.0 * math.cos(phi) * float(apart[axis]) / float(apart @ apart) ** 1.5

        return float(dblquad(integrand, 0.0, 2.0 * math.pi, -1.25, 1.25, epsabs=1e-8)[0]) / (4.0 * math.pi)

    assert mf.field_t(mf.Magnet(3.0, 2.5, 1.0), at) == pytest.approx([part(0), part(1), part(2)], abs=1e-8)


@pytest.mark.parametrize(
    ("polarisation_t", "gap_mm", "field_t"),
    # 6 x 2.5 mm; closed form on the axis by hand: J/4 (3.5 / sqrt(3.5^2 + 9) - 1 / sqrt(1 + 9)) = 0.11075721 for 1 T
    [(1.0, 1.0, 0.11075721), (1.2, 1.0, 0.13290865), (1.2, 2.0, 0.08320503)],
)
def test_field_on_the_axis(polarisation_t: float, gap_mm: float, field_t: float) -> None:
    magnet = mf.Magnet(3.0, 2.5, polarisation_t)
    assert float(mf.axis_field_t(magnet, gap_mm)) == pytest.approx(-field_t, abs=5e-9)
    assert mf.sensor_field_t(magnet, mf.Mounting(gap_mm), 0.0) == pytest.approx([-field_t, 0.0, 0.0], abs=5e-9)


def test_far_away_it_is_a_dipole() -> None:
    # Point dipole (Jackson, Classical Electrodynamics, eq. 5.56): along the moment B = 2 J V / 4 pi r^3, across it half
    # as much and against it.
    volume = math.pi * 9.0 * 2.5
    far = mf.field_t(mf.Magnet(3.0, 2.5, 1.2), [[300.0, 0.0, 0.0], [0.0, 300.0, 0.0], [0.0, 0.0, 300.0]])
    one = 1.2 * volume / (4.0 * math.pi * 300.0**3)
    assert far[:, 0] == pytest.approx([2.0 * one, -one, -one], rel=5e-4)


def test_beside_a_long_magnet_radial_and_tangential_fields_are_equal() -> None:
    # Infinitely long cylinder: B = J/2 (R/r)^2 in both parts, no error of the angle; a short one has k = Br / Bt other
    # than 1 and with it the elliptic error (MPS AN142, section 1.1).
    angle = np.radians(TURN)

    def circle(height_mm: float) -> tuple[mf.Floats, mf.Floats]:
        points = np.stack([5.0 * np.cos(angle), 5.0 * np.sin(angle), 0.0 * angle], axis=-1)
        field = mf.field_t(mf.Magnet(3.0, height_mm, 1.0), points)
        radial = field[:, 0] * np.cos(angle) + field[:, 1] * np.sin(angle)
        return radial, field[:, 1] * np.cos(angle) - field[:, 0] * np.sin(angle)

    radial, around = circle(20000.0)
    assert radial == pytest.approx(0.18 * np.cos(angle), abs=1e-6)
    assert around == pytest.approx(0.18 * np.sin(angle), abs=1e-6)
    radial, around = circle(2.5)
    k = float(np.max(around) / np.max(radial))
    assert k < 0.9
    # Both stay sinusoidal, so that the error is the ellipse's and nothing else.
    error = np.degrees(np.arctan2(around, radial)) - TURN
    error = (error + 180.0) % 360.0 - 180.0
    assert error == pytest.approx(se.angle_error_deg(se.Terms(cos_gain=1.0 / k), TURN), abs=1e-9)


@pytest.mark.parametrize(
    ("offset_mm", "gap_mm", "sensor", "along", "across"),
    # Half peak to peak in deg, 6 x 2.5 mm, 1.2 T, mean removed, 1440 steps; computed apart from this project by
    # integrating the surface charge. Columns: sensor off alone; magnet off as well, along or across its polarisation.
    [
        (0.10, 1.0, 0.0065, 0.0169, 0.0169), (0.10, 2.0, 0.0161, 0.0420, 0.0420),
        (0.25, 1.0, 0.0410, 0.1101, 0.1099), (0.25, 2.0, 0.1013, 0.2675, 0.2660),
        (0.50, 1.0, 0.1720, 0.5089, 0.5032), (0.50, 2.0, 0.4134, 1.1467, 1.1195),
        (1.00, 1.0, 0.8252, 3.7526, 3.3841), (1.00, 2.0, 1.7902, 6.2299, 5.4111),
    ],
)  # fmt: skip
def test_angle_error_of_offsets(offset_mm: float, gap_mm: float, sensor: float, along: float, across: float) -> None:
    magnet = mf.Magnet(3.0, 2.5, 1.2)

    def error(magnet_mm: tuple[float, float]) -> float:
        mounting = mf.Mounting(gap_mm, sensor_offset_mm=(offset_mm, 0.0), magnet_offset_mm=magnet_mm)
        return half_peak_to_peak(mf.angle_error_deg(magnet, mounting, TURN))

    assert error((0.0, 0.0)) == pytest.approx(sensor, abs=6e-5)
    assert error((offset_mm, 0.0)) == pytest.approx(along, abs=6e-5)
    assert error((0.0, offset_mm)) == pytest.approx(across, abs=6e-5)


def test_unequal_amplitudes() -> None:
    # Peak asin((1 - k)/(1 + k)) (ellipse; computed: 3.01696 deg for 0.9), and no error at the crossings of the axes
    # (TI SBAA539A, "Amplitude Mismatch").
    terms = se.Terms(cos_gain=0.9)
    error = se.angle_error_deg(terms, np.linspace(0.0, 360.0, 36001))
    assert np.max(error) == pytest.approx(3.01696, abs=1e-5)
    assert se.angle_error_deg(terms, [0.0, 90.0, 180.0, 270.0]) == pytest.approx(0.0, abs=1e-12)
    found = se.signature(terms)
    # Series of atan(tan(x) / k): q^n / n sin(2 n x), q = (1 - k)/(1 + k) (Gradshteyn and Ryzhik, 1.448; from memory).
    q = 0.1 / 1.9
    assert found[2].amplitude_deg == pytest.approx(math.degrees(q), abs=1e-9)
    assert found[4].amplitude_deg == pytest.approx(math.degrees(q * q / 2.0), abs=1e-9)
    assert found[1].amplitude_deg < 1e-9 and found[3].amplitude_deg < 1e-9
    assert ratio_of(found[2].amplitude_deg) == pytest.approx(0.9, abs=1e-9)


def test_small_mismatch_as_the_converter_maker_says() -> None:
    # Analog Devices, answer "Mismatch error" on resolver converters: error = a/2 sin(2 theta); "0.3 % mismatch
    # translates to 1 LSB error for 12 bit".
    found = se.signature(se.Terms(cos_gain=1.0 - 0.003))
    assert found[2].amplitude_deg == pytest.approx(math.degrees(0.0015), rel=2e-3)
    assert found[2].amplitude_deg == pytest.approx(360.0 / 4096.0, rel=0.03)
    assert math.cos(math.radians(found[2].phase_deg)) == pytest.approx(1.0)


def test_phase_error_shows_as_a_turned_ellipse() -> None:
    # "The resulting plot appears similar to the amplitude mismatch case, but is not skewed along either axis" (TI
    # SBAA539A): the same 2nd harmonic, a quarter of its period off. By hand: -b/2 + tan(b/2) sin(2 theta + 90 deg - b).
    found = se.signature(se.Terms(phase_deg=4.0))
    assert math.radians(found[2].amplitude_deg) == pytest.approx(math.tan(math.radians(2.0)), abs=1e-9)
    assert found[2].phase_deg == pytest.approx(90.0 - 4.0, abs=1e-7)
    assert found[0].amplitude_deg == pytest.approx(2.0, abs=1e-9)  # the mean: half of the phase
    # Orthogonality of the two signals from their lengths at 45 and 135 deg:
    # phi = 2 atan((M135 - M45) / (M135 + M45)) (calibration of sine and cosine sensors, quoted in Mathematics Stack
    # Exchange 4454921), there with the lengths of the distorted signals.
    sine, cosine = se.signals(se.Terms(phase_deg=4.0), [45.0 + 2.0, 135.0 + 2.0])
    m45, m135 = np.hypot(sine, cosine)
    assert 2.0 * math.degrees(math.atan((m45 - m135) / (m45 + m135))) == pytest.approx(4.0, abs=1e-9)


def test_correction_of_the_phase_error() -> None:
    # TI SLYA085, eq. 10, for a cosine that is late by b: tan(theta) = cos(b) sin / (cos - sin(b) sin). Its own
    # correction applied to our signals gives the angle back.
    angle = np.arange(-179.0, 180.0, 7.0)
    sine, cosine = se.signals(se.Terms(phase_deg=6.0), angle)
    b = math.radians(6.0)
    assert np.degrees(np.arctan2(math.cos(b) * sine, cosine - math.sin(b) * sine)) == pytest.approx(angle, abs=1e-9)


def test_offset_gives_a_first_harmonic() -> None:
    # A circle off its centre by c: peak asin(c), harmonics c^n / n (series of the argument of 1 + c e^(-i x)).
    c = math.hypot(0.03, 0.04)
    terms = se.Terms(offset_sin=0.03, offset_cos=0.04)
    found = se.signature(terms)
    for order in (1, 2, 3, 4):
        assert found[order].amplitude_deg == pytest.approx(math.degrees(c**order / order), abs=1e-9)
    assert found[0].amplitude_deg < 1e-9
    error = se.angle_error_deg(terms, np.linspace(0.0, 360.0, 36001))
    assert half_peak_to_peak(error) == pytest.approx(math.degrees(math.asin(c)), abs=1e-5)


# NIST StRD "Norris": (y, x)
NORRIS = np.array([
    (0.1, 0.2), (338.8, 337.4), (118.1, 118.2), (888.0, 884.6), (9.2, 10.1), (228.1, 226.5), (668.5, 666.3),
    (998.5, 996.3), (449.1, 448.6), (778.9, 777.0), (559.2, 558.2), (0.3, 0.4), (0.1, 0.6), (778.1, 775.5),
    (668.8, 666.9), (339.3, 338.0), (448.9, 447.5), (10.8, 11.6), (557.7, 556.0), (228.3, 228.1), (998.0, 995.8),
    (888.8, 887.6), (119.6, 120.2), (0.3, 0.3), (0.6, 0.3), (557.6, 556.8), (339.3, 339.1), (888.0, 887.2),
    (998.5, 999.0), (778.9, 779.0), (10.2, 11.1), (117.6, 118.3), (228.9, 229.2), (668.4, 669.1), (449.2, 448.9),
    (0.2, 0.5),
])  # fmt: skip


def test_least_squares_against_certified_values() -> None:
    # NIST StRD, Norris, certified (second hand, as embedded in the tests of numerical libraries)
    y, x = NORRIS.T
    fit = least_squares(np.stack([np.ones_like(x), x], axis=1), y)
    assert fit is not None and fit.df == 34
    assert fit.solved == pytest.approx([-0.262323073774029, 1.00211681802045], rel=1e-12)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx([0.232818234301152, 0.429796848199937e-03], rel=1e-11)
    assert fit.sd == pytest.approx(0.884796396144373, rel=1e-12)


def test_zero_and_gain_against_numpy() -> None:
    # The same data as a recording, x as lid angle, each angle once: zero is B0, gain B1 - 1 of numpy's own line.
    y, x = NORRIS.T
    once = np.unique(x, return_index=True)[1]
    line = np.polyfit(x[once], y[once], 1)
    found = figures(Recording.of(x[once], y[once], np.ones(len(once)), np.zeros(len(once))), Scale())
    assert found.zero_error.value == pytest.approx(line[1], rel=1e-9)
    assert found.gain_error.value == pytest.approx(line[0] - 1.0, rel=1e-9)


def test_linearity_and_hysteresis_as_a_maker_defines_them() -> None:
    # NXP KMA220 data sheet, section 12: linearity error = deviation from the best straight line; hysteresis = largest
    # difference between turning one way and the other over 180 deg; microlinearity = deviation of the output's step
    # from a step of 1 deg.
    lid = np.arange(0.0, 181.0, 1.0)
    bow = 0.4 * np.sin(np.radians(lid)) ** 2
    gap = 0.06 * np.sin(np.radians(lid))
    found = figures(
        Recording.of(
            np.concatenate([lid, lid[::-1]]),
            np.concatenate([lid + bow + gap / 2.0, (lid + bow - gap / 2.0)[::-1]]),
            np.repeat([True, False], len(lid)),
            np.zeros(2 * len(lid)),
        ),
        Scale(),
    )
    line = np.polyval(np.polyfit(lid, bow, 1), lid)
    assert found.inl_least_squares.value == pytest.approx(np.max(np.abs(bow - line)))
    assert found.inl_endpoint.value == pytest.approx(0.4)
    assert found.hysteresis.value == pytest.approx(0.06)
    assert found.dnl.unit == "deg" and found.dnl.value == pytest.approx(np.max(np.abs(np.diff(bow))))
