"""The API of a running daemon, asked by schemathesis whatever its description allows and forbids."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from tests.web.pages import Door

CONFIG = """
# A valid question may still name what is not there, or an end before its beginning: no schema can say so.
[[operations]]
include-path = "/v1/series"
parameters = { "query.probe" = "bed" }
checks.positive_data_acceptance.enabled = false

[[operations]]
include-path = "/v1/acts"
checks.positive_data_acceptance.enabled = false
"""
FEW_ACTS = """
# Each value of each field of each kind of act takes two thousand questions: drawn by lot here, all of them at length.
phases.coverage.enabled = false
phases.fuzzing.generation.max-examples = 60
"""


def fuzz(door: Door, folder: Path, examples: int, seed: int, whole: bool = True) -> str:
    """Runs schemathesis against the door. Returns what it printed; fails the test where it found something.

    Args:
        examples: how many of each kind for each operation, at most.
        seed: of its randomness.
        whole: every value of every field of the acts as well.
    """
    program = str(Path(sys.executable).with_name("schemathesis"))
    (folder / "schemathesis.toml").write_text(CONFIG + ("" if whole else FEW_ACTS), encoding="utf-8")
    command = [
        program, "run", f"{door.origin}/v1/openapi.json", "--max-examples", str(examples), "--seed", str(seed),
        "--no-color", "--continue-on-failure",
    ]  # fmt: skip
    environment = {**os.environ, "NO_PROXY": "127.0.0.1", "no_proxy": "127.0.0.1", "SCHEMATHESIS_HOOKS": ""}
    done = subprocess.run(
        command, cwd=folder, env=environment, capture_output=True, text=True, check=False, timeout=1800
    )
    print(done.stdout[-3000:])
    assert done.returncode == 0, done.stdout[-15_000:] + done.stderr[-2_000:]
    return done.stdout


def kitchen_at_work(door: Door) -> None:
    """A batch with some minutes of readings and one alarm."""
    door.act("batch.start", name="first", rice_kg="2")
    door.live.put("k/bed", 31.0)
    door.live.tick(10)
    door.act("step.done", step="inoculate")
    for minute in range(10):
        door.live.put("k/bed", 31.0 + minute / 10)
        door.live.tick(60)
    door.act("alarm.test", text="hello")
    door.live.commit()
