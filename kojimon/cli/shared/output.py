"""A file that a command writes: it takes its name only once it is whole."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import click

from kojimon.errors import KojimonError


@contextmanager
def whole_file(output: Path, force: bool) -> Iterator[BinaryIO]:
    """The file to be written.

    Raises:
        UsageError: it is there already, and is not to be written over.
        KojimonError: it cannot be written; nothing is left of it.
    """
    if output.exists() and not force:
        raise click.UsageError(f"{output} is there already. Another name, or --force to write over it.")
    from kojimon.journal.writing.store import private

    unfinished = output.with_name(f".{output.name}.{os.getpid()}")
    try:
        private(unfinished)
        with unfinished.open("wb") as file:
            yield file
        unfinished.replace(output)
    except OSError as error:
        why = error.strerror or error
        raise KojimonError(f"{output} could not be written ({why}); nothing is left of it.") from error
    finally:
        unfinished.unlink(missing_ok=True)


def write_whole(output: Path, data: bytes, force: bool) -> None:
    """The same of data that is at hand."""
    with whole_file(output, force) as file:
        file.write(data)
