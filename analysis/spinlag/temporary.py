"""Temporary files and folders beside what they are to become.

Each is locked by the run that makes it. A run that dies leaves one behind at most, without its lock, and a later run
into the same folder clears it away.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

try:
    import fcntl
except ImportError:  # pragma: no cover - no advisory locks on this system
    fcntl = None  # type: ignore[assignment]

NAME = re.compile(r"\.spinlag-new-[0-9a-f]{12}")
"""Names of temporary files and folders; whatever bears one and is not locked may be removed."""

ATTEMPTS = 50
NO_LOCKS = (errno.ENOLCK, errno.ENOTSUP, errno.ENOSYS)


def fresh_name() -> str:
    """A name that nobody else has."""
    return f".spinlag-new-{secrets.token_hex(6)}"


def lock(path: Path) -> int | None:
    """Lock a file or folder; a handle to close later, or None where another process holds it or it is gone.

    Raises OSError where there are no locks.
    """
    if fcntl is None:
        raise OSError(errno.ENOSYS, "no locks on this system")
    try:
        handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    except FileNotFoundError:
        return None
    return handle if _locked(handle, path) else None


def _locked(handle: int, path: Path) -> bool:
    """Lock what is open under `handle`, and see that it still stands under its name; closes it where not."""
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        if os.path.samestat(os.fstat(handle), os.stat(path, follow_symlinks=False)):
            return True
    except (BlockingIOError, FileNotFoundError):
        pass
    except OSError:
        os.close(handle)
        raise
    os.close(handle)
    return False


def clear_stale_files(folder: Path) -> None:
    """Remove temporary files in `folder` whose run is gone; what cannot be removed stays."""
    with contextlib.suppress(OSError):
        entries = [entry for entry in os.scandir(folder) if NAME.fullmatch(entry.name)]
        for entry in entries:
            with contextlib.suppress(OSError):
                if not entry.is_file(follow_symlinks=False):
                    continue
                handle = lock(Path(entry.path))
                if handle is not None:
                    try:
                        os.unlink(entry.path)
                    finally:
                        os.close(handle)


@contextlib.contextmanager
def whole_file(path: str | os.PathLike[str]) -> Iterator[BinaryIO]:
    """A stream to a file that takes its name in one step of the file system when the block ends, whole and on the disk.

    Where anything fails, what was there before stays. Raises OSError, as for a name that is a folder's or a device's.
    """
    target = Path(path)
    with contextlib.suppress(FileNotFoundError):
        kind = os.stat(target).st_mode
        if stat.S_ISDIR(kind):
            raise OSError(errno.EISDIR, os.strerror(errno.EISDIR))
        if not stat.S_ISREG(kind):
            raise OSError(errno.EINVAL, "is no regular file")
    clear_stale_files(target.parent)
    temporary, stream = _new_file(target.parent)
    try:
        with stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
            if fcntl is None:  # pragma: no cover - there an open file cannot be renamed, and nobody clears it away
                stream.close()
            # renamed while the lock is on it: nobody can take it for a leftover
            os.replace(temporary, target)
    finally:
        temporary.unlink(missing_ok=True)


def _new_file(folder: Path) -> tuple[Path, BinaryIO]:
    """A new file, locked where there are locks."""
    for _ in range(ATTEMPTS):
        temporary = folder / fresh_name()
        stream = open(temporary, "xb")  # noqa: SIM115 - closed by whole_file
        try:
            if fcntl is None:  # pragma: no cover
                return temporary, stream
            fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
            if os.path.samestat(os.fstat(stream.fileno()), os.stat(temporary)):
                return temporary, stream
        except (BlockingIOError, FileNotFoundError):
            pass  # another run took the fresh file for a leftover before the lock was on it
        except OSError as error:
            if error.errno in NO_LOCKS:
                return temporary, stream
            stream.close()
            temporary.unlink(missing_ok=True)
            raise
        stream.close()
        temporary.unlink(missing_ok=True)
    raise OSError(errno.EAGAIN, "no temporary file could be kept")
