"""What to do about what is wrong among the values of a VCD file, in words."""

from __future__ import annotations

import re

Said = tuple[str, str]
"""What is wrong, and the way out."""

AGAIN = "copy or export the file again"
DAMAGED = f"where this is a note or a footer, delete its line; else bytes are lost or changed here: {AGAIN}"
CUT_IN_TWO = (
    "where two recordings stand in one file, cut it in two before the second one's declarations; else move the $var "
    "before $enddefinitions"
)
_WHOLE = "the time must be a whole number of ticks, without sign, point or exponent"
_GROUPED = re.compile(rb"\d{1,3}(?:[.,'_]\d{3})+")
_DECIMAL = re.compile(rb"\d+(?:[.,]\d*)?(?:[eE][+-]?\d+)?")
_WITH_UNIT = re.compile(rb"\d+[munpf]?s")
_UNSPACED = re.compile(rb"(?:[bB][01xXzZ]+|[rR][+-]?[0-9.]+(?:[eE][+-]?[0-9]+)?)(?=.)", re.DOTALL)


def strange(word: bytes) -> Said:
    """A token that is nothing at all."""
    said = f"{shown(word)} is neither a time stamp nor a value"
    if word.startswith(b"p"):
        said += "; port values such as this are read where variables are declared with $var port"
    return said, DAMAGED


def no_time(number: bytes) -> Said:
    """A time stamp, without its #, that is no number."""
    if number.startswith(b"-"):
        way = "export the file again with times that begin at 0"
    elif _GROUPED.fullmatch(number):
        way = "take out what stands between the digits, or export the file again without it"
    elif _DECIMAL.fullmatch(number):
        way = "export the file again in whole ticks of a finer timescale"
    elif _WITH_UNIT.fullmatch(number):
        way = "take out the unit, which $timescale gives for all times"
    elif not number:
        way = f"its digits belong directly behind the #; {DAMAGED}"
    else:
        way = DAMAGED
    return f"{shown(b'#' + number)} is no time stamp ({_WHOLE})", way


def too_late(word: bytes) -> Said:
    """A time stamp beyond what is kept."""
    return (
        f"{shown(word)} lies beyond 2^62 ticks, which is as far as times are kept",
        "export the file again with times that begin at 0, or with a coarser timescale",
    )


def backwards(before: int, after: int, following: bytes = b"") -> Said:
    """A time stamp earlier than the one before it; `following` is the token behind it."""
    said = f"time runs backwards, from {before} to {after}"
    if len(following) == 3 and following.isdigit():
        return f"{said}, behind which {following.decode()} stands apart", "export the file with times in one piece"
    return said, (
        "where a second recording begins here, cut the file in two before it and put the declarations before "
        f"that part too; where bytes are missing or stamps are out of order, {AGAIN}"
    )


def undeclared(code: bytes, whole: bytes) -> Said:
    """A value's code that is not declared; `whole` is the value before it, or both as one token."""
    return f"the identifier code {shown(code)} was not declared (it stands in {shown(whole)})", (
        f"where its $var is missing, write it before $enddefinitions; {DAMAGED}"
    )


def unspaced(word: bytes, codes: frozenset[bytes]) -> Said | None:
    """A vector or a real that its declared code follows without a space; None where it is nothing of the kind."""
    value = _UNSPACED.match(word)
    if value is None:
        return None
    for end in range(value.end(), 1, -1):
        if word[end:] in codes:
            wanted = word[:end] + b" " + word[end:]
            return f"{shown(word)} needs white space between the value and its code", f"write {shown(wanted)}"
    return None


def no_value(word: bytes) -> Said:
    """A vector or port value with characters that are no states."""
    if word[:1] in b"bB":
        wanted = "a vector is a b and 0, 1, x or z for each bit, then a space and its code"
        return f"{shown(word)} is no value ({wanted})", AGAIN
    return f"{shown(word)} is no value", AGAIN


def shown(word: bytes) -> str:
    """A token as it may be shown to a person: as UTF-8 where it is that, else as Latin-1, which cannot fail."""
    try:
        text = word.decode("utf-8")
    except UnicodeDecodeError:
        text = word.decode("latin-1")
    return repr(text if len(text) <= 40 else text[:40] + "...")
