"""Schemathesis against the running service on loopback: what its own OpenAPI text lets a client send, and what it forbids.

Checks are the library's: no answer of 500 and above (but 503 and 504, which the text explains), every status and content type
is one that the text names, error bodies have the shape that the text gives. The time is bounded. The service runs beside a
fake controller, so nothing that is sent can heat anything.
"""

from __future__ import annotations

import time
import warnings
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, seed, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    negative_data_rejection,
    response_schema_conformance,
    status_code_conformance,
)

from tests.api.server import Server
from tests.api.test_door_server import Controlled

pytestmark = [pytest.mark.slow, pytest.mark.filterwarnings("ignore")]
WHOLE_S = 36.0
EXAMPLES = 10
CHECKS = [status_code_conformance, content_type_conformance, response_schema_conformance]
LEFT_OUT = ("/stream",)
"""Never ends, by design."""
TELLS = ("/schedules/preview",)
"""Draws what can be drawn, and answers with every mistake instead of refusing."""
EXPLAINED = {503, 504}


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Server]:
    controlled = Controlled(tmp_path / "data")
    try:
        with Server(tmp_path / "data", "--demo") as server:
            yield server
    finally:
        controlled.close()


def test_nothing_that_the_text_allows_or_forbids_breaks_the_service(running: Server) -> None:
    base = f"http://127.0.0.1:{running.port}"
    document = httpx.get(f"{base}/api/v1/openapi.json").json()
    schema = schemathesis.openapi.from_dict(document)
    schema.config.update(base_url=base)
    operations = [found.ok() for found in schema.get_all_operations()]
    operations = [one for one in operations if not one.path.endswith(LEFT_OUT)]
    assert len(operations) > 45
    until, tried, broken = time.monotonic() + WHOLE_S, 0, []
    for mode in (GenerationMode.POSITIVE, GenerationMode.NEGATIVE):
        for operation in operations:
            tried += _try(operation, mode, until, broken)
    assert not broken, "\n\n".join(broken[:5])
    assert tried > 100, tried
    assert httpx.post(f"{base}/api/v1/stop-heating", json={}).status_code == 200, "it is still well"


def _try(operation, mode: GenerationMode, until: float, broken: list[str]) -> int:
    """A few cases of one operation; what broke is added to `broken`."""
    if time.monotonic() > until:
        return 0
    tried, judges_all = 0, mode is GenerationMode.NEGATIVE

    @seed(20260101)
    @settings(max_examples=EXAMPLES, deadline=None, database=None, phases=[Phase.explicit, Phase.generate],
              suppress_health_check=list(HealthCheck))
    @given(case=operation.as_strategy(generation_mode=mode))
    def one(case) -> None:
        nonlocal tried
        if time.monotonic() > until:
            return
        tried += 1
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            answer = case.call(timeout=10)
            checks = list(CHECKS) + ([] if answer.status_code in EXPLAINED else [not_a_server_error])
            checks += [negative_data_rejection] if judges_all and not operation.path.endswith(TELLS) else []
            case.validate_response(answer, checks=checks)

    try:
        one()
    except Unsatisfiable:  # nothing that this operation takes could be wrong
        return tried
    except (AssertionError, BaseExceptionGroup, Exception) as error:  # told with the operation, all at once
        broken.append(f"{operation.method.upper()} {operation.path}: {type(error).__name__}: {str(error)[:1500]}")
    return tried
