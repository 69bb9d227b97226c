"""The shipped settings files: fresh, complete, and each default what it says."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from kojimon.document.commented import write
from kojimon.document.read import read_text
from kojimon.document.report import Report
from kojimon.document.shapes import FAILED, NOTHING, Each, Field, Items, Map, Shape, Tagged
from kojimon.document.tree import Mapping
from kojimon.schedule.load import SHIPPED
from kojimon.settings.description import SITE
from kojimon.settings.load import load_settings
from tests.settings.example import GIVEN, example

ROOT = Path(__file__).resolve().parents[2]
CONFIG = ROOT / "config"


def fields(shape: Shape) -> Iterator[tuple[Map, Field]]:
    """Every setting of a description."""
    if isinstance(shape, Map):
        for field in shape.fields:
            yield shape, field
            yield from fields(field.shape)
    elif isinstance(shape, Each):
        yield from fields(shape.value)
    elif isinstance(shape, Items):
        yield from fields(shape.item)
    elif isinstance(shape, Tagged):
        for inner in shape.maps.values():
            yield from fields(inner)


ALL = list(fields(SITE))


def test_the_example_is_fresh() -> None:
    """`python -m tests.settings.example > config/kojimon.example.yaml` writes it anew."""
    assert (CONFIG / "kojimon.example.yaml").read_text(encoding="utf-8") == example()


@pytest.mark.parametrize("name", ["kojimon.example", "minimal", "simulated"])
def test_shipped_settings_are_good(name: str) -> None:
    settings = load_settings(CONFIG / f"{name}.yaml")
    assert {probe.place for probe in settings.probes} >= {"bed", "air"}


def test_the_example_names_every_setting() -> None:
    text = example()
    for _, field in ALL:
        if field.key not in ("read", "true"):  # these stand in one line, in the points of a calibration
            assert re.search(rf"^[ #]*{re.escape(field.key)}:", text, re.MULTILINE), field.key
        assert field.help.endswith("."), field.key


def test_taking_the_comment_signs_away_leaves_a_file_of_the_right_form() -> None:
    text = example().split("# A simulated incubator")[0]
    bare = re.sub(r"^( *)#(?! )", r"\1", text, flags=re.MULTILINE).replace("#\n", "\n")
    report = Report("f")
    node = read_text(bare, report)
    assert isinstance(node, Mapping)
    SITE.read(node, "", report)
    assert report.faults == []
    assert len(node.entries) == len(SITE.fields)


@pytest.mark.parametrize(("shape", "field"), ALL, ids=[f"{shape.what[:16]}.{field.key}" for shape, field in ALL])
def test_a_default_is_written_as_it_is_read(shape: Map, field: Field) -> None:
    written = shape.shown_default(field) or field.example
    if not written:
        assert isinstance(field.shape, (Map, Each, Tagged)) or field.required
        return
    report = Report("f")
    node = read_text(f"x: {written}\n", report)
    assert isinstance(node, Mapping)
    value = field.shape.read(node.entries[0].value, "x", report)
    assert value is not FAILED, report.faults
    if shape.shown_default(field):
        assert value == shape.default(field)
    assert shape.default(field) is not NOTHING or field.required or field.example or isinstance(field.shape, Map)


def test_a_brief_file_holds_what_was_given_and_no_more(tmp_path: Path) -> None:
    """What set-up may write: the same settings without a word of comment."""
    brief = write(SITE, GIVEN, brief=True)
    assert "#" not in brief
    path = tmp_path / "k.yaml"
    path.write_text(brief, encoding="utf-8")
    first, second = load_settings(path), load_settings(CONFIG / "kojimon.example.yaml")
    assert (first.probes, first.incubators, first.person, first.units) == (
        second.probes, second.incubators, second.person, second.units
    )  # fmt: skip


def test_shipped_files_travel_with_an_installed_package() -> None:
    """The link and the globs of the package data take in every file below config/."""
    assert SHIPPED == ROOT / "kojimon" / "shipped" / "schedules"
    globs = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["package-data"][
        "kojimon"
    ]
    taken = {
        path.resolve()
        for pattern in globs
        if pattern.startswith("shipped/")
        for path in (ROOT / "kojimon").glob(pattern)
    }
    assert taken == {path for path in CONFIG.rglob("*") if path.is_file()}
    assert len(taken) >= 8
