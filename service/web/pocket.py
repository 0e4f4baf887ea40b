"""The reader for a phone's own browser: its weights, its rules and its words."""

from __future__ import annotations

import gzip
from functools import lru_cache
from importlib import resources
from typing import Any

import brotli
from fastapi import APIRouter, Request
from fastapi.responses import JSONResponse, Response

from classifier.card import Card
from classifier.messages import templates
from classifier.networks import graph_name, graph_of
from classifier.photo import WORKING_SIDE
from classifier.pocket_weights import pack
from classifier.quality import rules
from classifier.reader import Reader
from classifier.vocabulary import COMBS
from service.errors import NotFound
from service.web.pages import reader_of
from service.wording.language import current, translated
from service.wording.numbers import as_written
from service.wording.sentences import join_parts, word

router = APIRouter(prefix="/pocket")
Places = dict[str, list[dict[str, Any]]]
# What never changes under its address; a phone asks once.
KEPT = {"Cache-Control": "private, max-age=31536000, immutable"}
USED = ("size", "context", "mean", "std", "finder_size", "temperatures", "offsets")
RUNTIMES = {
    "onnxruntime": "onnxruntime/ort-wasm-simd-threaded.wasm.br",
    "zxing": "zxing/zxing_reader.wasm.br",
}


@lru_cache(maxsize=1)
def packed_of(reader: Reader) -> tuple[Places, bytes]:
    """Return where in the weights in use each tensor lies, and them compressed for browsers."""
    pocket = pack(reader.tensors())
    return pocket.tensors, gzip.compress(pocket.data, 9, mtime=0)


def use_of(card: Card) -> dict[str, Any]:
    """Return what of the card a reading needs."""
    use = {name: getattr(card, name) for name in USED}
    return use | {
        "set_thresholds": card.set_thresholds,
        "wattle_error": card.wattle_error,
        "mistakes": card.mistakes,
    }


def words() -> dict[str, Any]:
    """Return the sentences of doubts and the names of combs, in the language at hand."""
    several = join_parts(["", ""], "combs")
    english = {code: entry["what"] for code, entry in templates().items()}
    return {
        "language": current.get(),
        "doubts": {code: translated(template) for code, template in english.items()},
        "combs": {comb: word(comb) for comb in COMBS},
        "or": {"combs": several},
        "space": as_written("1%")[1:-1],
    }


@router.get("/reader.json")
def about(request: Request) -> JSONResponse:
    """Return the reader's numbers, rules and words, and where in its weights each tensor lies."""
    reader = reader_of(request)
    card = reader.card
    places, _ = packed_of(reader)
    return JSONResponse(
        {
            "model": card.model,
            "side": WORKING_SIDE,
            "use": use_of(card),
            "rules": rules(),
            "words": words(),
            "tensors": places,
            "graphs": {
                "finder": graph_name("finder", card.finder_size),
                "reader": graph_name("reader", card.size),
            },
        },
        headers={"Vary": "Cookie, Accept-Language"},
    )


@router.get("/weights/{model}")
def weights(request: Request, model: str) -> Response:
    """Return the packed weights of the model in use."""
    reader = reader_of(request)
    if model != reader.card.model:
        raise NotFound("no_such_page")
    _, compressed = packed_of(reader)
    headers = KEPT | {"Content-Encoding": "gzip"}
    return Response(compressed, media_type="application/octet-stream", headers=headers)


@router.get("/graphs/{name}")
def graph(request: Request, name: str) -> Response:
    """Return a network's layers, without weights."""
    card = reader_of(request).card
    for network, size in (("finder", card.finder_size), ("reader", card.size)):
        if name == graph_name(network, size):
            packed_graph = gzip.compress(graph_of(network, size), mtime=0)
            headers = {"Content-Encoding": "gzip"}
            return Response(packed_graph, media_type="application/octet-stream", headers=headers)
    raise NotFound("no_such_page")


@router.get("/{name}.wasm")
def runtime(request: Request, name: str) -> Response:
    """Return the WebAssembly of a library, in the smallest form that the browser takes.

    Browsers name Brotli on https and on the machine itself alone.
    """
    if name not in RUNTIMES:
        raise NotFound("no_such_page")
    data = resources.files(__package__).joinpath("static", RUNTIMES[name]).read_bytes()
    taken = request.headers.get("accept-encoding", "")
    headers = {"Vary": "Accept-Encoding", "Cache-Control": "private, max-age=86400"}
    if "br" in {part.partition(";")[0].strip() for part in taken.split(",")}:
        headers["Content-Encoding"] = "br"
    else:
        data = unpacked_runtime(data)
    return Response(data, media_type="application/wasm", headers=headers)


@lru_cache(maxsize=2)
def unpacked_runtime(data: bytes) -> bytes:
    """Return the WebAssembly as it is."""
    whole: bytes = brotli.decompress(data)
    return whole
