"""The user's files: written whole or not at all, never over something that is there already."""

from __future__ import annotations

import errno
import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from difflib import get_close_matches
from pathlib import Path

from cuesync.errors import StorageError


def nearest_file(path: Path, fits: Callable[[Path], bool] = lambda _: True) -> str:
    """The next step where there is no file at `path`: the one that was meant, if there is one like it.

    Only files that `fits` says yes to are offered.
    """
    beside = list(path.parent.glob(f"*{path.suffix}")) if path.parent.is_dir() else []
    names = [other.name for other in beside if fits(other)]
    near = get_close_matches(path.name, names, n=1)
    return f"Did you mean {str(path.parent / near[0])!r}?" if near else "Check the name and the folder."


def storage_error(path: Path, error: OSError) -> StorageError:
    """Put an operating system's refusal into words that name the file and the next step."""
    if error.errno == errno.ENOSPC:
        todo = "The disk is full: make room, then try again. Nothing that was there before has changed."
    elif error.errno in (errno.EACCES, errno.EPERM, errno.EROFS):
        todo = "The folder can't be written to: choose another place, or change its permissions."
    elif error.errno in (errno.ENOENT, errno.ENOTDIR) and not path.parent.is_dir():
        todo = f"There is no folder {str(path.parent)!r}: make it first, or choose another place."
    elif error.errno in (errno.ENOENT, errno.ENOTDIR):
        todo = f"Nothing can be made in {str(path.parent)!r}: choose another place."
    else:
        todo = "Choose another place and try again."
    return StorageError(f"{path}: can't be written ({error.strerror or error}). {todo}")


def refuse_existing(path: Path, *, replace: bool, how: str) -> None:
    """Raise StorageError where `path` is there already and the user did not ask to replace it.

    `how` is the next step in words, for instance "choose another name, or add --replace".
    """
    try:
        there = path.exists()
    except OSError as error:  # a name that is too long, a folder that may not be looked into
        raise storage_error(path, error) from error
    if not replace and there:
        kind = "folder" if path.is_dir() else "file"
        raise StorageError(f"{path}: this {kind} is there already and stays as it is. To go on, {how}.")


def refuse_missing_folder(path: Path) -> None:
    """Raise StorageError where there is no folder for `path`: to say so before any work is done."""
    if not path.resolve().parent.is_dir():
        raise storage_error(path, FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT)))


@contextmanager
def whole_file(
    path: Path, *, replace: bool = False, how: str = "choose another name, or add --replace"
) -> Iterator[Path]:
    """Give a temporary path beside `path` to write to; it takes the name of `path` only when all is written.

    Raises:
        StorageError: `path` exists and `replace` is False, or the system refuses to write.
    """
    path = path.resolve()  # through a link, so that the link stays one
    refuse_existing(path, replace=replace, how=how)
    try:
        descriptor, name = tempfile.mkstemp(prefix=f".{path.stem}-", suffix=path.suffix, dir=path.parent)
        os.close(descriptor)
    except OSError as error:
        raise storage_error(path, error) from error
    temporary = Path(name)
    try:
        yield temporary
        with temporary.open("rb+") as file:
            os.fsync(file.fileno())
        temporary.chmod(0o644 if not path.exists() else path.stat().st_mode & 0o777)
        # a second look: another program may have written the file meanwhile
        refuse_existing(path, replace=replace, how=how)
        temporary.replace(path)
    except StorageError:
        raise
    except OSError as error:
        raise storage_error(path, error) from error
    finally:
        with suppress(FileNotFoundError):
            temporary.unlink()
