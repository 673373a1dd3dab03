"""The same for programs: what the page shows and does in JSON, and how the machine is."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from tests.app.pages.ground import Daemon, Ground, Visitor, fill, free_port, web
from tests.servers import Mosquitto, wait_until


def test_now_is_what_the_command_line_says(served: tuple[Ground, int], visitor: Visitor) -> None:
    told = visitor.http.get("/api/now").json()
    assert [cone["cone"] for cone in told["cones"]] == ["ripe", "young", "spare"]
    own = {cone["cone"]: cone for cone in served[0].data("now")}
    for cone in told["cones"]:
        assert set(cone) == set(own[cone["cone"]])
        assert cone["batch"] == own[cone["cone"]]["batch"]


def test_what_is_asked_is_done_or_refused_as_on_the_command_line(visitor: Visitor) -> None:
    done = visitor.ask({"do": "look", "cone": "young", "seen": "none"})
    assert (done.status_code, done.json()["ok"]) == (200, True)
    assert done.json()["text"].startswith("young: noted 'none' at")
    refused = visitor.ask({"do": "look", "cone": "young", "seen": "lots"})
    assert (refused.status_code, refused.json()["ok"]) == (409, False)
    assert "'lots' is not a look." in refused.json()["text"]
    assert visitor.ask({"do": "look", "cone": "young", "undo": True}).status_code == 200
    newest = visitor.http.get("/api/journal", params={"limit": 3}).json()["entries"]
    assert [entry["kind"] for entry in newest] == ["done", "refused", "done"]
    assert {entry["by"] for entry in newest} == {"page"}


@pytest.mark.parametrize(
    ("content", "status"),
    [
        ("", 400),
        ("{", 400),
        ("NaN", 400),
        ('{"do": "reading", "cone": "ripe", "value": NaN}', 400),
        ("[" * 30_000, 400),
        ("[]", 422),
        ('"look"', 422),
        ("{}", 422),
        ('{"do": "explode"}', 422),
        ('{"do": "look"}', 422),
        ('{"do": "look", "cone": "ripe", "seen": "few", "colour": "red"}', 422),
        ('{"do": "look", "cone": "a/b", "seen": "few"}', 422),
        ('{"do": "begin", "cone": "spare", "lot": "x", "grams": "heavy"}', 422),
        ('{"do": "look", "cone": "ripe", "seen": "few", "at": "2026-13-45"}', 422),
        ('{"do": "look", "cone": "nowhere", "seen": "few"}', 409),
        ('{"do": "begin", "cone": "spare", "lot": "\\ud800", "grams": 2}', 422),
        ('{"do": "reading", "cone": "ripe", "value": 1e308}', 409),
    ],
)
def test_nonsense_gets_a_sentence(visitor: Visitor, content: str, status: int) -> None:
    answer = visitor.http.post("/api/requests", content=content, headers={"content-type": "application/json"})
    assert answer.status_code == status, answer.text
    assert answer.json()["ok"] is False
    assert len(answer.json()["text"]) > 10


@pytest.mark.parametrize(
    "path",
    [
        "/api/journal?limit=0",
        "/api/journal?limit=x",
        "/api/journal?before=yesterday",
        "/api/journal?before=0001-01-01T00:00:00%2B14:00",
        "/api/batches?below=-1",
        "/api/batches?limit=99999999999999999999999",
    ],
)
def test_a_parameter_that_cannot_be_is_named(visitor: Visitor, path: str) -> None:
    answer = visitor.http.get(path)
    assert answer.status_code == 422
    assert re.match(r"(limit|before|below) must be", answer.json()["text"])


def test_the_journal_is_read_page_by_page(visitor: Visitor) -> None:
    for number in range(5):
        visitor.ask({"do": "look", "cone": "ripe", "seen": f"{50 + number} %"})
    whole = visitor.http.get("/api/journal").json()["entries"]
    seen: list[Any] = []
    before = None
    while len(seen) < 5:
        params = {"limit": "2"} | ({"before": before} if before else {})
        part = visitor.http.get("/api/journal", params=params).json()["entries"]
        seen += part
        before = part[-1]["time"]
    assert seen[:5] == whole[:5]
    for _ in range(5):
        assert visitor.ask({"do": "look", "cone": "ripe", "undo": True}).status_code == 200


def test_batches_newest_first(served: tuple[Ground, int], visitor: Visitor) -> None:
    told = visitor.http.get("/api/batches").json()["batches"]
    assert told == list(reversed(served[0].data("batches")))
    (one,) = visitor.http.get("/api/batches", params={"cone": "ripe"}).json()["batches"]
    assert one["cone"] == "ripe"
    below = visitor.http.get("/api/batches", params={"below": told[0]["batch"], "limit": 1}).json()["batches"]
    assert below == told[1:2]


def test_the_description_is_of_what_is_served(visitor: Visitor) -> None:
    described = visitor.http.get("/api/openapi.json").json()
    assert described["openapi"] == "3.1.0"
    for path, methods in described["paths"].items():
        for method in methods:
            if method == "get":
                assert visitor.http.get(path).status_code == 200, path
    asked = described["paths"]["/api/requests"]["post"]["requestBody"]["content"]["application/json"]
    names = set(asked["schema"]["discriminator"]["mapping"])
    assert names >= {"begin", "look", "count", "harvest", "reading", "seen"}
    for where in re.findall(r'"#/components/schemas/(\w+)"', json.dumps(described)):
        assert where in described["components"]["schemas"], where


def _families(text: str) -> list[Any]:
    return list(text_string_to_metric_families(text))  # type: ignore[no-untyped-call]


def test_metrics_are_openmetrics_with_few_labels(served: tuple[Ground, int], visitor: Visitor) -> None:
    answer = visitor.http.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text")
    families = {family.name: family for family in _families(answer.text)}
    assert families["hatchmon_up"].samples[0].value == 1.0
    shares = {sample.labels["cone"]: sample.value for sample in families["hatchmon_hatched_ratio"].samples}
    assert set(shares) == {"ripe", "young"}
    assert all(0.0 <= share <= 1.0 for share in shares.values())
    labels = {name for family in families.values() for sample in family.samples for name in sample.labels}
    assert labels <= {"cone", "quantity", "chance"}
    assert all(family.name.startswith("hatchmon_") for family in families.values())


def test_health_tells_the_truth(tmp_path: Path) -> None:
    port = free_port()
    with Mosquitto(tmp_path / "mosquitto") as broker:
        ground = Ground(tmp_path / "hatchmon", broker.port, web=web(port))
        fill(ground, ("ripe", 24.0))
        with Daemon(ground), Visitor(port) as visitor:

            def told() -> tuple[int, str]:
                answer = visitor.http.get("/healthz")
                return answer.status_code, " ".join(answer.json()["trouble"])

            wait_until(lambda: told() == (200, ""), 20.0, "all to be well")
            facts = visitor.http.get("/healthz").json()
            assert facts["engine_idle_s"] < 5.0
            assert facts["reading_age_s"]["ripe"] >= 0
            broker.stop()
            wait_until(
                lambda: told()[0] == 503 and "the broker" in told()[1], 20.0, "the broker to be missed"
            )
            assert visitor.http.get("/metrics").text.splitlines()[2] == "hatchmon_up 0.0"
            visitor.go("/")
            assert "No readings come in: the broker is" in visitor.text
            broker.start()
            wait_until(lambda: told() == (200, ""), 30.0, "all to be well again")
