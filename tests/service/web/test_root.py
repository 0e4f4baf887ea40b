"""Pages below a path, behind a proxy that cuts the path off and behind one that does not."""

import re

import pytest
from fastapi.testclient import TestClient

from service.actions.door import Door, root_path
from service.errors import UsageMistake
from service.web.application import create
from tests.browser.demo import build, settings_in
from tests.service.web.test_pages import PAGES

ROOT = "/comb"


@pytest.fixture(scope="module")
def application(tmp_path_factory):
    settings = settings_in(tmp_path_factory.mktemp("root"))
    build(settings, with_photos=False).engine.dispose()
    return create(settings, door=Door(root=ROOT))


@pytest.fixture(params=("cut off", "passed on"))
def before(request):
    """What the proxy asks for before each path."""
    return "" if request.param == "cut off" else ROOT


@pytest.fixture
def client(application):
    with TestClient(application, base_url="http://127.0.0.1") as client:
        yield client


@pytest.mark.parametrize("path", PAGES)
def test_every_address_on_a_page_lies_below_the_root(client, before, path):
    answer = client.get(before + path)
    assert answer.status_code == 200
    found = re.findall(r'\b(?:href|src|action|formaction|data-[a-z]+)="(/[^"]*)"', answer.text)
    assert found
    assert [there for there in found if not f"{there}/".startswith(f"{ROOT}/")] == []
    assert f'data-root="{ROOT}"' in answer.text


def test_what_pages_link_to_answers(client, before):
    page = client.get(f"{before}/").text
    for there in set(re.findall(r'\b(?:href|src)="(/[^"#]*)"', page)):
        assert client.get(before + there.removeprefix(ROOT)).status_code == 200, there
    manifest = client.get(f"{before}/static/combwright.webmanifest").json()
    assert manifest["start_url"] == manifest["scope"] == "../"


def test_forms_lead_back_below_the_root_and_never_twice(client, before):
    for back in ("/birds", f"{ROOT}/birds"):
        answer = client.post(
            f"{before}/language", data={"code": "en", "back": back}, follow_redirects=False
        )
        assert answer.headers["location"] == f"{ROOT}/birds"
        assert re.search(r"Path=/comb(;|$)", answer.headers["set-cookie"])


def test_programs_are_told_where_it_lies(client, before):
    told = client.get(f"{before}/api/v1/openapi.json").json()
    assert told["servers"] == [{"url": ROOT}]
    answer = client.get(f"{before}/api/v1/birds?count=5")
    assert answer.headers["link"].startswith(f"<{ROOT}/api/v1/birds?")
    assert client.get(f"{before}/api/v1/birds/999").json()["code"] == "no_such_bird"


def test_a_path_that_only_begins_alike_is_another(application):
    with TestClient(application, base_url="http://127.0.0.1") as client:
        assert client.get("/combs").status_code == 404


@pytest.mark.parametrize("text", ["comb", "/a b", "//host", "/a/../b", "/a?b", "/<b>", "/a//b"])
def test_a_path_that_can_not_be_one_is_refused(text):
    with pytest.raises(UsageMistake):
        root_path(text)


@pytest.mark.parametrize("text", ["", "/", "/a", "/a/b-c_d.e~f/"])
def test_paths_lose_their_last_slash(text):
    assert root_path(text) == text.rstrip("/")
