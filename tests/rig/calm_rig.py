"""A simulated rig on which only the looks' own numbers decide what is seen, for tests that compare runs."""

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
