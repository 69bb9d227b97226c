"""Photos of a batch: files in a folder beside the journal, named after what they hold, not by who sends them."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from kojimon.errors import UsageError
from kojimon.journal.files.backup import photos_of

LARGEST: Final = 8 * 1024 * 1024
KINDS: Final = {".jpg": "image/jpeg", ".png": "image/png", ".webp": "image/webp"}


def kind_of(data: bytes) -> str:
    """The ending that fits what the bytes are, by their first ones; "" for none of the kinds taken."""
    if data.startswith(b"\xff\xd8\xff"):
        return ".jpg"
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return ".png"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return ".webp"
    return ""


def keep(journal: Path, data: bytes) -> str:
    """Keeps a photo as it is and gives its file name. The same photo twice is one file.

    Raises UsageError when it is too large, or no picture of a kind that is taken.
    """
    if len(data) > LARGEST:
        raise UsageError(f"the photo has {len(data) // 1024} KB, {LARGEST // 1024} KB are the most; make it smaller")
    kind = kind_of(data)
    if not kind:
        raise UsageError("that is no photo kojimon takes; expected JPEG, PNG or WebP")
    folder = photos_of(journal)
    folder.mkdir(mode=0o750, parents=True, exist_ok=True)
    name = f"{hashlib.sha256(data).hexdigest()[:32]}{kind}"
    target = folder / name
    if not target.exists():
        unfinished = folder / f".{name}"
        unfinished.unlink(missing_ok=True)  # never written through a link that lies there
        with unfinished.open("xb") as file:
            file.write(data)
        unfinished.replace(target)
    return name


def find(journal: Path, name: str) -> tuple[Path, str] | None:
    """The file and its media type; None where there is no such photo."""
    path = photos_of(journal) / Path(name).name
    kind = KINDS.get(path.suffix)
    return (path, kind) if kind and path.is_file() and path.name == name else None
