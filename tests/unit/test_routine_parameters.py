"""What a config says of targets and budget reaches the routines, and the dry run says it."""

from pathlib import Path

import pytest

from daemon.config import load_config
from daemon.planning import Planner
from daemon.rechecking import parameters_for
from routines.scripts.adaptive import Targets
from routines.scripts.catalogue import ROUTINES, parameters_to_dict, script_from_dict
from routines.scripts.common import TrainFacts
from routines.scripts.listing import PretendedTrain, list_steps

EXAMPLE = Path(__file__).parents[2] / "config_examples" / "simulated.toml"


@pytest.fixture
def narrow(tmp_path):
    file = tmp_path / "narrow.toml"
    told = "offset_half_width_steps = 0.9\nbacklash_half_width_steps = 2.5\nbudget_s = 600.0\n"
    text = EXAMPLE.read_text()
    assert "[routines]" not in text
    file.write_text(f"{text}\n[routines]\n{told}")
    return load_config(file)


@pytest.mark.parametrize("routine", ["characterise", "backlash", "offsets"])
def test_targets_and_budget_come_from_the_config(narrow, routine):
    found = parameters_for(routine, narrow, None).targets
    assert found == Targets(offset_half_width_steps=0.9, backlash_half_width_steps=2.5, budget_s=600.0)
    assert parameters_for(routine, load_config(EXAMPLE), None).targets == Targets()


def test_a_run_stores_the_seed_of_its_proof(narrow):
    """Two runs draw two seeds; a script made from the stored parameters proves in the same order again."""
    real = load_config(EXAMPLE.with_name("refractor.toml"))
    one, other = (parameters_for("characterise", real, None) for _ in range(2))
    assert one.proof.seed != other.proof.seed
    assert narrow.simulated is not None
    assert parameters_for("characterise", narrow, None).proof.seed == narrow.simulated.seed
    facts = TrainFacts(5000.0, 0.0, 10_000.0, 250.0, -1, ("L", "R", "G"), "L", reach_px=2.0)
    stored = parameters_to_dict(facts, one)
    routine = ROUTINES["characterise"]
    listed = [list_steps(script_from_dict(routine, stored), PretendedTrain(facts)).steps for _ in range(2)]
    assert listed[0] == listed[1]
    assert stored["how"]["proof"]["seed"] == one.proof.seed


def test_the_dry_run_says_the_targets_once_and_lists_the_proof(narrow):
    plan = Planner(narrow).plan("characterise", None)
    words = " ".join(plan["notes"])
    assert "the offsets to 0.9 steps" in words
    assert "backlash to 2.5 steps" in words
    assert "after 10 min of sky" in words
    told = [step["does"] for step in plan["steps"] if step["does"].startswith("Proof")]
    filters = len(narrow.filters)
    assert told == [f"Proof: applying the numbers, {filters + 2} looks in drawn order."]
    after = plan["steps"][[step["does"] for step in plan["steps"]].index(told[0]) :]
    assert sum(step["does"].startswith("look in") for step in after) == filters + 2
