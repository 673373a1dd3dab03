"""Broods, the stock of cysts, plans."""

from __future__ import annotations

from datetime import date, datetime

from hatchmon.adapters.store.tables import Tables
from hatchmon.adapters.store.times import from_us, to_us
from hatchmon.hatchery.supply.demand import Brood
from hatchmon.hatchery.supply.stock import Stock

PLANS_KEPT = 100


class Supply(Tables):
    """What is to be fed, and with what."""

    def broods(self) -> list[Brood]:
        """All broods, by name."""
        return [
            Brood(
                name=row["brood"],
                fry=row["fry"],
                swam=date.fromisoformat(row["swam"]),
                mouth=row["mouth"],
                ramp=row["ramp"],
                loss_per_day=row["loss_per_day"],
                ends=None if row["ends"] is None else date.fromisoformat(row["ends"]),
            )
            for row in self.rows("SELECT * FROM broods ORDER BY brood")
        ]

    def keep_brood(self, brood: Brood) -> None:
        """Note a brood, in place of one of the same name."""
        self._db.execute(
            "INSERT OR REPLACE INTO broods VALUES (?, ?, ?, ?, ?, ?, ?)",
            (brood.name, brood.fry, brood.swam.isoformat(), brood.mouth, brood.ramp, brood.loss_per_day,
             None if brood.ends is None else brood.ends.isoformat()),
        )  # fmt: skip

    def drop_brood(self, name: str) -> None:
        """Forget a brood."""
        self._db.execute("DELETE FROM broods WHERE brood = ?", (name,))

    def stock(self) -> list[Stock]:
        """What is left of each lot that was weighed, by lot."""
        return [
            Stock(
                lot=row["lot"],
                grams=max(row["left"], 0.0),
                opened=None if row["opened"] is None else date.fromisoformat(row["opened"]),
                price_per_kg=row["price_per_kg"],
            )
            for row in self.rows(
                """SELECT s.*, s.grams - coalesce((SELECT sum(b.grams) FROM batches b WHERE b.lot = s.lot
                   AND b.started_us > s.weighed_us), 0.0) AS left FROM stock s ORDER BY lot"""
            )
        ]

    def keep_stock(self, stock: Stock, now: datetime) -> None:
        """Note what is left of a lot at ``now``; the lot is made if it is new."""
        self._db.execute("INSERT OR IGNORE INTO lots VALUES (?, ?)", (stock.lot, to_us(now)))
        self._db.execute(
            "INSERT OR REPLACE INTO stock VALUES (?, ?, ?, ?, ?)",
            (stock.lot, stock.grams, to_us(now), None if stock.opened is None else stock.opened.isoformat(),
             stock.price_per_kg),
        )  # fmt: skip

    def drop_stock(self, lot: str) -> None:
        """Forget what is left of a lot."""
        self._db.execute("DELETE FROM stock WHERE lot = ?", (lot,))

    def add_plan(self, made: datetime, body: str) -> int:
        """Keep a plan as issued; only the newest PLANS_KEPT stay. Returns its number."""
        cursor = self._db.execute("INSERT INTO plans (made_us, body) VALUES (?, ?)", (to_us(made), body))
        number = cursor.lastrowid or 0
        self._db.execute("DELETE FROM plans WHERE plan_id <= ?", (number - PLANS_KEPT,))
        return number

    def last_plan(self) -> tuple[int, datetime, str] | None:
        """(number, when it was made, JSON) of the plan issued last."""
        rows = self.rows("SELECT * FROM plans ORDER BY plan_id DESC LIMIT 1")
        return (rows[0]["plan_id"], from_us(rows[0]["made_us"]), rows[0]["body"]) if rows else None
