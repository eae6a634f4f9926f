"""The profile document, ``drawtube-profile/1``: what is known about one focus train, for any program to read.

Positions are the controller's counts, which may fall outward; backlash is positive either way. A number is a
value with its standard uncertainty and 95 % interval, or null, and a null always has a flag that says why.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any, Literal, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

from routines.flags import MEANINGS
from routines.quantity import Quantity

SCHEMA_NAME: Literal["drawtube-profile/1"] = "drawtube-profile/1"
WHOLE_PROFILE = "profile"

Outward = Literal["rising", "falling"]
Side = Literal["inward", "outward"]
ProfileMethod = Literal["mask", "width", "both"]
Compensation = Literal["none", "controller", "suspected", "unknown"]
Text = Annotated[str, Field(max_length=2000)]


class Part(BaseModel):
    """What every object in the document has in common: no unknown keys, no NaN, no changes."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        validate_by_name=True,
        validate_by_alias=True,
        json_schema_serialization_defaults_required=True,
    )


class Measured(Part):
    """A measured number; an upper limit has ``value`` and ``u`` null, ``low95`` 0, ``high95`` the limit."""

    value: float | None
    u: Annotated[float, Field(ge=0.0)] | None
    low95: float
    high95: float

    @model_validator(mode="after")
    def _is_possible(self) -> Measured:
        if (self.value is None) != (self.u is None):
            raise ValueError("value and u are either both numbers or both null")
        if self.value is None and self.low95 != 0.0:
            raise ValueError("an upper limit has low95 = 0")
        if not self.low95 <= (self.low95 if self.value is None else self.value) <= self.high95:
            raise ValueError("the value lies outside its own interval")
        return self

    @classmethod
    def of(cls, quantity: Quantity) -> Self:
        """Return the document's form of a quantity."""
        return cls(value=quantity.value, u=quantity.u, low95=quantity.low95, high95=quantity.high95)

    @property
    def quantity(self) -> Quantity:
        """Return the number as the science carries it."""
        return Quantity(self.value, self.u, self.low95, self.high95)

    @property
    def largest(self) -> float:
        """Return the largest magnitude that the 95 % interval holds."""
        return max(abs(self.low95), abs(self.high95))

    @property
    def smallest(self) -> float:
        """Return the smallest magnitude that the 95 % interval holds."""
        return 0.0 if self.low95 <= 0.0 <= self.high95 else min(abs(self.low95), abs(self.high95))


class Coefficient(Measured):
    """A temperature coefficient and the temperatures between which it was seen to hold."""

    valid_from_c: float | None
    valid_to_c: float | None


class FilterEntry(Part):
    """One configured filter; ``offset_steps`` is its crossing minus the reference filter's."""

    name: Text
    slot: int | None
    offset_steps: Measured | None
    crossing_inward_steps: Measured | None
    crossing_outward_steps: Measured | None
    mask_minus_width_steps: Measured | None
    critical_focus_zone_steps: Measured | None
    observations: Annotated[int, Field(ge=0)]

    def crossing(self, side: Side) -> Measured | None:
        """Return the best focus reached from ``side``: moving inward or moving outward."""
        return self.crossing_inward_steps if side == "inward" else self.crossing_outward_steps


class BestFocus(Part):
    """Where one filter was in focus, on which branch, and at which temperature."""

    filter: Text
    branch: Side
    position_steps: Measured | None
    temperature_c: float | None


class Limits(Part):
    """The controller's soft limits."""

    low_steps: float
    high_steps: float


class Star(Part):
    """The star that was used, and how the air spread it."""

    name: Text | None = None
    colour_bv_mag: float | None = None
    seeing_fwhm_um: float | None = None
    seeing_focus_zone_um: float | None = None


class Proof(BaseModel):
    """Whether the profile was applied and looked at again; a proof adds its own details."""

    model_config = ConfigDict(extra="allow", frozen=True, allow_inf_nan=False)

    status: Literal["not_run", "passed", "failed"] = "not_run"


class OffsetsCovariance(Part):
    """Covariance of the observed filters' offsets, rows and columns in the order of ``filters``."""

    filters: tuple[Text, ...]
    steps2: tuple[tuple[float, ...], ...]

    @model_validator(mode="after")
    def _is_square(self) -> OffsetsCovariance:
        size = len(self.filters)
        if len(self.steps2) != size or any(len(row) != size for row in self.steps2):
            raise ValueError(f"the covariance of {size} filters needs {size} rows of {size} numbers")
        return self


class Evidence(Part):
    """What the numbers rest on."""

    run: Text | None
    observations: Annotated[int, Field(ge=0)]
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    offsets_covariance: OffsetsCovariance | None


class FlagEntry(Part):
    """One flag: a code, the field it is about and words; ``field`` "profile" is about all of it."""

    code: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    field: Text
    message: Text

    def explains(self, path: str) -> bool:
        """Tell whether this is the reason why the number at ``path`` is null."""
        kind, _ = MEANINGS.get(self.code, ("refusal", ""))
        about = self.field in (path, path.rpartition(".")[0], WHOLE_PROFILE)
        return kind == "refusal" and about


class Profile(Part):
    """The whole document; ValueError when a null lacks its reason."""

    schema_name: Literal["drawtube-profile/1"] = Field(alias="schema")
    rig: Text
    created: AwareDatetime
    software: Text
    simulated: bool
    method: ProfileMethod
    outward: Outward
    epoch: int | None
    reference_filter: Text
    reference_temperature_c: float | None
    step_um: Measured | None
    slope_px_per_step: Measured | None
    backlash_steps: Measured | None
    transition_steps: Measured | None
    lost_motion_to_outward_steps: Measured | None
    lost_motion_to_inward_steps: Measured | None
    final_side: Side
    overshoot_steps: Annotated[int, Field(ge=0)] | None
    limits: Limits | None
    controller_compensation: Compensation
    filters: tuple[FilterEntry, ...]
    best_focus: BestFocus
    temperature_coefficient_steps_per_c: Coefficient | None
    star: Star | None
    altitude_deg: float | None
    rules: tuple[Text, ...]
    expires_if: tuple[Text, ...]
    proof: Proof
    flags: tuple[FlagEntry, ...]
    evidence: Evidence

    @model_validator(mode="after")
    def _nulls_have_reasons(self) -> Profile:
        unexplained = [path for path in null_paths(self) if not any(f.explains(path) for f in self.flags)]
        if unexplained:
            raise ValueError(f"null without a flag that says why: {', '.join(unexplained)}")
        return self

    def filter_named(self, name: str) -> FilterEntry | None:
        """Return a filter's entry, or None when the profile does not know it."""
        return next((item for item in self.filters if item.name == name), None)

    @property
    def is_good_enough(self) -> bool:
        """Tell whether backlash (a limit counts) and every observed filter's offset are given."""
        observed = [item for item in self.filters if item.observations > 0]
        offsets = all(item.offset_steps is not None for item in observed)
        return self.backlash_steps is not None and bool(observed) and offsets

    @property
    def final_sign_counts(self) -> int:
        """Return +1 where counts rise on the final approach and -1 where they fall."""
        rising = (self.final_side == "outward") == (self.outward == "rising")
        return 1 if rising else -1

    def reason_for(self, path: str) -> str | None:
        """Return the words of the flag that explains a null, if there is one."""
        return next((item.message for item in self.flags if item.explains(path)), None)

    def to_json(self) -> str:
        """Return the document as it is written to disk, keys in the contract's order."""
        return self.model_dump_json(by_alias=True, indent=2) + "\n"

    def as_dict(self) -> dict[str, Any]:
        """Return the document as plain JSON values."""
        return self.model_dump(mode="json", by_alias=True)


_MEASURED = (
    "step_um",
    "slope_px_per_step",
    "backlash_steps",
    "transition_steps",
    "lost_motion_to_outward_steps",
    "lost_motion_to_inward_steps",
    "overshoot_steps",
    "temperature_coefficient_steps_per_c",
)
_MEASURED_OF_FILTER = (
    "offset_steps",
    "crossing_inward_steps",
    "crossing_outward_steps",
    "mask_minus_width_steps",
    "critical_focus_zone_steps",
)


def null_paths(profile: Profile) -> Iterator[str]:
    """Yield the path of every number that is null, such as ``filters.R.offset_steps``."""
    yield from (name for name in _MEASURED if getattr(profile, name) is None)
    if profile.best_focus.position_steps is None:
        yield "best_focus.position_steps"
    for entry in profile.filters:
        for name in _MEASURED_OF_FILTER:
            if getattr(entry, name) is None:
                yield f"filters.{entry.name}.{name}"


def profile_from_json(text: str | bytes) -> Profile:
    """Return the profile in a JSON document; pydantic's ValidationError (a ValueError) says what is wrong."""
    return Profile.model_validate_json(text)


def profile_schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of the document."""
    schema = Profile.model_json_schema(by_alias=True, mode="serialization")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": f"urn:{SCHEMA_NAME.replace('/', ':')}",
        **schema,
        "title": SCHEMA_NAME,
    }
