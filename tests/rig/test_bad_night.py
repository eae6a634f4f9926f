"""One night in which all goes wrong that can pass, through the whole service, as its user meets it.

The temperature falls fast and settles, clouds pass, the star vanishes and comes back, the thermometer freezes
and thaws. The run holds for each with its reason, goes on, ends done, and its numbers are right.
"""

import contextlib
import re

import pytest
from test_service import CONFIG, serving
from test_simulated_nights import FALL, NIGHT, STAR

from daemon.config import load_config
from daemon.journal import Journal
from daemon.profile_store import load_profile
from daemon.rehearse import compared
from drivers.simulated.client import connect_rig

SEED = 3
FILTERS = ("L", "R", "G", "B")


def night_config(folder):
    """Write a config of a night with a fast fall, long exposures of a faint star, and watchful gates."""
    (folder / "night.toml").write_text(NIGHT.format(drop_c=3.0, drop_s=900.0))
    head, _, rest = CONFIG.read_text().partition("\n[simulated]\n")
    tables = re.findall(r"\[\[filter\]\]\n(?:(?!\[).*\n?)*", rest[rest.index("[[filter]]") :])
    wanted = [table for table in tables if any(f'name = "{name}"' in table for name in FILTERS)]
    filters = re.sub(r"exposure_s = [0-9.]+", "exposure_s = 60.0", "".join(wanted))
    head = head.replace('kind = "focuser"', 'kind = "focuser"\nfrozen_after_s = 900.0')
    simulated = f'\n[simulated]\nrig = "night.toml"\nseed = {SEED}\nlooks = "numbers"\n'
    path = folder / "rig.toml"
    gates = table_of("gates.temperature", FALL) + table_of("gates.star", STAR)
    path.write_text(head + simulated + gates + filters)
    return path


def table_of(name, values):
    return f"\n[{name}]\n" + "".join(f"{key} = {value}\n" for key, value in values.items()) + "\n"


@pytest.mark.campaign
@pytest.mark.timeout(400)
def test_a_night_in_which_all_goes_wrong_that_can_pass(tmp_path):
    with serving(tmp_path, night_config(tmp_path), speed=100.0) as service:
        run_id = service.start()
        service.until(lambda: has_looks(service, run_id, 1), "the first look", 200.0)
        rig = connect_rig(service.state / "rig")
        try:
            for looks, kind, facts in (
                (6, "cloud", {"transparency": 0.1, "seconds": 600.0}),
                (12, "star_lost", {"seconds": 600.0}),
                (16, "probe_frozen", {"seconds": 1500.0}),
            ):
                service.until(lambda least=looks: has_looks(service, run_id, least), f"{looks} looks", 200.0)
                rig.fault(kind, **facts)
                if kind != "probe_frozen":
                    service.until(lambda: service.status()["holding"], f"a hold after {kind}", 100.0)
            service.until(lambda: service.status()["state"] == "idle", "the end", 300.0)
        finally:
            rig.close()
        run = service.run(run_id)
        status = service.command("status").stdout
    assert run["state"] == "done", run
    reasons = [" ".join(hold.get("reasons", ())) for hold in run["result"]["holds"]]
    for word in ("temperature rate", "of its best", "none is seen", "frozen"):
        assert any(word in one for one in reasons), (word, reasons)
    assert all("ended" in hold for hold in run["result"]["holds"] if "reasons" in hold)
    assert len(status.splitlines()) <= 23
    require_right(tmp_path, service.state, run_id)


def has_looks(service, run_id, least):
    return (service.run(run_id)["observations"] or 0) >= least


def require_right(folder, state, run_id):
    """Hold every number against the truth, within four of its standard uncertainties; the coefficient aside.

    How fast focus follows a tube that lags behind its thermometer is the estimation's business, not a gate's.
    """
    config = load_config(folder / "rig.toml")
    profile = load_profile(state / "runs" / run_id / "profile.json")
    with contextlib.closing(Journal.read(state / "journal.sqlite3")) as journal:
        looks = journal.observations(run_id)
    rows, _ = compared(config, SEED, profile, looks)
    judged = [row for row in rows if row.name != "temperature coefficient"]
    assert len(judged) >= 6
    for row in judged:
        assert row.found is not None, row
        if row.found.value is None:
            assert row.truth <= row.found.high95, row  # an upper limit
        else:
            assert abs(row.found.value - row.truth) < 4.0 * row.found.u, row
