"""Colours as they are seen, also by those who see fewer: conversions and a measure of how far two are apart.

Colour blindness: Machado, Oliveira & Fernandes 2009, "A Physiologically-based Model for Simulation of Color
Vision Deficiency", IEEE TVCG 15(6):1291-1298, the matrices for severity 1.0, applied to linear RGB.
Difference: CIEDE2000 as in Sharma, Wu & Dalal 2005, "The CIEDE2000 Color-Difference Formula", Color Res.
Appl. 30(1):21-30. sRGB: IEC 61966-2-1, white D65.
"""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import numpy.typing as npt

from hatchmon.app.pages import site

Floats = npt.NDArray[np.float64]

SEEN_BY: dict[str, Floats] = {
    "all colours": np.eye(3),
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
_TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
_WHITE = _TO_XYZ.sum(axis=1)


def palette(dark: bool) -> dict[str, Floats]:
    """By name (without ``--``) the colours of the style sheets in one scheme, as sRGB from 0 to 1."""
    folder = Path(site.__file__).parent / "static"
    sheets = [(folder / name).read_text() for name in ("page.css", "graphs.css")]
    found: dict[str, str] = {}
    for at_night in (False, True)[: 1 + dark]:
        for sheet in sheets:
            night = re.findall(
                r"@media \(prefers-color-scheme: dark\) \{\s*:root \{(.*?)\}", sheet, re.DOTALL
            )
            day = re.findall(r"(?m)^:root \{(.*?)\}", sheet, re.DOTALL)
            for block in night if at_night else day:
                found |= dict(re.findall(r"--([a-z-]+):\s*([^;]+);", block))
    plain = {}
    for name, value in found.items():
        while (other := re.fullmatch(r"var\(--([a-z-]+)\)", value)) is not None:
            value = found[other[1]]
        if re.fullmatch(r"#[0-9a-f]{6}", value):
            plain[name] = np.array([int(value[at : at + 2], 16) / 255.0 for at in (1, 3, 5)])
    return plain


def over(colour: Floats, ground: Floats, opacity: float) -> Floats:
    """A colour laid thinly over another."""
    return np.asarray(colour * opacity + ground * (1.0 - opacity), dtype=np.float64)


def lab(colour: Floats, eye: str) -> tuple[float, float, float]:
    """CIELAB of an sRGB colour as that eye sees it."""
    linear = np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)
    seen = np.clip(SEEN_BY[eye] @ linear, 0.0, 1.0)
    part = _TO_XYZ @ seen / _WHITE
    x, y, z = np.where(part > (6 / 29) ** 3, np.cbrt(part), part / (3 * (6 / 29) ** 2) + 4 / 29)
    return float(116.0 * y - 16.0), float(500.0 * (x - y)), float(200.0 * (y - z))


def apart(one: Floats, other: Floats, eye: str) -> float:
    """CIEDE2000 between two sRGB colours as that eye sees them."""
    return ciede2000(lab(one, eye), lab(other, eye))


def ciede2000(one: tuple[float, float, float], other: tuple[float, float, float]) -> float:
    """The difference of two colours in CIELAB."""
    (l1, a1, b1), (l2, a2, b2) = one, other
    c7 = ((math.hypot(a1, b1) + math.hypot(a2, b2)) / 2.0) ** 7
    stretch = 1.0 + 0.5 * (1.0 - math.sqrt(c7 / (c7 + 25.0**7)))
    c1, c2 = math.hypot(a1 * stretch, b1), math.hypot(a2 * stretch, b2)
    h1, h2 = (math.degrees(math.atan2(b, a * stretch)) % 360.0 for a, b in ((a1, b1), (a2, b2)))
    turn = 0.0 if c1 * c2 == 0.0 else (h2 - h1 + 180.0) % 360.0 - 180.0
    if c1 * c2 != 0.0 and h2 - h1 == 180.0:
        turn = 180.0
    dl, dc = l2 - l1, c2 - c1
    dh = 2.0 * math.sqrt(c1 * c2) * math.sin(math.radians(turn / 2.0))
    lightness, chroma = (l1 + l2) / 2.0, (c1 + c2) / 2.0
    if c1 * c2 == 0.0:
        hue = h1 + h2
    elif abs(h1 - h2) <= 180.0:
        hue = (h1 + h2) / 2.0
    else:
        hue = (h1 + h2 + (360.0 if h1 + h2 < 360.0 else -360.0)) / 2.0

    def cos(times: float, shift: float) -> float:
        return math.cos(math.radians(times * hue + shift))

    t = 1.0 - 0.17 * cos(1, -30) + 0.24 * cos(2, 0) + 0.32 * cos(3, 6) - 0.20 * cos(4, -63)
    sl = 1.0 + 0.015 * (lightness - 50.0) ** 2 / math.sqrt(20.0 + (lightness - 50.0) ** 2)
    sc, sh = 1.0 + 0.045 * chroma, 1.0 + 0.015 * chroma * t
    around = 30.0 * math.exp(-(((hue - 275.0) / 25.0) ** 2))
    rt = -2.0 * math.sqrt(chroma**7 / (chroma**7 + 25.0**7)) * math.sin(math.radians(2.0 * around))
    parts = (dl / sl, dc / sc, dh / sh)
    return math.sqrt(sum(part * part for part in parts) + rt * parts[1] * parts[2])
