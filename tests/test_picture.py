"""The rebuilt picture against pictures that are known, for arms and slots, and what is said of its changes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose
from PIL import Image as Pictures

from build import capture, channel, pulses
from spinlag.errors import RigError
from spinlag.leds import decode_chains
from spinlag.leds.updates import ChainUpdates
from spinlag.picture import lay_out, majority, set_up_screen, turn_image, usual_image
from spinlag.picture.change import light, measure_changes, view_incident
from spinlag.picture.light import light_rows
from spinlag.picture.render import exposure_of, render, render_difference, save_png
from spinlag.picture.target import compare_target, compare_target_file, load_target
from spinlag.placement import place
from spinlag.rig import rig_from_mapping
from spinlag.rotation import Rotation, find_revolutions
from spinlag.summary import EMPTY
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.files import truth_json

PERIOD = 30_000_000
COLUMNS = 12
LATENCY = 200_000


def chain_of(images, *, name="leds", order="GRB", latency=LATENCY, short=None):
    """Updates that send images[turn, column] (uint8, (leds, 3)) on time; `short` maps (turn, column) to LEDs sent."""
    turns, columns, leds, _ = images.shape
    start, data, bits = [], [], []
    for turn in range(turns):
        for column in range(columns):
            sent = (short or {}).get((turn, column), leds)
            start.append(turn * PERIOD + column * PERIOD // columns + latency - 60_000)
            planes = {"R": 0, "G": 1, "B": 2}
            white = images[turn, column].min(axis=1)
            wire = np.stack(
                [white if letter == "W" else images[turn, column][:, planes[letter]] for letter in order], axis=1
            )
            data.append(wire[:sent].ravel())
            bits.append(sent * 8 * len(order))
    start = np.array(start, dtype=np.int64)
    lengths = np.array([len(part) for part in data])
    n = len(start)
    return ChainUpdates(
        name=name,
        wiring="one-wire",
        channel="DOUT",
        part=None,
        part_note="rig",
        bits_per_led=8 * len(order),
        order=order,
        start=start,
        last=start + 10_000,
        light_early_s=np.zeros(n),
        light_s=np.full(n, 50e-6),
        bits=np.array(bits, dtype=np.int64),
        data=np.concatenate(data).astype(np.uint8),
        offsets=np.concatenate(([0], np.cumsum(lengths))),
        whole=np.ones(n, dtype=bool),
        timing={},
        threshold_s=None,
        threshold_from="",
        latch_s=50e-6,
        latch_from="rig",
    )


def rotation_of(turns):
    ticks = np.arange(turns + 1, dtype=np.int64) * PERIOD
    table = pd.DataFrame(
        {
            "revolution": np.arange(turns),
            "start_s": ticks[:-1] * 1e-9,
            "period_s": np.full(turns, PERIOD * 1e-9),
            "speed_rev_per_s": np.full(turns, 1e9 / PERIOD),
            "index_tick": ticks[:-1],
            "kind": ["normal"] * turns,
            "used": np.ones(turns, dtype=bool),
        }
    )
    empty = pd.DataFrame()
    return Rotation("SENSOR", ticks, table, empty, EMPTY, EMPTY, None, None, None, None, None, empty, ())


def screen_of(images, display, chains=None, **more):
    chains = chains or (chain_of(images, **more),)
    rotation = rotation_of(len(images))
    built = capture([channel("SENSOR", pulses(rotation.turn_ticks, 1000))])
    rig = rig_from_mapping({"display": {"columns": images.shape[1], **display}})
    placements = tuple(place(built, rig, rotation, chain) for chain in chains)
    return set_up_screen(built, rig, rotation, chains, placements)


def noise(turns=8, columns=COLUMNS, leds=6, seed=1):
    """One random picture, the same every turn: uint8, (turns, columns, leds, 3)."""
    one = np.random.default_rng(seed).integers(0, 256, (columns, leds, 3), dtype=np.uint8)
    return np.repeat(one[None], turns, axis=0)


def by_column(screen, image):
    return image.reshape(screen.columns, -1, screen.rows, 3)


def test_one_arm_shows_each_column_at_its_angle():
    images = noise()
    screen = screen_of(images, {})
    seen = by_column(screen, turn_image(screen, 3))
    assert (seen == images[0][:, None]).all()
    slot = 360 / COLUMNS
    assert_allclose(screen.phase_deg, (LATENCY - 60_000 + 10_000 + 50_000) / PERIOD * 360 % slot, rtol=1e-9, atol=0)


def test_two_arms_carry_their_own_leds_half_a_turn_apart():
    """LED i of the second arm shows, at a given instant, half a turn ahead of LED i of the first."""
    images = noise(leds=6)
    screen = screen_of(images, {"arms": 2})
    seen = by_column(screen, turn_image(screen, 4))
    assert screen.rows == 3
    first, second = images[0][:, :3].astype(int), np.roll(images[0][:, 3:], COLUMNS // 2, axis=0).astype(int)
    assert (seen == np.rint((first + second) / 2).astype(np.uint8)[:, None]).all()


def test_two_arms_with_a_radius_for_every_led_do_not_mix():
    images = noise(leds=4)
    screen = screen_of(images, {"arms": 2, "radii_mm": [10, 30, 20, 40]})
    seen = by_column(screen, turn_image(screen, 4))
    assert screen.rows == 4
    assert screen.radii_from == "rig"
    assert (seen[:, :, :2] == images[0][:, None, :2]).all()
    assert (seen[:, :, 2:] == np.roll(images[0], COLUMNS // 2, axis=0)[:, None, 2:]).all()


def test_the_second_of_three_arms_is_ahead_in_the_direction_of_rotation():
    """It passes an angle a third of a turn before the first arm does, so it shows what was sent a third of a turn ago
    there: the picture of its LEDs stands a third of a turn further on."""
    images = noise(leds=3)
    screen = screen_of(images, {"arms": 3, "radii_mm": [10, 20, 30]})
    seen = by_column(screen, turn_image(screen, 4))
    for arm in range(3):
        expected = np.roll(images[0][:, arm], arm * COLUMNS // 3, axis=0)
        assert (seen[:, :, arm] == expected[:, None]).all()


def test_three_slots_each_show_all_leds():
    images = noise(leds=2)
    screen = screen_of(images, {"geometry": "slot", "slots": 3})
    seen = by_column(screen, turn_image(screen, 4))
    thirds = [np.roll(images[0], k * COLUMNS // 3, axis=0).astype(int) for k in range(3)]
    assert (seen == np.rint(sum(thirds) / 3).astype(np.uint8)[:, None]).all()


def test_two_chains_stand_one_after_the_other():
    images = noise(leds=5)
    chains = (chain_of(images[:, :, :2], name="inner"), chain_of(images[:, :, 2:], name="outer", order="RGB"))
    screen = screen_of(images, {}, chains)
    assert (by_column(screen, turn_image(screen, 2)) == images[0][:, None]).all()


def test_white_leds_add_to_every_colour():
    images = noise(leds=2)
    screen = screen_of(images, {}, order="RGBW")
    seen = by_column(screen, turn_image(screen, 2))
    expected = np.minimum(images[0].astype(int) + images[0].min(axis=2, keepdims=True), 255)
    assert (seen == expected[:, None]).all()


def test_leds_behind_a_short_update_keep_their_light():
    images = noise(leds=6)
    screen = screen_of(images, {}, short={(3, 5): 2})
    seen = by_column(screen, turn_image(screen, 3))
    assert (seen[5][:, :2] == images[0, 5, :2]).all()
    assert (seen[5][:, 2:] == images[0, 4, 2:]).all()
    assert (seen[6] == images[0, 6]).all()


def test_light_rows_reach_back_for_stale_leds():
    images = noise(leds=4)
    chain = chain_of(images, short={(2, 1): 1, (2, 2): 1, (2, 3): 0})
    u = 2 * COLUMNS + 3
    alone = light_rows(chain, 4, u, u + 1).colours(np.array([u]))[0]
    assert (alone[0] == images[0, 2, 0]).all()
    assert (alone[1:] == images[0, 0, 1:]).all()


def test_before_the_first_update_all_is_dark():
    screen = screen_of(noise(), {})
    bins_before = screen.angles_deg < LATENCY / PERIOD * 360
    assert not bins_before.any(), "bins start where columns start"
    late = replace(screen, late=(screen.late[0] + PERIOD,))
    assert not lay_out(late, 0, 1).images()[0][:-4].any()


def test_median_is_taken_per_spot_and_colour():
    rng = np.random.default_rng(3)
    images = rng.integers(0, 256, (7, COLUMNS, 3, 3), dtype=np.uint8)
    screen = screen_of(images, {})
    seen = by_column(screen, usual_image(screen, range(7)))
    assert (seen == np.median(images, axis=0).astype(np.uint8)[:, None]).all()


def test_majority_key_is_only_settled_by_more_than_half():
    keys = np.array([[1, 1, 5], [1, 2, 6], [1, 1, 7], [9, 2, 8]], dtype=np.uint64)
    _, settled, holder = majority(keys)
    assert settled.tolist() == [True, False, False]
    assert holder[0] == 0


@pytest.mark.parametrize("turns_each", [1, 5, 64])
def test_changes_do_not_depend_on_how_turns_are_cut_into_blocks(turns_each):
    images = noise(turns=40)
    images[17, 3:6] = 255 - images[17, 3:6]
    screen = screen_of(images, {})
    table = measure_changes(screen, unusual=[17], turns_each=turns_each).turns
    assert table["revolution"].tolist() == list(range(40))
    assert table.index[table["changed_light"] > 0].tolist() == [17]
    expected = np.abs(light(images[17]) - light(images[0]))
    weights = np.arange(6) + 0.5
    wrong = (expected.mean(axis=2) * weights).sum() / (light(images[0]).mean(axis=2) * weights).sum()
    assert_allclose(table["changed_light"][17], wrong, rtol=1e-9, atol=0)
    assert_allclose(
        table["changed_area"][17],
        ((expected.max(axis=2) > 1 / 16) @ weights / weights.sum()).mean(),
        rtol=1e-9,
        atol=0,
    )


def test_a_moving_picture_is_compared_with_its_own_time():
    """A picture that changes for good halfway is usual on both sides; only the odd turn stands out."""
    images = noise(turns=160, leds=2)
    images[80:] = noise(turns=80, leds=2, seed=9)
    images[120, 4] = 255 - images[120, 4]
    screen = screen_of(images, {})
    changes = measure_changes(screen, unusual=[120], turns_each=40)
    out = changes.turns["revolution"][changes.turns["changed_light"] > changes.threshold]
    assert out.tolist() == [120]


def test_turns_known_to_be_bad_do_not_make_the_usual_picture():
    """A silence that fills most of a block of turns is still the odd one out."""
    images = noise(turns=60, leds=2)
    images[20:55] = 0
    changes = measure_changes(screen_of(images, {}), unusual=range(20, 55), turns_each=20)
    out = changes.turns["changed_light"] > changes.threshold
    assert np.flatnonzero(out).tolist() == list(range(20, 55))


def test_view_of_an_incident_names_what_changed():
    images = noise(turns=30, leds=4)
    images[12:14, 6:8] = 255 - images[12:14, 6:8]
    screen = screen_of(images, {})
    changes = measure_changes(screen, unusual=[12, 13])
    view = view_incident(screen, changes, 12, {12, 13}, 13)
    assert (by_column(screen, view.usual) == images[0][:, None]).all()
    assert (by_column(screen, view.seen) == images[12][:, None]).all()
    assert view.revolution in (12, 13)
    assert (view.lasting_turns, view.sector_deg) == (
        2,
        pytest.approx((screen.phase_deg + 180.0, screen.phase_deg + 240.0)),
    )
    assert_allclose(view.lasting_s, 2 * PERIOD * 1e-9, rtol=1e-12, atol=0)
    # 0.1 s holds 3.33 turns, so three: two of them wrong
    assert view.summed_turns == 3
    assert_allclose(view.summed_change, view.changed_light * 2 / 3, rtol=1e-9, atol=0)
    with pytest.raises(IndexError, match="no turn 30"):
        view_incident(screen, changes, 30)


def test_the_synthesised_picture_comes_back_to_within_a_column():
    scenario = scenario_from_mapping(
        {
            "duration_s": 0.6,
            "index": {},
            "shaft": {"speed_rev_per_s": 35.0},
            "leds": [{"count": 9}],
            "firmware": {"columns": 30},
            "picture": {"kind": "tide-dial"},
        }
    )
    made = simulate(scenario)
    rotation = find_revolutions(made.capture, made.rig)
    chains = decode_chains(made.capture, made.rig)
    placements = tuple(place(made.capture, made.rig, rotation, chain) for chain in chains)
    screen = set_up_screen(made.capture, made.rig, rotation, chains, placements)
    usual = usual_image(screen, range(screen.turns))
    assert (by_column(screen, usual) == made.truth.image[:, None]).all()
    comparison = compare_target(screen, usual, made.truth.image)
    assert comparison.share_wrong == 0
    assert "is the target" in comparison.sentence


def _disc_angle_radius(size):
    middle = (size - 1) / 2
    x, y = np.meshgrid(np.arange(size) - middle, middle - np.arange(size))
    return np.rad2deg(np.arctan2(x, y)) % 360, np.hypot(x, y) / (size / 2)


@pytest.mark.parametrize("direction", ["clockwise", "counter-clockwise"])
def test_disc_turns_the_way_the_display_does(direction):
    """One column lit from 0 to 30 degrees lies right of the top for a clockwise display, left of it otherwise."""
    images = np.zeros((8, COLUMNS, 4, 3), dtype=np.uint8)
    images[:, 0] = 255
    screen = screen_of(images, {"direction": direction}, latency=0 + 50_000 + 10_000 - 10_000 - 50_000 + 60_000)
    drawn = render(screen, turn_image(screen, 3), 201)
    angle, radius = _disc_angle_radius(201)
    if direction == "counter-clockwise":
        angle = -angle % 360
    inside = radius < 0.98
    begin = screen.phase_deg
    lit = (angle > begin + 1) & (angle < begin + 29) & inside
    dark = (angle > begin + 31) & (angle < begin + 359) & inside
    assert (drawn[lit] == 255).all()
    assert not drawn[dark].any()


def test_radii_of_the_rig_place_the_rings():
    images = np.zeros((8, COLUMNS, 2, 3), dtype=np.uint8)
    images[:, :, 1] = 200
    screen = screen_of(images, {"radii_mm": [10.0, 30.0]})
    drawn = render(screen, turn_image(screen, 3), 201)
    _, radius = _disc_angle_radius(201)
    assert (drawn[(radius > 21 / 40) & (radius < 0.98)] == 200).all()
    assert not drawn[radius < 19 / 40].any()


def test_gamma_is_undone_for_the_eye():
    images = np.full((8, COLUMNS, 2, 3), 64, dtype=np.uint8)
    screen = screen_of(images, {"gamma": 2.0, "geometry": "slot"})
    drawn = render(screen, turn_image(screen, 3), 90)
    assert set(np.unique(drawn)) == {round(255 * (64 / 255) ** 0.5)}
    assert exposure_of(np.full((1, 1, 3), 51, dtype=np.uint8)) == 5.0


def test_difference_shows_more_less_and_other():
    images = noise(leds=3)
    screen = screen_of(images, {"geometry": "slot"})
    difference = np.zeros((screen.bins, 3, 3))
    difference[:, 0] = 0.5
    difference[:, 1] = -0.5
    difference[:, 2] = (0.5, -0.5, 0.0)
    drawn = render_difference(screen, difference, 90)
    bottom, middle, top = drawn[-1, 0].astype(int), drawn[len(drawn) // 2, 0].astype(int), drawn[0, 0].astype(int)
    assert bottom[0] > bottom[2]
    assert middle[2] > middle[0]
    assert top[0] == top[1] == top[2] > 0


def test_png_is_written_as_drawn(tmp_path):
    drawn = render(screen_of(noise(), {}), turn_image(screen_of(noise(), {}), 1), 64)
    save_png(tmp_path / "seen.png", drawn)
    assert (np.asarray(Pictures.open(tmp_path / "seen.png").convert("RGB")) == drawn).all()


def _target_png(folder, image):
    path = folder / "target.png"
    Pictures.fromarray(np.ascontiguousarray(image.transpose(1, 0, 2)[::-1])).save(path)
    return str(path)


def test_target_file_finds_wrong_columns_leds_and_turn(tmp_path):
    images = noise(leds=6)
    target = np.roll(images[0], -2, axis=0).copy()
    target[4, 1] = 255 - target[4, 1]
    target[:, 3] = 255 - target[:, 3]
    screen = screen_of(images, {"target": _target_png(tmp_path, target)})
    rig = rig_from_mapping({"display": {"target": _target_png(tmp_path, target)}})
    found = compare_target_file(screen, rig.display)
    assert found.shift_columns == 2
    assert_allclose(found.turned_deg, 60.0 + screen.phase_deg, rtol=1e-9, atol=0)
    assert found.wrong[4, 1]
    assert found.wrong_leds == (3,)
    assert int(found.wrong.sum()) == COLUMNS + 1
    assert not found.backwards


@pytest.mark.parametrize(
    "display", [{}, {"arms": 2}, {"arms": 2, "radii_mm": [9, 19, 29, 14, 24, 34]}, {"geometry": "slot"}], ids=str
)
def test_a_truth_file_is_a_target_too(tmp_path, display):
    """What `spinlag synth` writes beside a capture holds the picture; here with one column and one colour changed."""
    made, screen = _screen_of_scenario(leds=[{"count": 6}], display=display)
    path = tmp_path / "bench.truth.json"
    path.write_text(truth_json(made.truth))
    same = compare_target(screen, usual_image(screen, range(screen.turns)), load_target(str(path), "columns", screen))
    assert same.share_wrong == 0
    assert same.shift_columns == 0
    image = made.truth.image.copy()
    image[5] = 255 - image[5]
    image[9, 0, 1] ^= 128
    path.write_text(truth_json(replace(made.truth, image=image)))
    found = compare_target(screen, usual_image(screen, range(screen.turns)), load_target(str(path), "columns", screen))
    assert found.wrong_columns == (5, 9)
    assert "in 2 of 24 columns (5, 9)" in found.sentence
    assert found.wrong_colours[1] > found.wrong_colours[0] == found.wrong_colours[2] > 0
    assert f"green in {100 * found.wrong_colours[1]:.1f} %" in found.sentence


def test_target_tells_swapped_colours_and_a_picture_run_backwards():
    images = noise(leds=6)
    screen = screen_of(images, {})
    usual = usual_image(screen, range(8))
    swapped = compare_target(screen, usual, images[0][..., [1, 0, 2]])
    assert swapped.colours == "GRB"
    assert "order GRB" in swapped.sentence
    mirrored = compare_target(screen, usual, images[0][::-1])
    assert mirrored.backwards
    assert mirrored.share_wrong == 0


def test_disc_target_is_sampled_where_the_leds_pass(tmp_path):
    images = noise(leds=6)
    for direction in ("clockwise", "counter-clockwise"):
        screen = screen_of(images, {"direction": direction})
        still = replace(screen, phase_deg=0.0)
        drawn = render(still, by_column(screen, turn_image(screen, 2)).reshape(screen.bins, 6, 3), 401)
        Pictures.fromarray(drawn).save(tmp_path / "disc.png")
        assert (load_target(str(tmp_path / "disc.png"), "disc", screen) == images[0]).all()


def test_bad_targets_get_one_clear_line(tmp_path):
    screen = screen_of(noise(), {})
    Pictures.new("RGB", (5, 5)).save(tmp_path / "small.png")
    with pytest.raises(RigError, match=r"small\.png is 5 x 5 pixels; 12 columns of 6 LEDs need 12 x 6"):
        load_target(str(tmp_path / "small.png"), "columns", screen)
    (tmp_path / "text.png").write_text("no picture")
    with pytest.raises(RigError, match="not an image"):
        load_target(str(tmp_path / "text.png"), "columns", screen)
    with pytest.raises(RigError, match="No such file"):
        load_target(str(tmp_path / "none.png"), "columns", screen)
    (tmp_path / "other.json").write_text('{"schema": "spinlag/results/1", "image": ["00"]}')
    with pytest.raises(RigError, match=r"other\.json: not a truth file of spinlag with an image"):
        load_target(str(tmp_path / "other.json"), "columns", screen)
    (tmp_path / "odd.json").write_text('{"schema": "spinlag/truth/1", "image": ["0000"]}')
    with pytest.raises(RigError, match=r"odd\.json: not a truth file"):
        load_target(str(tmp_path / "odd.json"), "columns", screen)
    (tmp_path / "few.json").write_text('{"schema": "spinlag/truth/1", "image": ["000000"]}')
    with pytest.raises(RigError, match=r"few\.json: 1 columns of 1 LEDs; the display shows 12 of 6"):
        load_target(str(tmp_path / "few.json"), "columns", screen)


def test_without_turns_or_leds_there_is_no_screen():
    images = noise()
    rig = rig_from_mapping({"display": {"columns": COLUMNS}})
    built = capture([channel("SENSOR", pulses(np.arange(3) * PERIOD, 1000))])
    assert set_up_screen(built, rig, None, (chain_of(images),), (None,)) is None
    assert set_up_screen(built, rig, rotation_of(8), (), ()) is None


def test_rig_says_which_radii_do_not_fit():
    with pytest.raises(RigError, match=r"display\.radii_mm: 3 figures for 8 LEDs; give 4 \(one arm's\) or 8 \(all\)"):
        rig_from_mapping({"leds": [{"data": "D", "count": 8}], "display": {"arms": 2, "radii_mm": [1, 2, 3]}})
    with pytest.raises(RigError, match="slots belong to geometry"):
        rig_from_mapping({"display": {"slots": 2}})


@pytest.mark.parametrize(
    ("protocol", "step"),
    [("APA102", 0), ("SK9822", 0), ("P9813", 0), ("WS2801", 0), ("LPD8806", 1), ("LPD6803", 7)],
)
def test_clocked_words_come_back_as_the_picture(protocol, step):
    """`step` is what the part's own 7 or 5 bits a colour round away (at most 1 or 8 of 255)."""
    made, screen = _screen_of_scenario(
        leds=[{"wiring": "clocked", "protocol": protocol, "count": 8, "clock_rate_hz": 4e6}],
        recorder={"sample_rate_hz": 50e6},
    )
    seen = by_column(screen, usual_image(screen, range(screen.turns))).astype(int)
    off = np.abs(seen - made.truth.image[:, None].astype(int))
    # light that runs along the chain crosses into the next bin at the ends of a column, never in its middle
    assert off[:, 1:-1].max() <= step


@pytest.mark.parametrize(
    "chain",
    [
        {"wiring": "latched", "count": 8, "order": "W", "depth": 1},
        {"wiring": "latched", "count": 8, "order": "RGB", "depth": 12, "outputs_per_chip": 24, "clock_rate_hz": 2e6},
        {"wiring": "direct", "count": 4, "order": "W", "lines": ["P0", "P1", "P2", "P3"]},
    ],
    ids=["one bit", "twelve bits", "lines"],
)
def test_latched_and_direct_leds_come_back_as_the_picture(chain):
    """One bit a colour is on or off, the picture's brighter half; a lone W shows the brightest of the colours."""
    made, screen = _screen_of_scenario(leds=[chain], recorder={"sample_rate_hz": 20e6})
    seen = by_column(screen, usual_image(screen, range(screen.turns)))[:, 1].astype(int)
    image = made.truth.image.astype(int)
    if chain["order"] == "W":
        seen, image = seen[..., 0], np.where(image.max(axis=2) > 127, 255, 0)
        assert (seen == image[:, :]).all()
    else:
        assert np.abs(seen - image).max() <= 1


def test_a_missing_clock_shifts_what_registers_hold():
    """Eight outputs: after 3 clocks only, the five bits before them have moved on by three places."""
    chain = chain_of(noise(turns=1, columns=2, leds=1), order="W")
    chain = replace(
        chain,
        wiring="latched",
        bits_per_led=1,
        bits=np.array([8, 3], dtype=np.int64),
        data=np.array([0b10110010, 0b10100000], dtype=np.uint8),
        offsets=np.array([0, 1, 2], dtype=np.int64),
    )
    after = light_rows(chain, 8, 0, 2).colours(np.array([0, 1]))[:, :, 0] // 255
    # the bit sent last sits on the first output
    assert after[0].tolist() == [0, 1, 0, 0, 1, 1, 0, 1]
    assert after[1].tolist() == [1, 0, 1, 0, 1, 0, 0, 1]


def test_brightness_of_a_word_dims_its_led():
    made, screen = _screen_of_scenario(
        leds=[{"wiring": "clocked", "protocol": "APA102", "count": 4, "clock_rate_hz": 4e6, "brightness": 10}],
        recorder={"sample_rate_hz": 50e6},
    )
    seen = by_column(screen, usual_image(screen, range(screen.turns)))[:, 1]
    assert (seen == np.rint(made.truth.image * (10 / 31)).astype(np.uint8)).all()


def test_light_that_runs_along_a_chain_shears_the_column():
    """40 LEDs of 32 bits at 1 MHz: the last shows 1.28 ms after the first, which is most of a column of 1.39 ms."""
    made, screen = _screen_of_scenario(
        leds=[{"wiring": "clocked", "protocol": "APA102", "count": 40, "clock_rate_hz": 1e6, "end_bits": 20}],
        recorder={"sample_rate_hz": 20e6},
        firmware={"columns": 24, "gap_us": 10.0},
    )
    assert len(screen.windows) == 8
    truth = made.truth.chains[0]
    lag = np.median((truth.visible_s - truth.first_visible_s)[truth.whole]) * 30 * 24
    assert 0.8 < lag < 1.0
    image = turn_image(screen, 4).astype(int)
    per_column = screen.bins // 24

    def begins(row):
        """Bin, counted from the start of its column slot, at which most columns appear on a row."""
        wanted = made.truth.image[:, row].astype(int)
        turned = [np.roll(np.repeat(wanted, per_column, axis=0), shift, axis=0) for shift in range(-8, 9)]
        return int(np.argmin([np.abs(image[:, row] - one).sum() for one in turned])) - 8

    assert begins(39) - begins(0) == pytest.approx(lag * per_column, abs=1.1)


def test_arms_of_the_synthesiser_draw_one_picture():
    made, screen = _screen_of_scenario(leds=[{"count": 6}], display={"arms": 3})
    assert screen.rows == 2
    assert (by_column(screen, usual_image(screen, range(screen.turns))) == made.truth.image[:, None]).all()


def _screen_of_scenario(**more):
    made = simulate(
        scenario_from_mapping(
            {
                "duration_s": 0.4,
                "index": {},
                "shaft": {"speed_rev_per_s": 30.0},
                "firmware": {"columns": 24},
                "picture": {"kind": "noise"},
                **more,
            }
        )
    )
    rotation = find_revolutions(made.capture, made.rig)
    chains = decode_chains(made.capture, made.rig)
    placements = tuple(place(made.capture, made.rig, rotation, chain) for chain in chains)
    return made, set_up_screen(made.capture, made.rig, rotation, chains, placements)
