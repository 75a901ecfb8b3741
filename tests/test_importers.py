"""The choice of an importer, compression, the digest, and whatever else can go wrong with a file."""

from __future__ import annotations

import gzip
import hashlib
import lzma
import os
import threading
import zlib
from pathlib import Path
from types import SimpleNamespace

import pytest

from spinlag import read_capture
from spinlag.errors import CaptureError
from spinlag.importers import IMPORTERS, Importer, vcd
from spinlag.importers.blocks import BlockReader, ahead, in_order
from spinlag.importers.csv_options import CsvOptions
from spinlag.importers.source import FileSource
from spinlag.rig import CaptureTable

VCD = (
    b"$timescale 1 ns $end $var wire 1 ! A $end $enddefinitions $end\n#0\n0!\n"
    + b"".join(b"#%d\n%d!\n" % (n * 125, n % 2) for n in range(1, 2000))
    + b"#250000\n"
)
CSV = b"Time [us],A\n" + b"".join(b"%d.5,%d\n" % (n * 3, n % 2) for n in range(50))


def write(path: Path, data: bytes) -> Path:
    """A file with these bytes."""
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("pack", [lambda data: data, gzip.compress, lzma.compress], ids=["plain", "gzip", "xz"])
@pytest.mark.parametrize(("name", "text"), [("vcd", VCD), ("csv", CSV)])
def test_any_compression_gives_the_same_capture(tmp_path: Path, pack, name: str, text: bytes) -> None:
    data = pack(text)
    plain = read_capture(write(tmp_path / "plain", text))
    packed = read_capture(write(tmp_path / "packed", data))
    assert packed.importer == plain.importer == name
    assert packed.sha256 == hashlib.sha256(data).hexdigest()
    assert packed.warnings == plain.warnings == ()
    assert (packed.tick, packed.start, packed.end) == (plain.tick, plain.start, plain.end)
    assert [channel.edges[:].tolist() for channel in packed.channels] == [c.edges[:].tolist() for c in plain.channels]
    assert len(plain.channels[0].edges) > 40


@pytest.mark.parametrize("module", [gzip, lzma])
def test_several_compressed_members_are_one_text(tmp_path: Path, module) -> None:
    data = b"".join(module.compress(VCD[start : start + 7000]) for start in range(0, len(VCD), 7000))
    capture = read_capture(write(tmp_path / "members", data + b"\0" * 64))
    assert (len(capture.channels[0].edges), capture.warnings) == (1999, ())


@pytest.mark.parametrize("module", [gzip, lzma])
def test_compressed_data_cut_short_are_read_up_to_the_cut(tmp_path: Path, module) -> None:
    data = module.compress(VCD)
    capture = read_capture(write(tmp_path / "cut", data[: len(data) * 2 // 3]))
    assert 100 < len(capture.channels[0].edges) < 1999
    said = f"end before their time, after {len(data) * 2 // 3} bytes: the capture was analysed up to there; copy"
    assert any(said in warning for warning in capture.warnings)


@pytest.mark.parametrize("module", [gzip, lzma])
def test_bytes_behind_compressed_data_are_left_out_aloud(tmp_path: Path, module) -> None:
    data = module.compress(VCD) + b"hello"
    capture = read_capture(write(tmp_path / "garbage", data))
    assert capture.sha256 == hashlib.sha256(data).hexdigest()
    assert any(f"from byte {len(data) - 5} of the file on, is not" in warning for warning in capture.warnings)


@pytest.mark.parametrize("module", [gzip, lzma])
def test_damaged_compressed_data_are_refused(tmp_path: Path, module) -> None:
    data = bytearray(module.compress(VCD))
    data[len(data) // 2] ^= 0xFF
    with pytest.raises(CaptureError, match=r"are damaged, after [0-9]+ bytes of text"):
        read_capture(write(tmp_path / "damaged", bytes(data)))


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "the file is empty"),
        (gzip.compress(b"", mtime=0), "the file is empty"),
        (b"\xff\xd8\xff\xe0\x00\x10JFIF", "looks like a JPEG picture"),
        (b"PK\x03\x04 and more", "looks like a zip archive"),
        (bytes(range(256)) * 20, "neither VCD nor CSV"),
        (b"Dear diary,\n\ntoday the wheel turned.\n", "neither VCD nor CSV"),
        (gzip.compress(b"\x89PNG\r\n", mtime=0), "looks like a PNG picture"),
    ],
)
def test_what_is_no_capture_is_refused(tmp_path: Path, data: bytes, reason: str) -> None:
    path = write(tmp_path / "file", data)
    with pytest.raises(CaptureError, match=reason) as caught:
        read_capture(path)
    assert caught.value.file == str(path)
    assert "\n" not in str(caught.value)


def test_missing_folder_and_odd_names(tmp_path: Path) -> None:
    with pytest.raises(CaptureError, match="no such file"):
        read_capture(tmp_path / "missing")
    with pytest.raises(CaptureError, match=r"is a folder|[Ii]s a directory"):
        read_capture(tmp_path)
    with pytest.raises(CaptureError, match="not a usable file name"):
        read_capture("nul\0name")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the superuser may read everything")
def test_no_permission(tmp_path: Path) -> None:
    path = write(tmp_path / "locked", VCD)
    path.chmod(0)
    with pytest.raises(CaptureError, match="no permission"):
        read_capture(path)


def test_no_permission_is_told_whoever_runs_the_test(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("spinlag.importers.source.io.FileIO", refuse)
    with pytest.raises(CaptureError, match="no permission to read it"):
        read_capture(tmp_path / "locked")


def test_the_importer_can_be_named(tmp_path: Path) -> None:
    path = write(tmp_path / "file", VCD)
    assert read_capture(path, importer="vcd").importer == "vcd"
    with pytest.raises(CaptureError, match="no importer 'tea'; there are vcd, csv"):
        read_capture(path, importer="tea")
    with pytest.raises(CaptureError, match="should be"):
        read_capture(write(tmp_path / "table", CSV), importer="vcd")


def test_two_importers_that_know_a_file_are_an_error(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    twin = Importer("twin", "the same again", IMPORTERS[0].sniff, IMPORTERS[0].read)
    monkeypatch.setattr("spinlag.importers.IMPORTERS", (*IMPORTERS, twin))
    with pytest.raises(CaptureError, match="could be vcd and twin"):
        read_capture(write(tmp_path / "file", VCD))


def test_every_sniffer_knows_its_own_and_no_other() -> None:
    samples = {"vcd": [VCD, b"\xef\xbb\xbf" + VCD, b"\r\n $date x $end"], "csv": [CSV]}
    for importer in IMPORTERS:
        for name, texts in samples.items():
            for text in texts:
                assert importer.sniff(text) is (importer.name == name), (importer.name, text[:20])


def test_progress_counts_bytes_of_the_file(tmp_path: Path) -> None:
    path = write(tmp_path / "file", gzip.compress(VCD))
    seen: list[tuple[int, int]] = []
    read_capture(path, progress=lambda done, total: seen.append((done, total)))
    size = path.stat().st_size
    assert seen[-1] == (size, size)
    assert seen == sorted(seen)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_named_pipe_will_do(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=pipe.write_bytes, args=(VCD,))
    writer.start()
    capture = read_capture(pipe)
    writer.join()
    assert (len(capture.channels[0].edges), capture.sha256) == (1999, hashlib.sha256(VCD).hexdigest())


def test_the_rig_states_what_the_file_cannot(tmp_path: Path) -> None:
    path = write(tmp_path / "file", VCD)
    assert read_capture(path).sample_period.source == "timescale"
    given = read_capture(path, table=CaptureTable(sample_rate_hz=8_000_000))
    assert (given.sample_period.source, given.sample_period.ticks, given.warnings) == ("given", 125, ())
    wrong = read_capture(path, table=CaptureTable(sample_rate_hz=3_000_000))
    assert any("3 MHz" in warning for warning in wrong.warnings)


@pytest.mark.parametrize(
    ("words", "source"),
    [
        (b"$comment taken at a sample rate of 8 MHz $end", "given"),
        (b"$version sampling-rate = 8000.0 kHz $end", "given"),
        (b"$comment 8 MHz crystal $end", "timescale"),
        (b"$comment sample rate: 3 MHz $end", "given"),
    ],
)
def test_a_rate_in_the_words_of_the_header_is_checked(tmp_path: Path, words: bytes, source: str) -> None:
    capture = read_capture(write(tmp_path / "file", words + b"\n" + VCD))
    assert capture.sample_period.source == source
    assert bool(capture.warnings) is (b"3 MHz" in words)
    assert (
        capture.sample_period.ticks == (125 if source == "given" and b"3 MHz" not in words else 1) or capture.warnings
    )


@pytest.mark.parametrize("size", [1, 3, 10, 1000])
def test_blocks_join_to_the_text_and_end_where_they_may(tmp_path: Path, size: int) -> None:
    text = b"one\ntwo\n\na rather long line that no small block can hold\nlast without an end"
    with FileSource(write(tmp_path / "file", text)) as source:
        reader = BlockReader(source, size, lambda raw, start, stop: raw.rfind(b"\n", start, stop) + 1 or -1)
        joined, ends = b"", []
        for block in reader:
            assert block.offset == len(joined)
            joined += block.text().tobytes()
            ends.append(block.last or joined.endswith(b"\n"))
            reader.recycle(block)
    assert joined == text
    assert all(ends)


def test_work_in_threads_keeps_the_order() -> None:
    asked: list[int] = []

    def items():
        for number in range(50):
            asked.append(number)
            yield number

    for number, square in in_order(items(), lambda n: n * n, threads=3):
        assert square == number * number
        assert len(asked) <= number + 5
    assert len(asked) == 50


def test_work_ahead_keeps_the_order_and_its_distance() -> None:
    made: list[int] = []

    def items():
        for number in range(50):
            made.append(number)
            yield number

    for place, number in enumerate(ahead(items())):
        assert number == place
        assert len(made) <= number + 6
    assert len(made) == 50


def test_what_goes_wrong_ahead_is_raised_in_its_turn() -> None:
    def items():
        yield 1
        yield 2
        raise CaptureError("no more of it", file="made.vcd")

    got = []
    with pytest.raises(CaptureError, match="no more of it"):
        for number in ahead(items()):
            got.append(number)
    assert got == [1, 2]


def test_a_reader_that_stops_early_leaves_no_thread_behind() -> None:
    before = threading.active_count()
    numbers = ahead(iter(range(1000)))
    assert next(numbers) == 0
    assert threading.active_count() == before + 1
    numbers.close()
    assert threading.active_count() == before


@pytest.mark.parametrize("threads", [0, 1, 2])
@pytest.mark.parametrize("slowly", [True, False])
def test_a_packed_file_reads_as_the_plain_one(
    tmp_path: Path, threads: int, slowly: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Slow unpacking has a thread of its own."""
    monkeypatch.setattr("spinlag.importers.source.inflate", zlib if slowly else SimpleNamespace(**vars(zlib)))
    text = b"$timescale 1 ns $end $var wire 1 ! A $end $enddefinitions $end\n" + b"".join(
        b"#%d\n%d!\n" % (7 * k, k % 2) for k in range(20_000)
    )
    drafts = []
    for name, data in (("a.vcd", text), ("a.vcd.gz", gzip.compress(text))):
        with FileSource(write(tmp_path / name, data)) as source:
            assert source.unpacks == (slowly and name.endswith(".gz"))
            drafts.append(vcd.read(source, table=CaptureTable(), block_bytes=5000, threads=threads))
    plain, packed = drafts
    assert packed.channels[0].edges[:].tolist() == plain.channels[0].edges[:].tolist()
    assert (packed.start, packed.end) == (plain.start, plain.end)


def test_options_for_tables_are_told_to_do_nothing_for_vcd(tmp_path):
    path = write(tmp_path / "a.vcd", VCD)
    options = CsvOptions(packed_columns=("A",), time_unit="ns", sample_rate_hz=1e9)
    said = [warning for warning in read_capture(path, csv=options).warnings if "how a CSV is read" in warning]
    assert said == [
        "time unit, packed columns: this says how a CSV is read and changes nothing here, as the file is VCD"
    ]
    assert read_capture(path, csv=CsvOptions(sample_rate_hz=1e9)).warnings == read_capture(path).warnings
