"""`kojimon review` and `kojimon curve` on a journal without a daemon."""

from __future__ import annotations

import json
import re
import shutil
import zlib
from contextlib import suppress
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from kojimon.cli.main import cli
from kojimon.journal.reading.reader import Reader
from tests.curve.sheets import read
from tests.review.kitchen import forecast_batch

CONFIG = """
units: {temperature: F, mass: lb}
person: {zone: America/Chicago}
incubators:
  box: {schedule: rice-koji-home-trays, trays: [top, middle]}
sources:
  mqtt: {kind: mqtt, host: 127.0.0.1, port: 1}
probes:
  bed: {place: bed, tray: top, topic: bed}
  bed-2: {place: bed, tray: middle, topic: bed-2}
  air: {place: air, topic: air}
  air-humidity: {place: air, quantity: humidity, topic: air-humidity, unit: "%"}
  room: {place: room, topic: room}
journal: {file: kitchen.journal, ballast: 0 MB}
run_folder: run
"""


@pytest.fixture
def config(tmp_path: Path, batch: Reader) -> Path:
    shutil.copy(batch.path, tmp_path / "kitchen.journal")
    path = tmp_path / "kojimon.yaml"
    path.write_text(CONFIG, encoding="utf-8")
    return path


def run(config: Path, *words: str) -> Result:
    return CliRunner().invoke(cli, ["--config", str(config), *words], standalone_mode=False, terminal_width=100)


def test_review_in_the_terminal(config: Path) -> None:
    result = run(config, "review")
    assert result.exception is None
    for text in ("Batch first", "Harvested 43", "First seen clearly warm", "Before anybody eats it", "°F"):
        assert text in result.output


def test_review_as_a_file(config: Path) -> None:
    target = config.with_name("first.html")
    assert run(config, "review", "b-1", "-o", str(target)).exception is None
    assert "<svg" in target.read_text(encoding="utf-8")
    again = run(config, "review", "b-1", "-o", str(target))
    assert again.exit_code == 2 and "is there already" in again.output
    assert run(config, "review", "b-1", "-o", str(target), "--force").exception is None
    assert not list(config.parent.glob(".first.html*"))


def pages_of(data: bytes) -> int:
    """Pages of a PDF; a newer cairo packs their objects into compressed streams (ISO 32000-1, 7.5.7)."""
    for packed in re.findall(rb"stream\r?\n(.*?)endstream", data, re.DOTALL):
        with suppress(zlib.error):
            data += zlib.decompress(packed)
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", data))


def test_review_as_a_page_of_pdf(config: Path) -> None:
    cairosvg = pytest.importorskip("cairosvg", exc_type=(ImportError, OSError))
    assert cairosvg
    target = config.with_name("first.pdf")
    result = run(config, "review", "b-1", "-o", str(target))
    assert result.exception is None and "one page to print" in result.output
    data = target.read_bytes()
    assert data.startswith(b"%PDF-") and pages_of(data) == 1
    refused = run(config, "review", "b-1", "-o", str(config.with_name("first.doc")))
    assert refused.exit_code == 2 and ".html or .pdf" in refused.output


def test_figures_as_data(config: Path) -> None:
    (found,) = json.loads(run(config, "review", "--json").output)
    assert found["batch"]["id"] == "b-1"
    assert found["figures"]["trays"][0]["curve"]["highest"] > 36
    assert found["forecasts"] == {"leads": [], "passings": [], "warnings": []}


def test_how_early_the_forecasts_warned_in_the_terminal_and_as_data(tmp_path: Path) -> None:
    (tmp_path / "one").mkdir()
    reader = forecast_batch(tmp_path / "one")
    shutil.copy(reader.path, tmp_path / "kitchen.journal")
    reader.close()
    config = tmp_path / "kojimon.yaml"
    config.write_text(CONFIG, encoding="utf-8")
    assert "When the forecasts warned" not in run(config, "review").output
    output = run(config, "review", "--more").output
    for text in (
        "warned of 104 °F 7 h before",
        "When the forecasts warned",
        "104 °F, passed at hour 27.0",
        "Never came",
    ):
        assert text in output, output
    (found,) = json.loads(run(config, "review", "--json").output)
    (passing,) = found["forecasts"]["passings"]
    assert (passing["limit_c"], passing["hour"], passing["first_h"]) == (40.0, 27.0, 7.0)
    assert found["forecasts"]["warnings"] == [
        {"limit_c": 40.0, "said": 4, "came": 4, "never": 0, "hands": 0, "unknown": 0}
    ]


def test_a_verdict_from_the_terminal(config: Path) -> None:
    result = run(config, "review", "b-1", "--taste", "sweet", "--taste-score", "4")
    assert result.exception is None, result.exception
    assert "Your verdict: taste 4 of 5 (sweet)." in result.output
    assert run(config, "review", "b-1", "--look-score", "6").exit_code == 2


def test_curve_in_the_terminal_and_as_a_picture(config: Path) -> None:
    result = run(config, "curve")
    assert result.exception is None
    assert "Sprinkle" in result.output and "koji" in result.output
    target = config.with_name("first.svg")
    assert run(config, "curve", "b-1", "-o", str(target), "--last", "6 h").exception is None
    tree = read(target.read_text(encoding="utf-8"))
    assert float(tree.get("data-from", "0")) > 35
    assert "<style>" in target.read_text(encoding="utf-8")


def test_png_where_the_library_is_not_there(config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import importlib

    def missing(name: str) -> object:
        raise ImportError(name)

    monkeypatch.setattr(importlib, "import_module", missing)
    from kojimon.curve.pixels import pdf, png
    from kojimon.errors import KojimonError

    with pytest.raises(KojimonError, match="pip install cairosvg"):
        png("<svg/>")
    with pytest.raises(KojimonError, match=r"pip install cairosvg.*ends in \.html"):
        pdf("<svg/>")
