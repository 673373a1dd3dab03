"""What the faults did: the lines of the table in DEVELOPERS.md."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Line:
    """One fault: how often injected, what was lost of how much, seconds from its end to all being well."""

    fault: str
    times: int
    sent: int
    lost: int
    recovered_s: Sequence[float]


class Tally:
    """Lines gathered over a test run."""

    def __init__(self) -> None:
        self.lines: list[Line] = []

    def note(
        self, fault: str, *, sent: int, lost: int, recovered_s: Sequence[float], times: int | None = None
    ) -> None:
        """Note a fault injected once for each of ``recovered_s``, or so many ``times``."""
        self.lines.append(Line(fault, times or len(recovered_s), sent, lost, recovered_s))

    def table(self) -> str:
        """As Markdown."""
        rows = ["| fault | times | sent | lost | recovery, s: median, longest |", "|---|---|---|---|---|"]
        for line in self.lines:
            found = sorted(line.recovered_s)
            rows.append(
                f"| {line.fault} | {line.times} | {line.sent:,} | {line.lost} | "
                f"{found[len(found) // 2]:.1f}, {found[-1]:.1f} |"
            )
        return "\n".join(rows)
