"""The API keeps to its own description: a short run of `benchmarks/schema.py`."""

import warnings

import pytest

from benchmarks.schema import demo_app, try_all


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_no_5xx_no_status_that_is_not_described_and_no_valid_request_refused():
    warnings.simplefilter("ignore")
    with demo_app() as app:
        total, wrong = try_all(app, 700, 5)
    assert total > 400
    assert wrong == []


def test_every_operation_describes_what_it_answers():
    with demo_app(photos=0) as app:
        paths = app.openapi()["paths"]
    operations = [o for path in paths.values() for o in path.values()]
    assert len(operations) > 20
    for operation in operations:
        assert operation["summary"]
        statuses = operation["responses"]
        assert {"401", "403", "404", "409", "413", "422"} <= statuses.keys()
        problem = statuses["422"]["content"]["application/json"]["schema"]["$ref"]
        assert problem.endswith("/Problem")
