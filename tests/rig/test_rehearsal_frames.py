"""The whole job with real pixels, cut short: two filters, frames rendered, written, read and measured."""

import pytest

from daemon.offline import analyse
from daemon.rehearsal_stage import StageOptions, rehearsing
from daemon.rehearse import default_config, held_against_truth
from drivers.frames import read_header
from drivers.header import Keywords, facts_from
from drivers.simulated.truth import true_numbers
from routines.scripts.adaptive import Targets
from routines.scripts.characterise import Characterise
from routines.scripts.flanks import Flanks

SEED = 2
SHORT = Characterise(flanks=Flanks(dead_looks=3), targets=Targets(most_rounds=1))


@pytest.fixture(scope="module")
def short(tmp_path_factory):
    out = tmp_path_factory.mktemp("frames")
    config = default_config()
    config = config.model_copy(update={"filters": config.filters[:2]})
    with rehearsing(config, SEED, out=out, options=StageOptions(how=SHORT)) as stage:
        stage.perform()
        return held_against_truth(stage), config, out


@pytest.mark.timeout(600)
def test_every_number_is_right_to_a_quarter_of_the_critical_focus_zone(short):
    result, _, out = short
    assert result.end.state == "done", result.end.result
    zones = true_numbers("refractor-112", SEED).critical_focus_zone_steps
    for item in result.comparisons:
        if item.unit == "steps" and item.name != "transition":
            assert item.found is not None and item.found.value is not None, item.name
            assert abs(item.found.value - item.truth) < min(zones.values()) / 4.0, item.name
    assert len(list((out / "frames").glob("*.fits"))) == len(result.end.ledger.observations)


@pytest.mark.timeout(600)
def test_its_frames_tell_how_each_place_was_reached(short):
    result, _, _ = short
    for seen in result.end.ledger.observations:
        facts = facts_from(read_header(seen.path), Keywords())
        assert (facts.side, facts.travel_since_reversal_steps) == (
            seen.side,
            seen.travel_since_reversal_steps,
        )
        assert (facts.pass_id, facts.marker) == (seen.pass_id, seen.marker)
        assert facts.position_steps == seen.position_steps


@pytest.mark.timeout(600)
def test_the_table_it_leaves_gives_the_same_profile_when_analysed_again(short, tmp_path):
    result, config, out = short
    again = analyse(out / "observations.csv", config, tmp_path / "again")
    first = result.profile.backlash_steps
    assert again.profile.backlash_steps.value == pytest.approx(first.value, abs=0.2 * first.u)
    for entry in again.profile.filters:
        known = result.profile.filter_named(entry.name).offset_steps
        assert entry.offset_steps.value == pytest.approx(known.value, abs=max(0.2 * known.u, 1e-9))
