"""Making a plan from the record: by the keeper's command, or in a process of its own for the daemon.

The solver's memory goes when the process ends. ``python -m hatchmon.app.planning`` takes pickled settings
from its own parent's pipe, makes a plan and issues it by a request, as the command line does.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from hatchmon.adapters.clock import Clock
from hatchmon.adapters.solver import Highs
from hatchmon.adapters.store import Store, StoreError
from hatchmon.app.ask import ask
from hatchmon.app.plan_facts import plan_facts
from hatchmon.app.service import make_clock
from hatchmon.app.settings import Settings, SettingsError, load_settings
from hatchmon.app.supply import ask_record
from hatchmon.hatchery.supply.mend import mend
from hatchmon.hatchery.supply.plan import make_plan
from hatchmon.hatchery.supply.program import OutOfTime
from hatchmon.hatchery.types import Refused
from hatchmon.hatchery.wording import Voice

BUDGET_S = 45.0
MEND_S = 5.0


def plan_now(settings: Settings, now: datetime, days: int | None = None) -> dict[str, Any]:
    """A plan made now, as plain data. Raises Refused and StoreError."""
    with Store(settings.store.path, read_only=True) as store:
        asked = ask_record(settings, store, now, days)
    try:
        plan = make_plan(asked.question, Highs(BUDGET_S))
    except OutOfTime as why:
        raise Refused(f"No plan was found in {BUDGET_S:g} s: {why}. Plan fewer days: --days 7") from None
    mended = mend(plan, lambda: Highs(MEND_S), Voice(settings.zone, settings.unit))
    return plan_facts(settings, asked, plan, mended, now)


def issue(settings: Settings, clock: Clock, facts: dict[str, Any]) -> None:
    """Have a plan stored, so that alerts, calendar and page go by it."""
    ask(settings, clock, {"do": "plan", "plan": facts})


def main(arguments: Sequence[str]) -> int:
    """Plan by the settings file named, else by the usual one, and issue the plan; returns the exit status."""
    try:
        settings = load_settings(Path(arguments[0]) if arguments else None)
        clock = make_clock(settings)
        issue(settings, clock, plan_now(settings, clock.now()))
    except (Refused, StoreError, SettingsError) as why:
        print(why, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
