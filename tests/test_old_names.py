"""Names of the release before: a folder that has them is read as it was, and told the new ones."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from sitegis.read import read_site
from tests.read_folder import write_folder

NEW_WORDS = (("site.toml", 'kind = "neighbors"', 'kind = "neighbours"'),)


def test_an_old_folder_is_read_as_one_of_today(tmp_path: Path) -> None:
    """Each old name is read as the new one; one notice each, which names both and needs nobody."""
    folder = write_folder(tmp_path / "today")
    older = write_folder(tmp_path / "older")
    for name, new, old in NEW_WORDS:
        text = (older / name).read_text("utf-8")
        assert new in text
        (older / name).write_text(text.replace(new, old), "utf-8")
    today, once = read_site(folder), read_site(older)
    told = [notice for notice in once.site.notices if notice.code == "old-name"]
    others = tuple(notice for notice in once.site.notices if notice not in told)
    assert replace(once, site=replace(once.site, notices=others)) == today
    assert len(told) == len(NEW_WORDS)
    assert not any(notice.needs_person for notice in told)
    for notice, (_, new, old) in zip(told, NEW_WORDS, strict=True):
        assert old.split('"')[-2] in notice.message
        assert new.split('"')[-2] in notice.message
