"""The sheet for setting a cone up: cysts, water, salt, and what to mind; and for taking shells off before."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from hatchmon.hatchery.units import both_scales
from hatchmon.science import parameters as par
from hatchmon.science import water

# Shares of dry salt; the last from memory: mixes hold water, more or less.
SALTS = (("pure dry salt without anti-caking additive", 1.0), ("damp salt", 0.95), ("sea salt mix", 0.9))
MAINS = (
    "Mains power beside salt water can kill: unplug heater, lamp and air pump before hands go into the "
    "water, "
    "use a residual-current device and drip loops, follow the local code and leave wiring to a qualified "
    "electrician."
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """What goes into ``cone``: ``grams`` of ``lot`` in ``litres`` of brine of ``salinity`` (g/L at
    ``temp_c``); ``salt_g`` by kind of salt; at most ``bicarbonate_g`` of sodium bicarbonate."""

    cone: str
    lot: str
    at: datetime
    grams: float
    litres: float
    salinity: float
    temp_c: float
    salt_g: tuple[tuple[str, float], ...]
    bicarbonate_g: float

    @property
    def teaspoons(self) -> float:
        """Level teaspoons of cysts, very roughly."""
        return self.grams / par.TEASPOON.value

    def lines(self, command: bool = True) -> list[str]:
        """The sheet in sentences, in the order of the work; with the ``command`` that notes the start."""
        salts = "; ".join(f"{grams_words(grams)} of {kind}" for kind, grams in self.salt_g)
        return [
            f"Water: {self.litres:g} L of finished brine, {self.salinity:g} g/L.",
            f"Salt, from fresh water: {salts}. Check with your instrument; make up to {self.litres:g} L.",
            f"Buffer: pH above 8; up to {grams_words(self.bicarbonate_g)} of sodium bicarbonate "
            f"({par.FAO_428}).",
            "Air: from the bottom, strong enough to keep every cyst moving, from now until harvest.",
            f"Warm it to {both_scales(self.temp_c)} before the cysts go in; heater and probe well under "
            "water.",
            f"Cysts: {self.grams:g} g of lot {self.lot}. Weigh them. Without scales about "
            f"{self.teaspoons:.1f} level teaspoons, which is rough: common practice, no source.",
            f"Light: about 2000 lux at the surface for the first hours ({par.FAO_428}).",
            f"Then note it: hatchmon begin {self.cone} --lot '{self.lot}' --grams {self.grams:g} "
            f"--litres {self.litres:g} --salinity {self.salinity:g}"
            if command
            else "Then note it: with the button above, or on the first page.",
            MAINS,
        ]


def sheet(
    cone: str, lot: str, at: datetime, grams: float, litres: float, salinity: float, temp_c: float
) -> Sheet:
    """The sheet for a batch; ``salinity`` wished, g/L at ``temp_c``."""
    return Sheet(
        cone=cone,
        lot=lot,
        at=at,
        grams=grams,
        litres=litres,
        salinity=salinity,
        temp_c=temp_c,
        salt_g=tuple((kind, salt_g(litres, salinity, temp_c, purity)) for kind, purity in SALTS),
        bicarbonate_g=litres * par.BICARBONATE.value,
    )


def salt_g(litres: float, salinity: float, temp_c: float, purity: float = 1.0) -> float:
    """Grams of salt for ``litres`` of brine of ``salinity`` (g/L at ``temp_c``) from fresh water."""
    to = water.g_per_kg(water.salinity_from_g_per_l(salinity, temp_c))
    return water.salt_grams(litres, to, 0.0, purity, temp_c)


def decapsulation_lines(grams: float) -> list[str]:
    """How shells are taken off ``grams`` of cysts, with amounts as the range that recipes span: no dose."""
    low, high = par.HYPOCHLORITE.low * grams, par.HYPOCHLORITE.high * grams
    return [
        f"Published recipes span {low:.2g} to {high:.2g} g of sodium hypochlorite (NaOCl, as such, not as "
        "bleach) "
        f"for {grams:g} g of cysts: {par.HYPOCHLORITE.low:g} to {par.HYPOCHLORITE.high:g} g a gram. That "
        "is no "
        "dose: follow one recipe as a whole, for the strength on your bottle.",
        "Common to the recipes: the cysts soak for an hour or so in fresh water with air; hypochlorite and "
        "lye "
        "(sodium hydroxide, to keep the pH above 10) are added cold; the cysts turn from brown over grey to "
        "orange within minutes; then they are rinsed on a fine sieve until no smell is left, and what "
        "remains is "
        "neutralised with sodium thiosulphate.",
        "Heat: the reaction warms itself. Keep it below 40 °C (104 °F) with ice at hand, or the embryos die.",
        "Hypochlorite burns eyes and skin. Never let it meet acid or ammonia, vinegar among them: "
        "poisonous gas. "
        "Goggles, gloves, an apron and open air; keep children and animals away.",
        "Lye burns worse: goggles before the tin is opened, always lye into water and never water onto "
        "lye; it "
        "heats the water it dissolves in.",
        "The safety data sheet and label of your very products come before anything said here, and local "
        "rules "
        "for getting rid of the rest. In an accident rinse with water for 15 minutes and call the poison "
        "centre.",
        "Decapsulated cysts hatch somewhat sooner and keep a few days only; hatchmon knows times with "
        "shells.",
    ]


def grams_words(grams: float) -> str:
    """``254 g`` or ``12.3 g``."""
    return f"{grams:.0f} g" if grams >= 100.0 else f"{grams:.3g} g"
