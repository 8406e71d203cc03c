"""Asks a public list whether a package that we use has a known weakness: `python -m tests.advisories`.

Exit code 0: none has; 1: some have, named on the standard output; 3: the list could not be asked, so nobody knows.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Mapping
from pathlib import Path

import httpx

LIST = "https://api.osv.dev/v1/querybatch"
"""The question and its answer: https://google.github.io/osv.dev/post-v1-querybatch/; answers come in our order."""
ACCEPTED: Mapping[str, str] = {}
"""Advisories that do not concern us → why."""
UNKNOWN = 3
_ROOT = Path(__file__).parents[1]
_SECONDS = 20


def locked() -> dict[str, str]:
    """Every package of a practice and of the tests, with its version."""
    locks = [path.read_text("utf-8") for path in (_ROOT / "requirements.lock", _ROOT / "tests/requirements.lock")]
    return dict(re.findall(r"^([\w.-]+)(?:\[[\w,-]+\])?==([\w.+!-]+)", "\n".join(locks), re.MULTILINE))


def known(packages: Mapping[str, str], url: str = LIST) -> dict[str, list[str]]:
    """The advisories of the packages that have any; raises httpx.HTTPError or ValueError when no answer comes."""
    questions = [{"package": {"ecosystem": "PyPI", "name": name}, "version": packages[name]} for name in packages]
    answer = httpx.post(url, json={"queries": questions}, timeout=_SECONDS).raise_for_status()
    results = answer.json()["results"]
    if len(results) != len(questions):
        raise ValueError(f"{len(results)} answers to {len(questions)} questions")
    found = {
        name: [each["id"] for each in result.get("vulns", ()) if each["id"] not in ACCEPTED]
        for name, result in zip(packages, results, strict=True)
    }
    return {name: ids for name, ids in found.items() if ids}


def main(url: str = LIST) -> int:
    """Tell what is known; the exit code says it as well."""
    packages = locked()
    try:
        found = known(packages, url)
    except (httpx.HTTPError, ValueError, KeyError, TypeError) as error:
        said = f"NOT ASKED whether {len(packages)} packages have known weaknesses: {url} gave no answer ({error!r})"
        print(said, file=sys.stderr)  # noqa: T201  a tool for the terminal
        return UNKNOWN
    for name, ids in found.items():
        print(f"{name} {packages[name]}: {', '.join(ids)}")  # noqa: T201  a tool for the terminal
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main(*sys.argv[1:]))
