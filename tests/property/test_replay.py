"""A script brought back from any prefix of its journal asks for the same next step as the live one did."""

import json

from hypothesis import given, reject, settings
from hypothesis import strategies as st

from daemon.journal import StepRecord
from daemon.ledger import Ledger
from daemon.replay import replay
from routines.scripts.catalogue import ROUTINES
from routines.scripts.common import TrainFacts
from routines.scripts.listing import PretendedTrain
from routines.steps import answer_from_dict, answer_to_dict, step_to_dict

SIDES = st.sampled_from([-1, 1])


@st.composite
def journals(draw):
    """Return a routine, its facts, and the whole journal of a run with noisy looks."""
    facts = TrainFacts(
        start_position_steps=draw(st.integers(3000, 7000)),
        low_limit_steps=0.0,
        high_limit_steps=10_000.0,
        play_bound_steps=float(draw(st.integers(20, 400))),
        final_side=draw(SIDES),
        filters=("Clear", "Red", "Blue"),
        reference_filter="Clear",
        reach_px=draw(st.floats(0.5, 4.0)),
        expected_slope_px_per_step=draw(st.floats(0.01, 0.2)),
    )
    routine = draw(st.sampled_from(sorted(ROUTINES)))
    train, records, script = PretendedTrain(facts), [], make(routine, facts)
    try:
        step = next(script)
    except StopIteration:
        reject()  # a check without a profile has nothing to do
    while True:
        answer = answer_to_dict(train(step))
        if answer["kind"] == "Seen":
            answer["observation"]["value_px"] += draw(st.floats(-0.1, 0.1))
        records.append(
            StepRecord(
                len(records),
                json.loads(json.dumps(step_to_dict(step))),
                "",
                json.loads(json.dumps(answer)),
                "",
            )
        )
        try:
            step = script.send(answer_from_dict(records[-1].answer))
        except StopIteration as end:
            return routine, facts, records, end.value


def make(routine, facts):
    return ROUTINES[routine].make(facts, ROUTINES[routine].parameters())


@given(journals())
@settings(max_examples=25, deadline=None)
def test_every_prefix_leads_to_the_same_next_step(journal):
    routine, facts, records, result = journal
    for length in range(len(records) + 1):
        ledger = Ledger()
        frontier = replay(make(routine, facts), records[:length], ledger)
        assert frontier.number == length
        assert not frontier.pending
        assert len(ledger.observations) == sum(one.answer["kind"] == "Seen" for one in records[:length])
        if length < len(records):
            assert step_to_dict(frontier.step) == records[length].step
        else:
            assert (frontier.step, frontier.result) == (None, result)


@given(journals(), st.data())
@settings(max_examples=25, deadline=None)
def test_an_open_intent_is_where_the_replay_stops(journal, data):
    routine, facts, records, _ = journal
    length = data.draw(st.integers(0, len(records) - 1))
    unanswered = StepRecord(length, records[length].step, "", None, None)
    frontier = replay(make(routine, facts), [*records[:length], unanswered], Ledger())
    assert frontier.pending
    assert frontier.number == length
