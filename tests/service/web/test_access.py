"""Who may come in: every route, every role, from here and from elsewhere, against one table."""

import re
from collections.abc import Iterator

import pytest
from fastapi.testclient import TestClient
from starlette.middleware import trustedhost
from starlette.routing import Mount, Route

from service.actions import access
from service.actions.door import Door, door_for
from service.errors import UsageMistake
from service.records.accounts import FREE_TRIES
from service.records.states import ROLES
from service.settings import Settings
from service.web.access_table import ANYONE, as_markdown, document, role_for
from service.web.application import create
from service.web.cookies import COOKIE
from tests.conftest import ROOT

BASE = "http://192.0.2.7:8000"  # TEST-NET-1 (RFC 5737)
PASSWORD = "feather dust and grit"
NETWORK = Door(True, ("192.0.2.7", "localhost"), 8000)
VISITORS = (None, *ROLES)


@pytest.fixture(scope="module")
def app(tmp_path_factory):
    home = tmp_path_factory.mktemp("access")
    settings = Settings(home, f"sqlite:///{home / 'flock.sqlite3'}")
    with pytest.raises(UsageMistake, match="there is none yet"):
        create(settings, door=NETWORK)
    from service.installation import open_store

    store = open_store(settings)
    access.make_owner(store, "own", PASSWORD)
    for role in ROLES[:-1]:
        access.add_account(store, role, role, PASSWORD)
    store.engine.dispose()
    return create(settings, door=NETWORK)


@pytest.fixture(scope="module")
def clients(app):
    """A client for each role, signed in, and one for nobody."""
    found = {None: TestClient(app, base_url=BASE, raise_server_exceptions=False)}
    for role in ROLES:
        found[role] = TestClient(app, base_url=BASE, raise_server_exceptions=False)
        answer = sign_in(found[role], role)
        assert answer.status_code == 303
    return found


def sign_in(client, name, password=PASSWORD):
    data = {"name": name, "password": password}
    return client.post("/sign-in", data=data, follow_redirects=False)


def routes(part) -> Iterator[tuple[str, str]]:
    """Methods and paths of an application, whatever it includes."""
    for route in part.routes:
        if isinstance(route, Mount):
            yield "GET", f"{route.path}/{{path:path}}"
        elif isinstance(route, Route) or hasattr(route, "methods"):
            for method in sorted((route.methods or set()) - {"HEAD", "OPTIONS"}):
                yield method, route.path
        elif hasattr(route, "original_router"):
            yield from routes(route.original_router)


def every_route(app) -> list[tuple[str, str]]:
    return sorted(set(routes(app)))


def filled(path: str) -> str:
    return re.sub(r"\{(\w+)(:\w+)?\}", lambda m: "1" if m[1] == "number" else "x", path)


def test_every_route_has_a_line_of_the_table_and_every_line_a_route(app):
    known = every_route(app)
    assert len(known) > 60
    lines = [tuple(line.split(" ", 1)) for line in document()["access"]]
    table = [(m, re.sub(r"\{.*?\}", "{}", p)) for m, p in lines]
    for method, path in known:
        # No line at all falls to an owner: each route must be decided on.
        shape = re.sub(r"\{.*?\}", "{}", path)
        broad = any(m == method and re.sub(r"\{\}.*", "", p) and shape.startswith(p.split("{}")[0])
                    and p.endswith("{}") for m, p in table)  # fmt: skip
        assert (method, shape) in table or broad, (method, path)
    shapes = {(m, re.sub(r"\{.*?\}", "{}", p)) for m, p in known}
    paths = [(m, filled(p)) for m, p in known]
    for method, path in lines:
        shape = re.sub(r"\{.*?\}", "{}", path)
        prefix = shape.split("{}")[0]
        assert (method, shape) in shapes or any(
            m == method and p.startswith(prefix) for m, p in paths
        ), (method, path)


def allowed(method: str, path: str, visitor: str | None) -> bool:
    needed = role_for(method, path)
    return needed == ANYONE or (visitor is not None and ROLES.index(visitor) >= ROLES.index(needed))


# What is asked of each route: nothing that it could carry out, since only the door is tested.
WAYS = {
    "plain": ({}, True),
    "own origin": ({"origin": BASE, "sec-fetch-site": "same-origin"}, True),
    "foreign origin": ({"origin": "http://evil.example"}, False),
    "null origin": ({"origin": "null"}, False),
    "same site": ({"sec-fetch-site": "same-site"}, False),
    "cross site": ({"sec-fetch-site": "cross-site"}, False),
}


def is_refused(answer) -> bool:
    """Whether it was the door that refused."""
    if answer.status_code == 303:
        return answer.headers["location"].startswith("/sign-in")
    return answer.status_code in (401, 403) or (
        answer.status_code == 400 and "Invalid host" in answer.text
    )


@pytest.mark.parametrize("visitor", VISITORS)
def test_every_route_is_open_to_exactly_those_whom_the_table_names(app, clients, visitor):
    client = clients[visitor]
    for method, path in every_route(app):
        if path in ("/sign-out", "/api/v1/session") and method != "GET":
            continue  # ends the session that this test needs; tested below
        for way, (headers, ours) in WAYS.items():
            answer = client.request(method, filled(path), headers=headers, follow_redirects=False)
            writes = method not in ("GET", "HEAD")
            open_to = allowed(method, filled(path), visitor) and (ours or not writes)
            if path.endswith("/session"):
                open_to = open_to and visitor is not None  # says that nobody is signed in
            assert is_refused(answer) != open_to, (visitor, method, path, way, answer.status_code)
            assert answer.status_code < 500, (method, path, answer.text)
            assert "base-uri 'none'" in answer.headers["content-security-policy"]


@pytest.mark.parametrize("host", ["evil.example", "192.0.2.8:8000", "localhost.evil.example", ""])
@pytest.mark.parametrize("visitor", VISITORS)
def test_no_route_answers_for_a_foreign_host(app, clients, visitor, host):
    for method, path in every_route(app):
        answer = clients[visitor].request(
            method, filled(path), headers={"host": host}, follow_redirects=False
        )
        # A write falls over the origin check only if a browser says where it comes from.
        assert is_refused(answer), (method, path, answer.status_code)
        assert "content-security-policy" in answer.headers


def test_on_the_machine_itself_only_its_own_names_are_answered(tmp_path):
    settings = Settings(tmp_path, f"sqlite:///{tmp_path / 'flock.sqlite3'}")
    app = create(settings)
    own = ["127.0.0.1:8000", "localhost"]
    if hasattr(trustedhost, "parse_host_header"):  # Starlette before it refuses all IPv6 literals
        own.append("[::1]:8000")
    for name in own:
        client = TestClient(app, base_url=f"http://{name}")
        assert client.get("/birds").status_code == 200
        assert client.post("/language", data={"code": "de"}).status_code == 200
        for headers in ({"origin": "null"}, {"sec-fetch-site": "same-site"}):
            said = client.post("/flock/pens", data={"name": "1"}, headers=headers)
            assert said.status_code == 403
    for name in ("evil.example", "127.0.0.1.evil.example", "192.168.1.5:8000"):
        assert TestClient(app, base_url=f"http://{name}").get("/").status_code == 400


def test_the_table_in_the_docs_is_the_one_that_counts():
    assert (ROOT / "docs" / "access.md").read_text() == as_markdown()


def test_the_name_on_the_trail_is_the_accounts_and_never_the_forms(app, clients):
    page = {"name": "Spring", "on": "2026-03-01", "by": "Somebody Else"}
    assert clients["decide"].post("/flock/hatches", data=page).status_code == 200
    json = {"name": "South", "by": "Somebody Else"}
    assert clients["decide"].post("/api/v1/pens", json=json).status_code == 200
    trail = clients["look"].get("/api/v1/trail").json()
    assert {act["by"] for act in trail[:2]} == {"decide"}


def test_who_may_only_read_takes_back_own_acts_alone(app, clients):
    clients["decide"].post("/api/v1/pens", json={"name": "West"})
    act = clients["look"].get("/api/v1/trail").json()[0]["batch"]
    refused = clients["read"].post("/api/v1/undo", json={"act": act})
    assert (refused.status_code, refused.json()["code"]) == (403, "not_your_act")
    assert clients["own"].post("/api/v1/undo", json={"act": act}).status_code == 200


def test_a_link_lets_one_helper_in_once(app, clients):
    page = clients["own"].post("/accounts/invitations", data={"role": "read"}).text
    link = re.search(r"<code[^>]*>(http://192\.0\.2\.7:8000/join/([\w-]+))</code>", page)
    assert link is not None
    assert len(link[2]) >= 43  # 256 bits as base64url
    assert "<svg" in page
    helper = TestClient(app, base_url=BASE)
    assert "look and read photos" in helper.get(link[1]).text
    short = helper.post(link[1], data={"name": "Ida", "password": "short"})
    assert short.status_code == 422
    taken = helper.post(link[1], data={"name": "OWN", "password": PASSWORD})
    assert taken.status_code == 409
    done = helper.post(link[1], data={"name": "Ida", "password": PASSWORD}, follow_redirects=False)
    assert done.headers["location"] == "/"
    assert helper.get("/api/v1/session").json() == {"name": "Ida", "role": "read"}
    assert helper.get(link[1]).status_code == 404
    again = helper.post(link[1], data={"name": "Eva", "password": PASSWORD})
    assert again.status_code == 404
    clients["own"].post("/accounts/role", data={"name": "Ida", "role": "look"})
    assert helper.get("/api/v1/session").status_code == 401  # another role, another session
    sign_in(helper, "Ida")
    assert helper.get("/api/v1/session").json()["role"] == "look"
    clients["own"].post("/accounts/close", data={"name": "Ida"})
    assert helper.get("/api/v1/session").status_code == 401
    assert sign_in(helper, "Ida").status_code == 422


def test_the_last_owner_stays(clients):
    closed = clients["own"].post("/accounts/close", data={"name": "own"})
    assert closed.status_code == 409
    lowered = clients["own"].post("/accounts/role", data={"name": "own", "role": "look"})
    assert lowered.status_code == 409
    assert clients["own"].get("/accounts").status_code == 200


def test_a_cookie_is_for_no_script_and_no_other_site_and_ends_with_its_session(app):
    client = TestClient(app, base_url=BASE)
    header = sign_in(client, "look").headers["set-cookie"]
    assert "HttpOnly" in header
    assert "SameSite=lax" in header
    assert "Secure" not in header  # over plain http a browser would drop it
    secure = TestClient(app, base_url=BASE.replace("http:", "https:"))
    assert "Secure" in sign_in(secure, "look").headers["set-cookie"]
    cookie = client.cookies[COOKIE]
    assert client.get("/api/v1/session").status_code == 200
    forged = TestClient(app, base_url=BASE, cookies={COOKIE: cookie[:-1] + "A"})
    assert forged.get("/api/v1/session").status_code == 401
    client.post("/sign-out")
    late = TestClient(app, base_url=BASE, cookies={COOKIE: cookie})
    assert late.get("/api/v1/session").status_code == 401


def test_a_session_is_renewed_each_day_and_ends_after_a_month(app, monkeypatch):
    from datetime import timedelta

    client = TestClient(app, base_url=BASE)
    sign_in(client, "look")
    first, real = client.cookies[COOKIE], access.now
    monkeypatch.setattr(access, "now", lambda: real() + timedelta(days=1, hours=1))
    assert client.get("/api/v1/session").status_code == 200
    second = client.cookies[COOKIE]
    assert second != first
    old = TestClient(app, base_url=BASE, cookies={COOKIE: first})
    assert old.get("/api/v1/session").status_code == 200  # it was under way
    monkeypatch.setattr(access, "now", lambda: real() + timedelta(days=1, hours=2))
    assert old.get("/api/v1/session").status_code == 401
    assert client.get("/api/v1/session").status_code == 200
    monkeypatch.setattr(access, "now", lambda: real() + timedelta(days=31))
    assert client.get("/api/v1/session").status_code == 401


def test_guessing_is_slowed_down_and_the_right_password_waits_as_well(tmp_path):
    from service.installation import open_store

    settings = Settings(tmp_path, f"sqlite:///{tmp_path / 'flock.sqlite3'}")
    store = open_store(settings)
    access.make_owner(store, "Ada", PASSWORD)
    client = TestClient(create(settings, door=NETWORK), base_url=BASE)
    for _ in range(FREE_TRIES):
        assert sign_in(client, "Ada", "a wrong password").status_code == 422
    for _ in range(3):
        said = sign_in(client, "Ada", PASSWORD)
        assert said.status_code == 429
        assert int(said.headers["retry-after"]) >= 1
    store.engine.dispose()


def test_the_door_of_an_address():
    assert door_for("127.0.0.1", 8000, (), False) == Door(port=8000)
    assert door_for("0.0.0.0", 8000, (), False).accounts
    assert door_for("127.0.0.1", 8000, ("flock.example",), False).accounts  # behind a proxy
    assert "flock.example" in door_for("127.0.0.1", 8000, ("flock.example",), False).hosts


def test_another_password_ends_all_sessions(app):
    client = TestClient(app, base_url=BASE)
    sign_in(client, "read")
    wrong = client.post("/password", data={"old": "not this one", "password": PASSWORD + "!"})
    assert wrong.status_code == 422
    client.post("/password", data={"old": PASSWORD, "password": PASSWORD + "!"})
    assert client.get("/api/v1/session").status_code == 401
    assert sign_in(client, "read", PASSWORD + "!").status_code == 303
    client.post("/password", data={"old": PASSWORD + "!", "password": PASSWORD})
