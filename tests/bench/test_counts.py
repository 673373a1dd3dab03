"""That the hot paths take no more instructions than was accepted."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.bench import counts


@pytest.mark.timeout(900)
def test_no_hot_path_takes_a_tenth_more_instructions_than_was_accepted(tmp_path: Path) -> None:
    known = counts.accepted()
    if known is None:
        pytest.skip(
            f"no counts are accepted for {counts.key()} yet: run 'python -m tests.bench.counts --accept' and "
            f"commit {counts.ACCEPTED.name}"
        )
    wrong = counts.changes(known, counts.counted(tmp_path))
    assert not wrong, (
        "more instructions than accepted; where that is meant, run 'python -m tests.bench.counts --accept':\n"
        + "\n".join(wrong)
    )


def test_a_tenth_more_is_too_much() -> None:
    known = {"take": 1.0, "forecast": 2.0}
    assert counts.changes(known, {"take": 1.099, "forecast": 0.5}) == []
    assert counts.changes(known, {"take": 1.101, "forecast": 2.0}) == ["take: 1.101 yardsticks, +10.1%"]
    assert counts.changes(known, {"take": 1.0, "page": 1.0}) == [
        "forecast: no longer counted",
        "page: no count accepted yet",
    ]


def test_accepted_counts_of_other_machines_stay(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(counts, "ACCEPTED", tmp_path / "counts.json")
    counts.accept({"take": 1.23456})
    monkeypatch.setattr(counts, "key", lambda: "another")
    assert counts.accepted() is None
    counts.accept({"take": 2.0})
    assert counts.accepted() == {"take": 2.0}
    monkeypatch.undo()
    monkeypatch.setattr(counts, "ACCEPTED", tmp_path / "counts.json")
    assert counts.accepted() == {"take": 1.2346}
