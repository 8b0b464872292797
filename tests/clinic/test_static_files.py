"""After an update no screen goes on with the style or the scripts of before."""

from __future__ import annotations

import re

import pytest
from django.templatetags.static import static

from clinic import static_files


def test_a_style_sheets_address_changes_with_its_content(tmp_path, monkeypatch):
    file = tmp_path / "base.css"
    monkeypatch.setattr(static_files.finders, "find", lambda name: str(file))
    file.write_text("a { color: red }")
    before = static("base.css")
    file.write_text("a { color: blue; }")
    assert re.fullmatch(r"/static/base\.css\?v=[0-9a-f]{10}", before)
    assert static("base.css") != before


@pytest.mark.django_db
def test_what_may_be_kept_for_long_is_only_what_has_a_version(client):
    page = client.get("/login/").content.decode()
    sheet = re.search(r'href="(/static/base\.css\?v=[0-9a-f]+)"', page)
    assert sheet
    assert "max-age=2592000" in client.get(sheet[1]).headers["Cache-Control"]
    for address in ("/static/js/live.js", "/static/icons.svg"):
        answer = client.get(address)
        assert answer.headers["Cache-Control"].startswith("max-age=0, stale-while-revalidate")
        again = client.get(address, headers={"if-none-match": answer.headers["ETag"]})
        assert again.status_code == 304
