"""The palette against published rules: WCAG 2.2 contrast, and distance under simulated colour blindness."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from lidjig.show.report.figures.palette import COLOURS
from lidjig.show.report.figures.rows import LOOKS
from numpy.typing import NDArray

Array = NDArray[np.float64]

# Colour blindness, complete: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A Physiologically-based Model for
# Simulation of Color Vision Deficiency", IEEE Trans. Vis. Comput. Graph. 15(6), 2009, 1291-1298, table for severity
# 1.0; they act on linear RGB.
EYES: dict[str, Array] = {
    "ordinary": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
# Oklab from linear sRGB: B. Ottosson, "A perceptual color space for image processing", 2020 (matrices of 2021-01-25).
TO_LMS = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)
APART = 0.08  # Oklab; a just noticeable difference is about 0.02
THEMES = {"light": 0, "dark": 1}


def linear(colour: str) -> Array:
    """sRGB to linear: IEC 61966-2-1."""
    parts = np.array([int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)])
    return np.asarray(np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4))


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, "contrast ratio" and "relative luminance"."""
    bright, dark = sorted((float(linear(c) @ [0.2126, 0.7152, 0.0722]) for c in (one, other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


def oklab(rgb: Array) -> Array:
    return np.asarray(TO_LAB @ np.cbrt(TO_LMS @ np.clip(rgb, 0.0, 1.0)))


def distance(one: str, other: str, eye: str) -> float:
    seen = [oklab(EYES[eye] @ linear(c)) for c in (one, other)]
    return float(np.linalg.norm(seen[0] - seen[1]))


def test_the_measures_give_published_values() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)  # the lightest grey that passes AA on white
    assert oklab(np.ones(3)) == pytest.approx([1.0, 0.0, 0.0], abs=1e-3)
    for matrix in EYES.values():
        assert matrix @ np.ones(3) == pytest.approx(np.ones(3), abs=1e-4)  # white stays white


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("name", ["ink", "soft", "limit", "gap", "pass", "marginal", "fail", "unset"])
def test_text_has_a_contrast_of_four_and_a_half(theme: str, name: str) -> None:
    at = THEMES[theme]
    assert contrast(COLOURS[name][at], COLOURS["paper"][at]) >= 4.5  # WCAG 2.2, 1.4.3
    if name == "ink":
        assert contrast(COLOURS[name][at], COLOURS["shell"][at]) >= 4.5


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("ribbon", LOOKS)
def test_text_on_ribbons_has_a_contrast_of_four_and_a_half(theme: str, ribbon: str) -> None:
    at = THEMES[theme]
    for fill, _hatch, on in LOOKS[ribbon].values():
        assert contrast(COLOURS[fill][at], COLOURS[on][at]) >= 4.5, fill


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("name", ["angle", "signal", "sleep", "wake", "limit", "frame", "gap"])
def test_what_is_drawn_has_a_contrast_of_three(theme: str, name: str) -> None:
    """WCAG 2.2, 1.4.11. Fills of ribbons, pins and bands have an outline in "frame" or "ink" for it."""
    at = THEMES[theme]
    assert contrast(COLOURS[name][at], COLOURS["paper"][at]) >= 3.0


GROUPS = {
    "power states": ("s0", "s3", "s5", "g3"),
    "ribbons": ("quiet", "driving", "linked", "tripped"),
    "outcomes": ("pass", "marginal", "fail"),
    "latencies": ("sleep", "wake", "limit"),
    "bars": ("angle", "band", "quiet"),
}


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("group", GROUPS)
def test_colours_stay_apart_for_every_eye(theme: str, eye: str, group: str) -> None:
    at = THEMES[theme]
    for one, other in itertools.combinations(GROUPS[group], 2):
        found = distance(COLOURS[one][at], COLOURS[other][at], eye)
        assert found >= APART, f"{one} and {other} for {eye}: {found:.3f}"


def test_states_differ_in_more_than_colour() -> None:
    """Two neighbours of a ribbon never share both fill and hatch; power states also go from light to dark."""
    for looks in LOOKS.values():
        assert len({look[:2] for look in looks.values()}) == len(looks)
    for theme in THEMES.values():
        light = [float(linear(COLOURS[name][theme]) @ [0.2126, 0.7152, 0.0722]) for name in GROUPS["power states"]]
        assert light == sorted(light, reverse=True)
