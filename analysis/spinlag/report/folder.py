"""A folder that appears whole or not at all.

The new folder is written beside the old one, flushed to the disk, and takes its place in one step of the file system.
A run that dies leaves a temporary folder at most, and the next run into the same place clears it away: a run that is
alive holds a lock on its own.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import hashlib
import json
import os
import re
import secrets
import shutil
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import BinaryIO

from spinlag.errors import OutputError
from spinlag.report.names import printable

try:
    import fcntl
except ImportError:  # pragma: no cover - no advisory locks on this system
    fcntl = None  # type: ignore[assignment]

Writer = Callable[[BinaryIO], None]

OWN_FILES = frozenset(
    {
        "report.html",
        "results.json",
        "revolutions.csv",
        "updates.csv",
        "incidents.csv",
        "junit.xml",
        "compare.html",
        "compare.json",
        "compare.csv",
    }
)
"""Every file that spinlag puts into a report folder; a folder that holds anything else is somebody's, and stays."""

_MARKS = {"results.json": "spinlag/results/", "compare.json": "spinlag/compare/"}
_TEMPORARY = re.compile(r"\.spinlag-new-[0-9a-f]{12}")
_ASIDE = re.compile(r"\.spinlag-old-([0-9a-f]{16})-[0-9a-f]{12}")
_ATTEMPTS = 50
_NO_LOCKS = (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS)


def write_folder(out_dir: str | os.PathLike[str], files: Mapping[str, Writer]) -> Path:
    """Write `files` (name -> function that writes its bytes) as folder `out_dir`, replacing a report that is there.

    Raises OutputError, one line, when the place is taken by something that is not a spinlag report or cannot be
    written; what was there before is then untouched. Any other exception passes, with the same promise.
    """
    place = Path(out_dir)
    target = _resolved(place)
    made: list[Path] = []
    try:
        _refuse_foreign(target, place)
        made = _make_parents(target.parent)
        _clear_leftovers(target)
        with _temporary_folder(target.parent) as new:
            for name, writer in files.items():
                _write_file(new / name, writer)
            _sync_folder(new)
            _put_in_place(new, target, place)
        _sync_folder(target.parent)
    except BaseException as error:
        _remove_empty(made)
        if isinstance(error, OSError) and not isinstance(error, OutputError):
            reason = error.strerror or str(error)
            raise OutputError(f"{_said(place)}: cannot write the report: {reason}; what was there stays") from error
        raise
    return place


def _resolved(place: Path) -> Path:
    try:
        return place.resolve()
    except (OSError, RuntimeError, ValueError) as error:
        raise OutputError(f"{_said(place)}: not a usable folder name: {error}") from error


def refuse_foreign(out_dir: str | os.PathLike[str]) -> None:
    """Raise OutputError where `write_folder` would refuse, before the work of making a report."""
    _refuse_foreign(_resolved(Path(out_dir)), Path(out_dir))


def put(stream: BinaryIO, content: bytes) -> None:
    """Write all of `content`."""
    stream.write(content)


def _said(place: Path) -> str:
    return printable(str(place), longest=400)


def _refuse_foreign(target: Path, place: Path) -> None:
    try:
        reason = foreign_reason(target)
    except OSError as error:
        reason = f"cannot be looked at: {error.strerror}"
    if reason:
        raise OutputError(f"{_said(place)}: {reason}; nothing was written, choose another folder")


def foreign_reason(folder: Path) -> str | None:
    """Why `folder` must not be replaced; None where it is absent, empty, or nothing but a spinlag report."""
    try:
        names = sorted(entry.name for entry in os.scandir(folder))
    except FileNotFoundError:
        return None
    except NotADirectoryError:
        return "is a file, not a folder"
    if not names:
        return None
    if not any(_bears_mark(folder / name, schema) for name, schema in _MARKS.items()):
        return "exists and is not a spinlag report"
    others = [name for name in names if name not in OWN_FILES or not (folder / name).is_file()]
    if others:
        shown = ", ".join(printable(name, 40) for name in others[:3]) + (", …" if len(others) > 3 else "")
        return f"holds something that spinlag did not write ({shown})"
    return None


def _bears_mark(file: Path, schema: str) -> bool:
    try:
        document = json.loads(file.read_bytes())
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(document, dict) and str(document.get("schema", "")).startswith(schema)


def _make_parents(parent: Path) -> list[Path]:
    """Make `parent`; returns the folders that were not there, innermost first."""
    missing = []
    step = parent
    while not step.exists():
        missing.append(step)
        step = step.parent
    made: list[Path] = []
    try:
        for folder in reversed(missing):
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            made.insert(0, folder)
    except BaseException:
        _remove_empty(made)
        raise
    return made


def _remove_empty(folders: list[Path]) -> None:
    for folder in folders:
        with contextlib.suppress(OSError):
            folder.rmdir()


@contextlib.contextmanager
def _temporary_folder(parent: Path) -> Iterator[Path]:
    """A new, locked folder in `parent`, gone at the end whatever it holds by then."""
    folder, lock = _locked_folder(parent)
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        if lock is not None:
            os.close(lock)


def _locked_folder(parent: Path) -> tuple[Path, int | None]:
    for _ in range(_ATTEMPTS):
        folder = parent / f".spinlag-new-{secrets.token_hex(6)}"
        folder.mkdir()
        try:
            lock = _lock(folder)
        except OSError as error:
            if error.errno in _NO_LOCKS:
                return folder, None
            raise
        if lock is not None:
            return folder, lock
        # another run took the fresh folder for a leftover before the lock was on it
    raise OSError(errno.EAGAIN, "no temporary folder could be kept")


def _lock(folder: Path) -> int | None:
    """Lock a folder; None where another process holds it or it is gone. Raises OSError where there are no locks."""
    if fcntl is None:
        raise OSError(errno.ENOSYS, "no locks on this system")
    try:
        handle = os.open(folder, os.O_RDONLY)
    except FileNotFoundError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if os.path.samestat(os.fstat(handle), os.stat(folder)):
            return handle
    except (BlockingIOError, FileNotFoundError):
        pass
    except OSError:
        os.close(handle)
        raise
    os.close(handle)
    return None


def _clear_leftovers(target: Path) -> None:
    """Remove what killed runs left beside `target`, and put back a report that one had moved aside."""
    for entry in sorted(os.scandir(target.parent), key=lambda entry: entry.name):
        folder = Path(entry.path)
        aside = _ASIDE.fullmatch(entry.name)
        with contextlib.suppress(OSError):
            if not entry.is_dir(follow_symlinks=False):
                continue
            if aside and aside.group(1) == _digest(target):
                if target.exists():
                    shutil.rmtree(folder, ignore_errors=True)
                else:
                    folder.rename(target)
            elif _TEMPORARY.fullmatch(entry.name):
                lock = _lock(folder)
                if lock is not None:
                    shutil.rmtree(folder, ignore_errors=True)
                    os.close(lock)


def _write_file(path: Path, writer: Writer) -> None:
    with open(path, "xb") as stream:
        writer(stream)
        stream.flush()
        os.fsync(stream.fileno())


def _sync_folder(folder: Path) -> None:
    if os.name != "posix":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _put_in_place(new: Path, target: Path, place: Path) -> None:
    """Let `new` take the name `target` in one step; afterwards `new` is gone or holds what was there before."""
    for _ in range(_ATTEMPTS):
        try:
            new.rename(target)
            return
        except OSError as error:
            if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.EACCES, errno.EPERM) or not target.exists():
                raise
        try:
            exchanged = _exchange(new, target)
        except FileNotFoundError:
            continue  # another run is about to put its own report there
        if not exchanged:
            _swap_in_two_steps(new, target)
            return
        if foreign_reason(new) is None:
            return
        _exchange(new, target)  # somebody put files there since the first look
        _refuse_foreign(target, place)
    raise OSError(errno.EBUSY, "the folder changes all the time")


def _exchange(one: Path, other: Path) -> bool:
    """Exchange the names of two folders in one step; False where the system cannot. Raises OSError."""
    names = os.fsencode(one), os.fsencode(other)
    libc = ctypes.CDLL(None, use_errno=True)
    if sys.platform == "linux" and hasattr(libc, "renameat2"):
        at_cwd, exchange = -100, 2  # AT_FDCWD and RENAME_EXCHANGE of renameat2(2)
        failed = libc.renameat2(at_cwd, names[0], at_cwd, names[1], exchange)
    elif sys.platform == "darwin" and hasattr(libc, "renamex_np"):
        failed = libc.renamex_np(*names, 2)  # RENAME_SWAP of renamex_np(2)
    else:
        return False
    if not failed:
        return True
    number = ctypes.get_errno()
    if number in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
        return False
    raise OSError(number, os.strerror(number))


def _digest(target: Path) -> str:
    return hashlib.sha256(os.fsencode(target.name)).hexdigest()[:16]


def _swap_in_two_steps(new: Path, target: Path) -> None:
    """Where names cannot be exchanged: move the old report aside, then the new one in, and back if that fails."""
    aside = target.parent / f".spinlag-old-{_digest(target)}-{secrets.token_hex(6)}"
    target.rename(aside)
    try:
        new.rename(target)
    except BaseException:
        aside.rename(target)
        raise
    shutil.rmtree(aside, ignore_errors=True)
