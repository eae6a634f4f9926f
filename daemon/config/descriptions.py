"""The device descriptions that a config names: are they there, and without a mistake?"""

from __future__ import annotations

from daemon.config.model import Config
from daemon.config.problems import ConfigErrors, Problem
from drivers.description import load
from drivers.errors import DescriptionError


def check_descriptions(config: Config) -> None:
    """Read every device description that the config names; raises `ConfigErrors`."""
    problems = []
    named = {"focuser": config.focuser, "wheel": config.wheel, "thermometer": config.thermometer}
    for table, settings in named.items():
        name = None if settings is None else settings.description
        if name is None:
            continue
        try:
            load(str(config.resolve(name)) if name.endswith(".toml") or "/" in name else name)
        except (DescriptionError, OSError) as error:
            for line in str(error).splitlines():
                problems.append(Problem(str(config.file), f"{table}.description", f'"{name}"', line))
    if problems:
        raise ConfigErrors(problems)
