"""A simulated rig on which only the looks' own numbers decide what is seen, for tests that compare runs."""

from daemon.config.tables import WheelTable
from daemon.rehearse import default_config

CALM = """base = "refractor-112"
weather_by_number = true

[weather]
waves = []
drop_c = 0.0
probe_noise_c = 0.0
"""


def calm_config(folder):
    """Return the rehearsal's config with a rig whose weather depends on the look's number alone."""
    path = folder / "calm.toml"
    path.write_text(CALM)
    config = default_config()
    simulated = config.simulated.model_copy(update={"rig": str(path), "seed": 3})
    return config.model_copy(update={"simulated": simulated})


def hurried(config, folder, protocol="words", reply_within_s=0.15):
    """Return a config whose devices must answer sooner: what waits for a lost reply waits less long."""
    for kind in ("focuser", "wheel"):
        (folder / f"{kind}.toml").write_text(
            f'base = "{kind}_{protocol}"\n[line]\nreply_within_s = {reply_within_s}\n'
        )
    focuser = config.focuser.model_copy(update={"description": str(folder / "focuser.toml")})
    wheel = WheelTable(port="the simulated rig's", description=str(folder / "wheel.toml"))
    return config.model_copy(update={"focuser": focuser, "wheel": wheel})


def two_filters(config):
    """Return a config that names two of the rig's filters only, for runs that need not be long."""
    return config.model_copy(update={"filters": config.filters[:2]})
