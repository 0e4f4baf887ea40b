"""Heads that breeders share: what is packed, what is refused, and what is learned from them."""

import base64
import io
import json
import zipfile

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
from PIL import Image

from service.actions.learning import learn
from service.actions.pooling import give_heads, take_heads
from service.errors import NotFound, StoreError, UsageMistake
from service.model import default_reader
from service.records.pooled import (
    MANIFEST,
    SIDE,
    SIGNATURE,
    checked,
    drop_package,
    packages,
    packed,
    signing_key,
)
from tests.service.actions.test_learning import ON, desk, home_of, quick, settings  # noqa: F401
from tests.service.pictures import jpeg, picture, telling_exif
from tests.service.shapes.test_shapes import described

LICENCE = "CC-BY-4.0"


@pytest.fixture(scope="module")
def package(settings, tmp_path_factory):  # noqa: F811
    """A package of the demo flock's confirmed birds."""
    from service.actions.desk import Desk
    from service.installation import open_store
    from service.model import training_prior

    store = open_store(settings)
    path = tmp_path_factory.mktemp("package") / "heads.zip"
    found = give_heads(
        Desk(store, training_prior(), "Ann", ON), settings, path, LICENCE, consent=True
    )
    store.engine.dispose()
    return path, found


def test_a_package_tells_combs_and_nothing_of_whose_where_and_when(package):
    path, found = package
    assert len(found.heads) >= 25
    assert len({head.bird for head in found.heads}) >= 25
    with zipfile.ZipFile(path) as archive:
        words = archive.read(MANIFEST).decode()
        manifest = json.loads(words)
        for head in found.heads:
            with Image.open(io.BytesIO(archive.read(head.file))) as crop:
                assert crop.size == (SIDE, SIDE)
                assert not crop.getexif()
                assert "exif" not in crop.info
        assert {info.date_time for info in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}
    assert set(manifest) == {"format", "version", "licence", "key", "heads"}
    assert set(manifest["heads"][0]) == {"file", "sha256", "comb", "how", "bird"}
    assert "Ann" not in words
    assert ".jpg" in words
    assert "demo" not in words


def test_the_signature_is_one_that_any_library_of_the_standard_accepts(package):
    # Ed25519, RFC 8032, by pyca/cryptography.
    with zipfile.ZipFile(package[0]) as archive:
        manifest, signature = archive.read(MANIFEST), archive.read(SIGNATURE)
    key = Ed25519PublicKey.from_public_bytes(base64.b64decode(json.loads(manifest)["key"]))
    key.verify(signature, manifest)


def test_without_consent_or_with_another_licence_nothing_is_packed(desk, settings, tmp_path):  # noqa: F811
    path = tmp_path / "heads.zip"
    for licence, consent, code in (
        (LICENCE, False, "pool_consent"),
        ("All rights reserved", True, "pool_licence"),
    ):
        with pytest.raises(UsageMistake) as refused:
            give_heads(desk, settings, path, licence, consent=consent)
        assert refused.value.code == code
    assert not path.exists()


def rewritten(path, target, change):
    """A package with some members changed by `change(name, data)`; None leaves one out."""
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            data = change(name, old.read(name))
            if data is not None:
                new.writestr(name, data)
    return target


def other_comb(name, data):
    if name != MANIFEST:
        return data
    manifest = json.loads(data)
    head = manifest["heads"][0]
    head["comb"] = "rose" if head["comb"] != "rose" else "walnut"
    return json.dumps(manifest, indent=1, sort_keys=True).encode()


def other_head(name, data):
    return jpeg(picture(5, (SIDE, SIDE))) if name.startswith("heads/00001") else data


def no_head(name, data):
    return None if name.startswith("heads/00001") else data


def no_signature(name, data):
    return bytes(64) if name == SIGNATURE else data


@pytest.mark.parametrize("change", [other_comb, other_head, no_head, no_signature])
def test_tampering_is_refused(package, tmp_path, change):
    with pytest.raises(StoreError) as refused:
        checked(rewritten(package[0], tmp_path / "changed.zip", change))
    assert refused.value.code in ("package_tampered", "no_package")


def test_more_than_the_manifest_names_is_refused(package, tmp_path):
    path = rewritten(package[0], tmp_path / "more.zip", lambda _, data: data)
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("heads/99999.jpg", b"more")
    with pytest.raises(StoreError) as refused:
        checked(path)
    assert refused.value.code == "package_tampered"


@pytest.mark.parametrize(
    ("data", "comb", "licence", "code"),
    [
        (jpeg(picture(1, (SIDE, SIDE))), "wattle", LICENCE, "package_comb"),
        (jpeg(picture(1, (64, 64))), "rose", LICENCE, "package_tampered"),
        (jpeg(picture(1, (SIDE, SIDE)), exif=telling_exif()), "rose", LICENCE, "package_tampered"),
        (b"no picture", "rose", LICENCE, "no_package"),
        (jpeg(picture(1, (SIDE, SIDE))), "rose", "unknown", "package_licence"),
    ],
)
def test_who_signs_what_is_no_head_is_refused_as_well(tmp_path, data, comb, licence, code):
    path = tmp_path / "package.zip"
    path.write_bytes(packed([(data, comb, "readings", 1)], licence, signing_key(tmp_path)))
    with pytest.raises(StoreError) as refused:
        checked(path)
    assert refused.value.code == code


@pytest.mark.parametrize("data", [b"", b"PK\x03\x04 no archive", jpeg(picture(2))])
def test_another_file_is_refused(tmp_path, data):
    (tmp_path / "x.zip").write_bytes(data)
    with pytest.raises(StoreError) as refused:
        checked(tmp_path / "x.zip")
    assert refused.value.code == "no_package"


def test_it_is_kept_once_told_and_dropped(package, tmp_path):
    home = home_of(tmp_path / "home")
    found, new = take_heads(home, package[0])
    assert new == len(found.heads)
    assert take_heads(home, package[0])[1] == 0
    assert [one.name for one in packages(home.home)] == [found.name]
    drop_package(home.home, found.name)
    with pytest.raises(NotFound):
        drop_package(home.home, found.name)
    with pytest.raises(StoreError):
        take_heads(home, tmp_path / "none.zip")


def test_the_key_is_for_its_owner_alone_and_stays(tmp_path):
    key = signing_key(tmp_path)
    assert (tmp_path / "pool-key.pem").stat().st_mode & 0o077 == 0
    assert signing_key(tmp_path).public_key() == key.public_key()


def test_the_reader_learns_from_others_heads_as_well(desk, settings, package):  # noqa: F811
    alone = learn(desk, settings, default_reader())
    found, _ = take_heads(settings, package[0])
    try:
        pooled = learn(desk, settings, default_reader())
    finally:
        drop_package(settings.home, found.name)
    assert (alone["pooled"], pooled["pooled"]) == (0, len(found.heads))
    assert pooled["photos"] == alone["photos"]  # it is judged by the flock's own birds alone
    assert pooled["name"] != alone["name"]


def test_commands_give_take_list_and_drop(settings, tmp_path, monkeypatch, combwright):  # noqa: F811
    monkeypatch.setenv("COMBWRIGHT_HOME", str(settings.home))
    monkeypatch.setenv("COMBWRIGHT_DATABASE", settings.database)
    file = tmp_path / "heads.zip"
    assert combwright("pool", "give", file).code == 2
    given = combwright("pool", "give", file, "--consent", "--json")
    assert described(given.lines) == {"pooled"}
    taken = combwright("pool", "take", file, "--json")
    assert described(taken.lines) == {"pooled"}
    assert taken.lines[0]["new"] == taken.lines[0]["heads"]
    name = taken.lines[0]["name"]
    assert described(json.loads(combwright("pool", "list", "--json").out)) == {"pooled"}
    assert name in combwright("pool", "list").out
    assert "0 new heads" in combwright("pool", "take", file).out
    assert combwright("pool", "drop", name).code == 0
    assert combwright("pool", "drop", name).code == 1
