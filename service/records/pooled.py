"""Heads that breeders share: packed without names, places and times, signed, checked, kept.

A package is a ZIP archive: `manifest.json` names its licence, the key of who made it, and every
head with its SHA-256, comb and how that is known; `manifest.sig` is the Ed25519 signature
(RFC 8032) of the manifest's bytes. Heads are crops of 256 pixels, square round the head and twice
as wide.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from cryptography.hazmat.primitives.serialization import (
    Encoding,
    NoEncryption,
    PrivateFormat,
    PublicFormat,
    load_pem_private_key,
)
from PIL import Image

from classifier.boxes import Box
from classifier.vocabulary import ALLOWED
from genetics.messages import Place
from service.errors import NotFound, StoreError
from service.records.photo_files import write_or_tell, write_synced

FORMAT, VERSION = "combwright heads", 1
MANIFEST, SIGNATURE = "manifest.json", "manifest.sig"
SIDE = 256
MIDDLE: Box = (SIDE / 4, SIDE / 4, SIDE * 3 / 4, SIDE * 3 / 4)
"""Where the head lies in a crop that is twice as wide."""
MOST_HEADS, MOST_HEAD_BYTES, MOST_MANIFEST = 20_000, 200_000, 20_000_000
LICENCES = ("CC0-1.0", "CC-BY-4.0")
HOW = ("readings", "relatives")
UNSOUND = (
    KeyError, ValueError, TypeError, zipfile.BadZipFile, zlib.error, EOFError, OSError,
    NotImplementedError, RuntimeError, Image.DecompressionBombError, RecursionError,
)  # fmt: skip


@dataclass(frozen=True)
class PooledHead:
    """A head of a package."""

    file: str
    sha256: str
    comb: str
    how: str
    bird: int
    """A number for each bird of the package, in no order."""


@dataclass(frozen=True)
class Package:
    """What a package says of itself, once it is checked."""

    name: str
    """First digits of the manifest's SHA-256."""
    key: str
    """Fingerprint of who signed it."""
    licence: str
    heads: tuple[PooledHead, ...]

    def as_json(self) -> dict[str, Any]:
        """For a program."""
        return {
            "name": self.name,
            "key": self.key,
            "licence": self.licence,
            "heads": len(self.heads),
            "birds": len({head.bird for head in self.heads}),
            "combs": dict(sorted(Counter(head.comb for head in self.heads).items())),
        }


def signing_key(home: Path) -> Ed25519PrivateKey:
    """Return the installation's key, made at the first need, for its owner alone."""
    path = home / "pool-key.pem"
    if path.exists():
        key = load_pem_private_key(path.read_bytes(), None)
        if not isinstance(key, Ed25519PrivateKey):
            raise StoreError("pool_key_damaged", place=Place(str(path)))
        return key
    key = Ed25519PrivateKey.generate()
    written = key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    write_synced(path, written)
    return key


def fingerprint(public: bytes) -> str:
    """Return sixteen digits by which breeders compare a key with its owner's."""
    return hashlib.sha256(public).hexdigest()[:16]


def packed(
    heads: Sequence[tuple[bytes, str, str, int]], licence: str, key: Ed25519PrivateKey
) -> bytes:
    """Return a package of heads (JPEG, comb, how it is known, bird).

    In the order of their hashes, which tells nothing of when they were taken.
    """
    ordered = sorted(heads, key=lambda head: hashlib.sha256(head[0]).digest())
    birds = {bird: number for number, bird in enumerate(dict.fromkeys(h[3] for h in ordered), 1)}
    listed = [
        PooledHead(f"heads/{i:05d}.jpg", hashlib.sha256(data).hexdigest(), comb, how, birds[bird])
        for i, (data, comb, how, bird) in enumerate(ordered, 1)
    ]
    public = key.public_key().public_bytes(Encoding.Raw, PublicFormat.Raw)
    manifest = {
        "format": FORMAT,
        "version": VERSION,
        "licence": licence,
        "key": base64.b64encode(public).decode(),
        "heads": [asdict(head) for head in listed],
    }
    words = json.dumps(manifest, indent=1, sort_keys=True).encode()
    whole = io.BytesIO()
    with zipfile.ZipFile(whole, "w") as archive:
        archive.writestr(zipfile.ZipInfo(MANIFEST), words, zipfile.ZIP_DEFLATED)
        archive.writestr(zipfile.ZipInfo(SIGNATURE), key.sign(words))
        for head, (data, *_) in zip(listed, ordered, strict=True):
            archive.writestr(zipfile.ZipInfo(head.file), data)
    return whole.getvalue()


def checked(path: Path) -> Package:
    """Return what a package holds, every byte of it checked. Raises StoreError for any other."""
    place = Place(str(path))
    try:
        with zipfile.ZipFile(path) as archive:
            words = limited(archive, MANIFEST, MOST_MANIFEST)
            manifest = json.loads(words)
            if manifest.get("format") != FORMAT:
                raise StoreError("no_package", place=place)
            if manifest["version"] != VERSION:
                raise StoreError("package_version", place=place, version=manifest["version"])
            public = base64.b64decode(manifest["key"], validate=True)
            Ed25519PublicKey.from_public_bytes(public).verify(
                limited(archive, SIGNATURE, 64), words
            )
            heads = tuple(PooledHead(**head) for head in manifest["heads"])
            named = {MANIFEST, SIGNATURE, *(head.file for head in heads)}
            if len(heads) > MOST_HEADS or set(archive.namelist()) != named:
                raise StoreError("package_tampered", place=place)
            for head in heads:
                check_head(archive, head, place)
    except InvalidSignature:
        raise StoreError("package_tampered", place=place) from None
    except StoreError:
        raise
    except UNSOUND:
        raise StoreError("no_package", place=place) from None
    if manifest["licence"] not in LICENCES or not heads:
        raise StoreError("package_licence", place=place, licence=str(manifest["licence"])[:40])
    name = hashlib.sha256(words).hexdigest()[:12]
    return Package(name, fingerprint(public), manifest["licence"], heads)


def limited(archive: zipfile.ZipFile, name: str, most: int) -> bytes:
    """Return a member of an archive; ValueError if it is larger than allowed."""
    if archive.getinfo(name).file_size > most:
        raise ValueError(name)
    return archive.read(name)


def check_head(archive: zipfile.ZipFile, head: PooledHead, place: Place) -> None:
    """Raise StoreError if a head isn't what the manifest says, or no crop of ours."""
    data = limited(archive, head.file, MOST_HEAD_BYTES)
    if hashlib.sha256(data).hexdigest() != head.sha256:
        raise StoreError("package_tampered", place=place)
    if head.comb not in ALLOWED or head.how not in HOW:
        raise StoreError("package_comb", place=place, text=str(head.comb)[:40])
    with Image.open(io.BytesIO(data), formats=["JPEG"]) as picture:
        sound = picture.size == (SIDE, SIDE) and not picture.getexif()
        picture.load()
    if not sound:
        raise StoreError("package_tampered", place=place)


def take_package(home: Path, path: Path) -> tuple[Package, int]:
    """Keep a package; returns it and how many of its heads weren't there yet.

    Raises StoreError.
    """
    package = checked(path)
    there = {head.sha256 for other in packages(home) for head in other.heads}
    folder = home / "pooled"
    folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    write_or_tell(folder / f"{package.name}.zip", path.read_bytes())
    return package, sum(head.sha256 not in there for head in package.heads)


def packages(home: Path) -> list[Package]:
    """All packages that are kept, checked anew."""
    return [checked(path) for path in sorted((home / "pooled").glob("*.zip"))]


def drop_package(home: Path, name: str) -> None:
    """Take a package out again. Raises NotFound."""
    if name not in {path.stem for path in (home / "pooled").glob("*.zip")}:
        raise NotFound("no_such_package", name=name)
    (home / "pooled" / f"{name}.zip").unlink()


def pooled_heads(home: Path) -> Iterator[tuple[str, PooledHead, bytes]]:
    """Every head of the packages that are kept, once, with its package's name and its JPEG."""
    seen: set[str] = set()
    for path in sorted((home / "pooled").glob("*.zip")):
        package = checked(path)
        with zipfile.ZipFile(path) as archive:
            for head in package.heads:
                if head.sha256 not in seen:
                    seen.add(head.sha256)
                    yield package.name, head, archive.read(head.file)
