"""A wheel, installed without PyTorch into an environment of its own and run from elsewhere."""

import json
import os
import shutil
import socket
import subprocess
import sys
import tarfile
import time
import tomllib
import urllib.error
import urllib.request
import venv
import zipfile
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from tests.conftest import DEMO, ROOT

LEFT_OUT = {"torch", "torchvision", "captum"}
PYTHONS = ("3.11", "3.12", "3.13", "3.14")


def needs():
    with (ROOT / "pyproject.toml").open("rb") as file:
        return tomllib.load(file)["project"]["dependencies"]


def test_the_light_requirements_are_all_but_pytorch():
    light = [
        line
        for line in (ROOT / "requirements-light.txt").read_text().splitlines()
        if not line.startswith("#")
    ]
    assert light == [line for line in needs() if Requirement(line).name not in LEFT_OUT]


def run(*words, **around):
    done = subprocess.run(
        list(map(str, words)), capture_output=True, text=True, encoding="utf-8", **around
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    place = tmp_path_factory.mktemp("dist")
    # The wheel is built from the source archive, which so is known to hold all it needs.
    run(sys.executable, "-m", "build", "--outdir", place, ROOT)
    (source,) = place.glob("*.tar.gz")
    with tarfile.open(source) as archive:
        names = archive.getnames()
    assert any(name.endswith("/tests/conftest.py") for name in names)
    assert any(name.endswith("/demo_images/flock.csv") for name in names)
    assert any(name.endswith("/docs/site/tutorial.md") for name in names)
    (found,) = place.glob("*.whl")
    return found


@pytest.mark.slow
def test_the_wheel_is_clean(wheel):
    run(sys.executable, "-m", "twine", "check", "--strict", wheel)
    checker = Path(sys.executable).parent / "check-wheel-contents"
    run(checker, "--config", ROOT / "pyproject.toml", wheel)
    names = zipfile.ZipFile(wheel).namelist()
    assert any(name.endswith("weights/reader.safetensors") for name in names)
    assert any(name.endswith("share/combwright/demo/flock.csv") for name in names)
    assert any(name.endswith("combwright/py.typed") for name in names)
    assert not any(name.startswith("tests/") for name in names)


def pythons():
    """Pythons at hand that are supported, the oldest and the newest."""
    found = []
    for version in PYTHONS:
        path = shutil.which(f"python{version}")
        if path and not subprocess.run([path, "-c", ""], capture_output=True).returncode:
            found.append(path)
    return [found[0], found[-1]][: len(set(found))] if found else [sys.executable]


@pytest.fixture(scope="module", params=pythons(), ids=lambda p: Path(p).name)
def installed(request, wheel, tmp_path_factory):
    """The commands of an environment without PyTorch, and the environment that they run in."""
    place = tmp_path_factory.mktemp("environment")
    if request.param == sys.executable:
        venv.create(place, with_pip=True)
    else:
        run(request.param, "-m", "venv", place)
    python = place / "bin" / "python"
    uv = (Path(sys.executable).parent / "uv", "pip", "install", "--quiet", "--python", python)
    run(*uv, "-r", ROOT / "requirements-light.txt")
    run(python, "-m", "pip", "install", "--quiet", "--no-deps", wheel)
    around = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "COMBWRIGHT"))}
    return place / "bin" / "combwright", around | {"COMBWRIGHT_HOME": str(place / "home")}


@pytest.mark.slow
def test_an_installation_from_a_wheel_without_pytorch_does_its_work(installed, tmp_path):
    combwright, environment = installed
    around = {"cwd": tmp_path, "env": environment}
    # A module of the user's own beside which it is started is no matter.
    (tmp_path / "service.py").write_text("raise SystemExit('not the program')")
    assert "reader" in run(combwright, "--version", **around)
    counts = json.loads(run(combwright, "demo", "--json", **around))
    assert (tmp_path / "demo_report" / "triage.html").stat().st_size > 100_000
    assert sum(v for v in counts.values() if isinstance(v, int)) == 39
    reading = json.loads(run(combwright, "read", DEMO / "17.jpg", "--json", **around))
    assert reading["ok"]
    run(combwright, "import", DEMO / "flock.csv", **around)
    run(combwright, "opinion", "17", "--out", "opinion.pdf", **around)
    assert (tmp_path / "opinion.pdf").read_bytes().startswith(b"%PDF")
    explained = subprocess.run(
        [combwright, "explain", DEMO / "17.jpg", "--out", "why"], capture_output=True, **around
    )
    assert explained.returncode == 1
    assert b"needs PyTorch" in explained.stderr
    german = environment | {"COMBWRIGHT_LANGUAGE": "de"}
    assert "ein Hinweis" in run(combwright, "opinion", "17", cwd=tmp_path, env=german)
    doctor = run(combwright, "doctor", "--port", "64999", "--json", **around)
    assert "only explaining" in doctor
    answer_pages(combwright, around)


def answer_pages(combwright, around):
    """Serve, and look at two pages."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen([combwright, "serve", "--port", str(port)], **around)
    try:
        for path, word in (("/health", b"ok"), ("/", b"Combwright"), ("/birds", b"17")):
            for _ in range(100):
                try:
                    with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}") as answer:
                        assert word in answer.read()
                    break
                except urllib.error.URLError:
                    time.sleep(0.3)
            else:
                raise AssertionError(f"no answer on {path}")
    finally:
        server.terminate()
        server.wait(20)
