"""The field of a hinge magnet and the angle that a sensor sees: symmetries, seams, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lidjig.measure import magnet_field as mf
from lidjig.measure import sensor_errors as se

MAGNET = mf.Magnet(radius_mm=3.0, height_mm=2.5, polarisation_t=1.2)
TURN = np.arange(0.0, 360.0, 5.0)

offsets = st.floats(-1.0, 1.0)
lids = st.floats(-720.0, 720.0)


def test_centred_and_square_shows_the_lid_angle() -> None:
    assert np.max(np.abs(mf.angle_error_deg(MAGNET, mf.Mounting(1.0), TURN))) < 1e-12
    assert mf.field_angle_deg(MAGNET, mf.Mounting(1.0), [0.0, 179.0, 181.0]) == pytest.approx([0.0, 179.0, 181.0])


def test_on_the_axis_both_forms_agree() -> None:
    gaps = np.array([0.0, 0.1, 1.0, 2.0, 10.0, 100.0])
    points = np.stack([0 * gaps, 0 * gaps, gaps + 1.25], axis=-1)
    general = mf.field_t(MAGNET, points[1:])
    assert general[:, 0] == pytest.approx(mf.axis_field_t(MAGNET, gaps[1:]), abs=1e-15)
    assert np.max(np.abs(general[:, 1:])) < 1e-15


@pytest.mark.parametrize("part", [mf.SERIES_PART, 1.0])
def test_no_step_at_a_seam(part: float) -> None:
    # From sums to elliptic integrals, and over the rim, where one of these is infinite.
    below, above = (np.array([part * 3.0 * (1.0 + d), 0.0, 2.0]) for d in (-1e-9, 1e-9))
    first, second = mf.field_t(MAGNET, below), mf.field_t(MAGNET, above)
    assert first == pytest.approx(second, abs=5e-9)
    at = mf.field_t(MAGNET, [part * 3.0, 0.0, 2.0])
    assert at == pytest.approx(0.5 * (first + second), abs=1e-12)


@given(st.floats(-6.0, 6.0), st.floats(-6.0, 6.0), st.floats(1.3, 6.0))
@settings(max_examples=60, deadline=None)
def test_field_has_no_sources_and_no_curl(x: float, y: float, z: float) -> None:
    # Maxwell, outside the magnet: div B = 0 and curl B = 0; central differences over 1e-3 mm.
    step, at = 1e-3, np.array([x, y, z])
    shifts = step * np.vstack([np.eye(3), -np.eye(3)])
    field = mf.field_t(MAGNET, at + shifts)
    slope = (field[:3] - field[3:]) / (2.0 * step)  # [i, j] = d B_j / d x_i
    size = np.max(np.abs(slope)) + 1e-6
    assert abs(np.trace(slope)) < 1e-3 * size
    assert np.max(np.abs(slope - slope.T)) < 1e-3 * size


@given(offsets, offsets, lids, st.floats(-180.0, 180.0))
@settings(max_examples=40, deadline=None)
def test_only_the_angle_between_lid_and_sensor_counts(x: float, y: float, lid: float, turn: float) -> None:
    # Sensor moved around the axis by some angle = lid turned by it, but for the axes of the sensor itself.
    cos, sin = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    here = mf.Mounting(1.0, sensor_offset_mm=(x, y), magnet_offset_mm=(0.3, -0.2))
    there = mf.Mounting(1.0, sensor_offset_mm=(cos * x - sin * y, sin * x + cos * y), magnet_offset_mm=(0.3, -0.2))
    assert mf.angle_error_deg(MAGNET, there, lid + turn) == pytest.approx(
        mf.angle_error_deg(MAGNET, here, lid), abs=1e-8
    )


@given(offsets, offsets)
@settings(max_examples=25, deadline=None)
def test_magnet_offset_alone_only_shifts_the_zero(along: float, across: float) -> None:
    error = mf.angle_error_deg(MAGNET, mf.Mounting(1.0, magnet_offset_mm=(along, across)), TURN)
    assert np.ptp(error) < 1e-10


@given(offsets, offsets, st.floats(-5.0, 5.0), st.floats(-5.0, 5.0), st.floats(0.5, 4.0))
@settings(max_examples=25, deadline=None)
def test_only_ratios_of_lengths_count(x: float, y: float, tip: float, tilt: float, scale: float) -> None:
    # Nor does the polarisation.
    def error(factor: float, polarisation_t: float) -> mf.Floats:
        magnet = mf.Magnet(3.0 * factor, 2.5 * factor, polarisation_t)
        mounting = mf.Mounting(1.5 * factor, (x * factor, y * factor), (0.2 * factor, 0.0), (tip, tilt), (tilt, tip))
        return mf.angle_error_deg(magnet, mounting, TURN)

    assert error(scale, 0.3) == pytest.approx(error(1.0, 1.2), abs=1e-8)


def test_tilt_of_the_sensor_is_an_ellipse() -> None:
    # A uniform field seen in a plane tilted by t about x: the y part shrinks by cos(t), so the error is that of unequal
    # amplitudes with cos_gain 1 / cos(t) (projection, by hand). On the axis the field lies square to the axis.
    error = mf.angle_error_deg(MAGNET, mf.Mounting(1.0, sensor_tilt_deg=(10.0, 0.0)), TURN)
    terms = se.Terms(cos_gain=1.0 / math.cos(math.radians(10.0)))
    assert error == pytest.approx(se.angle_error_deg(terms, TURN), abs=1e-10)


def test_sensor_offset_gives_a_second_harmonic_as_its_square() -> None:
    def second(mm: float) -> float:
        error = mf.angle_error_deg(MAGNET, mf.Mounting(1.0, sensor_offset_mm=(mm, 0.0)), TURN)
        found = se.harmonics(TURN, error)
        assert found[1].amplitude_deg < 1e-9 and found[3].amplitude_deg < 1e-9
        return found[2].amplitude_deg

    assert second(0.2) / second(0.1) == pytest.approx(4.0, rel=0.02)
    assert second(0.1) / second(0.05) == pytest.approx(4.0, rel=0.005)


def test_magnet_offset_with_sensor_offset_adds_a_larger_first() -> None:
    for across in ((0.25, 0.0), (0.0, 0.25)):
        mounting = mf.Mounting(1.0, sensor_offset_mm=(0.25, 0.0), magnet_offset_mm=across)
        found = se.harmonics(TURN, mf.angle_error_deg(MAGNET, mounting, TURN))
        assert found[1].amplitude_deg > 1.5 * found[2].amplitude_deg > 0.0


@pytest.mark.parametrize("point", [[0.0, 0.0, 0.0], [3.0, 0.0, 0.0], [2.9, 0.0, 1.25], [0.0, -3.0, -1.25]])
def test_points_in_the_magnet_are_refused(point: list[float]) -> None:
    with pytest.raises(ValueError, match="in or on the magnet"):
        mf.field_t(MAGNET, point)


def test_a_magnet_that_meets_the_sensor_is_refused() -> None:
    # 20 deg of tilt lift the rim of a 3 mm radius by about 1 mm.
    mounting = mf.Mounting(0.5, sensor_offset_mm=(2.5, 0.0), magnet_tilt_deg=(0.0, 20.0))
    with pytest.raises(ValueError, match="in or on the magnet"):
        mf.angle_error_deg(MAGNET, mounting, TURN)


def test_what_is_no_magnet_or_mounting_is_refused() -> None:
    with pytest.raises(ValueError, match="radius_mm"):
        mf.Magnet(0.0, 2.5, 1.2)
    with pytest.raises(ValueError, match="polarisation_t"):
        mf.Magnet(3.0, 2.5, math.nan)
    with pytest.raises(ValueError, match="gap_mm"):
        mf.Mounting(0.0)
    with pytest.raises(ValueError, match="sensor_offset_mm"):
        mf.Mounting(1.0, sensor_offset_mm=(math.inf, 0.0))
    with pytest.raises(ValueError, match=r"\(\.\.\., 3\)"):
        mf.field_t(MAGNET, [1.0, 2.0])
    with pytest.raises(ValueError, match="gap_mm"):
        mf.axis_field_t(MAGNET, -0.1)


@given(
    st.floats(-0.3, 0.3), st.floats(-0.3, 0.3), st.floats(0.7, 1.4), st.floats(-10.0, 10.0), st.integers(1, 4)
)
@settings(max_examples=40, deadline=None)
def test_signature_rebuilds_the_error(sin: float, cos: float, gain: float, phase: float, highest: int) -> None:
    # What the harmonics leave out is of the next order: its amplitude is at most q^n / n for offset and ellipse, and
    # mixed terms are no larger than a geometric series in the sum of both.
    terms = se.Terms(sin, cos, gain, phase)
    left = se.angle_error_deg(terms, TURN) - se.value_deg(se.signature(terms, highest), TURN)
    part = math.hypot(sin, cos) / min(1.0, gain) + abs(1.0 - gain) / min(1.0, gain) + math.radians(abs(phase))
    rest = math.degrees(part ** math.ceil((highest + 1) / 2)) / max(1e-3, 1.0 - min(part, 0.999))
    assert np.max(np.abs(left)) <= rest + 1e-9


@given(st.lists(st.tuples(st.floats(0.0, 5.0), st.floats(-179.0, 179.0)), min_size=4, max_size=4), offsets)
@settings(max_examples=40, deadline=None)
def test_harmonics_give_back_what_was_put_in(parts: list[tuple[float, float]], mean: float) -> None:
    put = [se.of_parts(0, 0.0, mean), *(se.Harmonic(k, a, p) for k, (a, p) in enumerate(parts, start=1))]
    found = se.harmonics(TURN, se.value_deg(put, TURN))
    for one, other in zip(found, put, strict=True):
        assert one.amplitude_deg == pytest.approx(other.amplitude_deg, abs=1e-9)
        if other.amplitude_deg > 1e-3:
            assert math.cos(math.radians(one.phase_deg - other.phase_deg)) == pytest.approx(1.0, abs=1e-9)


def test_terms_that_leave_no_angle_are_refused() -> None:
    with pytest.raises(ValueError, match="offsets are as large"):
        se.Terms(offset_sin=1.0)
    with pytest.raises(ValueError, match="offsets are as large"):
        se.Terms(offset_cos=0.6, cos_gain=0.5)
    # Along the long axis of the ellipse of a phase error there is room, across it there is none.
    se.Terms(offset_sin=0.75, offset_cos=0.75, phase_deg=60.0)
    with pytest.raises(ValueError, match="offsets are as large"):
        se.Terms(offset_sin=0.75, offset_cos=-0.75, phase_deg=60.0)
    for bad in ({"cos_gain": 0.0}, {"phase_deg": 90.0}, {"offset_sin": math.nan}):
        with pytest.raises(ValueError, match=next(iter(bad))):
            se.Terms(**bad)


def test_angles_that_tell_nothing_are_refused() -> None:
    with pytest.raises(ValueError, match="do not tell"):
        se.harmonics([0.0, 90.0, 180.0], [0.0, 1.0, 0.0])
    with pytest.raises(ValueError, match="do not tell"):
        se.harmonics(np.linspace(0.0, 1.0, 50), np.zeros(50))
    with pytest.raises(ValueError, match="one length"):
        se.harmonics([0.0, 90.0], [0.0])
