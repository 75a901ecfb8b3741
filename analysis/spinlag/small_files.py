"""Small files: those that a person hands over, read without getting stuck; single files written whole or not at all.

A path can lead to a device without end or to a named pipe that nobody writes to; neither may hang a run or fill memory.
"""

from __future__ import annotations

import errno
import io
import os
import select
import stat

from spinlag.temporary import whole_file

PIPE_WAIT_S = 10.0
"""How long a named pipe may be silent."""

_STEP = 1 << 20


class FileTooLargeError(OSError):
    """A file of more bytes than its kind can have."""


def read_small(path: str | os.PathLike[str], *, most_bytes: int) -> bytes:
    """The bytes of a file of at most `most_bytes`; a pipe is read to its end.

    Raises OSError with a reason for people in `strerror`: whatever the system refuses, a folder, a pipe that stays
    silent for PIPE_WAIT_S, a file of more than `most_bytes` (FileTooLargeError), a name that no file can have.
    """
    try:
        handle = io.FileIO(path, "rb", True, _without_waiting)
    except ValueError:
        raise OSError(errno.EINVAL, "not a usable file name") from None
    with handle:
        pipe = stat.S_ISFIFO(os.fstat(handle.fileno()).st_mode)
        parts: list[bytes] = []
        left = most_bytes + 1
        while left > 0:
            if pipe and not select.select([handle.fileno()], [], [], PIPE_WAIT_S)[0]:
                raise OSError(errno.ETIMEDOUT, f"nothing came through this pipe for {PIPE_WAIT_S:.0f} s")
            if pipe:
                os.set_blocking(handle.fileno(), True)
            part = handle.read(min(left, _STEP))
            if not part:
                return b"".join(parts)
            parts.append(part)
            left -= len(part)
    raise FileTooLargeError(errno.EFBIG, f"more than {most_bytes / 1e6:.3g} MB, far more than such a file has")


def write_whole(path: str | os.PathLike[str], content: bytes) -> None:
    """Write a file in one step of the file system: where that fails, what was there stays. Raises OSError."""
    with whole_file(path) as stream:
        stream.write(content)


def _without_waiting(path: str, flags: int) -> int:
    """Open without waiting for somebody at the other end of a named pipe."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))
