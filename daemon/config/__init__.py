"""The config: TOML in, checked and frozen settings out, every mistake named at once.

``tables`` holds the keys with their ranges, ``consistency`` what must hold between them, ``problems`` the
words in which mistakes are told, ``needs`` which tables a command cannot do without.
"""

from daemon.config.loading import config_from_dict, load_config, parse_config
from daemon.config.model import Config
from daemon.config.needs import MOVING, require
from daemon.config.problems import ConfigErrors, Problem

__all__ = [
    "MOVING",
    "Config",
    "ConfigErrors",
    "Problem",
    "config_from_dict",
    "load_config",
    "parse_config",
    "require",
]
