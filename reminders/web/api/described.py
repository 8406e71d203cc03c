"""Knows how the interface describes itself: OpenAPI 3.1, each operation with its scope, headers and every refusal."""

from __future__ import annotations

from http import HTTPStatus
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from reminders.desk.api_keys import ALLOWS, Scope
from reminders.web.api.call import IDEMPOTENCY_KEY, SECURITY
from reminders.web.api.problems import MEDIA_TYPE
from reminders.web.api.told import Problem

VERSION = "1.0.0"
_TRAITS = "x-traits"
_SAYS = """Enroll patients, follow their courses, bring replies and work on concerns from another program.

- **Keys.** `reminders api-keys add NAME --scope SCOPE` makes a key; send it as `Authorization: Bearer KEY`. Whatever is
  done stands in the histories under the key's name.
- **Times** are RFC 3339 with an offset, in answers that of the patient's zone.
- **Once.** Send an `Idempotency-Key` of your own with each change and repeat the call until there is an answer: it is
  done once, and answered the same for two days. What was refused changed nothing and may be repeated.
- **Errors** are problem details (RFC 9457). `code` is for programs; `errors` names the fields at fault.
- **Pages.** Follow `next`, or the Link header, until there is none.

This is not an emergency line: what a patient writes is read by rules that err, and a person must look at the concerns.
"""
_TAGS = (
    ("enrollments", "Courses of patients."),
    ("messages", "What is sent to whom."),
    ("replies", "What patients write."),
    ("concerns", "What a person must deal with."),
    ("consents", "Whether a patient may be written to."),
)
_REFUSALS = {
    400: "The body is no JSON, or a header can't be read.",
    401: "There is no key, or none that holds.",
    403: "The key lacks the scope.",
    404: "There is no such thing in this practice.",
    409: "It does not fit the present state, or the same call is being answered.",
    412: "The version that If-Match names is not the present one.",
    413: "The body is too long.",
    415: "The body is not application/json.",
    422: "Some of what was sent can't be accepted; `errors` names it.",
    429: "Too many calls under this key; Retry-After says when to go on.",
    500: "Something broke; nothing was changed.",
    503: "The database is busy; nothing was changed.",
}
_EVERYWHERE = (400, 401, 403, 413, 422, 429, 500, 503)
_HEADERS = {
    401: {"WWW-Authenticate": "How to show a key (RFC 6750)."},
    403: {"WWW-Authenticate": "The scope that is missing (RFC 6750)."},
    409: {"Retry-After": "Seconds to wait, if the same call is being answered."},
    429: {"Retry-After": "Seconds to wait."},
    503: {"Retry-After": "Seconds to wait."},
}


def asks(scope: Scope, *traits: str) -> dict[str, Any]:
    """Return what an operation says of itself: the scope it asks for, and its traits.

    `once`: it takes an Idempotency-Key; `if_match`: it takes a version; `version`: its answer has one; `paged`: it
    leads to the next page; `creates`: it tells where the new thing is; `or_200`: it may have nothing to create.
    """
    return {"security": [{SECURITY: [str(scope)]}], _TRAITS: traits}


def description(app: FastAPI) -> dict[str, Any]:
    """Return the description of every operation."""
    made = get_openapi(
        title="reminders",
        version=VERSION,
        openapi_version="3.1.0",
        summary="Aftercare messages of a practice, and the patients who answer with a concern.",
        description=_SAYS,
        routes=app.routes,
        tags=[{"name": name, "description": says} for name, says in _TAGS],
        license_info={"name": "Apache-2.0", "identifier": "Apache-2.0"},
    )
    parts = made["components"]
    for name in ("HTTPValidationError", "ValidationError"):
        parts["schemas"].pop(name, None)
    problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    parts["schemas"] |= {**problem.pop("$defs"), "Problem": problem}
    parts["responses"] = {f"Refused{status}": _refusal(status) for status in _REFUSALS}
    parts["securitySchemes"] = {
        SECURITY: {
            "type": "http",
            "scheme": "bearer",
            "description": _scopes(),
        }
    }
    for path, operations in made["paths"].items():
        for method, operation in operations.items():
            _complete(operation, path, method)
    return made


def _scopes() -> str:
    return "A key may do what its scopes say:\n\n" + "\n".join(f"- `{scope}`: {says}" for scope, says in ALLOWS.items())


def _refusal(status: int) -> dict[str, Any]:
    headers = {name: _header(says) for name, says in _HEADERS.get(status, {}).items()}
    return {
        "description": _REFUSALS[status],
        "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
        **({"headers": headers} if headers else {}),
    }


def _complete(operation: dict[str, Any], path: str, method: str) -> None:
    traits = operation.pop(_TRAITS)
    changes = method in {"post", "patch"}
    statuses = [
        *_EVERYWHERE,
        *([404] if "{" in path else []),
        *([409] if changes else []),
        *([412] if "if_match" in traits else []),
        *([415] if "requestBody" in operation else []),
    ]
    answers = operation["responses"]
    answers.pop("422", None)
    done = next(status for status in answers if status.startswith("2"))
    if "or_200" in traits:
        answers["200"] = {**answers[done], "description": HTTPStatus(200).phrase}
    headers = {
        **({"ETag": "The version, for If-Match."} if "version" in traits else {}),
        **({"Link": 'The next page, rel="next" (RFC 8288); none on the last.'} if "paged" in traits else {}),
        **({"Location": "Where the new thing is."} if "creates" in traits else {}),
    }
    if headers:
        answers[done] = {**answers[done], "headers": {name: _header(says) for name, says in headers.items()}}
    answers |= {str(status): {"$ref": f"#/components/responses/Refused{status}"} for status in sorted(statuses)}
    if "once" in traits:
        says = "Your own name for this change, a new one for each: a UUID, for instance."
        schema = {"type": "string", "minLength": 1, "maxLength": 255, "pattern": r"^[\x21\x23-\x5b\x5d-\x7e]+$"}
        operation.setdefault("parameters", []).append(_parameter(IDEMPOTENCY_KEY, says, schema))
    if "if_match" in traits:
        says = "An ETag that you read: refused when there is another version by now."
        operation.setdefault("parameters", []).append(_parameter("If-Match", says, {"type": "string"}))


def _header(says: str) -> dict[str, Any]:
    return {"description": says, "schema": {"type": "string"}}


def _parameter(name: str, says: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"name": name, "in": "header", "required": False, "description": says, "schema": schema}
