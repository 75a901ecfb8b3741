"""report.html in a real browser and as text; the pictures, measured label by label."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from matplotlib.axis import Axis
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from sample_findings import PART, line_only, sample_findings
from spinlag.errors import OutputError
from spinlag.report import figures, moments, series, write_report
from spinlag.report.bars import WIDTH, bar
from spinlag.report.format import measured
from spinlag.report.html import report_bytes
from spinlag.report.moments import around_picture, find_moment
from spinlag.report.plots import style
from spinlag.report.plots.timing import Dimension, Line, Mark, timing_picture
from spinlag.report.results import incident_rows
from spinlag.report.sections import rotation_section
from spinlag.verdicts import Verdict

SCRIPT = "<script>document.title='owned'</script>"
IMAGE = "\"><img src=x onerror=document.title='owned'>"
BROWSER = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.fixture(scope="module")
def findings():
    return sample_findings()


@pytest.fixture(scope="module")
def page(findings):
    return report_bytes(findings).decode("utf-8")


@pytest.fixture(scope="module")
def hostile():
    return sample_findings(
        revolutions=6, missed=(2,), late=(), data=IMAGE, index=SCRIPT, chain=SCRIPT, warnings=(SCRIPT,)
    )


class Elements(HTMLParser):
    """Tags and attributes of a page, and its text."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.attributes, self.text = [], [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.attributes += attrs

    def handle_data(self, data):
        self.text.append(data)


def test_sections_come_in_reading_order(page):
    heads = re.findall(r"<h2[^>]*>([^<]+)</h2>", page)
    assert heads == [
        "Capture",
        "Limits and verdicts",
        "Latency: index edge to visible light",
        "LED timing",
        "Placement of columns",
        "Rotation",
        "Motor lines",
        "Incidents",
        "What was not measured",
        "Rig as used",
        "Channels",
        "Cautions",
    ]
    assert page.index("Verdict: fail") < page.index("<h2>")


def test_first_page_says_what_failed_and_what_was_left_out(page):
    first = page[: page.index("<h2>")]
    assert "at most 450\u00a0µs" in first
    assert "revolutions are left out" in first
    assert "record longer" in first


def test_guesses_and_warnings_are_on_the_first_page():
    text = report_bytes(
        sample_findings(
            revolutions=5, late=(), missed=(), guessed=("SENSOR is the index",), warnings=("cut at byte 7",)
        )
    ).decode()
    first = text[: text.index("<h2>")]
    assert "No rig was given" in first and "SENSOR is the index" in first
    assert "cut at byte 7" in first


def test_latency_tells_the_constant_part_from_the_varying_one(page):
    assert "can be trimmed out" in page
    assert "no trimming takes it away" in page


def test_the_drift_of_the_speed_has_the_uncertainty_that_the_quality_gives_as_a_share():
    findings = sample_findings()
    drift = findings.quality.measure("rotation.drift")
    expected = measured(findings.rotation.drift_rev_per_s2, drift.uncertainty * findings.rotation.speed.mean, "rev/s")
    assert dict(rotation_section(findings)["facts"])["drift of the speed"] == f"{expected} per second"
    without = replace(findings, quality=None)
    assert "uncertainty not known" in dict(rotation_section(without)["facts"])["drift of the speed"]


def test_cautions_name_the_dangers(page):
    cautions = page[page.index('id="cautions"') :]
    for word in ("guard", "seizures", "infrared", "licensed", "1789"):
        assert word in cautions


def test_page_refers_to_nothing_outside_and_holds_no_script(page):
    elements = Elements(page)
    assert not {"script", "link", "iframe", "object", "embed", "form"} & set(elements.tags)
    for name, value in elements.attributes:
        assert not name.startswith("on")
        if name in ("src", "href"):
            assert value.startswith(("data:image/svg+xml;base64,", "#"))
        assert name != "style"
    assert "http-equiv" in dict(elements.attributes)
    assert "default-src &#39;none&#39;" in page or "default-src 'none'" in page


@pytest.fixture(scope="module")
def hostile_page(hostile):
    return report_bytes(hostile).decode("utf-8")


def test_names_are_escaped(hostile_page):
    text = hostile_page
    elements = Elements(text)
    assert "script" not in elements.tags
    assert not any(name.startswith("on") for name, _ in elements.attributes)
    assert SCRIPT in "".join(elements.text)
    assert IMAGE in "".join(elements.text)


def browse(path, tmp_path, *options):
    if BROWSER is None:
        pytest.skip("no browser on this machine")
    command = [BROWSER, "--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={tmp_path}/profile", *options]
    done = subprocess.run([*command, path.as_uri()], capture_output=True, timeout=120)
    return done.stdout.decode("utf-8", "replace")


def test_script_in_a_name_does_not_run_in_a_browser(hostile_page, tmp_path):
    page = tmp_path / "report.html"
    page.write_text(hostile_page, "utf-8")
    tree = browse(page, tmp_path, "--dump-dom")
    assert "<title>undecided" in tree or "<title>fail" in tree
    assert "<title>owned" not in tree
    assert "&lt;script&gt;" in tree


def test_policy_stops_a_script_that_got_in_all_the_same(hostile_page, tmp_path):
    page = tmp_path / "tampered.html"
    page.write_text(hostile_page.replace("</h1>", f"</h1>{SCRIPT}", 1))
    assert "<title>owned" not in browse(page, tmp_path, "--dump-dom")
    # the same without the policy does run, so that this test can fail
    page.write_text(re.sub(r"<meta http-equiv=[^>]+>", "", page.read_text()))
    assert "<title>owned" in browse(page, tmp_path, "--dump-dom")


def test_style_sheet_is_let_in_by_the_policy(page, tmp_path):
    text, page = page, tmp_path / "probed.html"
    probe = "<script>document.title=getComputedStyle(document.querySelector('.verdict')).borderTopWidth</script>"
    # the policy would stop the probe itself: allow this one script by its name only
    page.write_text(
        text.replace("default-src", "script-src &#39;unsafe-inline&#39;; default-src", 1).replace(
            "<footer>", probe + "<footer>", 1
        )
    )
    assert "<title>3px</title>" in browse(page, tmp_path, "--dump-dom")


def test_report_is_byte_for_byte_the_same(tmp_path):
    one, other = (write_report(sample_findings(revolutions=8, missed=(2,), late=()), tmp_path / name) for name in "ab")
    names = sorted(path.name for path in one.parent.iterdir())
    assert names == ["incidents.csv", "junit.xml", "report.html", "results.json", "revolutions.csv", "updates.csv"]
    for name in names:
        assert (one.parent / name).read_bytes() == (other.parent / name).read_bytes(), name


def test_foreign_folder_is_refused_before_any_work(tmp_path, findings):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(OutputError, match="not a spinlag report"):
        write_report(findings, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["thesis.txt"]


def test_partial_findings_give_a_whole_report(tmp_path):
    text = write_report(line_only(), tmp_path / "report").read_text("utf-8")
    assert "Verdict: undecided" in text
    assert "the rig has no index" in text
    assert text.count("<p>Not measured.</p>") == 3


def test_three_grades_of_a_bit_are_told_apart():
    def grade_of(**windows):
        from dataclasses import replace

        from spinlag.leds.parts import Window
        from spinlag.report.grades import grades

        changed = {name: Window(*window) for name, window in windows.items()}
        part = replace(PART, windows={**PART.windows, "t0h": changed["sheet"]}, measured={"t0h": changed["family"]})
        found = grades(sample_findings(revolutions=4, missed=(), late=(), part=part), 0)
        return next(grade.words for grade in found if grade.name == "t0h")

    # the bits of the sample are 400 ns, read every 41.7 ns
    assert grade_of(sheet=(250e-9, 550e-9), family=(60e-9, 560e-9)) == "inside the sheet"
    assert grade_of(sheet=(500e-9, 600e-9), family=(60e-9, 560e-9)).startswith("outside the sheet, inside what")
    assert grade_of(sheet=(500e-9, 600e-9), family=(600e-9, 700e-9)).startswith("outside the sheet and outside")
    assert grade_of(sheet=(410e-9, 600e-9), family=(380e-9, 700e-9)).startswith("outside the sheet; the sampling")
    assert grade_of(sheet=(390e-9, 600e-9), family=(60e-9, 560e-9)).startswith("the sampling cannot tell for the sheet")


@pytest.mark.parametrize(
    ("low", "high", "value", "inside"),
    [
        (1.0, 2.0, 1.5, True),
        (1.0, 2.0, 2.2, False),
        (None, 2.0, 1.0, True),
        (None, 2.0, 2.1, False),
        (3.0, None, 4.0, True),
    ],
)
def test_bar_puts_the_value_on_the_right_side_of_its_limits(low, high, value, inside):
    made = bar(Verdict("x", "x", "s", value, 0.05, low, high, 0.0, "pass", "rig"))
    assert made is not None
    assert (made.band_from <= made.value <= made.band_to) == inside
    assert 0 <= made.whisker_from < made.value < made.whisker_to <= WIDTH


@pytest.mark.parametrize(
    ("low", "high", "value"),
    [(0.0, 0.0, 1.0), (-1.0, None, -5.0), (None, -2.0, 7.0), (5.0, 5.0, 5.0), (None, 1.0, 1e9)],
)
def test_bar_of_odd_limits_stays_inside_its_drawing(low, high, value):
    made = bar(Verdict("x", "x", "s", value, 0.0, low, high, 0.0, "fail", "rig"))
    assert made is not None
    for x in (made.band_from, made.band_to, made.value, made.whisker_from, made.whisker_to):
        assert 0 <= x <= WIDTH


def overlaps(figure):
    """Pairs of texts of a figure that lie on one another, and texts that reach beyond its edge."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    outside = set()  # ticks beyond the ends of an axis have labels that are never drawn
    for axis in figure.findobj(Axis):
        low, high = sorted(axis.get_view_interval())
        ticks = [*axis.get_major_ticks(), *axis.get_minor_ticks()]
        outside |= {label for t in ticks if not low <= t.get_loc() <= high for label in (t.label1, t.label2)}
    boxes = []
    for text in figure.findobj(Text):
        if text in outside or not text.get_visible() or not text.get_text().strip():
            continue
        box = text.get_window_extent(renderer)
        if box.width > 0 and box.height > 0 and not np.isnan(box.x0):
            boxes.append((text.get_text(), box))
    boxes = list(dict.fromkeys((text, box.bounds) for text, box in boxes))
    width, height = canvas.get_width_height()
    found = [(one, "edge") for one, (x, y, w, h) in boxes if x < 0 or y < 0 or x + w > width or y + h > height]
    for i, (one, (x, y, w, h)) in enumerate(boxes):
        for other, (x2, y2, w2, h2) in boxes[i + 1 :]:
            wide = min(x + w, x2 + w2) - max(x, x2)
            tall = min(y + h, y2 + h2) - max(y, y2)
            if wide > 1 and tall > 1:
                found.append((one, other))
    return found


def every_figure(findings):
    yield "lengths", figures.lengths_figure(series.length_series(findings, findings.chains[0]))
    latency = series.latency_series(findings, 0)
    if latency is not None:
        yield "latency", figures.latency_figure(latency)
    if findings.placements[0] is not None:
        yield "placement", figures.placement_figure(series.placement_map(findings.placements[0]))
    speed = series.speed_series(findings)
    if speed is not None:
        yield "speed", figures.speed_figure(speed)
    worst = moments.worst_moment(findings)
    if worst is not None:
        yield "worst", figures.moment_figure(findings.capture, findings.rig, worst)
    for row in incident_rows(findings):
        moment = find_moment(findings, incident=row["id"])
        yield row["id"], figures.moment_figure(findings.capture, findings.rig, moment)


@pytest.mark.parametrize(
    "options",
    [
        {"revolutions": 20, "missed": (4,), "late": (9,)},
        {"revolutions": 2, "missed": (), "late": ()},
        {"revolutions": 1400, "columns": 2, "missed": (3, 700), "late": (9, 800)},
        {
            "revolutions": 20,
            "missed": (4,),
            "late": (1,),
            "data": "a_very_long_channel_name_from_a_file",
            "index": "潮$x^2$",
        },
        {"revolutions": 20, "missed": (), "late": (19,), "limits": {"latency.latency": {"min_us": 380, "max_us": 420}}},
    ],
)
def test_no_two_labels_lie_on_one_another(options):
    with style.styled():
        for name, figure in every_figure(sample_findings(**options)):
            assert overlaps(figure) == [], name


def test_overlap_test_sees_an_overlap():
    with style.styled():
        figure = style.figure(4, 3)
        ax = figure.subplots()
        ax.text(0.5, 0.5, "one")
        ax.text(0.51, 0.5, "other")
        assert overlaps(figure) != []


def test_timing_picture_draws_the_levels_it_is_given():
    lines = [Line("A", 0, np.array([1e-6, 3e-6])), Line("B", 1, np.array([2e-6])), Line("C", -1, np.empty(0))]
    with style.styled():
        figure = style.figure(7, 3)
        ax = timing_picture(figure.subplots(), lines, 0.0, 4e-6, [Mark(1e-6, "m")], [Dimension(1e-6, 3e-6, "2 µs")])
        levels = {}
        for drawn in ax.lines:
            x, y = np.asarray(drawn.get_xdata(), float), np.asarray(drawn.get_ydata(), float)
            if drawn.get_linewidth() == 1.0:
                base = round(float(np.floor(y.min() + 0.01)))
                levels[-base] = [(round(a, 9), round((b - base) / 0.62)) for a, b in zip(x, y, strict=True)]
        assert levels[0] == [(0, 0), (1, 0), (1, 1), (3, 1), (3, 0), (4, 0)]
        assert levels[1] == [(0, 1), (2, 1), (2, 0), (4, 0)]
        assert [label.get_text() for label in ax.get_yticklabels()] == ["A", "B", "C"]
        assert ax.get_xlabel() == "time, µs"


def test_map_keeps_the_worst_of_the_revolutions_it_gathers():
    findings = sample_findings(revolutions=1400, columns=4, missed=(), late=(800,))
    (placement,) = findings.placements
    data = series.placement_map(placement)
    assert data.per_cell == 2 and data.error_deg.shape == (4, 700)
    error = placement.updates["error_deg"] - data.median_deg
    assert np.nanmax(data.error_deg) == pytest.approx(error.max(), rel=1e-12)
    with style.styled():
        figure = figures.placement_figure(data)
    assert "each cell the worst of 2" in figure.axes[0].get_title(loc="left")


def test_histogram_of_latency_loses_nothing(findings):
    data = series.latency_series(findings, 0)
    assert data.counts.sum() == len(data.latency_s)
    widths = np.diff(data.edges_s) / data.sample_period_s
    np.testing.assert_allclose(widths, np.rint(widths), rtol=1e-6, atol=0)


def test_moment_is_drawn_whole_or_not_at_all(tmp_path, findings):
    moment = find_moment(findings, revolution=41)
    for name, start in (("a.png", b"\x89PNG"), ("a.svg", b"<?xml")):
        path = around_picture(findings.capture, findings.rig, moment, tmp_path / name)
        assert path.read_bytes().startswith(start)
    with pytest.raises(OutputError, match=r"\.png or \.svg"):
        around_picture(findings.capture, findings.rig, moment, tmp_path / "a.gif")
    with pytest.raises(OutputError, match="No such file"):
        around_picture(findings.capture, findings.rig, moment, tmp_path / "none" / "a.png")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.png", "a.svg"]


HEAVY = """
import sys, spinlag.report, spinlag.report.names
print([name for name in ("pandas", "matplotlib", "scipy", "jinja2") if name in sys.modules])
"""


def test_importing_the_writer_loads_no_heavy_library():
    done = subprocess.run([sys.executable, "-c", HEAVY], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_pictures_leave_matplotlib_as_it_was():
    import matplotlib

    before = dict(matplotlib.rcParams)
    report_bytes(line_only())
    assert dict(matplotlib.rcParams) == before
