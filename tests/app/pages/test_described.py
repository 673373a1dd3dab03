"""The programs' interface, asked all that its own description allows, and what it does not."""

from __future__ import annotations

import time
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import GenerationMode

from tests.app.pages.ground import HOST, Ground

EXAMPLES = 50
OPERATIONS = ("GET /api/now", "GET /api/journal", "GET /api/batches", "POST /api/requests")


@pytest.fixture(scope="module")
def described(served: tuple[Ground, int]) -> Any:
    return schemathesis.openapi.from_url(f"http://{HOST}:{served[1]}/api/openapi.json")


def test_every_operation_is_asked(described: Any) -> None:
    assert {found.ok().label for found in described.get_all_operations()} == set(OPERATIONS)


@pytest.mark.parametrize(
    ("label", "mode"),
    [
        *((label, GenerationMode.POSITIVE) for label in OPERATIONS),
        *((label, GenerationMode.NEGATIVE) for label in OPERATIONS[1:]),  # the first takes nothing
    ],
)
def test_whatever_is_asked_gets_an_answer_as_described(
    described: Any, label: str, mode: GenerationMode
) -> None:
    method, path = label.split()
    operation = described[path][method]
    known = set(operation.definition.raw["responses"])
    statuses = set()

    @settings(
        max_examples=EXAMPLES, derandomize=True, database=None, deadline=None, phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    @given(case=operation.as_strategy(generation_mode=mode))
    def ask(case: Any) -> None:
        if mode is GenerationMode.POSITIVE and isinstance(case.body, dict) and "cone" in case.body:
            case.body["cone"] = "ripe"  # one that is there
        answer = case.call(timeout=30.0)
        while answer.status_code == 429:  # so many a second and no more
            time.sleep(0.5)
            answer = case.call(timeout=30.0)
        statuses.add(answer.status_code)
        assert answer.status_code < 500, (answer.status_code, answer.text, case.as_curl_command())
        assert str(answer.status_code) in known, (answer.status_code, case.as_curl_command())
        assert isinstance(answer.json(), dict)

    ask()
    assert statuses & ({200} if mode is GenerationMode.POSITIVE else {400, 422}), statuses
