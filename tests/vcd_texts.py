"""Random VCD texts that keep to the standard, and a way to read them from memory."""

from __future__ import annotations

from hypothesis import strategies as st

from spinlag.capture import Channel
from spinlag.importers import vcd
from spinlag.importers.draft import Draft
from spinlag.rig import CaptureTable

BLANKS = st.sampled_from([" ", "\n", "\t", "\r\n", "  ", "\n\n", " \t ", "\f"])
KEYWORDS = {
    "$comment", "$date", "$end", "$enddefinitions", "$scope", "$timescale", "$upscope", "$var", "$version", "$dumpall",
    "$dumpoff", "$dumpon", "$dumpvars", "$dumpports", "$dumpportsoff", "$dumpportson", "$dumpportsall", "$vcdclose",
    "$attrbegin", "$attrend",
}  # fmt: skip
CODES = st.one_of(
    st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=1),
    st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=20),
).filter(lambda code: code not in KEYWORDS)
STATES = st.sampled_from("0101010101xXzZuUwWlLhH-")
WORDS = st.sampled_from(["a", "b01", "0!", "#5", "$comment", "$dumpoff", "$foo", "1", "r1.5", "says", "p", "$"])


class TextSource:
    """A byte source over text in memory, which hands out at most `most` bytes at a time inside."""

    def __init__(self, text: bytes, file: str = "text.vcd") -> None:
        self.file = file
        self.unpacks = False
        self.head = text[: 1 << 16]
        self._left = memoryview(text)

    def readinto(self, buffer: memoryview) -> int:
        count = min(len(buffer), len(self._left))
        buffer[:count] = self._left[:count]
        self._left = self._left[count:]
        return count


def read_text(text: bytes, *, block_bytes: int = vcd.BLOCK_BYTES, threads: int = 0) -> Draft:
    """The importer over text in memory."""
    return vcd.read(TextSource(text), table=CaptureTable(), block_bytes=block_bytes, threads=threads)


def as_lists(channel: Channel) -> tuple[int, list[int], list[list[int]]]:
    """A channel as the reference reader gives it."""
    return channel.initial, channel.edges[:].tolist(), channel.unknown.tolist()


@st.composite
def vcd_texts(draw: st.DrawFn) -> bytes:
    """A whole VCD text: odd white space, codes of any length, vectors, reals, comments, dump sections, equal times."""
    codes = draw(st.lists(CODES, min_size=1, max_size=5, unique=True))
    blank = lambda: draw(BLANKS)  # noqa: E731
    out = [
        blank() if draw(st.booleans()) else "",
        "$timescale",
        blank(),
        "1",
        draw(st.sampled_from(["", " "])),
        "ns",
        blank(),
        "$end",
    ]
    widths: dict[str, int] = {}
    for number, code in enumerate(codes):
        kind = draw(st.sampled_from(["wire", "wire", "wire", "reg", "real", "event"]))
        width = draw(st.sampled_from([1, 1, 1, 2, 3, 8, 33, 70])) if kind in {"wire", "reg"} else 1
        widths[code] = width if kind in {"wire", "reg"} else 0
        for alias in range(draw(st.sampled_from([1, 1, 2]))):
            reference = f"n{number}_{alias}"
            if width > 1:
                first = draw(st.integers(-3, 9))
                span = [first, first + width - 1]
                if draw(st.booleans()):
                    span.reverse()
                reference += draw(st.sampled_from(["", " "])) + f"[{span[0]}:{span[1]}]"
            scoped = draw(st.booleans())
            declaration = ["$var", kind, str(width), code, reference, "$end"]
            if scoped:
                declaration = ["$scope", "module", "inner", "$end", *declaration, "$upscope", "$end"]
            for word in declaration:
                out += [blank(), word]
    out += [blank(), "$enddefinitions", blank(), "$end", "\n"]
    time = draw(st.integers(0, 10**10))
    body: list[str] = []
    if draw(st.booleans()):
        body += ["$dumpvars", *_values(draw, widths), "$end"]
    for _ in range(draw(st.integers(1, 25))):
        body.append(f"#{time}")
        body += _values(draw, widths)
        if draw(st.integers(0, 9)) == 0:
            body += ["$comment", *draw(st.lists(WORDS, max_size=4)), "$end"]
        if draw(st.integers(0, 9)) == 0:
            body += [draw(st.sampled_from(["$dumpoff", "$dumpon", "$dumpall"])), *_values(draw, widths), "$end"]
        time += draw(st.sampled_from([0, 1, 1, 7, 83, 10**8, 10**12]))
    for word in body:
        out += [word, blank()]
    return "".join(out).encode("latin-1")


def _values(draw: st.DrawFn, widths: dict[str, int]) -> list[str]:
    values: list[str] = []
    for code in draw(st.lists(st.sampled_from(sorted(widths)), max_size=6)):
        width = widths[code]
        if width == 0:
            values += draw(st.sampled_from([["1" + code], ["r1.5", code], ["R-2e3", code], ["sab", code]]))
        elif width == 1 and draw(st.integers(0, 3)):
            values += [draw(STATES) + code]
        elif width == 1 and draw(st.booleans()):
            values += [draw(STATES), code]
        else:
            digits = draw(st.text(STATES, min_size=1, max_size=width))
            values += [draw(st.sampled_from("bB")) + digits, code]
    return values
