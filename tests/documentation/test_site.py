"""The documentation is whole: it builds without a warning, commands exist, tutorials run."""

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import typer

from tests.conftest import DEMO, ROOT, docs_script

SITE = ROOT / "docs" / "site"
PAGES = sorted(p for p in SITE.rglob("*.md") if "reference" not in p.parts)
BLOCK = re.compile(r"^( *)```(\w*)(?: title=\"([^\"]+)\")?\n(.*?)^\1```$", re.MULTILINE | re.DOTALL)
INDENTED = re.compile(r"^ {4,8}((?:COMBWRIGHT_\w+=\S+ )?combwright .*)$", re.MULTILINE)
INLINE = re.compile(r"`(combwright [a-z][^`]*)`")


def blocks(page):
    """Language, title and text of each fenced block."""
    for indent, language, title, text in BLOCK.findall(page.read_text(encoding="utf-8")):
        yield language, title, re.sub(rf"^{indent}", "", text, flags=re.MULTILINE)


def commands(page):
    """Every command line that a page shows."""
    text = page.read_text(encoding="utf-8")
    found = INDENTED.findall(text) + INLINE.findall(text)
    found += [line for kind, _, code in blocks(page) if kind == "sh" for line in code.splitlines()]
    return [" ".join(line.split()) for line in found if "combwright " in line]


@pytest.mark.parametrize("page", PAGES, ids=lambda p: str(p.relative_to(SITE)))
def test_every_command_shown_exists_with_its_options(page):
    from service.cli.entry import app

    for line in commands(page):
        words = shlex.split(line.split("combwright ", 1)[1])
        command = typer.main.get_command(app)
        while hasattr(command, "commands") and words:
            assert words[0] in command.commands, line
            command = command.commands[words.pop(0)]
        known = {o for p in command.params for o in (*p.opts, *p.secondary_opts)} | {"-h", "--help"}
        for word in words:
            if word.startswith("-"):
                assert word.split("=")[0] in known, line


def made(tmp_path):
    """The site's sources with the reference written beside them."""
    shutil.copytree(SITE, tmp_path / "site", ignore=shutil.ignore_patterns("reference"))
    docs_script("reference").write(tmp_path / "site" / "reference")
    return tmp_path / "site"


@pytest.mark.slow
def test_the_site_builds_without_a_warning_and_no_link_is_broken(tmp_path):
    source = made(tmp_path)
    text = (ROOT / "mkdocs.yml").read_text(encoding="utf-8")
    (tmp_path / "mkdocs.yml").write_text(text.replace("docs_dir: docs/site", f"docs_dir: {source}"))
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", tmp_path / "out"],
        cwd=tmp_path, capture_output=True, text=True,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    for page in (tmp_path / "out").rglob("*.html"):
        html = page.read_text(encoding="utf-8")
        for link in re.findall(r'(?:href|src)="([^"]+)"', html):
            if link.startswith(("http", "#", "mailto:", "data:")):
                assert "googleapis" not in link, "nothing is fetched from elsewhere"
                continue
            path = link.split("#")[0].split("?")[0]
            there = (page.parent / path).resolve() if not path.startswith("/") else None
            if there is not None:
                assert there.exists(), f"{page.name}: {link}"
    commands_page = (source / "reference" / "commands.md").read_text(encoding="utf-8")
    assert "### combwright access invite" in commands_page
    assert "assumption" in (source / "reference" / "numbers.md").read_text(encoding="utf-8")


@pytest.mark.slow
@pytest.mark.parametrize("language", ["", pytest.param("de", marks=pytest.mark.long)])
def test_the_tutorial_runs_as_it_stands(tmp_path, language):
    heads = tmp_path / "heads"
    heads.mkdir()
    for band, photo in enumerate(sorted(DEMO.glob("*.jpg"))[:7], start=1):
        shutil.copy(photo, heads / f"{band}.jpg")
    place = Path(sys.executable).parent
    around = os.environ | {
        "COMBWRIGHT_HOME": str(tmp_path / "home"),
        "COMBWRIGHT_LANGUAGE": language or "en",
        "PATH": f"{place}{os.pathsep}{os.environ['PATH']}",
        "COLUMNS": "160",
    }
    said, ran = "", 0
    for kind, title, text in blocks(SITE / language / "tutorial.md"):
        if title:
            (tmp_path / title).write_text(text, encoding="utf-8")
        elif kind == "sh":
            done = subprocess.run(
                ["bash", "-euc", text], cwd=tmp_path, env=around, capture_output=True, text=True
            )
            assert done.returncode == 0, done.stdout + done.stderr
            said, ran = " ".join(done.stdout.split()), ran + 1
        elif kind == "text":
            for line in text.splitlines():
                assert line.strip() in said, f"{line!r} not in {said}"
    assert ran >= 6
