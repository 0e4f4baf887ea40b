"""The API against its own description, by schemathesis: no 5xx, no status that isn't described,
no request refused for its form that the description allows.

    python -m benchmarks.schema [--cases 20000] [--seed 1]

On a store of its own with the birds and some photos of the demo. Prints cases and statuses by
operation; exit 1 on any finding.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import warnings
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import schemathesis
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, Phase, Verbosity, given, seed, settings
from hypothesis.errors import Flaky, Unsatisfiable
from schemathesis.checks import load_all_checks

sys.path.insert(0, str(Path(__file__).parent.parent))
from service.settings import Settings
from tests.conftest import DEMO

# What says that a request's form was refused, which no valid request may meet.
OF_FORM = ("form_field", "body_unreadable", "not_allowed", "no_such_page")
BASE = "http://127.0.0.1"


@contextmanager
def demo_app(photos: int = 2) -> Iterator[Any]:
    """Provide the application on a store with the demo's birds and some of its photos."""
    from service.web.application import create

    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        app = create(Settings(home, f"sqlite:///{home / 'flock.sqlite3'}"))
        client = TestClient(app, base_url=BASE)
        listed = (DEMO / "flock.csv").read_bytes()
        client.post("/api/v1/birds", files={"file": ("flock.csv", listed)}).raise_for_status()
        for photo in sorted(DEMO.glob("*.jpg"))[:photos]:
            files = {"file": (photo.name, photo.read_bytes())}
            client.post("/api/v1/photos", files=files).raise_for_status()
        yield app
        app.state.store.engine.dispose()


# In every second case these name what is there, so that acts are carried out as well.
THERE: dict[str, Any] = {
    "band": "17", "bird": "17", "sire": "1", "dam": "2", "mate": "2", "bands": ["17", "18"]
}  # fmt: skip


FILES = {
    "/api/v1/photos": (DEMO / "17.jpg").read_bytes(),
    "/api/v1/birds": b"bird,sire,dam\n17,1,2\n",
}


def name_what_is_there(case: Any, there: dict[str, Any]) -> None:
    """Let a case name birds and photos that are there."""
    for part in (case.path_parameters, case.query, case.body):
        if isinstance(part, dict):
            for key in part.keys() & there.keys():
                part[key] = there[key]


def try_operation(
    operation: Any, cases: int, number: int, there: dict[str, Any]
) -> tuple[Counter[int], list[str]]:
    """Send so many cases to an operation; returns statuses, and what is wrong."""
    statuses: Counter[int] = Counter()
    found: list[str] = []

    @seed(number)
    @settings(
        max_examples=cases,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        verbosity=Verbosity.quiet,
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy())
    def run(case: Any) -> None:
        if statuses.total() % 2:
            name_what_is_there(case, there)
        answer = case.call(base_url=BASE)
        statuses[answer.status_code] += 1
        described = {int(s) for s in operation.definition.raw["responses"] if s.isdecimal()}
        if answer.status_code >= 500:
            found.append(f"{answer.status_code}: {case.as_curl_command()[:300]}")
        elif answer.status_code not in described:
            found.append(f"{answer.status_code} isn't described: {case.as_curl_command()[:300]}")
        elif answer.status_code >= 400:
            code = answer.json().get("code", "no code")
            if code in OF_FORM:
                found.append(f"refused as {code}: {case.as_curl_command()[:300]}")

    try:
        run()
    except (Unsatisfiable, Flaky) as error:
        found.append(f"not tried: {error}")
    return statuses, found


def try_all(app: Any, cases: int, number: int) -> tuple[int, list[str]]:
    """Share cases out over all operations; returns how many were sent, and what is wrong."""
    load_all_checks()
    schema = schemathesis.openapi.from_dict(app.openapi())
    schema.app = app
    operations: list[Any] = [result.ok() for result in schema.get_all_operations()]  # type: ignore[union-attr]
    client = TestClient(app, base_url=BASE)
    photo = client.get("/api/v1/sort", params={"pile": "settled"}).json()["pile"]
    there = THERE | ({"sha256": photo[0]["sha256"]} if photo else {})
    total, wrong = 0, []
    for operation in operations:
        file = {"file": FILES[operation.path]} if operation.path in FILES else {}
        share = max(1, cases // len(operations))
        statuses, found = try_operation(operation, share, number, there | file)
        total += statuses.total()
        said = ", ".join(f"{status}: {count}" for status, count in sorted(statuses.items()))
        print(f"{operation.method.upper():6} {operation.path}: {said}")
        for line in found[:5]:
            print(f"  {line}")
        wrong += found
    return total, wrong


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cases", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    with demo_app() as app:
        total, wrong = try_all(app, asked.cases, asked.seed)
    print(f"{total} cases, {len(wrong)} findings")
    sys.exit(bool(wrong))


if __name__ == "__main__":
    main()
