"""A version is numbered everywhere at once, dated, and never below the last."""

from datetime import date

import pytest

from tests.conftest import ROOT, docs_script


@pytest.fixture(scope="module")
def release():
    return docs_script("release")


def test_what_is_new_gets_a_number_and_a_day(release):
    kept = "# Changelog\n\n## Unreleased\n- A comb.\n\n## 0.1.0 (2026-01-01)\n- Egg.\n"
    found = release.dated(kept, "0.2.0", date(2026, 12, 1))
    assert "## Unreleased\n\n## 0.2.0 (2026-12-01)\n- A comb.\n" in found
    assert found.endswith("## 0.1.0 (2026-01-01)\n- Egg.\n")
    with pytest.raises(ValueError, match="nothing"):
        release.dated(found, "0.3.0", date(2026, 12, 2))


def test_our_own_files_take_a_later_number_and_no_other(release):
    versions = set()
    for name, pattern in release.NUMBERED.items():
        text = (ROOT / name).read_text(encoding="utf-8")
        versions.add(pattern.search(text).group(2))
        later = release.numbered(text, pattern, "99.0.0")
        assert later.count("99.0.0") == 1
        assert len(later.splitlines()) == len(text.splitlines())
        for wrong in ("0.0.1", "two"):
            with pytest.raises(ValueError, match=wrong):
                release.numbered(text, pattern, wrong)
    assert len(versions) == 1  # the same everywhere
