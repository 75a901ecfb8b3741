"""The rebuilt picture against what the synthesiser's LEDs really showed, spot by spot, for every geometry and wiring.

The reference is worked out here from the truth alone: when each LED really changed (`first_visible_s`, `visible_s`),
which column it then held, and where the shaft really was (`zero_s`). Of the project's analysis nothing is used.
"""

from __future__ import annotations

import numpy as np
import pytest

from spinlag.picture import turn_image
from spinlag.pipeline import analyse
from spinlag.synth import scenario_from_mapping, simulate
from spinlag.synth.picture import on_the_leds

FAST = {"sample_rate_hz": 25e6}


def clocked(protocol, count, **more):
    return {"wiring": "clocked", "protocol": protocol, "count": count, "clock_rate_hz": 1e6, **more}


def chain(name, count, first_led=0, **more):
    return {"name": name, "data": name.upper(), "count": count, "first_led": first_led, **more}


LATCHED = {"wiring": "latched", "count": 8, "order": "RGB", "depth": 12, "outputs_per_chip": 24, "clock_rate_hz": 2e6}
WALK = {"speed_rev_per_s": 30.0, "random_walk": 0.01, "drift_rev_per_s2": 4.0}

CASES = {
    "one arm": {"leds": [{"count": 9}]},
    "a shaft that changes its speed": {"leds": [{"count": 6}], "shaft": WALK},
    "an arm that turns clockwise": {"leds": [{"count": 6}], "display": {"direction": "clockwise"}},
    "two arms, clockwise": {"leds": [{"count": 6}], "display": {"arms": 2, "direction": "clockwise"}},
    "three arms over each other": {"leds": [{"count": 6}], "display": {"arms": 3}},
    "two arms between each other": {
        "leds": [{"count": 6}],
        "display": {"arms": 2, "radii_mm": [9, 19, 29, 14, 24, 34]},
    },
    "radii of one arm": {"leds": [{"count": 4}], "display": {"radii_mm": [9, 19, 25, 28]}},
    "one slot": {"leds": [{"count": 6}], "display": {"geometry": "slot"}},
    "three slots": {"leds": [{"count": 4}], "display": {"geometry": "slot", "slots": 3}},
    "two slots, clockwise": {
        "leds": [{"count": 4}],
        "display": {"geometry": "slot", "slots": 2, "direction": "clockwise"},
    },
    "two chains one after the other": {"leds": [chain("inner", 4), chain("outer", 5, 4, offset_us=150.0)]},
    "two arms with a chain each": {"leds": [chain("inner", 4), chain("outer", 4, 4)], "display": {"arms": 2}},
    "a chain that bridges two arms": {"leds": [chain("first", 2), chain("second", 4, 2)], "display": {"arms": 2}},
    "one chain running, one at once": {
        "leds": [clocked("APA102", 16, name="a", clock_rate_hz=1.5e6), chain("b", 5, 16)],
        "recorder": FAST,
    },
    "APA102": {"leds": [clocked("APA102", 32)], "recorder": FAST},
    "APA102 on two arms": {"leds": [clocked("APA102", 32)], "display": {"arms": 2}, "recorder": FAST},
    "APA102 under two slots": {
        "leds": [clocked("APA102", 24)],
        "display": {"geometry": "slot", "slots": 2},
        "recorder": FAST,
    },
    "P9813": {"leds": [clocked("P9813", 24)], "recorder": FAST},
    "SK9822": {"leds": [clocked("SK9822", 12)], "recorder": FAST},
    "WS2801": {
        "leds": [clocked("WS2801", 8, order="RGB")],
        "firmware": {"columns": 20, "gap_us": 620.0},
        "recorder": FAST,
    },
    "LPD8806, seven bits a colour": {"leds": [clocked("LPD8806", 24, order="GRB")], "recorder": FAST, "step": 1},
    "LPD6803, five bits a colour": {"leds": [clocked("LPD6803", 24, order="RGB")], "recorder": FAST, "step": 8},
    "shift registers": {"leds": [LATCHED], "recorder": FAST, "step": 1},
    "shift registers that blank around the latch": {"leds": [LATCHED | {"blank": "OE"}], "recorder": FAST, "step": 1},
    "direct lines": {
        "leds": [{"wiring": "direct", "count": 6, "order": "W", "lines": [f"P{i}" for i in range(6)]}],
        "picture": {"kind": "gray-code"},
    },
}


def made_of(case):
    scenario = scenario_from_mapping(
        {
            "duration_s": 0.3,
            "index": {},
            "shaft": {"speed_rev_per_s": 30.0},
            "firmware": {"columns": 24},
            "picture": {"kind": "noise"},
            **case,
        }
    )
    made = simulate(scenario)
    findings = analyse(made.capture, made.rig)
    assert findings.seen is not None
    return scenario, made.truth, findings.seen.screen


def shown_at(scenario, truth, turn, angles_deg):
    """What the LEDs really showed at angles of one turn: int, shape (angles, rows, 3); -1 where nothing had come."""
    display = scenario.display
    held = on_the_leds(truth.image, display.arms)
    leds = held.shape[1]
    windows, rows = (display.arms, leds // display.arms) if display.geometry == "arm" else (display.slots, leds)
    own_rows = display.arms > 1 and display.radii_mm is not None and len(display.radii_mm) == leds
    light = np.zeros((len(angles_deg), leds if own_rows else rows, 3))
    over = np.zeros(light.shape[1])
    for window in range(windows):
        at = seconds_at(truth, turn + (angles_deg - window * 360 / windows) / 360)
        for row in range(rows):
            led = window * rows + row if display.geometry == "arm" else row
            place = led if own_rows else row
            light[:, place] += held[column_of(scenario, truth, led, at), led]
            over[place] += 1
    return np.rint(light / over[None, :, None]).astype(int)


def seconds_at(truth, turns):
    whole = np.clip(np.floor(turns).astype(int), 0, len(truth.zero_s) - 2)
    return truth.zero_s[whole] + (turns - whole) * np.diff(truth.zero_s)[whole]


def column_of(scenario, truth, led, at_s):
    """The column whose data a LED showed at each instant."""
    number = next(i for i, one in enumerate(scenario.leds) if one.first_led <= led < one.first_led + one.count)
    table, sent = scenario.leds[number], truth.chains[number]
    way = (led - table.first_led) / max(table.count - 1, 1)
    changed = sent.first_visible_s + way * (sent.visible_s - sent.first_visible_s)
    if table.wiring == "direct":
        changed = sent.visible_s
    return sent.column[np.searchsorted(changed, at_s, side="right") - 1]


@pytest.mark.parametrize("name", CASES)
def test_every_spot_shows_what_its_led_showed(name):
    """To within one bin, a quarter of a column; and a share that far exceeds chance agrees in its own bin."""
    case = dict(CASES[name])
    step = case.pop("step", 0)
    scenario, truth, screen = made_of(case)
    assert screen.bins == 4 * scenario.firmware.columns
    assert screen.direction == scenario.display.direction
    assert screen.turns >= 6
    for turn in (2, screen.turns // 2, screen.turns - 2):
        seen = turn_image(screen, turn).astype(int)
        agrees = []
        for bins in (0, -1, 1):
            really = shown_at(scenario, truth, turn, screen.angles_deg + bins * 360 / screen.bins)
            agrees.append((np.abs(seen - really) <= step).all(axis=2))
        assert np.logical_or.reduce(agrees).all(), "a spot shows what no LED showed there or a bin away"
        assert agrees[0].mean() > 0.96


def test_leds_of_a_running_chain_change_at_their_own_instants():
    """32 LEDs of 32 bits at 1 MHz: each LED's column begins later than the one before it by 32.5 us (its own word and
    half a clock), which a picture in bins shows to within one bin."""
    _, truth, screen = made_of({"leds": [clocked("APA102", 32)], "recorder": FAST})
    image = turn_image(screen, 4).astype(int)
    sent = truth.chains[0]
    usual = np.median(sent.visible_s - sent.first_visible_s)
    assert 0.00099 < usual < 0.00103
    width = np.diff(truth.zero_s)[4] / screen.bins
    for led in range(32):
        begins = np.flatnonzero((image[:, led] != np.roll(image[:, led], 1, axis=0)).any(axis=1)) % 4
        lag = led / 31 * usual / width
        first = np.flatnonzero((image[:, 0] != np.roll(image[:, 0], 1, axis=0)).any(axis=1)) % 4
        moved = (np.median(begins) - np.median(first) - lag + 2) % 4 - 2
        assert abs(moved) <= 1.0, led


def test_what_a_blank_line_darkens_is_dark():
    """Outputs that are off for the third of each column before the latch are dark there, and lit as sent elsewhere."""
    slot_s = 1 / 30 / 24
    lead_us = slot_s / 3 * 1e6
    dark = LATCHED | {"blank": "OE", "blank_lead_ns": lead_us * 1e3, "clock_rate_hz": 2e6, "latch_after_ns": 4.7e5}
    scenario, truth, screen = made_of({"leds": [dark], "recorder": FAST})
    assert screen.blanks[0] is not None
    really = shown_at(scenario, truth, 4, screen.angles_deg)
    seen = turn_image(screen, 4).astype(int).reshape(24, 4, screen.rows, 3)
    really = really.reshape(24, 4, screen.rows, 3)
    assert np.abs(seen - really)[:, :2].max() <= 1
    # the last third of a column: a third of its third bin and all of its last one
    assert np.abs(seen[:, 2] - really[:, 2] * (2 / 3)).max() <= 255 / 16
    assert seen[:, 3].max() == 0


def test_a_short_update_runs_along_as_far_as_it_reaches():
    """After 20 of 32 LEDs only those change, each when its own word has passed, the last of them 0.62 ms later; groups
    of four LEDs are drawn as one, which is 65 us at most."""
    case = {"leds": [clocked("APA102", 32)], "recorder": FAST}
    cut = {"kind": "data-truncated", "revolution": 4, "column": 10, "leds": 20, "bit": 0}
    _, truth, screen = made_of(case | {"faults": [cut]})
    sent = truth.chains[0]
    update = int(np.flatnonzero(sent.altered)[0])
    revolution = int(sent.revolution[update])
    image = turn_image(screen, revolution).astype(int)
    at = seconds_at(truth, revolution + screen.angles_deg / 360)
    held = on_the_leds(truth.image, 1).astype(int)
    slack_s = 70e-6
    for led in range(32):
        begins = sent.first_visible_s[update] + led * 32.5e-6
        until = sent.first_visible_s[update + 1] + led * 32.5e-6
        before = (at > begins - 1e-3) & (at < begins - slack_s)
        after = (at > begins + slack_s) & (at < until - slack_s)
        assert before.sum() >= 2
        assert after.sum() >= 2
        assert (image[before, led] == held[9, led]).all(), led
        assert (image[after, led] == held[10 if led < 20 else 9, led]).all(), led
