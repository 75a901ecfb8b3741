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
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import BinaryIO

from spinlag.errors import OutputError
from spinlag.report.names import printable
from spinlag.small_files import read_small
from spinlag.temporary import ATTEMPTS, NAME, NO_LOCKS, clear_stale_files, fresh_name, lock

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
_LARGEST_MARK = 1 << 28
"""A results.json of more bytes is none of ours."""

_ASIDE = re.compile(r"\.spinlag-old-([0-9a-f]{16})-[0-9a-f]{12}")
_PATIENCE_S = 30.0


def write_folder(out_dir: str | os.PathLike[str], files: Mapping[str, Writer]) -> Path:
    """Write `files` (name -> function that writes its bytes) as folder `out_dir`, replacing a report that is there.

    Raises OutputError, one line, when the place is taken by something that is not a spinlag report or cannot be
    written; what was there before is then untouched. Any other exception passes, with the same promise.
    """
    if not files.keys() <= OWN_FILES:
        raise ValueError(f"not files of a report: {sorted(files.keys() - OWN_FILES)}")
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
        document = json.loads(read_small(file, most_bytes=_LARGEST_MARK))
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
    folder, handle = _locked_folder(parent)
    try:
        yield folder
    finally:
        _remove_own(folder)
        if handle is not None:
            os.close(handle)


def _locked_folder(parent: Path) -> tuple[Path, int | None]:
    for _ in range(ATTEMPTS):
        folder = parent / fresh_name()
        folder.mkdir()
        try:
            handle = lock(folder)
        except OSError as error:
            if error.errno in NO_LOCKS:
                return folder, None
            raise
        if handle is not None:
            return folder, handle
        # another run took the fresh folder for a leftover before the lock was on it
    raise OSError(errno.EAGAIN, "no temporary folder could be kept")


def _hold(folder: Path) -> int | None:
    """Lock a folder, waiting for a run that is busy with it; None where there are no locks.

    Raises FileNotFoundError where the folder went away or was exchanged meanwhile.
    """
    deadline = time.monotonic() + _PATIENCE_S
    while time.monotonic() < deadline:
        try:
            handle = lock(folder)
        except OSError as error:
            if error.errno in NO_LOCKS:
                return None
            raise
        if handle is not None:
            return handle
        if not folder.exists():
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT))
        time.sleep(0.002)
    raise OSError(errno.EBUSY, "another run keeps the folder busy")


def _remove_own(folder: Path) -> None:
    """Remove a folder of ours as far as it holds nothing but files of ours; never anything else."""
    for name in OWN_FILES:
        with contextlib.suppress(OSError):
            (folder / name).unlink()
    with contextlib.suppress(OSError):
        folder.rmdir()


def _clear_leftovers(target: Path) -> None:
    """Remove what killed runs left beside `target`, and put back a report that one had moved aside."""
    clear_stale_files(target.parent)
    for entry in sorted(os.scandir(target.parent), key=lambda entry: entry.name):
        aside = _ASIDE.fullmatch(entry.name)
        ours = aside.group(1) == _digest(target) if aside else NAME.fullmatch(entry.name)
        if not ours or not entry.is_dir(follow_symlinks=False):
            continue
        folder = Path(entry.path)
        with contextlib.suppress(OSError):
            handle = lock(folder)
            if handle is None:
                continue  # a run that is alive
            try:
                if aside and not target.exists():
                    folder.rename(target)
                else:
                    _remove_own(folder)
            finally:
                os.close(handle)


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
    for _ in range(ATTEMPTS):
        try:
            new.rename(target)
            return
        except OSError as error:
            if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.EACCES, errno.EPERM) or not target.exists():
                raise
        try:
            # locked, the old report cannot be taken for a leftover while it is looked at under its new name
            handle = _hold(target)
        except FileNotFoundError:
            continue
        try:
            _refuse_foreign(target, place)
            if _replace(new, target):
                return
        except FileNotFoundError:
            continue
        finally:
            if handle is not None:
                os.close(handle)
        _refuse_foreign(target, place)
    raise OSError(errno.EBUSY, "the folder changes all the time")


def _replace(new: Path, target: Path) -> bool:
    """Put `new` in the place of the report `target`; False where somebody else's files turned out to stand there."""
    if not _exchange(new, target):
        _swap_in_two_steps(new, target)
        return True
    if foreign_reason(new) is None:
        return True
    try:
        _exchange(new, target)
    except FileNotFoundError:
        new.rename(target)
    return False


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
        with contextlib.suppress(OSError):
            aside.rename(target)
        raise
    _remove_own(aside)
