"""The interface does what its description says: judged by an independent validator and by generated calls."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from openapi_spec_validator import OpenAPIV31SpecValidator
from schemathesis.checks import CHECKS
from schemathesis.core.result import Ok
from schemathesis.generation import GenerationMode

from reminders.desk.api_keys import Scope
from reminders.desk.concerns import OUTCOMES
from reminders.records.message_states import MessageState
from reminders.web.api import described
from tests.desk.office import open_office
from tests.web.programs import key_of
from tests.web.server import serving

SCHEMA = schemathesis.openapi.from_dict(described())
CALLS: tuple[Any, ...] = tuple(found.ok() for found in SCHEMA.get_all_operations() if isinstance(found, Ok))
EXAMPLES = 12
"""Calls of each operation and kind: all of them take less than a minute."""
BEYOND_A_SCHEMA: list[Any] = CHECKS.get_by_names(["positive_data_acceptance"])
"""What a schema allows may still name a zone, a plan or a number that there is not."""


@pytest.fixture(scope="module")
def practice(tmp_path_factory: pytest.TempPathFactory, empty_database: Path) -> Iterator[tuple[str, dict[str, str]]]:
    """A practice with courses and concerns, served: its address, and the header of a key that may do everything."""
    folder = tmp_path_factory.mktemp("practice")
    database = Path(shutil.copy(empty_database, folder / "reminders.sqlite3"))
    office = open_office(folder, database, "2026-06-10T10:30", web={"api_calls_per_minute": 1_000_000})
    for number in range(3):
        office.enroll(phone=f"312-555-012{number}")
        office.reply("it is red and hot up to my ankle", sender=f"+1312555012{number}")
    with serving(office.app) as server:
        yield server.base, {"Authorization": f"Bearer {key_of(office)}"}
    office.database.close()


def test_the_description_is_openapi_3_1() -> None:
    """OpenAPI Specification 3.1.0, as openapi-spec-validator reads it."""
    assert described()["openapi"] == "3.1.0"
    assert [error.message for error in OpenAPIV31SpecValidator(described()).iter_errors()] == []


def test_every_operation_is_called() -> None:
    assert len(CALLS) == len(tuple(operations())) == 20


def parts_of(described_part: Any) -> Iterator[dict[str, Any]]:
    """Every object within the description."""
    if isinstance(described_part, dict):
        yield described_part
        for each in described_part.values():
            yield from parts_of(each)
    elif isinstance(described_part, list):
        for each in described_part:
            yield from parts_of(each)


def named_in(described_parts: list[Any]) -> set[str]:
    """The schemas that parts of the description refer to."""
    return {each["$ref"].rpartition("/")[2] for each in parts_of(described_parts) if "$ref" in each}


def operations() -> Iterator[dict[str, Any]]:
    """Every operation as it is described."""
    for each in described()["paths"].values():
        yield from each.values()


def test_every_operation_says_what_it_does_and_what_it_asks_for() -> None:
    for operation in operations():
        assert operation["description"].endswith("."), operation["operationId"]
        ((scheme, scopes),) = operation["security"][0].items()
        assert scheme == "key"
        assert {*scopes} <= set(Scope)
        assert {"400", "401", "403", "422", "429", "500", "503"} <= set(operation["responses"])


def test_every_parameter_is_described() -> None:
    parameters = [each for operation in operations() for each in operation.get("parameters", [])]
    assert [each["name"] for each in parameters if not each.get("description")] == []


def test_everything_that_is_sent_is_strict() -> None:
    schemas = described()["components"]["schemas"]
    bodies = [each["requestBody"] for each in operations() if "requestBody" in each]
    sent = named_in(bodies)
    sent |= named_in([schemas[name] for name in sent])
    assert {"EnrollmentGiven", "CourseFacts", "FactsPatch", "ReplyGiven"} <= sent
    assert {name for name in sent if schemas[name].get("additionalProperties") is not False} == set()


def test_the_words_of_the_program_are_those_of_the_description() -> None:
    """A word that the program learns must be told."""
    schemas = described()["components"]["schemas"]
    assert {*schemas["CallGiven"]["properties"]["outcome"]["enum"]} == {*OUTCOMES}
    told = set(re.findall(r"\w+", schemas["Message"]["properties"]["state"]["description"]))
    assert {str(state) for state in MessageState} <= told


def known(operation: Any) -> dict[str, int]:
    """The number of something that there is, for an operation that is about one: else nearly all calls would miss."""
    return dict.fromkeys(re.findall(r"\{(\w+)\}", operation.path), 1)


@pytest.mark.parametrize("mode", list(GenerationMode), ids=str)
@pytest.mark.parametrize("operation", CALLS, ids=lambda each: each.label)
def test_generated_calls_are_answered_as_described(
    practice: tuple[str, dict[str, str]], operation: Any, mode: GenerationMode
) -> None:
    """schemathesis: no call breaks the server, and each answer has the status, headers and form that are described."""
    base, headers = practice
    there = known(operation) if mode is GenerationMode.POSITIVE else None

    @settings(
        max_examples=EXAMPLES,
        derandomize=True,
        deadline=None,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(generation_mode=mode, path_parameters=there))
    def conform(case: schemathesis.Case[Any]) -> None:
        case.call_and_validate(base_url=base, headers=headers, excluded_checks=BEYOND_A_SCHEMA, timeout=120)

    conform()
