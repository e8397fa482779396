"""How far off the axis sensor and magnet would be: the interval holds the truth, whatever the other one's place."""

from __future__ import annotations

import magpylib
import numpy as np
import numpy.typing as npt
import pytest
from lidjig.measure import curve_why
from lidjig.measure import magnet_field as mf
from lidjig.measure.curve import Figures, Recording, Scale, figures
from lidjig.measure.curve_why import Known
from lidjig.measure.estimate import Estimate

Floats = npt.NDArray[np.float64]

SEEDS = 120
# Of 120 by a 95 % interval at least 106 hold the truth (fewer by a chance of 0.1 %: binomial).
HELD_LEAST = 106
ONCE_DEG = np.arange(0.0, 360.0, 15.0)
MAGNET, GAP_MM = mf.Magnet(3.0, 2.5, 1.2), 1.5
BUILDS = ((MAGNET, GAP_MM), (mf.Magnet(2.0, 1.5, 1.2), 1.0), (mf.Magnet(4.0, 3.0, 1.2), 2.0))


def errors_deg(magnet: mf.Magnet, gap_mm: float, sensor_mm: complex, magnet_mm: complex) -> Floats:
    """Error at ONCE_DEG by magpylib: the sensor as the turning magnet sees it, the field against the polarisation."""
    seen = np.exp(-1j * np.radians(ONCE_DEG)) * sensor_mm - magnet_mm
    points = np.stack([seen.real, seen.imag, np.full(len(seen), gap_mm + 0.5 * magnet.height_mm)], axis=1)
    size = (2.0 * magnet.radius_mm, magnet.height_mm)
    body = magpylib.magnet.Cylinder(dimension=size, polarization=(magnet.polarisation_t, 0.0, 0.0))
    field = body.getB(points)
    return np.asarray(np.degrees(np.arctan2(-field[:, 1], -field[:, 0])), dtype=np.float64)


def read(error: Floats, random: np.random.Generator) -> Figures:
    """Two runs up and down, noise of 0.03 deg rms, of a count of the turn."""
    lid = np.tile(np.concatenate([ONCE_DEG, ONCE_DEG[::-1]]), 2)
    off = np.tile(np.concatenate([error, error[::-1]]), 2) + random.normal(0.0, 0.03, len(lid))
    up = np.tile(np.repeat([True, False], len(ONCE_DEG)), 2)
    repeat = np.repeat(np.arange(2), 2 * len(ONCE_DEG))
    return figures(Recording.of(lid, lid + off, up, repeat), Scale(gain_known=True))


def drawn(random: np.random.Generator, least_mm: float, most_mm: float) -> complex:
    """A place off the axis: any direction, any distance between these."""
    return complex(random.uniform(least_mm, most_mm) * np.exp(2j * np.pi * random.uniform()))


def within(found: Estimate | None, mm: float) -> bool:
    return found is not None and found.low is not None and found.low <= mm and (found.high is None or mm <= found.high)


@pytest.mark.parametrize("magnet_off_mm", [0.0, 0.9])
def test_the_sensors_distance_is_covered(magnet_off_mm: float) -> None:
    held, parts = 0, []
    for seed in range(SEEDS):
        random = np.random.default_rng(seed)
        magnet, gap_mm = BUILDS[seed % len(BUILDS)]
        sensor, own = drawn(random, 0.3, 0.8), drawn(random, 0.0, magnet_off_mm)
        found = read(errors_deg(magnet, gap_mm, sensor, own), random)
        needed = curve_why.offset_for(found.second.amplitude, 2, Known(magnet, gap_mm))
        held += within(needed, abs(sensor))
        if needed is not None and needed.low is not None and needed.high is not None:
            parts.append((needed.high - needed.low) / abs(sensor))
    assert held >= HELD_LEAST
    # Nor does it hold the truth by saying nothing.
    assert len(parts) >= SEEDS // 2 and np.median(parts) < 0.5


@pytest.mark.parametrize("direction_deg", [0.0, 20.0, 45.0, 110.0, 250.0])
def test_where_both_are_as_far_off_it_is_covered_in_every_direction(direction_deg: float) -> None:
    off = 0.7 * np.exp(1j * np.radians(direction_deg))
    turned = errors_deg(MAGNET, GAP_MM, 0.7 + 0j, off)
    found = read(turned, np.random.default_rng(7))
    assert within(curve_why.offset_for(found.first.amplitude, 1, Known(MAGNET, GAP_MM)), 0.7)


def test_what_the_evidence_says_of_the_distance_stands_beside_what_it_leaves_open() -> None:
    found = read(errors_deg(MAGNET, GAP_MM, 0.5 + 0j, 0j), np.random.default_rng(1))
    causes = {cause.name: cause for cause in curve_why.likely_causes(found, Known(MAGNET, GAP_MM))}
    assert "the magnet anywhere up to 1 mm" in causes[curve_why.SENSOR_OFF].evidence
