"""Prints how what the program makes of the golden files differs from what they held: `python -m tests.golden.show`."""

from __future__ import annotations

import tempfile
from pathlib import Path

from tests.golden import meaning


def main() -> None:
    """A line a difference, with its reason where it is accepted."""
    for version in sorted(path for path in meaning.GOLDEN.iterdir() if path.is_dir()):
        known = meaning.accepted(version)
        with tempfile.TemporaryDirectory() as folder:
            found = meaning.differences(version, Path(folder))
        print(f"{version.name}: {len(found)} differences")
        for line in found:
            print(f"  {line}  [{meaning.reason_of(line, known) or 'NOT ACCEPTED'}]")


if __name__ == "__main__":
    main()
