"""Yields as published, against the definitions and the defaults.

Grades: A, a published value of the very quantity; B, compiled at second hand or with conditions missing;
C, an identity or a plausibility band. Tolerances are ours.
"""

from __future__ import annotations

import math

import pytest

from hatchmon.science import parameters as par
from hatchmon.science.yields import Interval, Samples, efficiency, hatching_share, output_mg_per_g


def counted(cysts_per_g: float, share: float) -> Samples:
    """Three samples of 1 ml out of 1 L with 1 g, without chance."""
    full = cysts_per_g / 1000.0
    hatched = round(full * share)
    return Samples((hatched,) * 3, (0,) * 3, (round(full) - hatched,) * 3, grams=3.0 / 1000.0)


def certain(value: float) -> Interval:
    return Interval(value, value, value)


def test_efficiency_is_cysts_per_gram_times_hatching_percentage() -> None:
    """252,678 cysts per gram and 66.0 % make 166,767; 165,270 nauplii per gram were reported: 2 %. Grade C:
    Eslava-Eljaiek et al. 2011, Intropica 6:101-108. Counts are whole, hence 1 % for the sum itself."""
    samples = counted(252_678, 0.660)
    share, per_gram = hatching_share(samples), efficiency(samples)
    assert share is not None
    assert per_gram is not None
    assert pytest.approx(166_767, abs=1) == 252_678 * 0.660
    assert per_gram.value == pytest.approx(166_767, rel=0.01)
    assert per_gram.value == pytest.approx(165_270, rel=0.02)
    assert share.value == pytest.approx(0.660, rel=0.01)
    assert per_gram.low < 165_270 < per_gram.high
    assert share.low < 0.660 < share.high


@pytest.mark.parametrize(("strain", "dry_ug"), [("San Francisco Bay", 1.63), ("Great Salt Lake", 2.42)])
def test_fit_not_test_dry_weight_of_a_nauplius(strain: str, dry_ug: float) -> None:
    """San Francisco Bay 1.63 ug, Great Salt Lake 2.42 ug; 10 %. Grade B, compiled biometry. The default was
    made from these two: its 80 % band must end at them."""
    band = output_mg_per_g(certain(1e6))  # mg from a million nauplii: their thousandfold weight
    assert min(abs(math.log(end / 1e3 / dry_ug)) for end in (band.low, band.high)) < 0.01


@pytest.mark.parametrize(
    ("place", "dry_ug"),
    [
        ("San Pablo Bay", 1.92),
        ("Macau, Brazil", 1.74),
        ("Galerazamba, Colombia", 2.27),
        ("Chaplin Lake, Canada", 2.04),
        ("Buenos Aires", 1.72),
        ("Yuncheng, China", 2.03),
    ],
)
def test_other_strains_lie_within_the_default_band(place: str, dry_ug: float) -> None:
    """Bisexual strains of one compiled biometry table, which did not inform the default. Grade B. Some
    parthenogenetic strains (3.3-4.6 ug there) lie far above it: for them the output is too small."""
    band = output_mg_per_g(certain(1e6))
    assert band.low / 1e3 < dry_ug < band.high / 1e3


def test_good_cysts_lie_within_what_is_expected_of_an_unknown_lot() -> None:
    """High-quality cysts give 200,000-300,000 nauplii per gram. Grade A: SRAC publication 702 (Treece 2000).
    The prior of an unknown lot, good or not, has them above its middle and below its 95 % point."""
    for per_gram in (200_000.0, 300_000.0):
        z = math.log(per_gram / par.EFFICIENCY.value) / par.EFFICIENCY.sd
        assert 0.0 < z < 1.645


def test_a_good_count_falls_into_the_published_band() -> None:
    """A gram of 300,000 full cysts of which 80 % hatch gives 240,000: inside 200,000-300,000, same source.
    Cysts per gram from the small-cyst end (252,678 above; 333,000 implied for lot KKT1 below). Grade C."""
    per_gram = efficiency(counted(300_000, 0.8))
    assert per_gram is not None
    assert 200_000 < per_gram.low < per_gram.value < per_gram.high < 300_000


def test_output_of_the_best_products() -> None:
    """The best products yield about 600 mg of nauplii per gram. Grade B, a review after Sorgeloos et al. 1978
    and Van Stappen 1996. 250,000 per gram of the heaviest common strain give 605 mg; 5 %."""
    assert output_mg_per_g(certain(250_000), 2.42, 0.0).value == pytest.approx(600, rel=0.05)


def test_a_published_lot_hangs_together() -> None:
    """Lot KKT1: 69.2 %, 230,600 nauplii per gram and 661 mg per gram (J. Biol. Res. 2005). Grade C: its
    nauplii then weigh 2.87 ug, more than the default's 80 % band, less than the heaviest on record (4.55,
    the table above)."""
    dry_ug = 661.0 / 230_600 * 1000.0
    assert output_mg_per_g(certain(230_600), dry_ug, 0.0).value == pytest.approx(661.0)
    assert output_mg_per_g(certain(230_600)).high < 661.0
    assert 2.42 < dry_ug < 4.55
    samples = counted(230_600 / 0.692, 0.692)
    share, per_gram = hatching_share(samples), efficiency(samples)
    assert share is not None
    assert per_gram is not None
    assert share.value == pytest.approx(0.692, rel=0.02)
    assert per_gram.value == pytest.approx(230_600, rel=0.02)
