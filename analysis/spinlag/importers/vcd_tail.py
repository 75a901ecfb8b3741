"""The end of a VCD file: whether its last token can be trusted where no white space follows it."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from spinlag.importers.blocks import Block
from spinlag.importers.vcd_codes import Codes
from spinlag.importers.vcd_scheme import INVALID, STATE
from spinlag.importers.vcd_tokens import BLANK, LATEST

_LAST_TWO = re.compile(rb"(?:([^\x00-\x20]+)[\x00-\x20]+)?([^\x00-\x20]+)\Z")
_FAR_ENOUGH = 1 << 16
"""No two tokens worth keeping are longer."""

_OPENERS = b"bBrRsS"


@dataclass(frozen=True)
class Tail:
    """What the last token was: `time` is a time stamp that may lack digits; `cut`: the token was dropped."""

    time: int | None = None
    cut: bool = False


def trim_tail(block: Block, codes: Codes, *, ports: bool, padded: bool) -> tuple[Block, Tail]:
    """The file's last block without a last token that may be cut short.

    A time stamp may always be; a code may be where another one begins with it. A block that ends with white space is
    left alone. Zero bytes behind it (`padded`), as a crash leaves them, count as a cut.
    """
    stop = block.stop
    if stop == block.start or block.raw[stop - 1] <= BLANK:
        return block, Tail(cut=padded)
    text = bytes(block.raw[_two_back(block, stop) : stop])
    found = _LAST_TWO.search(text)
    assert found is not None
    before, token = found[1] or b"", found[2]
    if token == b"$end" or (not padded and _whole(before, token, codes, ports)):
        return block, Tail(cut=padded)
    number = token[1:]
    time = int(number) if token.startswith(b"#") and number.isdigit() and len(number) < 20 else LATEST + 1
    return replace(block, stop=stop - len(token)), Tail(time if time <= LATEST else None, True)


def _two_back(block: Block, stop: int) -> int:
    """A place in the block with two tokens or more behind it, the block's start, or _FAR_ENOUGH before `stop`."""
    start = stop
    floor = max(block.start, stop - _FAR_ENOUGH)
    for _ in range(2):
        while start > floor and block.raw[start - 1] > BLANK:
            start -= 1
        while start > floor and block.raw[start - 1] <= BLANK:
            start -= 1
    while start > floor and block.raw[start - 1] > BLANK:
        start -= 1
    return start


def _whole(before: bytes, token: bytes, codes: Codes, ports: bool) -> bool:
    """Whether a value or a code is all there: its code is declared, and no longer code begins with it."""
    if STATE[token[0]] != INVALID and len(token) > 1 and not ports:
        code = token[1:]
    elif (
        ports
        or before[:1] in {bytes([opener]) for opener in _OPENERS}
        or (len(before) == 1 and STATE[before[0]] != INVALID)
    ):
        code = token
    else:
        return False
    return code in codes.codes and not any(other != code and other.startswith(code) for other in codes.codes)
