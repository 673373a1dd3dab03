"""Forecasts as they were issued."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

from hatchmon.adapters.store.tables import Tables
from hatchmon.adapters.store.times import from_us, to_us
from hatchmon.hatchery.types import (
    Band,
    Forecast,
)


class Forecasts(Tables):
    """What was expected of each batch, and when."""

    def add_forecast(self, batch_id: int, forecast: Forecast) -> None:
        """Store a forecast as issued."""
        self._db.execute(
            "INSERT INTO forecasts (batch_id, issued_us, body) VALUES (?, ?, ?)",
            (batch_id, to_us(forecast.issued), forecast_json(forecast)),
        )

    def first_forecast(self, batch_id: int) -> Forecast | None:
        """The forecast issued first for a batch."""
        return self._one_forecast(batch_id, "ASC")

    def last_forecast(self, batch_id: int) -> Forecast | None:
        """The forecast issued last for a batch."""
        return self._one_forecast(batch_id, "DESC")

    def forecasts_issued(self, batch_id: int) -> int:
        """How many forecasts were issued for a batch; it never falls."""
        row = self._db.execute("SELECT count(*) FROM forecasts WHERE batch_id = ?", (batch_id,)).fetchone()
        return int(row[0])

    def last_t90_by_batch(self, batch_ids: Sequence[int]) -> dict[int, float]:
        """Hours to 90 % hatched (the median) that were expected last of each batch, where any were."""
        found = {}
        for batch_id in batch_ids:
            last = self.last_forecast(batch_id)
            if last is not None and last.t90 is not None:
                found[batch_id] = last.t90.p50
        return found

    def t90_first_and_last(self) -> dict[int, tuple[Band, float, Band]]:
        """Hours to 90 % hatched of each harvested batch as forecast first, by how much that band was widened,
        and as forecast last; of those where both are known."""
        points = ", ".join(f"body ->> '$.t90.{name}'" for name in ("p10", "p50", "p90"))
        # In two steps: a join would take the spool's rows and the others' from end to end.
        rows = self._db.execute(
            f"""WITH ends AS (SELECT min(forecast_id) AS first, max(forecast_id) AS last FROM forecasts
                  WHERE batch_id IN (SELECT batch_id FROM batches WHERE outcome = 'harvested')
                  GROUP BY batch_id)
                SELECT forecast_id, batch_id, coalesce(body ->> '$.widened', 1.0), {points} FROM forecasts
                WHERE forecast_id IN (SELECT first FROM ends UNION SELECT last FROM ends)
                ORDER BY forecast_id"""
        )
        said: dict[int, list[tuple[float, Band | None]]] = {}
        for _, batch_id, widened, *numbers in rows:
            said.setdefault(batch_id, []).append((widened, None if None in numbers else Band(*numbers)))
        return {
            batch_id: (first, each[0][0], last)
            for batch_id, each in said.items()
            if (first := each[0][1]) is not None and (last := each[-1][1]) is not None
        }

    def _one_forecast(self, batch_id: int, order: str) -> Forecast | None:
        rows = self.rows(
            f"SELECT issued_us, body FROM forecasts WHERE batch_id = ? ORDER BY forecast_id {order} LIMIT 1",
            batch_id,
        )
        return forecast_from(rows[0]["issued_us"], rows[0]["body"]) if rows else None

    def forecasts(self, batch_id: int) -> list[Forecast]:
        """Every forecast issued for a batch, in the order of issue."""
        rows = self.rows(
            "SELECT issued_us, body FROM forecasts WHERE batch_id = ? ORDER BY forecast_id", batch_id
        )
        return [forecast_from(row["issued_us"], row["body"]) for row in rows]


def forecast_json(forecast: Forecast) -> str:
    """A Forecast as JSON with hours to a thousandth; ``issued`` is left out (it has its own column)."""
    return json.dumps(_rounded({k: v for k, v in asdict(forecast).items() if k != "issued"}))


def _rounded(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 3)
    if isinstance(value, dict):
        return {key: _rounded(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(item) for item in value]
    return value


def forecast_from(issued_us: int, body: str) -> Forecast:
    data = json.loads(body)
    for name in ("t10", "t50", "t90", "opens", "best", "closes"):
        data[name] = Band(**data[name]) if data[name] else None
    data["surely_h"] = tuple(data["surely_h"]) if data["surely_h"] else None
    data["reasons"] = tuple(data["reasons"])
    return Forecast(issued=from_us(issued_us), **data)
