"""Any block of a VCD body: vectors, reals, strings, ports, comments, dump sections, codes of any length.

Works on whole arrays of tokens. What a token is follows from the tokens around it: a value such as `b101` makes the
next token a code, whatever it looks like, and nothing inside a comment counts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from spinlag.importers import vcd_advice as advice
from spinlag.importers.blocks import Block
from spinlag.importers.lanes import LOST, Recorded
from spinlag.importers.vcd_codes import UNDECLARED, Codes, Indices
from spinlag.importers.vcd_group import by_lane
from spinlag.importers.vcd_scheme import CARRIED, INVALID, NO_LANE, PORT_STATE, STATE, Fault, Parsed, Scheme, Sections
from spinlag.importers.vcd_tokens import LATEST, Tokens, decimals
from spinlag.importers.vcd_vectors import Bits, Values, every_bit, expand, lost, together

_OTHER, _TIME, _SCALAR, _VECTOR, _TEXT, _PORT, _KEYWORD = range(7)

_NEUTRAL = (
    b"$end $dumpvars $dumpall $dumpon $dumpoff $dumpports $dumpportsall $dumpportson $dumpportsoff $vcdclose".split()
)
_END = _NEUTRAL.index(b"$end")
_OFF = (_NEUTRAL.index(b"$dumpoff"), _NEUTRAL.index(b"$dumpportsoff"))
_SKIPPED = b"$comment $date $version $timescale $scope $upscope $var $enddefinitions $attrbegin $attrend".split()
_VAR = len(_NEUTRAL) + _SKIPPED.index(b"$var")
_TIMESCALE = len(_NEUTRAL) + _SKIPPED.index(b"$timescale")
KEYWORDS = Codes([*_NEUTRAL, *_SKIPPED])
IN_COMMENT = b"$comment "
_LONGEST_KEYWORD = 20

_MOST_DIGITS = 19
"""Digits of the latest time, 2^62."""

MOST_LOST = 1 << 22
"""Lines times places where dumping is switched off, in one block. Real dumps list every line there, so that a block
has room for few; without this a small file could fill the memory."""

_AFTER_PORT = 3
"""A port value is followed by two strengths and the code (IEEE Std 1364-2005 18.4.3)."""


def _classes() -> NDArray[np.uint8]:
    table = np.full(256, _OTHER, dtype=np.uint8)
    table[STATE != INVALID] = _SCALAR
    for characters, kind in (("#", _TIME), ("bB", _VECTOR), ("rRsS", _TEXT), ("p", _PORT), ("$", _KEYWORD)):
        for character in characters:
            table[ord(character)] = kind
    return table


_CLASS = _classes()


class _Body:
    """One block's tokens outside comments, and the first thing found wrong with them."""

    def __init__(self, block: Block, tokens: Tokens) -> None:
        self.block = block
        self.tokens = tokens
        self.kind = _CLASS[tokens.first]
        self.fault: Fault | None = None

    def offset(self, token: int) -> int:
        """Where a token stands in the file."""
        return self.block.offset + int(self.tokens.before[token])

    def wrong(self, token: int, reason: str, way: str = "") -> None:
        """Note a fault; the one that comes first in the file counts."""
        offset = self.offset(token)
        if self.fault is None or offset < self.fault.offset:
            self.fault = Fault(offset, reason, way)

    def text(self, token: int) -> str:
        """A token as it may be shown to a person."""
        return advice.shown(self.tokens.word(token))


@dataclass(frozen=True, eq=False)
class _Roles:
    """Which tokens are what, as indices. The code of the value openers[i] is the token codes[i]."""

    times: Indices
    scalars: Indices
    openers: Indices
    codes: Indices
    dump_off: Indices
    unfinished: int | None
    """Token where a record begins that this block does not end."""


def read_general(block: Block, tokens: Tokens, scheme: Scheme) -> Parsed:
    """The block's records, or the first thing wrong in it, with its place."""
    tokens, sections, capitals = _without_comments(tokens, scheme, block)
    body = _Body(block, tokens)
    body.fault = capitals
    roles = _port_roles(body) if scheme.ports else _roles(body)
    times = _times(body, roles.times)
    holes = _holes(block, tokens)
    most_off = MOST_LOST // max(scheme.lanes, 1)
    for token in roles.dump_off[most_off : most_off + 1].tolist():
        body.wrong(token, f"dumping of {scheme.lanes} lines is switched off over and over")
    for token in holes[most_off : most_off + 1].tolist():
        body.wrong(token, f"zero bytes stand in {most_off} places and more among the values")
    bits, too_long = _bits(body, roles, np.concatenate([roles.dump_off, holes]), scheme)
    zeros = len(holes) > 0
    if body.fault is not None:
        if not len(times):
            return Parsed(fault=body.fault, sections=sections, zeros=zeros)
        first, offset = int(times[0]), body.offset(int(roles.times[0]))
        return Parsed(first=first, first_offset=offset, fault=body.fault, sections=sections, zeros=zeros)
    recorded, carried = _recorded(bits, roles.times, times, len(tokens))
    rest = b"" if sections.open is None else IN_COMMENT
    if roles.unfinished is not None:
        begins = int(tokens.before[roles.unfinished])
        rest = bytes(block.raw[block.start + begins : block.stop])
        stamps = sections.stamps  # those in the rest are met again with it
        sections = replace(sections, stamps=stamps[: stamps.searchsorted(block.offset + begins)])
    some = len(times) > 0
    return Parsed(
        recorded,
        carried,
        int(times[0]) if some else None,
        int(times[-1]) if some else None,
        body.offset(int(roles.times[0])) if some else 0,
        rest,
        too_long=too_long,
        dump_off=len(roles.dump_off),
        sections=sections,
        zeros=zeros,
    )


def _holes(block: Block, tokens: Tokens) -> Indices:
    """The tokens behind which zero bytes stand, -1 for those before the first: what they replaced is lost."""
    if block.raw.find(0, block.start, block.stop) < 0:
        return np.empty(0, dtype=np.int64)
    zeros = np.flatnonzero(block.text() == 0) + 1
    return np.unique(tokens.before.searchsorted(zeros) - 1)


def _without_comments(tokens: Tokens, scheme: Scheme, block: Block) -> tuple[Tokens, Sections, Fault | None]:
    """The tokens outside comments and other sections that hold no values; what stands in those; the fault of a keyword
    in capital letters, whose values would be passed over with it."""
    at = np.flatnonzero(tokens.first == ord("$"))
    if not len(at):
        return tokens, Sections(), None
    word = _find(KEYWORDS, tokens, at)
    skipped = word >= len(_NEUTRAL)
    strange = np.flatnonzero(word == UNDECLARED)
    own = _long_and_undeclared(tokens, at[strange], scheme.codes)
    skipped[strange] = own
    opens, ends = at[skipped], at[word == _END]
    own_at = at[strange[own]]
    if len(own_at) and (scheme.ports or _behind_opener(tokens, own_at).any()):
        opens = _opening_in_turn(tokens, opens, ends, set(own_at.tolist()), ports=scheme.ports)
    if not len(opens):
        return tokens, Sections(), None
    following = ends.searchsorted(opens)
    end_number, which = np.unique(following, return_index=True)
    opens = opens[which]
    stops = np.append(ends, len(tokens) - 1)[end_number] + 1
    depth = np.zeros(len(tokens) + 1, dtype=np.int8)
    depth[opens] += 1
    depth[stops] -= 1
    outside = np.cumsum(depth[:-1], dtype=np.int8) == 0
    word = _find(KEYWORDS, tokens, opens)

    def place(tokens_at: Indices) -> int | None:
        return block.offset + int(tokens.before[tokens_at[0]]) if len(tokens_at) else None

    stamps = np.flatnonzero(~outside & (tokens.first == ord("#")))
    stamps = stamps[tokens.text[tokens.before[stamps] + 2] - ord("0") <= 9]
    open_ended = opens[-1:] if end_number[-1] == len(ends) else opens[:0]
    sections = Sections(
        place(opens[word == _VAR]),
        place(opens[word == _TIMESCALE]),
        place(open_ended),
        tokens.before[stamps] + block.offset,
    )
    fault = None
    for token in opens[word == UNDECLARED].tolist():
        capital = tokens.word(token)
        if len(capital) < _LONGEST_KEYWORD and capital.lower() in KEYWORDS.known:
            reason = f"{advice.shown(capital)} is no keyword: write it in lower case, as {capital.lower().decode()}"
            fault = Fault(block.offset + int(tokens.before[token]), reason)
            break
    return tokens.select(np.flatnonzero(outside)), sections, fault


def _long_and_undeclared(tokens: Tokens, at: Indices, codes: Codes) -> NDArray[np.bool_]:
    """Whether an unknown word with a dollar sign could open a section of a writer's own."""
    long = tokens.end[at] - tokens.before[at] > 3
    found: NDArray[np.bool_] = long & (_find(codes, tokens, at) == UNDECLARED)
    return found


def _wants_code(tokens: Tokens) -> NDArray[np.bool_]:
    """Whether each token looks like a value whose code is the next token: a vector, a real, a state by itself."""
    kind = _CLASS[tokens.first]
    wants: NDArray[np.bool_] = (
        (kind == _VECTOR) | (kind == _TEXT) | ((kind == _SCALAR) & (tokens.end - tokens.before == 2))
    )
    return wants


def _behind_opener(tokens: Tokens, at: Indices) -> NDArray[np.bool_]:
    """Whether the token before each looks like a value that wants a code; it may be such a value's code itself."""
    behind: NDArray[np.bool_] = _wants_code(tokens.select(np.maximum(at - 1, 0))) & (at > 0)
    return behind


def _opening_in_turn(tokens: Tokens, opens: Indices, ends: Indices, own: set[int], *, ports: bool) -> Indices:
    """Which of `opens` open a section, one token after another: a word of a writer's own (`own`) right behind a value
    that wants a code is that code. What is a value and what its code only the tokens before them can tell.
    """
    wants = (_CLASS[tokens.first] == _PORT) if ports else _wants_code(tokens)
    parts = _AFTER_PORT if ports else 1
    # nothing but these and what follows them matters: the rest is passed over in strides
    starts = np.union1d(np.flatnonzero(wants), opens)
    opening: list[int] = []
    may_open = set(opens.tolist())
    token, missing, record = 0, 0, -1
    while token < len(tokens):
        if token in may_open and not (token in own and missing == 1 and record == token - 1):
            opening.append(token)
            end = int(ends.searchsorted(token))
            if end == len(ends):
                break
            token = int(ends[end])
        elif missing:
            missing -= 1
            record = token
        elif wants[token]:
            missing, record = parts, token
        else:
            following = int(starts.searchsorted(token))
            if following == len(starts):
                break
            if starts[following] > token:
                token = int(starts[following])
                continue
        token += 1
    return np.array(opening, dtype=np.int64)


def _roles(body: _Body) -> _Roles:
    """Roles in a plain VCD body: in a run of values that want a code each, every other one is such a code."""
    tokens, kind = body.tokens, body.kind
    detached = (kind == _SCALAR) & (tokens.end - tokens.before == 2)
    wants = np.flatnonzero((kind == _VECTOR) | (kind == _TEXT) | detached)
    number = np.arange(len(wants))
    begins = np.concatenate([[True], wants[1:] != wants[:-1] + 1])[: len(wants)]
    openers = wants[(number - np.maximum.accumulate(np.where(begins, number, 0))) % 2 == 0]
    unfinished = None
    if len(openers) and int(openers[-1]) == len(tokens) - 1:
        unfinished = int(openers[-1])
        openers = openers[:-1]
    free = np.ones(len(tokens), dtype=bool)
    free[openers + 1] = False
    for token in np.flatnonzero(free & ((kind == _OTHER) | (kind == _PORT)))[:1].tolist():
        body.wrong(token, *advice.strange(tokens.word(token)))
    return _Roles(
        np.flatnonzero(free & (kind == _TIME)),
        np.flatnonzero(free & (kind == _SCALAR) & ~detached),
        openers,
        openers + 1,
        _dump_off(body, np.flatnonzero(free & (kind == _KEYWORD))),
        unfinished,
    )


def _port_roles(body: _Body) -> _Roles:
    """Roles in an extended VCD body, where every value is a port's: state, two strengths, code."""
    tokens, kind = body.tokens, body.kind
    ports = np.flatnonzero(kind == _PORT)
    open_ended = ports[ports + _AFTER_PORT >= len(tokens)]
    unfinished = int(open_ended[0]) if len(open_ended) else None
    ports = ports[: len(ports) - len(open_ended)]
    free = kind != _PORT
    for step in range(1, _AFTER_PORT + 1):
        free[ports + step] = False
    if unfinished is not None:
        free[unfinished:] = False
    known = (kind == _TIME) | (kind == _KEYWORD)
    strengths = (tokens.first[ports + 1] - ord("0") > 7) | (tokens.first[ports + 2] - ord("0") > 7)
    wrong = [*np.flatnonzero(free & ~known)[:1], *ports[strengths][:1], *ports[:-1][np.diff(ports) <= _AFTER_PORT][:1]]
    for token in map(int, wrong):
        body.wrong(
            token,
            f"{body.text(token)} is no time stamp and no port value with two strengths and a code",
            advice.DAMAGED,
        )
    return _Roles(
        np.flatnonzero(free & (kind == _TIME)),
        np.empty(0, dtype=np.int64),
        ports,
        ports + _AFTER_PORT,
        _dump_off(body, np.flatnonzero(free & (kind == _KEYWORD))),
        unfinished,
    )


def _dump_off(body: _Body, keywords: Indices) -> Indices:
    """The keywords that switch dumping off; a word with a dollar sign that is no keyword is a fault."""
    word = _find(KEYWORDS, body.tokens, keywords)
    for token in keywords[word == UNDECLARED][:1].tolist():
        body.wrong(token, f"{body.text(token)} is no keyword", advice.DAMAGED)
    off: Indices = keywords[(word == _OFF[0]) | (word == _OFF[1])]
    return off


def _find(codes: Codes, tokens: Tokens, at: Indices) -> NDArray[np.int32]:
    start = tokens.before[at] + 1
    return codes.find(tokens.text, start, tokens.end[at] - start)


def _times(body: _Body, at: Indices) -> NDArray[np.int64]:
    """Values of the time stamps, shape (n,); notes a fault where one is no time or runs backwards."""
    tokens = body.tokens
    end = tokens.end[at]
    digits = end - tokens.before[at] - 2
    if not len(at):
        return np.empty(0, dtype=np.int64)
    times = decimals(tokens.buffer, tokens.origin, end, digits, int(digits.min()), int(digits.max()))
    if times is None:
        times = _times_one_by_one(body, at)
    backwards = np.flatnonzero(times[1:] < times[:-1])
    for place in backwards[:1].tolist():
        token = int(at[place + 1])
        following = tokens.word(token + 1) if token + 1 < len(tokens) else b""
        body.wrong(token, *advice.backwards(int(times[place]), int(times[place + 1]), following))
    return times


def _times_one_by_one(body: _Body, at: Indices) -> NDArray[np.int64]:
    """The same for stamps that are out of the ordinary: find the wrong one, or accept leading zeros.

    Ends at the first that runs backwards, which is for the caller to report.
    """
    times = np.zeros(len(at), dtype=np.int64)
    for place, token in enumerate(at.tolist()):
        number = body.tokens.word(token)[1:]
        if not number.isdigit():
            body.wrong(token, *advice.no_time(number))
            return times[:1].repeat(len(at))
        significant = number.lstrip(b"0") or b"0"
        if len(significant) > _MOST_DIGITS or int(significant) > LATEST:
            body.wrong(token, *advice.too_late(body.tokens.word(token)))
            return times[:1].repeat(len(at))
        times[place] = int(significant)
        if place and times[place] < times[place - 1]:
            return times[: place + 1]
    return times


def _bits(body: _Body, roles: _Roles, lost_at: Indices, scheme: Scheme) -> tuple[Bits, bool]:
    """All values as one-bit records, and whether a vector value was too long for its line and lost a 1.

    Every line loses its level at, and behind the value of, the tokens `lost_at`.
    """
    tokens = body.tokens
    text = tokens.text
    scalar_code = scheme.codes.find(
        text, tokens.before[roles.scalars] + 2, tokens.end[roles.scalars] - tokens.before[roles.scalars] - 2
    )
    opener_code = _find(scheme.codes, tokens, roles.codes)
    for token in roles.scalars[scalar_code == UNDECLARED][:1].tolist():
        body.wrong(token, *advice.undeclared(tokens.word(token)[1:], tokens.word(token)))
    for number in np.flatnonzero(opener_code == UNDECLARED)[:1].tolist():
        _undeclared_behind(body, int(roles.openers[number]), int(roles.codes[number]), scheme)
    if body.fault is not None:
        return together([]), False
    lane = scheme.lane[scalar_code]
    one = (lane != NO_LANE) & (scheme.width[scalar_code] == 1)
    at = roles.scalars[one]
    simple = Bits(at, lane[one].astype(np.uint16), STATE[tokens.first[at]])
    wide = np.flatnonzero((lane != NO_LANE) & ~one)
    at = roles.scalars[wide]
    start = tokens.before[at] + 1
    wide_code = scalar_code[wide]
    from_scalars = Values(at, start, start + 1, scheme.lane[wide_code], scheme.width[wide_code])
    alone = not len(at) and not len(lost_at)
    parts, too_long = _opened(body, roles, opener_code, scheme, alone)
    parts += expand(text, from_scalars, STATE, alone=False)[0]
    return together([simple, *parts, lost(lost_at, scheme.lanes)]), too_long


def _undeclared_behind(body: _Body, opener: int, token: int, scheme: Scheme) -> None:
    """Note the fault of a value whose code, the token behind it, is not declared."""
    value = body.tokens.word(opener)
    unspaced = advice.unspaced(value, scheme.codes.known)
    if unspaced is not None:
        body.wrong(opener, *unspaced)
    else:
        body.wrong(token, *advice.undeclared(body.tokens.word(token), value))


def _opened(
    body: _Body, roles: _Roles, code: NDArray[np.int32], scheme: Scheme, alone: bool
) -> tuple[list[Bits], bool]:
    """Records of the values that stand apart from their codes: vectors, ports, detached scalars, reals, strings.

    `alone`: no other values in the block go to the same lines.
    """
    tokens = body.tokens
    digital = scheme.lane[code] != NO_LANE
    openers, code = roles.openers[digital], code[digital]
    kind = body.kind[openers]
    alone = alone and len(kind) > 0 and bool((kind == kind[0]).all())
    parts: list[Bits] = []
    too_long = False
    for wanted, skip, table in ((_VECTOR, 1, STATE), (_SCALAR, 0, STATE), (_PORT, 1, PORT_STATE)):
        mine = np.flatnonzero(kind == wanted)
        if len(mine):
            values = _values(tokens, openers[mine], code[mine], scheme, skip)
            bits, bad, too_long_here = expand(tokens.text, values, table, alone=alone)
            parts += bits
            too_long |= too_long_here
            if bad is not None:
                word = tokens.word(bad)
                body.wrong(bad, *(advice.unspaced(word, scheme.codes.known) or advice.no_value(word)))
    text = np.flatnonzero(kind == _TEXT)
    parts.append(every_bit(openers[text], scheme.lane[code[text]], scheme.width[code[text]], LOST))
    return parts, too_long


def _values(tokens: Tokens, at: Indices, code: NDArray[np.int32], scheme: Scheme, skip: int) -> Values:
    start = tokens.before[at] + 1 + skip
    return Values(at, start, tokens.end[at], scheme.lane[code], scheme.width[code])


def _recorded(bits: Bits, at_time: Indices, times: NDArray[np.int64], tokens: int) -> tuple[Recorded, bool]:
    """Records by lane, with their ticks; whether some stand before the block's first time stamp."""
    order = np.argsort(bits.lane, kind="stable")
    lane, token = bits.lane[order], bits.token[order]
    if ((token[1:] < token[:-1]) & (lane[1:] == lane[:-1])).any():
        order = np.lexsort((bits.token, bits.lane))
        lane = bits.lane[order]
    passed = np.zeros(tokens + 1, dtype=np.int32)
    passed[at_time + 1] = 1
    clock = np.concatenate([[CARRIED], times])
    place = np.cumsum(passed, dtype=np.int32)[bits.token + 1]
    return by_lane(lane, order, clock[place], bits.states), bool((place == 0).any())
