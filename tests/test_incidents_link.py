"""Observations made by hand: which explains which, what an event says, and the shape of a report of nothing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from build import capture, channel, pulses
from spinlag.incidents.link import clock_of, link
from spinlag.incidents.model import INCIDENT_COLUMNS, RATE_COLUMNS, IncidentReport
from spinlag.incidents.rates import rates
from spinlag.incidents.rules import FACTS, RULES, causes_of
from spinlag.incidents.sentences import event_sentence, seen_sentence
from spinlag.observations import KINDS, Observation

PERIOD = 30_000_000
TURNS = np.arange(1, 41, dtype=np.int64) * PERIOD
BUILT = capture([channel("SENSOR", pulses(TURNS, 100_000)), channel("DOUT", [5, 6])])


def seen(kind, turns, *, channel="DOUT", chain="leds", update=None, **more):
    """An observation so many turns after the first reference; index kinds stand on the index line."""
    tick = int(TURNS[0] + turns * PERIOD)
    if kind.startswith(("index", "speed", "motor")):
        channel, chain = "SENSOR", None
    return Observation(
        kind, tick, channel, f"{kind} happened", chain=chain, update=update, revolution=int(turns // 1), **more
    )


def linked(*observations, turn_ticks=TURNS):
    return link(observations, BUILT, clock_of(BUILT, turn_ticks))


def origins(incidents):
    return [item.kind for item in incidents if item.origin is None]


def test_every_kind_has_facts_and_every_rule_known_kinds():
    assert set(FACTS) == set(KINDS)
    assert all(rule.cause in KINDS and rule.effect in KINDS for rule in RULES)
    assert all(rule.turns is not None or rule.seconds is not None or rule.scope == "update" for rule in RULES)
    assert all(rule.why for rule in RULES)


def test_a_doubled_index_is_one_event_with_one_origin():
    """The squeezed turn, its lost columns and the wrong turn after it all lead back to the second pulse."""
    doubled = seen("index-doubled", 3.06, expected=0.03, observed=0.0018, unit="s")
    rate = seen("column-rate", 3.065, expected=0.0, observed=-0.94, unit="1")
    rows = [doubled, rate]
    rows += [seen("update-missing", 3.07 + 0.015 * i) for i in range(60)]
    rows += [seen("column-rate", 4.01, expected=0.0, observed=-0.06, unit="1"), seen("update-late", 5.01, update=9)]
    found = linked(*rows)
    assert origins(found) == ["index-doubled"]
    root = next(item for item in found if item.origin is None)
    assert {item.origin for item in found if item is not root} == {root.id}
    assert all(item.delay_s == pytest.approx((item.tick - root.tick) * 1e-9) for item in found if item is not root)
    late = next(item for item in found if item.kind == "update-late")
    assert late.cause != root.id, "the late column follows from the wrong rate, which follows from the pulse"


def test_a_turn_at_a_wrong_rate_is_explained_from_later_in_that_turn():
    """Columns drawn before the second pulse already count to the turn, which is dated to its first update."""
    found = linked(seen("column-rate", 7.01, expected=0.0, observed=-0.5, unit="1"), seen("index-doubled", 7.5))
    assert origins(found) == ["index-doubled"]
    assert next(item for item in found if item.kind == "column-rate").delay_s < 0


def test_causes_do_not_reach_backwards_or_too_far():
    assert sorted(origins(linked(seen("update-late", 5.0, update=1), seen("index-shifted", 6.0)))) == [
        "index-shifted",
        "update-late",
    ]
    assert sorted(origins(linked(seen("index-doubled", 5.0), seen("column-rate", 12.0)))) == [
        "column-rate",
        "index-doubled",
    ]


def test_the_nearest_cause_is_taken():
    found = linked(seen("index-missed", 4.0), seen("index-shifted", 6.0), seen("column-rate", 6.01))
    rate = next(item for item in found if item.kind == "column-rate")
    assert rate.cause == next(item.id for item in found if item.kind == "index-shifted")
    assert len(origins(found)) == 2


def test_rules_of_one_chain_keep_to_it():
    rate = seen("column-rate", 4.0, chain="inner")
    missing = seen("update-missing", 4.2, chain="outer")
    assert sorted(origins(linked(rate, missing))) == ["column-rate", "update-missing"]
    assert origins(linked(rate, seen("update-missing", 4.2, chain="inner"))) == ["column-rate"]


def with_columns(*observations, columns=40):
    clock = replace(clock_of(BUILT, TURNS), columns={"leds": columns})
    return link(observations, BUILT, clock)


def test_a_wrong_turn_explains_what_stands_at_the_ends_of_turns_only():
    doubled = seen("index-doubled", 3.5)
    for turns, roots in ((4.03, 1), (4.95, 1), (4.5, 2)):
        assert len(origins(with_columns(doubled, seen("update-late", turns, update=7)))) == roots, turns
    cut_off = seen("update-missing", 4.5, expected=40.0, observed=20.0)
    assert len(origins(with_columns(doubled, cut_off))) == 1, "a run that reaches the end of its turn"
    far_off = seen("column-rate", 4.0, expected=0.0, observed=-0.4)
    assert len(origins(with_columns(doubled, far_off, seen("update-late", 4.5, update=7)))) == 1


def test_a_silence_that_follows_from_a_wrong_turn_lasts_to_the_next():
    shifted = seen("index-shifted", 3.0)
    assert len(origins(with_columns(shifted, seen("data-silent", 3.9, observed=0.102 * 0.03, unit="s")))) == 1
    assert len(origins(with_columns(shifted, seen("data-silent", 3.4, observed=0.102 * 0.03, unit="s")))) == 2


def test_what_a_late_update_holds_up_comes_right_behind_it():
    late = seen("update-late", 4.5, update=7)
    assert len(origins(with_columns(late, seen("update-missing", 4.5 + 2 / 40)))) == 1
    assert len(origins(with_columns(late, seen("update-missing", 4.5 + 4 / 40)))) == 2


def test_what_recurs_at_the_first_column_of_turn_after_turn_is_one_event():
    rows = [seen("update-late", 4 + k + 0.01, update=40 * k) for k in range(6)]
    assert len(origins(with_columns(*rows))) == 1
    rows = [seen("update-late", 4 + k + 0.3, update=40 * k) for k in range(6)]
    assert len(origins(with_columns(*rows))) == 6


def test_rules_of_one_update_keep_to_it_and_its_neighbour():
    bit = seen("data-bit-time", 4.0, update=100)
    assert origins(linked(bit, seen("data-overlong", 4.0001, update=100))) == ["data-bit-time"]
    assert len(origins(linked(bit, seen("data-overlong", 4.0001, update=102)))) == 2


def test_a_silence_reaches_from_its_end():
    silent = seen("data-silent", 4.0, observed=5 * 0.03, unit="s")
    found = linked(silent, *(seen("update-missing", 4.0 + k) for k in range(6)))
    assert origins(found) == ["data-silent"]
    assert len(origins(linked(silent, seen("update-missing", 12.0)))) == 2


def test_a_silence_that_began_before_the_missed_pulse_follows_from_it():
    """The last column came, then the index did not: the silence is dated to that column but is no cause."""
    silent = seen("data-silent", 6.97, observed=1.05 * 0.03, unit="s")
    found = linked(silent, seen("index-missed", 7.0), seen("update-missing", 7.0))
    assert origins(found) == ["index-missed"]


def test_a_gap_of_the_recording_explains_what_seems_to_go_wrong_in_it():
    gap = seen("capture-gap", 4.3, observed=0.04, unit="s")
    rows = [seen("index-missed", 5.0), seen("data-silent", 4.3, observed=0.04, unit="s"), seen("update-missing", 4.31)]
    assert origins(linked(gap, *rows, seen("motor-sequence", 5.6), seen("column-rate", 5.7))) == ["capture-gap"]


def test_firmware_that_averages_echoes_a_shifted_pulse():
    """A pulse 1.5 ms early in 30 ms turns puts a mean of five turns 1 % low, and 1 % high five turns later."""
    shifted = seen("index-shifted", 10.0, expected=0.0, observed=-1.5e-3, unit="s")
    first = seen("column-rate", 10.01, expected=0.0, observed=-0.01, unit="1")
    echo = seen("column-rate", 15.01, expected=0.0, observed=0.01, unit="1")
    assert origins(linked(shifted, first, echo)) == ["index-shifted"]
    unlike = seen("column-rate", 22.01, expected=0.0, observed=0.01, unit="1")
    assert sorted(origins(linked(shifted, first, unlike))) == ["column-rate", "index-shifted"]


def test_instants_a_sample_apart_do_not_explain_each_other_in_circles():
    found = linked(seen("data-truncated", 4.0, update=7), seen("data-bit-time", 4.0001, update=7))
    assert len(origins(found)) == 1
    assert {item.origin for item in found if item.origin} <= {item.id for item in found}


def test_no_rule_leads_in_a_circle_from_any_pair_of_kinds():
    """Whatever two kinds stand at one instant or a little apart, there is an origin, and effects point to it."""
    for rule in RULES:
        for gap in (0.0, 1e-4, 0.004):
            pair = (seen(rule.cause, 4.0, update=3), seen(rule.effect, 4.0 + gap, update=3))
            for rows in (pair, pair[::-1]):
                found = linked(*rows)
                roots = {item.id for item in found if item.origin is None}
                assert roots
                assert {item.origin for item in found if item.origin is not None} <= roots


def test_without_turns_only_seconds_count():
    nothing = np.empty(0, dtype=np.int64)
    late = Observation("update-late", 2_000_000, "DOUT", "late", chain="leds", update=4)
    pause = Observation("data-pause", 1_000_000, "DOUT", "pause", chain="leds", update=3)
    found = link((pause, late), BUILT, clock_of(BUILT, nothing))
    assert origins(found) == ["data-pause"]
    assert found[0].revolution is None
    assert found[0].shaft_angle_deg is None


def test_the_same_observation_twice_is_one_incident():
    assert len(linked(seen("index-missed", 4.0), seen("index-missed", 4.0))) == 1


def test_incidents_carry_where_they_happened():
    (found,) = linked(seen("data-pause", 4.25, update=11, expected=1.0, observed=2.0, unit="s", threshold="the sheet"))
    assert (found.id, found.revolution, found.update, found.threshold) == ("I1", 4, 11, "the sheet")
    assert found.shaft_angle_deg == pytest.approx(90.0)
    assert found.time_s == pytest.approx((TURNS[0] + 4.25 * PERIOD) * 1e-9)


def test_event_sentence_reads_in_order_and_counts_what_is_many():
    doubled = seen("index-doubled", 3.06)
    rate = seen("column-rate", 3.065, expected=0.0, observed=-0.6, unit="1")
    after = seen("column-rate", 4.0, expected=0.0, observed=0.1, unit="1")
    found = linked(doubled, rate, after, *(seen("update-missing", 3.07 + 0.02 * i) for i in range(5)))
    root = next(item for item in found if item.origin is None)
    text = event_sentence(root, [item for item in found if item is not root], witness="The shaft kept its speed.")
    assert text.startswith("Revolution 3, 22° after the reference, SENSOR: index-doubled happened.")
    assert "in this turn the columns came 2.5 times too fast" in text
    assert "in the next turn the columns came 10 % too slow" in text
    assert "5 runs of missing columns" in text
    assert text.endswith("The shaft kept its speed.")


def test_seen_sentence():
    assert seen_sentence(0, 0.0, 0.0) == "The picture did not change enough to be seen."
    assert "2 turns (66.7 ms), in up to 17 %" in seen_sentence(2, 0.0667, 0.168)
    assert "one turn (30 ms), in less than 1 %" in seen_sentence(1, 0.03, 0.002)


def test_empty_results_keep_their_shape():
    table = rates((), ("capture-gap",), 100, 3.0)
    report = IncidentReport((), (), (), table, 100, 3.0)
    assert list(report.table.columns) == list(INCIDENT_COLUMNS)
    assert [str(dtype) for dtype in report.table.dtypes] == list(INCIDENT_COLUMNS.values())
    assert list(report.rates.columns) == list(RATE_COLUMNS)
    assert report.origins == ()
    with pytest.raises(KeyError, match="no incident 'I1'; there are none"):
        report.event_of("I1")
    filled = IncidentReport(linked(seen("index-missed", 4.0)), (), (), table, 100, 3.0)
    assert [str(dtype) for dtype in filled.table.dtypes] == list(INCIDENT_COLUMNS.values())


def test_causes_of_an_unknown_kind_are_none():
    assert causes_of("capture-gap") == ()
