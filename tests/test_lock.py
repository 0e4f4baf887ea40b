"""The lock file pins everything that the project asks for, at versions that it allows."""

import re
import tomllib

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from tests.conftest import ROOT


def pinned():
    found = {}
    for line in (ROOT / "requirements.lock").read_text().splitlines():
        match = re.match(r"([A-Za-z0-9_.-]+)(?:\[[^]]*\])?==([^ ;\\]+)", line)
        if match:
            found.setdefault(canonicalize_name(match[1]), []).append(Version(match[2]))
    return found


def test_every_requirement_is_pinned_within_its_bounds():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    lock = pinned()
    asked = [*project["dependencies"], *project["optional-dependencies"]["test"]]
    assert len(asked) > 30
    for text in asked:
        wanted = Requirement(text)
        versions = lock[canonicalize_name(wanted.name)]
        assert all(wanted.specifier.contains(v) for v in versions), text


def test_every_pin_has_hashes():
    text = (ROOT / "requirements.lock").read_text()
    pins = re.findall(r"^[A-Za-z0-9_.-]+(?:\[[^]]*\])?==.*?(?=^\S|\Z)", text, re.M | re.S)
    assert len(pins) > 100
    assert all("--hash=sha256:" in pin for pin in pins)
