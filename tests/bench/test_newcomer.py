"""A newcomer's walk through README.md and deploy/README.md on a fresh root: their commands as they stand, each timed.

Left out, because this root cannot do them: what asks systemd or apt, the tests themselves, and a second batch.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from tests.bench.figures import record
from tests.deploy.root import INSIDE, REPOSITORY, root_or_skip

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1800)]
LEFT_OUT = ("apt install", "systemctl", "deploy/test.sh", "kojimon sites", "review second", "rehearse")
BACKGROUND = "kojimon run"
"""A command that stays: it goes on beside the others, as in a terminal of its own."""
TYPED = {"kojimon setup": "\\n\\n3\\n" + "\\n" * 6 + "practice\\n" + "\\n" * 5, "sudo kojimon setup": "\\n" * 30}
"""What is typed at a command that asks: three trays and a box to practise on; Enter for all else."""
WAITS = {"kojimon batch done first-check": "first-check"}
"""A command that is for later in the batch: the step that must be open."""
HOURS = {"kojimon status": "inoculate", "kojimon batch label": "harvest"}
"""What is done once before a command: the line of the table of hours that has this word."""
REFUSED = {
    "kojimon batch mixed": "", "kojimon alarms night-check": "there is no channel and no loudspeaker",
}  # fmt: skip
"""What this walk cannot do, since nobody asked or nothing can call: the words of the refusal, for the
first others at each hour."""

HEAD = """
step() { # WHO COMMAND [TYPED]
    echo "\\$ $2"
    began=$(date +%s%N)
    printf "${3:-}" | runuser -u "$1" -- env -C "$here" HOME="$home" PATH="$here/.venv/bin:$PATH" sh -c "$2" 2>&1
    printf '##\\t%d\\t%d\\t%s\\n' $? $((($(date +%s%N) - began) / 1000000)) "$2"
}
until_said() { # LINE WORDS MORE: until the status has words within so many lines from a line
    for _ in $(seq 400); do
        runuser -u cook -- env HOME="$home" "$here/.venv/bin/kojimon" status --json |
            grep -A "$3" "$1" | grep -Eq "$2" && return
        sleep 1
    done
    echo "never said: $1 $2"
    exit 1
}
wait_for() { until_said "\\"name\\": \\"$1\\"" '"status": "(open|due|missed)"' 4; } # STEP: until it may be done
wait_cool() { until_said '"passed"' '"passed": true' 0; } # until the rice is cool enough for the spores
useradd --create-home cook
cp -R --no-preserve=mode,ownership INSIDE /home/cook/kojimon
chown -R cook: /home/cook
here=/home/cook/kojimon home=/home/cook
unset XDG_CONFIG_HOME # what our other runs are kept from finding is where setup writes
"""


def blocks() -> list[list[str]]:
    """Their commands, block by block, without comments; an amount with a blank stays as it stands."""
    text = "".join((REPOSITORY / folder / "README.md").read_text(encoding="utf-8") for folder in (".", "deploy"))
    found = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    lines = [[re.sub(r"\s+#.*", "", line).strip() for line in block.splitlines()] for block in found]
    return [[line for line in block if line and not any(text in line for text in LEFT_OUT)] for block in lines]


def of_hour(word: str) -> str:
    """The command in README.md's table of hours that has this word."""
    table = re.findall(r"^\| .*", (REPOSITORY / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    return next(found for found in re.findall(r"`(kojimon batch [^`]+)`", "\n".join(table)) if word in found)


def script() -> str:
    """The walk as one shell script; root where README.md says sudo."""
    lines, hours = [HEAD.replace("INSIDE", INSIDE)], dict(HOURS)
    for line in (line for block in blocks() for line in block):
        command = line.removeprefix("sudo ")
        who = "root" if line.startswith("sudo ") else "cook"
        for beginning, name in WAITS.items():
            if command.startswith(beginning):
                lines.append(f"wait_for {name}")
        for beginning in [one for one in hours if command.startswith(one)]:
            lines += ["wait_cool"] * (hours[beginning] == "inoculate")
            lines.append(f"step cook {shlex.quote(of_hour(hours.pop(beginning)))}")
        if command.endswith(BACKGROUND):
            # Ten times faster than a person would practise.
            lines.append("sed -i 's/speed: 60$/speed: 600/' $home/.config/kojimon/kojimon.yaml")
            lines.append(f"step {who} {shlex.quote(command)} >$home/run.log 2>&1 & sleep 5")
            continue
        lines.append(" ".join(["step", who, shlex.quote(command), shlex.quote(TYPED.get(line, ""))]))
    return "\n".join([*lines, "cat $home/run.log"])


def test_every_command_works_as_written(tmp_path: Path) -> None:
    root = root_or_skip(tmp_path / "root")
    # In processes of its own: what stays in the background ends with it.
    said = root.run("unshare", "--pid", "--fork", "--kill-child", "bash", "-c", script()).stdout
    steps = [line.split("\t")[1:] for line in said.splitlines() if line.startswith("##\t")]
    steps = [step for step in steps if not step[2].endswith(BACKGROUND)]
    for code, took_ms, command in steps:
        print(f"{int(took_ms) / 1000:8.1f} s  exit {code}  {command}")
    wrong = [command for code, _, command in steps if code != "0" and not command.startswith(tuple(REFUSED))]
    good = sum(code == "0" for code, _, _ in steps)
    all_s = sum(int(took_ms) for _, took_ms, _ in steps) / 1000
    record("commands of README.md as a newcomer", f"{good} of {len(steps)}, the rest rightly refused; {all_s:.0f} s")
    assert len(steps) > 15
    assert wrong == [], said[-6000:]
    assert [words for words in REFUSED.values() if words not in " ".join(said.split())] == []
