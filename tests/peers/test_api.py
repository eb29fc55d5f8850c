"""The API of a running daemon against its own description: whatever is asked, the answer is one that it names.

OpenAPI Specification 3.1, "Responses Object": it is expected to cover a successful response and any known errors.
schemathesis makes the requests, valid ones and others, acting ones too.
"""

import asyncio
import hashlib
from collections.abc import Iterator
from functools import partial
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from schemathesis.checks import CHECKS, load_all_checks
from schemathesis.core.result import Err

from tests.peers.test_page import free_port, up
from tests.whole.conftest import Farm, farm

__all__ = ["farm"]

pytestmark = pytest.mark.peer
Operation = Any
"""One operation of the description, as schemathesis holds it; its own type has four parameters of no use here."""
TOKEN = "a token of this test's own"
EACH = 12
"""How many requests each operation gets; more in a run of its own, none of which found more (EACH = 200)."""
WANTED = ("not_a_server_error", "status_code_conformance", "content_type_conformance", "response_schema_conformance")


def operations(address: str) -> Iterator[Operation]:
    """Every operation that the daemon describes."""
    schema = schemathesis.openapi.from_url(f"{address}/api/openapi.json")
    for found in schema.get_all_operations():
        assert not isinstance(found, Err), found
        yield found.ok()


def ask_everything(address: str) -> list[str]:
    """Ask each operation by its description, and check each answer against it; what was asked."""
    load_all_checks()
    checks: list[Any] = CHECKS.get_by_names(list(WANTED))
    asked = []
    for operation in operations(address):
        modes = [
            operation.as_strategy(generation_mode=mode)
            for mode in (schemathesis.GenerationMode.POSITIVE, schemathesis.GenerationMode.NEGATIVE)
            if mode is schemathesis.GenerationMode.POSITIVE or _takes_something(operation)
        ]

        @settings(max_examples=EACH, deadline=None, database=None, suppress_health_check=list(HealthCheck))
        @given(case=st.one_of(*modes))
        def ask(case: schemathesis.Case[Any]) -> None:
            answer = case.call(headers={"Authorization": f"Bearer {TOKEN}"}, timeout=20)
            case.validate_response(answer, checks=checks)

        ask()
        asked.append(f"{operation.method.upper()} {operation.path}")
    return asked


def _takes_something(operation: Operation) -> bool:
    return bool(operation.body) or bool(operation.query)


async def test_every_answer_is_one_that_is_described(farm: Farm) -> None:
    secrets = farm.settings.secrets_file
    assert secrets is not None
    digest = hashlib.sha256(TOKEN.encode()).hexdigest()
    entry = f"  test: {{kind: token, role: operator, token_sha256: {digest}}}\n"
    secrets.write_text(secrets.read_text(encoding="utf-8").rstrip() + "\n" + entry, encoding="utf-8")
    address = f"127.0.0.1:{free_port()}"
    daemon = await farm.daemon(address, asyncio.subprocess.DEVNULL)
    await farm.until(partial(up, farm))
    await asyncio.sleep(5)
    asked = await asyncio.to_thread(ask_everything, f"http://{address}")
    assert {"GET /api/picture", "POST /api/act", "POST /api/cycle", "GET /api/chart"} <= set(asked)
    assert (await farm.ask("status"))[0] == 0, "it is there still"
    daemon.terminate()
    await daemon.wait()
