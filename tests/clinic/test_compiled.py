"""What was compiled of older sources is dropped; the other package's stays."""

from clinic import compiled


def test_a_change_drops_what_was_compiled_of_its_own_package_only(tmp_path, monkeypatch):
    monkeypatch.setattr(compiled, "ROOT", tmp_path)
    for folder in compiled.FOLDERS:
        (tmp_path / folder / "__pycache__").mkdir(parents=True)
        (tmp_path / folder / "code.py").write_text("a = 1")
        (tmp_path / folder / "deeper" / "__pycache__").mkdir(parents=True)
    compiled.forget_stale()
    compiled.remember()
    assert compiled.is_current()
    cached = {f: tmp_path / f / "deeper" / "__pycache__" / "code.nbi" for f in compiled.FOLDERS}
    for path in cached.values():
        path.write_text("")
    compiled.forget_stale()
    assert all(path.exists() for path in cached.values())
    (tmp_path / "geometry" / "code.py").write_text("a = 2")
    assert not compiled.is_current()
    compiled.forget_stale()
    assert [f for f, path in cached.items() if path.exists()] == ["production/planning"]
    # What is compiled from now on is of the present sources, complete or not.
    cached["geometry"].write_text("")
    compiled.forget_stale()
    assert cached["geometry"].exists()
    assert not compiled.is_current()
    compiled.remember()
    assert compiled.is_current()
