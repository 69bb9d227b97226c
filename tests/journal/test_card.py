"""The cards of the tests themselves: a killed run leaves nothing mounted."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

from tests.parts.card import need_root, run
from tests.parts.need import need
from tests.parts.wait import until

CHILD = """
import os, sys
from pathlib import Path
from tests.parts.card import new_card
with new_card(Path(sys.argv[1]), 8) as card:
    (card.folder / "there").write_text("x")
    os.kill(os.getpid(), 9)
"""


def test_a_killed_run_leaves_no_card(tmp_path: Path) -> None:
    need_root()
    need("mkfs.ext4")
    done = subprocess.run([sys.executable, "-c", CHILD, str(tmp_path)], capture_output=True, text=True, check=False)
    assert done.returncode == -signal.SIGKILL, done.stderr
    until(lambda: not run("losetup", "--associated", str(tmp_path / "card.img")), what="the device is let go")
    assert not os.path.ismount(tmp_path / "card")
    shutil.rmtree(tmp_path / "card")
