"""What people who carry on expect, as dotfiles: it parses, and whatever it names is there."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests import floors

ROOT = Path(__file__).resolve().parents[1]
WORKFLOWS = sorted((ROOT / ".github" / "workflows").glob("*.yml"))
SCRIPT = re.compile(r"(?:sudo (?:env \"PATH=\$PATH\" )?)?sh (deploy/[\w-]+\.sh)((?: [\w-]+)*)")


def read(path: Path) -> Any:
    return yaml.safe_load(path.read_text(encoding="utf-8"))


def runs(job: Any) -> list[str]:
    """What a job runs, the installation of Debian's packages aside."""
    said = [step["run"] for step in job["steps"] if "run" in step]
    return [one for one in said if not one.startswith("sudo apt-get install ")]


@pytest.mark.parametrize("path", WORKFLOWS, ids=lambda path: path.name)
def test_each_job_calls_one_script_of_deploy(path: Path) -> None:
    jobs = read(path)["jobs"]
    for name, job in jobs.items():
        (line,) = runs(job)
        found = SCRIPT.fullmatch(line)
        assert found, f"{name}: {line}"
        text = (ROOT / found[1]).read_text(encoding="utf-8")
        for word in found[2].split():
            assert not word.startswith("--") or f"{word})" in text or f"{word} " in text, f"{found[1]} knows no {word}"
        assert job["timeout-minutes"] and job["runs-on"] and job["steps"][0]["uses"].startswith("actions/checkout@")


def test_what_is_asked_is_run() -> None:
    lines = [line for path in WORKFLOWS for job in read(path)["jobs"].values() for line in runs(job)]
    for wanted in ("test.sh", "--long", "--bench", "--coverage", "--plain", "prove-wheel.sh", "prove-arm64.sh"):
        assert any(wanted in line for line in lines), wanted


def test_every_python_that_is_promised_is_tested() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    pythons = read(ROOT / ".github" / "workflows" / "tests.yml")["jobs"]["style-types-tests"]["strategy"]["matrix"]
    first = re.search(r">=3\.(\d+)", project["requires-python"])
    assert first and min(int(one.removeprefix("3.")) for one in pythons["python"]) == int(first[1])
    assert all(isinstance(one, str) for one in pythons["python"]), "3.10 as a number is 3.1"
    *others, last = pythons["python"]
    assert f"with Python {', '.join(others)} or {last}:" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_hooks_name_tests_that_are_there() -> None:
    for repo in read(ROOT / ".pre-commit-config.yaml")["repos"]:
        assert repo["repo"] == "local", "nothing is fetched"
        for hook in repo["hooks"]:
            assert hook["entry"].startswith(".venv/bin/") and hook["language"] == "system"
            assert all((ROOT / word).exists() for word in hook["entry"].split() if word.startswith("tests/"))


def test_the_version_stands_once() -> None:
    about = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    assert "version" in about["project"]["dynamic"] and "version" not in about["project"]
    assert about["tool"]["setuptools"]["dynamic"]["version"] == {"attr": "kojimon.__version__"}
    import kojimon

    texts = {path: path.read_text(encoding="utf-8") for path in (ROOT / "kojimon").rglob("*.py")}
    said = [path.name for path, text in texts.items() if f'"{kojimon.__version__}"' in text]
    assert said == ["__init__.py"]


def test_no_address_is_invented() -> None:
    for path in (ROOT / ".github").rglob("*.md"):
        assert not re.search(r"[\w.]+@[\w-]+\.\w+|https?://", path.read_text(encoding="utf-8")), path


def test_less_than_the_floor_is_told() -> None:
    def report(**lines: int) -> dict[str, Any]:
        return {"files": {f"kojimon/{room}/a.py": {"summary": {"covered_lines": run, "num_statements": 100}}
                          for room, run in lines.items()}}  # fmt: skip

    assert floors.below(report(**dict.fromkeys(floors.FLOORS, 100))) == []
    assert min(floors.FLOORS.values()) > 50
    (told,) = floors.below(report(**{**dict.fromkeys(floors.FLOORS, 100), "journal": 50}))
    assert told.startswith("kojimon/journal: 50.0 %")
