"""The colours, against published models of contrast and of colour-blind sight."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from dashboards import palette

# Machado, Oliveira and Fernandes 2009, severity 1, on linear RGB.
SIGHTS = {
    "usual": np.eye(3),
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
LUMINANCE = np.array([0.2126, 0.7152, 0.0722])


def linear(colour: str) -> np.ndarray:
    """sRGB (IEC 61966-2-1) to linear light."""
    values = np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)]) / 255
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* under D65."""
    to_xyz = [[0.4124, 0.3576, 0.1805], LUMINANCE, [0.0193, 0.1192, 0.9505]]
    ratio = np.array(to_xyz) @ light / np.array([0.9505, 1, 1.089])
    x, y, z = np.where(ratio > 0.008856, np.cbrt(ratio), 7.787 * ratio + 16 / 116)
    return np.array([116 * y - 16, 500 * (x - y), 200 * (y - z)])


def contrast(one: str, other: str) -> float:
    """WCAG 2.2."""
    high, low = sorted((LUMINANCE @ linear(colour) + 0.05 for colour in (one, other)), reverse=True)
    return high / low


@pytest.mark.parametrize("sight", SIGHTS)
def test_bands_are_told_apart_by_every_eye(sight):
    for one, other in combinations(palette.BANDS.values(), 2):
        seen = [lab(np.clip(np.array(SIGHTS[sight]) @ linear(stroke.colour), 0, 1)) for stroke in (one, other)]
        assert np.linalg.norm(seen[0] - seen[1]) > 15  # about 2.3 can just be seen


@pytest.mark.parametrize("sight", SIGHTS)
def test_better_and_worse_are_told_apart_by_every_eye(sight):
    seen = [
        lab(np.clip(np.array(SIGHTS[sight]) @ linear(palette.VERDICTS[verdict]), 0, 1))
        for verdict in ("better", "worse")
    ]
    assert np.linalg.norm(seen[0] - seen[1]) > 30


def test_bands_are_told_apart_without_colour():
    assert len({stroke.dash for stroke in palette.BANDS.values()}) == len(palette.BANDS)
    assert len({stroke.symbol for stroke in palette.BANDS.values()}) == len(palette.BANDS)


@pytest.mark.parametrize(
    "colour", [palette.INK, palette.QUIET, *palette.VERDICTS.values(), *(one.colour for one in palette.BANDS.values())]
)
@pytest.mark.parametrize("ground", [palette.PAPER, palette.WASH])
def test_text_and_lines_can_be_read(colour, ground):
    assert contrast(colour, ground) >= 4.5


def test_kinds_of_coverage_differ_in_greys():
    lightness = sorted(lab(linear(colour))[0] for colour in palette.COVERAGE.values())
    assert min(np.diff(lightness)) > 2.3
