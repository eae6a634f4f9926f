"""A profile's flags in words: what is missing and why, and what is good to know."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from routines.flags import CAUTIONS, DOUBTS, MEANINGS, Kind
from routines.profile import WHOLE_PROFILE, Profile
from routines.wording import listed

_UNITS = ("_steps_per_c", "_px_per_step", "_steps", "_um", "_c")


@dataclass(frozen=True, slots=True)
class Remark:
    """One thing said about the profile; ``about`` names the numbers in words, empty for all of it."""

    kind: Kind
    about: str
    message: str
    code: str = ""

    @property
    def is_doubt(self) -> bool:
        """Tell whether numbers that are given are called in doubt."""
        return self.code in DOUBTS or self.code in CAUTIONS

    def __str__(self) -> str:
        return f"{self.about}: {self.message}" if self.about else self.message


def remarks_on(profile: Profile) -> tuple[Remark, ...]:
    """Return the flags with those of one wording gathered; looks put aside are told elsewhere, by row."""
    grouped: dict[tuple[Kind, str, str], list[str]] = {}
    for item in profile.flags:
        if item.code != "outlier":
            kind: Kind = MEANINGS[item.code][0] if item.code in MEANINGS else "refusal"
            grouped.setdefault((kind, item.message, item.code), []).append(item.field)
    return tuple(
        Remark(kind, fields_in_words(about), words, code) for (kind, words, code), about in grouped.items()
    )


def fields_in_words(paths: Iterable[str]) -> str:
    """Return document paths as people say them, filters gathered: "offset (R and G), backlash"."""
    gathered: dict[str, list[str]] = {}
    for path in paths:
        if path == WHOLE_PROFILE:
            continue
        _, _, rest = path.partition("filters.")
        name, _, number = rest.rpartition(".")
        gathered.setdefault(_number_in_words(number or path), []).extend([name] if name else [])
    return ", ".join(f"{number} ({listed(names)})" if names else number for number, names in gathered.items())


def _number_in_words(number: str) -> str:
    for unit in _UNITS:
        number = number.removesuffix(unit)
    return number.replace("_", " ").replace(".", ", ")
