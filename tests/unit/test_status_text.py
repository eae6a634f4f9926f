"""What `drawtube status` prints fits a terminal of 80 columns and 24 lines, prompt included, at its worst."""

import pytest

from daemon.commands.showing import status_text

LONG = "the temperature moves by -4.31 C/h (u 0.22, over 15 min), 52 steps/h, 2.11 zones/h, which is " * 3
RUN = {"id": "0123456789ab", "routine": "characterise", "step": 123, "observations": 99, "fraction": 0.7,
       "remaining_s": 1234.0, "sentence": LONG}  # fmt: skip
IDLE = {"rig": "refractor", "simulated": False, "state": "idle", "run": None, "holding": [], "gates": [],
        "queued": [], "interrupted": [], "schedules": [], "profile": None, "position_steps": None,
        "filter": None, "temperature_c": None}  # fmt: skip
SCHEDULE = {"name": "evening", "routine": "characterise", "next": None, "last": LONG}


def gate(number, *, is_open, reason=LONG):
    return {"name": f"gate {number}", "open": is_open, "since": "2026-01-14T19:00:00+00:00",
            "reason": reason}  # fmt: skip


def full(gates, holding):
    return IDLE | {
        "rig": "a refractor with a very long name " * 4,
        "state": "holding",
        "run": RUN,
        "holding": holding,
        "gates": gates,
        "queued": ["0123456789ab"] * 20,
        "interrupted": ["0123456789ab"] * 5,
        "schedules": [SCHEDULE] * 9,
        "profile": {"created": "2026-01-14T19:00:00+00:00", "headline": LONG},
        "position_steps": 5200,
        "filter": "L",
        "temperature_c": -12.5,
    }


SHUT = [gate(number, is_open=False) for number in range(9)]
OPEN = [gate(number, is_open=True) for number in range(9)]


@pytest.mark.parametrize(
    "now",
    [IDLE, full(SHUT, [LONG] * 9), full(SHUT, []), full(OPEN, ["held by a person"]), full([], [LONG])],
)
def test_it_fits_a_terminal(now):
    lines = status_text(now).splitlines()
    assert 0 < len(lines) <= 23
    assert max(map(len, lines)) <= 79


def test_what_holds_the_run_is_told_once_and_when_it_began():
    why = "star brightness: 0.1 of its best is below 0.5 of its best"
    gates = [gate(1, is_open=False, reason=why), gate(2, is_open=True, reason="")]
    now = IDLE | {"run": RUN | {"sentence": "Looking."}, "holding": [why], "gates": gates}
    text = " ".join(status_text(now).split())
    assert text.count("0.1 of its best") == 1
    assert "shut gate 1 since 19:00 UTC" in text


def test_an_open_gate_that_knows_nothing_yet_says_so():
    unsure = gate(1, is_open=True, reason="not known before some two minutes of readings")
    text = status_text(IDLE | {"state": "running", "run": RUN, "gates": [unsure]})
    assert "all open: gate 1" in text
    assert "gate 1: not known before" in text


def test_schedules_that_find_no_room_give_way_to_what_holds_the_run():
    text = status_text(full(SHUT, [LONG] * 9))
    assert "holding" in text
    assert "profile" in text
