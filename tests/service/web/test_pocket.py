"""What a phone's own reader fetches."""

import gzip
import re

import brotli
import pytest
from fastapi.testclient import TestClient

from classifier.messages import templates
from classifier.pocket_weights import pack
from service.web.application import create
from tests.browser.demo import settings_in


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    settings = settings_in(tmp_path_factory.mktemp("pocket"))
    with TestClient(create(settings), base_url="http://127.0.0.1") as client:
        yield client


def test_the_reader_is_described_with_rules_and_words(client):
    told = client.get("/pocket/reader.json").json()
    assert told["rules"]["pile"]["least_confidence"] == 0.7
    assert set(told["words"]["doubts"]) == set(templates())
    assert told["words"]["combs"]["walnut"] == "walnut"
    german = client.get("/pocket/reader.json", headers={"accept-language": "de"}).json()
    assert german["words"]["combs"]["walnut"] == "Walnusskamm"
    assert german["words"]["space"] == "\N{NO-BREAK SPACE}"
    assert {k: v for k, v in german.items() if k != "words"} == {
        k: v for k, v in told.items() if k != "words"
    }


def test_words_of_the_page_ask_only_for_what_its_script_can_fill():
    """Placeholders of doubts: a name, a percentage or a whole number."""
    for code, entry in templates().items():
        if "remedy" in entry:
            continue  # of errors, which the page's reader doesn't make
        for form in re.findall(r"\{\w+(?::([^}]*))?\}", entry["what"]):
            assert form in ("", ".0%", ".0f"), code


def test_weights_and_graphs_of_the_model_in_use_are_sent_and_no_others(client):
    told = client.get("/pocket/reader.json").json()
    sent = client.get(f"/pocket/weights/{told['model']}")
    assert sent.headers["content-encoding"] == "gzip"
    assert "immutable" in sent.headers["cache-control"]
    reader = client.app.state.readers()
    from classifier.networks import kept_tensors

    assert sent.content == pack(kept_tensors(reader.folder, reader.card)).data
    for name in told["graphs"].values():
        assert len(client.get(f"/pocket/graphs/{name}").content) > 20_000
    for path in ("weights/another", "graphs/../card.json", "graphs/finder-1.onnx"):
        assert client.get(f"/pocket/{path}").status_code == 404


def test_the_runtime_comes_packed_where_that_is_taken_and_plain_elsewhere(client):
    plain = client.get("/pocket/onnxruntime.wasm", headers={"accept-encoding": "gzip"})
    assert plain.headers["content-type"] == "application/wasm"
    assert plain.content.startswith(b"\0asm")
    with client.stream(
        "GET", "/pocket/onnxruntime.wasm", headers={"accept-encoding": "gzip, br;q=0.9"}
    ) as packed:
        raw = b"".join(packed.iter_raw())
        assert packed.headers["content-encoding"] == "br"
    assert len(raw) < 2_500_000
    assert brotli.decompress(raw) == plain.content
    assert len(gzip.compress(plain.content, 1)) > len(raw)


def test_pages_may_run_the_reader_and_nothing_from_elsewhere(client):
    headers = client.get("/walk").headers
    policy = headers["content-security-policy"]
    assert "script-src 'self' 'wasm-unsafe-eval';" in policy
    assert "unsafe-inline" not in policy
    assert headers["cross-origin-embedder-policy"] == "require-corp"
    assert headers["cross-origin-opener-policy"] == "same-origin"
