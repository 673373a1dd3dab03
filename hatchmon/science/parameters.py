"""Constants of the model, each with its unit, where it comes from and how far it holds.

The defaults are an elicited prior, not a fit to one experiment: no published hatch curve of one
strain at three or more temperatures was found.

Marks: ``read`` in a published source; ``secondary``: read in a compilation, the primary not seen;
``computed`` from such values; ``assumed``: no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Mark = Literal["read", "secondary", "computed", "assumed"]


@dataclass(frozen=True, slots=True)
class Constant:
    """A value with its pedigree. ``sd`` is that of its prior, on the scale the unit names."""

    value: float
    unit: str
    mark: Mark
    source: str
    sd: float = 0.0
    low: float = float("-inf")
    high: float = float("inf")


FAO_428 = "FAO Fisheries Technical Paper 428, annex 4"
SCHOOLFIELD = "form: Schoolfield, Sharpe & Magnuson 1981, doi 10.1016/0022-5193(81)90246-0"
VANHAECKE = "Vanhaecke, Lavens & Sorgeloos 1983, Annls Soc. r. zool. Belg. 113:155-164"

BOLTZMANN = Constant(8.617333e-5, "eV/K", "read", "CODATA, rounded")
REFERENCE = Constant(25.0, "deg C", "assumed", "the temperature of equivalent hours")

# --- hatch clock -----------------------------------------------------------------------------
ACTIVATION = Constant(
    0.73, "eV", "computed", "from Q10 20-24 C of 2.6 (first nauplii) and 2.85 (80 %), secondary", sd=0.085
)
DEACTIVATION = Constant(3.4, "eV", "assumed", SCHOOLFIELD)
HALF_HOT = Constant(35.3, "deg C", "assumed", SCHOOLFIELD)
STOP_COLD = Constant(4.0, "deg C", "read", FAO_428)
STOP_HOT = Constant(40.0, "deg C", "read", FAO_428 + "; sources disagree whether 33-40 C is reversible")
PREDICT_FROM = Constant(12.0, "deg C", "assumed", "below it the curve is too uncertain to promise a time")
PREDICT_TO = Constant(34.0, "deg C", "assumed", "above it the curve is too uncertain to promise a time")
DOUBTFUL_HOT = Constant(33.0, "deg C", "read", FAO_428 + ": 33-40 C stops the metabolism")

# a = ln tau25. The prior is Student-t with 5 degrees of freedom; .186 is its scale (its sd is .24).
TAU25 = Constant(
    20.4, "h", "computed", "median hatch at 25 C, from compiled tables; sd of ln: t5 scale", sd=0.186
)
SIGMA = Constant(0.15, "ln h", "computed", "from published T10, T90 and Ts; sd of ln sigma", sd=0.45)
# sd from batch to batch, ln h; assumed, no source. Twice from one to the next, up to lots that hardly repeat
# themselves, so that a few hatches tell a steady lot from an erratic one.
OMEGA_VALUES = (0.04, 0.08, 0.14, 0.24)
OMEGA_SHARES = (0.25, 0.33, 0.25, 0.17)
OMEGA_DARK = Constant(
    0.03, "ln h", "read", "direction: J. Crust. Biol. doi 10.1163/1937240x-00002454; size assumed"
)
SALT_SLOPE = Constant(
    0.010,
    "ln h per g/L",
    "computed",
    "sign read in a compiled table at 30 C, size computed",
    0.006,
    10.0,
    45.0,
)
SALT_REFERENCE = Constant(30.0, "g/L", "assumed", "salinity at which tau25 is stated")

# Doubt about the shape of the rate curve: sd of ln Q at a temperature (deg C); computed from the
# spread of seven published rate functions fitted to the same data.
SHAPE_TEMP_C = (10.0, 12.0, 15.0, 18.0, 20.0, 22.0, 27.0, 30.0, 32.0, 34.0, 36.0)
SHAPE_SD = (0.45, 0.25, 0.10, 0.05, 0.03, 0.0, 0.0, 0.06, 0.10, 0.17, 0.40)

# --- nauplii ---------------------------------------------------------------------------------
MOULT = Constant(10.0, "h at 25 C", "read", "8-12 h at 25-28 C, practice texts after FAO; sd of ln", sd=0.25)
MOULT_SPREAD = Constant(0.18, "ln h", "assumed", "spread of the moult among nauplii of one brood")
ENERGY_LOSS = Constant(
    0.0131, "1/h at 25 C", "read", VANHAECKE + ": 27 % per 24 h, range .0103-.0193; sd of ln", sd=0.157
)
ENERGY_Q10 = Constant(2.0, "per 10 C", "read", "respiration: Varo, Taylor & Amat 1998; range 1.8-2.6")
INSTAR2_DISCOUNT = Constant(0.2, "share", "assumed", "worth lost once a nauplius has moulted")
OPENS_SHARE = Constant(0.90, "share hatched", "assumed", "the harvest window opens")
OPENS_SHARE_SPREAD_OUT = Constant(0.80, "share hatched", "assumed", "the same, for sigma above .25")
SPREAD_OUT_SIGMA = Constant(0.25, "ln h", "assumed", "above it a lot hatches too spread out to wait for 90 %")
CLOSES_INSTAR2 = Constant(0.30, "share in instar II", "assumed", "the harvest window closes")
CLOSES_ENERGY = Constant(0.90, "share of fresh energy", "assumed", "the harvest window closes")
SERVES = Constant(
    36.0,
    "h, in water up to 25 C",
    "assumed",
    "common practice, no source: a day and a half at room temperature",
)

# --- setting a cone up -------------------------------------------------------------------------
DENSITY_SMALL = Constant(5.0, "g cysts per L", "read", FAO_428 + ": at most, under 20 L")
DENSITY_LARGE = Constant(2.0, "g cysts per L", "read", FAO_428 + ": at most, from 20 L up")
SMALL_CONE = Constant(20.0, "L", "read", FAO_428)
BICARBONATE = Constant(1.0, "g NaHCO3 per L", "read", FAO_428 + ": at most")
TEASPOON = Constant(2.5, "g cysts in a level teaspoon", "assumed", "common practice, no source; very rough")
HYPOCHLORITE = Constant(
    0.35,
    "g NaOCl per g cysts",
    "read",
    "several recipes; only the range is told, never this",
    low=0.17,
    high=0.60,
)

# --- nauplii in a cold store -----------------------------------------------------------------
GHENT_COLD = "Ghent University course text on cold storage of nauplii"
KKT1_COLD = (
    "J. Biol. Res. 2005, strain KKT1, 2-4 C for 48 h: over 90 % alive, no significant loss of dry weight"
)
COLD_BELOW = Constant(10.0, "deg C", "read", GHENT_COLD)
COLD_DENSITY = Constant(8.0, "million nauplii per L", "read", GHENT_COLD)
COLD_HOURS = Constant(24.0, "h", "read", GHENT_COLD)
COLDEST_HOURS = Constant(48.0, "h", "read", KKT1_COLD, low=2.0, high=4.0)  # low, high: deg C
COLDEST_LOSS = Constant(
    0.00151,
    "1/h at 4 C and below",
    "computed",
    f"{KKT1_COLD}, taken as under 5 %; as energy by {VANHAECKE}: -27 % with -20 % of dry weight. An upper "
    "bound: ENERGY_Q10 carried down to 4 C would give twice as much",
)

# --- sample counts and yields ----------------------------------------------------------------
DRY_WEIGHT = Constant(
    1.99,
    "ug per nauplius",
    "secondary",
    "compiled biometry of fresh nauplii: San Francisco Bay 1.63, Great Salt Lake 2.42; their geometric mean, "
    "with the two as its 80 % band, where the strain is not known; sd of ln",
    sd=0.154,
)
SHARE_SCATTER = Constant(
    0.005, "intraclass correlation", "assumed", "how unevenly nauplii and cysts mix between samples"
)
COUNT_SCATTER = Constant(0.15, "ln", "assumed", "sd of the number in a sample beside chance: mixing, pipette")
SCATTER_WEIGHT = Constant(3.0, "degrees of freedom", "assumed", "weight of the two above against the samples")
HATCHABILITY = Constant(
    0.7, "share of full cysts", "assumed", "an unknown lot: Beta with this mean that weighs as 4 cysts"
)
HATCHABILITY_CYSTS = Constant(4.0, "cysts", "assumed", "see HATCHABILITY")
EFFICIENCY = Constant(
    180_000.0,
    "nauplii per g",
    "assumed",
    "an unknown lot, log-normal; good lots give 200,000-300,000",
    sd=0.6,
)
# How batches of one lot differ, each value with its prior share; assumed, no source.
SHARE_BETWEEN = ((0.005, 0.3), (0.02, 0.4), (0.05, 0.3))  # intraclass correlation of the hatched share
EFFICIENCY_BETWEEN = ((0.07, 0.3), (0.14, 0.4), (0.25, 0.3))  # sd of ln nauplii per gram

# --- many sites ------------------------------------------------------------------------------
EFFECT_SCALE = Constant(
    1.0,
    "standard deviations of the rest",
    "assumed",
    "scale of the half-Cauchy prior for how much lots, and sites, differ beside batches of the same",
)
