"""How the mask sits is remembered from one run to the next, and half a turn shows at the first two looks."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from test_service import Service, config_in, serving

from daemon.fitting import keep_fitting, read_fitting


def looks_of(service: Service, routine: str) -> list[dict[str, Any]]:
    run_id = service.start(routine)
    states = ("done", "partial", "failed", "stopped")
    service.until(lambda: service.run(run_id)["state"] in states, "the end", 500.0)
    found = service.http.get(f"/v1/runs/{run_id}/observations").json()
    return found if isinstance(found, list) else found["observations"]


@pytest.mark.campaign
@pytest.mark.timeout(900)
def test_a_second_run_knows_the_sign_and_a_third_sees_half_a_turn(tmp_path: Path) -> None:
    config = config_in(tmp_path)
    config.write_text(config.read_text().replace('looks = "numbers"', 'looks = "frames"'))
    with serving(tmp_path, config) as service:
        first = looks_of(service, "find_focus")
        assert all("sign_unknown" in look["flags"] for look in first)
        learnt = read_fitting(service.state)
        assert learnt is not None
        second = looks_of(service, "find_focus")
        assert "sign_unchecked" in second[0]["flags"]
        assert not {"sign_unchecked", "sign_unknown"} & set(second[1]["flags"])
        # Remembered the other way round is as good as a mask that sits the other way round.
        turned = replace(learnt, orientation_deg=(learnt.orientation_deg + 180.0) % 360.0)
        keep_fitting(service.state, turned)
        third = looks_of(service, "find_focus")
        assert "mask_reversed" in third[1]["flags"]
        again = read_fitting(service.state)
        assert again is not None and abs(again.orientation_deg - learnt.orientation_deg) < 1.0
