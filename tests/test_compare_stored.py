"""Report folders that were hollowed out, cut or edited: refused in one line with folder, file and key."""

from __future__ import annotations

import copy
import hashlib
import json
import math

import numpy as np
import pytest

from build import capture, display
from spinlag.compare.measured import CompareError, from_findings
from spinlag.compare.stored import from_folder
from spinlag.pipeline import analyse
from spinlag.report import write_report
from spinlag.rig import rig_from_mapping
from spinlag.seal import seal_of

RIG = rig_from_mapping(
    {
        "capture": {"sample_rate_hz": 1e9},
        "index": {"channel": "SENSOR"},
        "leds": [{"name": "arm", "part": "WS2812B 2013-05", "data": "DOUT", "count": 2}],
        "display": {"columns": 8},
        "limits": {"latency.latency": {"max_us": 450, "negligible_us": 2}},
    }
)

DELETED = object()
INSTEAD = ({}, [], None, "x", [1], 1e300, -1, True, {"a": {}}, DELETED)

USED = {
    "capture": ("file", "sha256", "duration_s", "sample_period_s", "read_with"),
    "rotation": ("revolutions", "speed_rev_per_s"),
    "placement": ("columns",),
    "leds[0]": ("name", "wiring", "leds_seen", "bits_per_led", "timing"),
    "incidents[0]": ("id", "kind", "revolution", "origin"),
    "shown[0]": ("chain", "order", "bits_per_led", "data", "share"),
}
"""Keys that comparison reads, table by table."""


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """A report with incidents, and what was found."""
    built, *_ = display(revolutions=30, jitter=4000, drop=[(5, 3)])
    found = analyse(capture(built.channels), RIG)
    folder = tmp_path_factory.mktemp("report") / "run"
    write_report(found, folder)
    return folder, from_findings(found)


def places(value, path=()):
    """Every key at any depth, of a list its first item only."""
    items = value.items() if isinstance(value, dict) else enumerate(value[:1]) if isinstance(value, list) else ()
    for key, below in items:
        yield (*path, key)
        yield from places(below, (*path, key))


def changed(document, path, value):
    made = copy.deepcopy(document)
    table = made
    for key in path[:-1]:
        table = table[key]
    if value is DELETED:
        del table[path[-1]]
    else:
        table[path[-1]] = value
    return made


def resealed(folder, document):
    """The document under a seal that fits, as a program of somebody's own might write it."""
    digest = hashlib.sha256((folder / "revolutions.csv").read_bytes()).hexdigest()
    return {**document, "seal": seal_of(document, digest)}


@pytest.fixture
def stored(report, tmp_path):
    """A copy of the report's files that comparison reads, its results.json as a document, and how to read it again."""
    folder, _ = report
    (tmp_path / "revolutions.csv").write_bytes((folder / "revolutions.csv").read_bytes())
    document = json.loads((folder / "results.json").read_bytes())

    def read(made, **options):
        (tmp_path / "results.json").write_text(json.dumps(made, **options))
        return from_folder(tmp_path)

    return tmp_path, document, read


def refusal(read, made):
    with pytest.raises(CompareError) as caught:
        read(made)
    said = str(caught.value)
    assert "\n" not in said
    assert len(said) < 600
    assert said.endswith("run `spinlag check` on the capture again")
    assert "pydantic" not in said and "NoneType" not in said
    return said


def test_a_sound_folder_is_read_however_it_is_laid_out(report, stored):
    _, direct = report
    _, document, read = stored
    for options in ({}, {"indent": 4}, {"sort_keys": True}):
        found = read(document, **options)
        for name in direct.__dataclass_fields__:
            if name != "series":
                assert getattr(found, name) == getattr(direct, name), name


def test_no_change_of_any_key_at_any_depth_passes(stored):
    """Whatever is changed, the seal tells; what comparison reads is named by its key as well."""
    folder, document, read = stored
    tried = 0
    for number, path in enumerate(places(document)):
        # all of them were tried once by hand; here each key is changed in two ways, in turn
        for value in (INSTEAD[number % len(INSTEAD)], INSTEAD[(3 * number + 1) % len(INSTEAD)]):
            made = changed(document, path, value)
            if made != document:
                said = refusal(read, made)
                assert said.startswith(f"{folder}/results.json: "), said
                tried += 1
    assert tried > 500


@pytest.mark.parametrize("table", list(USED))
def test_what_is_missing_or_of_another_type_is_named_by_its_key(stored, table):
    folder, document, read = stored
    name, _, number = table.partition("[")
    whole = (name,) if not number else (name, 0)
    for key in USED[table]:
        said = refusal(read, resealed(folder, changed(document, (*whole, key), DELETED)))
        assert f"results.json: {table}.{key}: is missing;" in said
        for value in ([1], {"a": [5]}, 1e300, True):
            made = resealed(folder, changed(document, (*whole, key), value))
            if key in ("duration_s", "sample_period_s") and value == 1e300:
                assert getattr(read(made), key) == 1e300
                continue
            if key == "read_with" and value == {"a": [5]}:
                continue
            said = refusal(read, made)
            assert f"results.json: {table}.{key}" in said, said
            assert "cannot stand there (" in said or "is missing" in said or "share: does not" in said, said
    if not number:
        assert f"results.json: {table}: " in refusal(read, resealed(folder, changed(document, whole, "x")))
    for value in ({}, "x", None, 5):
        made = resealed(folder, changed(document, (name,), value))
        if name in ("rotation", "placement") and value is None:
            continue  # so does a capture without an index line
        assert f"results.json: {name}" in refusal(read, made)


def test_no_change_under_a_seal_that_fits_ends_in_a_traceback(stored):
    """Somebody's own program may write such folders; a result of other types than ours must not come of them."""
    folder, document, read = stored
    rng = np.random.default_rng(3)
    paths = list(places(document))
    refused = 0
    for number in rng.permutation(len(paths))[:40].tolist():
        for value in INSTEAD:
            made = resealed(folder, changed(document, paths[number], value))
            try:
                found = read(made)
            except CompareError as error:
                refused += 1
                assert str(error).count("\n") == 0
                continue
            assert isinstance(found.file, str)
            assert isinstance(found.revolutions, int)
            assert found.speed_rev_per_s is None or isinstance(found.speed_rev_per_s, float | int)
            assert all(isinstance(n, int) for n in found.faults.values())
    assert refused > 20


@pytest.mark.parametrize("number", ["NaN", "Infinity", "-Infinity", "1e999"])
def test_numbers_that_are_none(stored, number):
    folder, document, read = stored
    text = json.dumps(document).replace(json.dumps(document["capture"]["duration_s"]), number, 1)
    (folder / "results.json").write_text(text)
    with pytest.raises(CompareError, match=r"results\.json: ") as caught:
        from_folder(folder)
    assert "again" in str(caught.value)
    assert math.isfinite(read(document).duration_s)


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (lambda text: text.replace(",", ";"), "seal: does not fit"),
        (lambda text: text[: len(text) // 2], "seal: does not fit"),
        (lambda _: "", "seal: does not fit"),
        (lambda text: text + "\n", "seal: does not fit"),
    ],
)
def test_a_table_that_was_changed(stored, edit, said):
    folder, document, read = stored
    table = folder / "revolutions.csv"
    table.write_text(edit(table.read_text()))
    assert said in refusal(read, document)


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (lambda text: text.replace("response_s", "respose_s", 1), "the column 'response_s' is missing"),
        (lambda _: "", "it is no table of numbers"),
        (lambda text: text.replace("True", "yes,", 1), "it is no table of numbers"),
        (lambda _: "\x00" * 50, "is missing"),
    ],
)
def test_a_table_that_is_none_under_a_seal_that_fits(stored, edit, said):
    folder, document, read = stored
    table = folder / "revolutions.csv"
    table.write_text(edit(table.read_text()))
    found = refusal(read, resealed(folder, document))
    assert found.startswith(f"{folder}/revolutions.csv: ")
    assert said in found


def test_files_that_are_not_there(stored):
    folder, document, read = stored
    (folder / "revolutions.csv").unlink()
    with pytest.raises(CompareError, match=r"revolutions\.csv: No such file"):
        read(document)
