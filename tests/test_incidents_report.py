"""The incident section of the report: what it says, which pictures it draws, and that a rig's target reaches it."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image as Pictures

from spinlag.incidents.model import IncidentReport
from spinlag.incidents.rates import rates
from spinlag.pipeline import analyse
from spinlag.report.html import report_bytes
from spinlag.report.incident_section import incident_pictures, incident_texts
from spinlag.report.moments import find_moment
from spinlag.report.plots import style
from spinlag.report.plots.timing import Dimension, Line, timing_picture
from spinlag.rig import read_rig, rig_from_mapping
from spinlag.synth import scenario_from_mapping, simulate

FAULTS = [
    {"kind": "index-doubled", "revolution": 6, "after_us": 9000.0},
    {"kind": "update-missing", "revolution": 12, "column": 7},
]


@pytest.fixture(scope="module", params=["arm", "slot"])
def made(request):
    return simulate(
        scenario_from_mapping(
            {
                "duration_s": 0.6,
                "index": {},
                "shaft": {"speed_rev_per_s": 30.0},
                "leds": [{"count": 6}],
                "firmware": {"columns": 24},
                "display": {"geometry": request.param},
                "picture": {"kind": "noise"},
                "faults": FAULTS,
            }
        )
    )


@pytest.fixture
def with_target(made, tmp_path):
    """Findings of a rig file whose target, beside it, is the scenario's picture with one spot changed."""
    image = made.truth.image.copy()
    image[3, 2] = 255 - image[3, 2]
    Pictures.fromarray(np.ascontiguousarray(image.transpose(1, 0, 2)[::-1])).save(tmp_path / "wanted.png")
    (tmp_path / "rig.toml").write_text('[display]\ntarget = "wanted.png"\n')
    target = read_rig(tmp_path / "rig.toml").display.target
    tables = made.rig.model_dump(mode="json", exclude={"limits", "guessed"}, exclude_none=True, exclude_defaults=True)
    tables["display"]["target"] = target
    return analyse(made.capture, rig_from_mapping(tables))


def test_pictures_and_words_of_the_section(with_target):
    report, seen = with_target.incidents, with_target.seen
    texts = incident_texts(report, seen)
    assert [event["kind"] for event in texts["worst"]] == ["index-doubled", "update-missing"]
    assert texts["others"] == []
    assert texts["clean"] == ""
    assert "0.7 % of the usual picture's spots differ" in texts["target"]
    with style.styled():
        drawn = {key: (alt, caption) for key, _, alt, caption in incident_pictures(with_target, report, seen)}
    first, second = (event.id for event in report.events)
    assert {f"seen-{first}", f"close-{first}-0", f"seen-{second}", f"close-{second}-0", "target"} <= set(drawn)
    assert all(key in drawn or key.endswith("-1") for event in texts["worst"] for key in event["close_ups"])
    assert "Bloch" in drawn[f"seen-{first}"][1]


@pytest.mark.parametrize("made", ["arm"], indirect=True)
def test_the_page_holds_the_section(with_target):
    page = report_bytes(with_target).decode()
    section = page[page.index('id="incidents"') :]
    assert section.count("<figure>") >= 5
    assert "index-doubled" in section
    assert "began its columns again" in section
    assert "The picture against its target" in section


def test_nothing_at_all_keeps_the_same_keys(with_target):
    empty = IncidentReport((), (), (), rates((), ("index-missed",), 300, 10.0), 300, 10.0)
    texts = incident_texts(empty, None)
    assert set(texts) == set(incident_texts(with_target.incidents, with_target.seen))
    assert texts["clean"] == (
        "No incident was seen in 300 revolutions. That bounds each kind at 9.99 per 1,000 revolutions (95 %, Poisson)."
    )


@pytest.mark.parametrize("made", ["arm"], indirect=True)
def test_any_instant_says_where_it_lies_and_what_went_wrong_near_it(with_target):
    """Half a turn into revolution 12, a scenario of 30 rev/s: 16.67 ms and 180 degrees."""
    bounds = with_target.capture.seconds(with_target.rotation.turn_ticks)
    at = float((bounds[12] + bounds[13]) / 2)
    moment = find_moment(with_target, time_s=at, span_ms=40.0)
    missing = next(item for item in with_target.incidents.incidents if item.kind == "update-missing")
    assert [mark.label for mark in moment.marks] == ["asked for", f"{missing.id}, update-missing"]
    into, after = moment.dimensions
    assert into.label == "16.67\u00a0ms into revolution 12 = 180°"
    assert into.from_s == pytest.approx(float(bounds[12]), abs=1e-9)
    assert after.from_s <= at == after.to_s
    start = with_target.chains[0].start * float(with_target.capture.tick)
    assert np.abs(start - after.from_s).min() < 1e-9


def test_a_label_too_long_for_either_side_stays_in_the_picture():
    with style.styled():
        figure = style.figure(8.2, 3.0)
        ax = figure.subplots()
        lines = [Line("SENSOR", 0, np.array([0.1, 0.2]))]
        timing_picture(ax, lines, 0.0, 1.0, (), (Dimension(0.45, 0.55, "long " * 14),))
        figure.canvas.draw()
        label = next(text for text in ax.texts if text.get_text().startswith("long"))
        box = label.get_window_extent()
        assert box.x0 >= ax.get_window_extent().x0
        assert box.x1 <= figure.bbox.x1
