"""What a container is built from and begun by, without a container engine: the same scripts."""

import os
import shutil
import socket
import subprocess
import sys
import time

import httpx
import pytest
import yaml

from tests.conftest import ROOT

DEPLOY = ROOT / "deploy"


def test_image_and_compose_use_the_scripts_that_are_tried_here():
    image = (ROOT / "Containerfile").read_text(encoding="utf-8")
    assert "/source/deploy/install.sh /opt/combwright /source" in image
    assert "/source/deploy/start.sh" in image
    assert 'ENTRYPOINT ["start.sh"]' in image
    services = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))["services"]
    assert set(services) == {"database", "web", "worker", "store"}
    assert (services["web"]["command"], services["worker"]["command"]) == (["web"], ["worker"])
    for part in ("web", "worker"):
        where = services[part]["environment"]["COMBWRIGHT_DATABASE"]
        assert where.startswith("postgresql://")
        assert "@database/flock" in where
        assert services[part]["environment"]["COMBWRIGHT_PHOTO_STORE"].startswith("s3://")
    assert services["database"]["environment"]["POSTGRES_DB"] == "flock"
    for script in ("install.sh", "start.sh"):
        assert os.access(DEPLOY / script, os.X_OK)
        subprocess.run(["sh", "-n", DEPLOY / script], check=True)


def test_what_a_server_needs_is_within_the_extras():
    import tomllib

    extras = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    known = {
        line for name in ("postgres", "cluster") for line in extras["optional-dependencies"][name]
    }
    wanted = (DEPLOY / "requirements.txt").read_text().splitlines()
    mine = {line for line in wanted if line and not line.startswith("#")}
    # s3fs is the object store's own package, which fsspec names when it lacks.
    assert mine - {line for line in mine if line.startswith("s3fs")} <= known


def begun(part, settings, program, **more):
    return subprocess.Popen(
        ["sh", DEPLOY / "start.sh", part],
        env={
            **os.environ,
            "COMBWRIGHT_HOME": str(settings.home),
            "COMBWRIGHT_DATABASE": settings.database,
            "COMBWRIGHT_PROGRAM": str(program),
            **more,
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


@pytest.mark.slow
def test_a_part_waits_for_the_database_and_says_why_it_gave_up(tmp_path):
    from service.settings import Settings

    away = Settings(tmp_path, "postgresql://nobody@127.0.0.1:9/none")
    program = shutil.which("combwright", path=os.path.dirname(sys.executable))
    waiting = begun("web", away, program, COMBWRIGHT_TRIES="2")
    said, _ = waiting.communicate(timeout=60)
    assert waiting.returncode != 0
    assert "database" in said
    for words in ([], ["both"]):  # said at once, before anything is waited for
        wrong = subprocess.run(["sh", DEPLOY / "start.sh", *words], timeout=10)
        assert wrong.returncode == 2


def serves_and_works(settings, program):
    """Begin both parts as a container does, make the owner's account, and ask for a page."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        port = found.getsockname()[1]
    web = begun("web", settings, program, COMBWRIGHT_PORT=str(port), COMBWRIGHT_WORKERS="1")
    worker = begun("worker", settings, program)
    try:
        assert "access owner" in web.stdout.readline()
        subprocess.run(
            [program, "access", "owner", "Ada"],
            input="a long word of passage\n" * 2,
            env={
                **os.environ,
                "COMBWRIGHT_HOME": str(settings.home),
                "COMBWRIGHT_DATABASE": settings.database,
            },
            text=True,
            check=True,
            capture_output=True,
        )
        end = time.monotonic() + 60
        while True:
            try:
                answer = httpx.get(f"http://127.0.0.1:{port}/", headers={"Host": "localhost"})
                break
            except httpx.HTTPError:
                assert time.monotonic() < end
                time.sleep(0.3)
        assert answer.status_code in (303, 401)  # nobody comes in without an account
        assert worker.poll() is None
    finally:
        for process in (web, worker):
            os.killpg(process.pid, 15)
            process.communicate(timeout=60)


@pytest.mark.slow
def test_the_image_s_steps_make_a_server_that_serves_and_works(tmp_path, on_postgres):
    prefix, source = tmp_path / "opt", tmp_path / "source"
    # As the image has it: without what .dockerignore names. Building leaves things in the source.
    left_out = shutil.ignore_patterns(*(ROOT / ".dockerignore").read_text().split(), "docs")
    shutil.copytree(ROOT, source, ignore=left_out)
    installed = subprocess.run(
        ["sh", source / "deploy" / "install.sh", prefix, source],
        env={**os.environ, "PYTHON": sys.executable},
        capture_output=True,
        text=True,
    )
    assert installed.returncode == 0, installed.stderr
    assert installed.stdout.startswith("combwright ")
    serves_and_works(on_postgres, prefix / "bin" / "combwright")
