"""How long large plans take, in how much memory. ``python -m tests.hatchery.supply.large --days 60 --cones
50``"""

from __future__ import annotations

import argparse
import resource
import time
from dataclasses import replace
from datetime import timedelta

from hatchmon.adapters.solver import Highs
from hatchmon.hatchery.supply.plan import make_plan
from tests.hatchery.supply.invented import ORIGIN, broods, cone, lot, question


def main() -> None:
    """Plan once, every cone at a temperature of its own, and tell what it took."""
    parser = argparse.ArgumentParser(description="One large plan.")
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--cones", type=int, default=50)
    parser.add_argument("--broods", type=int, default=8)
    chosen = parser.parse_args()
    cones = [cone(f"c{i}", 24.0 + 4.0 * i / chosen.cones, 1.0 + i % 3) for i in range(chosen.cones)]
    # One after the other, so that there is somebody to feed all the time.
    fed = [
        replace(each, swam=(ORIGIN + timedelta(days=round(number * chosen.days / chosen.broods) - 10)).date())
        for number, each in enumerate(broods(chosen.broods))
    ]
    asked = question(cones, [lot()], fed, float(chosen.days))
    begun = time.perf_counter()
    plan = make_plan(asked, Highs(45.0))
    took_s = time.perf_counter() - begun
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    met = sum(each.met for each in plan.outlooks)
    print(
        f"{chosen.days} days, {chosen.cones} cones, {chosen.broods} broods: {took_s:.1f} s, {peak_mb:.0f} "
        "MB; "
        f"{len(plan.starts)} batches, {met} of {len(plan.outlooks)} feedings have their chance; a better "
        "choice "
        f"could save at most {plan.gap:.2%}"
    )


if __name__ == "__main__":
    main()
