"""The simulated world: time, samples, acts, determinism."""

import ast
import itertools
import subprocess
import sys
from pathlib import Path

import pytest

import kojisim
from kojisim.scenarios import healthy
from kojisim.world import World


def test_samples_are_due_in_order_and_on_their_interval() -> None:
    world = World(healthy(3), 3)
    world.advance(600.0)
    samples = world.read()
    assert [s.at_s for s in samples] == sorted(s.at_s for s in samples)
    bed = [s for s in samples if s.name == "bed"]
    assert 59 <= len(bed) <= 61
    assert all(later.at_s - earlier.at_s == pytest.approx(10.0) for earlier, later in itertools.pairwise(bed))
    assert world.read() == []


def test_same_seed_same_readings_however_the_time_is_cut() -> None:
    one, other = World(healthy(5), 5), World(healthy(5), 5)
    one.advance(7200.0)
    for to_s in (1.0, 17.0, 400.0, 401.5, 3600.0, 7200.0):
        other.advance(to_s)
    assert one.read() == other.read()
    assert one.truth() == other.truth()


def test_time_does_not_run_backwards() -> None:
    world = World(healthy(1), 1)
    world.advance(100.0)
    with pytest.raises(ValueError, match="already at"):
        world.advance(50.0)


def test_unknown_act_is_refused_with_the_known_ones() -> None:
    with pytest.raises(ValueError, match="harvest"):
        World(healthy(1), 1).act("stir")


def test_simulator_shares_no_code_with_the_monitor() -> None:
    folder = Path(kojisim.__file__).parent
    for file in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [name for name in names if name.split(".")[0] == "kojimon"], file


def test_world_needs_only_the_standard_library() -> None:
    code = "import sys, kojisim.scenarios, kojisim.cook; print({'numpy', 'paho', 'click'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
