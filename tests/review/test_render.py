"""A review made in a process of its own: what comes back when it works, fails, hangs or dies."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from kojimon.errors import KojimonError, UsageError
from kojimon.review.render import Question, rendered
from tests.golden import meaning


@pytest.mark.parametrize(
    ("code", "told"),
    [("import sys; sys.stdin.read()", "did not answer within 0.5 s and was ended. Try on kojimon's computer:"),
     ("raise SystemExit(7)", r"process ended unexpectedly \(code 7\). Try on kojimon's computer: kojimon review")],
    ids=["hangs", "dies"],
)  # fmt: skip
def test_what_went_wrong_is_said_with_another_way(code: str, told: str) -> None:
    with pytest.raises(KojimonError, match=told):
        rendered(Question("/none", ("b",)), 0.5 if "read" in code else 20.0, (sys.executable, "-c", code))


def test_it_is_made_or_refused_in_words(tmp_path: Path) -> None:
    journal = meaning.unpacked(meaning.GOLDEN / "0.1.0", tmp_path)
    made = rendered(Question(str(journal), ("box-27",), form="file"))
    assert made.title and made.html.startswith("<!doctype html>") and made.verdict
    with pytest.raises(UsageError, match="there is no batch 'none'"):
        rendered(Question(str(journal), ("none",)))
