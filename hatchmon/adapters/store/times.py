"""Times as the database keeps them: whole microseconds since 1970 UTC."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)


def to_us(moment: datetime) -> int:
    """Whole microseconds since 1970 UTC."""
    return (moment - _EPOCH) // MICROSECOND


def from_us(us: int) -> datetime:
    """The aware UTC moment of ``us`` microseconds since 1970."""
    return _EPOCH + timedelta(microseconds=us)
