"""Under which licences the packages stand that a practice installs: each was looked at once, and none is new."""

from __future__ import annotations

import re
from importlib.metadata import distribution
from pathlib import Path

ROOT = Path(__file__).parents[1]
LICENCES = {
    "": "lxml tzdata",
    "Apache-2.0": "opentelemetry-api phonenumbers python-multipart trove-classifiers",
    "Apache-2.0 AND BSD-2-Clause": "prometheus-client",
    "Apache-2.0 OR BSD": "python-dateutil",
    "Apache-2.0 OR BSD-2-Clause": "packaging",
    "Apache-2.0 OR BSD-3-Clause": "cryptography",
    "BSD": "babel hl7 httpx jinja2 segno",
    "BSD-2-Clause": "icalendar pygments",
    "BSD-3-Clause": "click httpcore idna markupsafe pycparser starlette uvicorn",
    "LGPL-3.0-only": "psycopg psycopg-binary",
    "MIT": (
        "alembic annotated-doc annotated-types anyio apscheduler argon2-cffi argon2-cffi-bindings editables "
        "fastapi h11 hatchling mako markdown-it-py mdurl pluggy pydantic pydantic-core python-calamine "
        "quotequail rapidfuzz rich six sqlalchemy sqlmodel tomlkit typing-inspection tzlocal"
    ),
    "MIT-0": "cffi",
    "MPL-2.0": "certifi pathspec",
    "PSF-2.0": "typing-extensions",
}
"""By SPDX name, as the packages themselves say; BSD where they say no more. All of them let this program be given on;
the LGPL one is used as it is, from the outside."""

_IN_WORDS = {
    "MIT License": "MIT",
    "BSD License": "BSD",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "Apache Software License": "Apache-2.0",
}


def test_every_package_that_is_installed_stands_under_a_licence_that_was_looked_at() -> None:
    looked_at = {name: licence for licence, names in LICENCES.items() for name in names.split()}
    assert {name: _licence(name) for name in _locked()} == looked_at


def _locked() -> set[str]:
    lock = (ROOT / "requirements.lock").read_text("utf-8")
    return set(re.findall(r"^([\w.-]+)(?:\[[\w,-]+\])?==", lock, re.MULTILINE))


def _licence(name: str) -> str:
    said = distribution(name).metadata
    if expression := said.get_all("License-Expression"):
        return str(expression[0])
    classifiers = [str(line) for line in said.get_all("Classifier") or ()]
    named = {line.rpartition("::")[2].strip() for line in classifiers if line.startswith("License")}
    return " OR ".join(sorted(_IN_WORDS.get(each, each) for each in named - {"OSI Approved"}))
