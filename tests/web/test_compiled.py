"""Templates compiled beforehand: kept once, taken again, never of another source, and not needed."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from jinja2 import DictLoader, Environment

from kojimon.web.page import shown
from kojimon.web.page.compiled import Beside


@pytest.fixture(autouse=True)
def written(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "dont_write_bytecode", False)
    monkeypatch.setattr(sys, "pycache_prefix", None)


def said(folder: Path, source: str) -> str:
    return Environment(loader=DictLoader({"a": source}), bytecode_cache=Beside(folder)).get_template("a").render()


def test_a_template_is_compiled_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert said(tmp_path, "one") == "one"
    (kept,) = (tmp_path / "__pycache__").iterdir()
    monkeypatch.setattr(Environment, "_generate", lambda *_, **__: pytest.fail("compiled again"))
    assert said(tmp_path, "one") == "one"
    monkeypatch.undo()
    assert said(tmp_path, "another") == "another", "what lies there is of another source"
    assert kept.exists()


def test_where_nothing_can_be_kept_it_is_compiled_each_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "__pycache__").write_text("no folder")
    assert said(tmp_path, "one") == "one"
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    (tmp_path / "other").mkdir()
    assert said(tmp_path / "other", "one") == "one"
    assert list((tmp_path / "other").iterdir()) == []


def test_what_lies_there_may_be_spoilt(tmp_path: Path) -> None:
    assert said(tmp_path, "one") == "one"
    (kept,) = (tmp_path / "__pycache__").iterdir()
    kept.write_bytes(b"nonsense")
    assert said(tmp_path, "one") == "one"


def test_an_installation_compiles_every_template(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "pycache_prefix", str(tmp_path))
    shown.environment.cache_clear()
    shown.compile_all()
    shown.environment.cache_clear()
    templates = list((shown.HERE / "templates").glob("*.html"))
    assert templates and len(list(tmp_path.rglob("web/page/templates/*.pyc"))) == len(templates)
