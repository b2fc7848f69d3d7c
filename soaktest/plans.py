"""A plan: how long a unit is watched, how much it must do, and what counts (TOML).

Durations in seconds, water in millilitres, probabilities and shares from 0 to 1.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from soaktest.errors import PlanError
from soaktest.toml_values import Value, parse_value, read_shipped, read_value
from soaktest.vocabulary import Phase

DROP_ML = 0.05
"""One drop of water, 20 to the millilitre (USP 1101: 45 to 55 mg); no pad shows less."""

Seconds = Annotated[float, Field(ge=0, le=7 * 86_400)]


class Sequential(Value):
    """Both risks of a sequential test over washes (Wald 1945): chances of a leak in one wash."""

    good_leak_chance: Annotated[float, Field(gt=0, lt=1)] = 0.01
    bad_leak_chance: Annotated[float, Field(gt=0, lt=1)] = 0.10
    reject_good_risk: Annotated[float, Field(gt=0, lt=0.5)] = 0.05
    accept_bad_risk: Annotated[float, Field(gt=0, lt=0.5)] = 0.10

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.good_leak_chance >= self.bad_leak_chance:
            raise ValueError("good_leak_chance must be smaller than bad_leak_chance")
        return self


class Plan(Value):
    """What a run must show before it may pass. See the module for units."""

    plan: Literal[1]
    name: Annotated[str, Field(min_length=1, max_length=64)]
    title: str = ""
    purpose: Literal["prove", "find"] = "prove"
    """``find`` looks for a leak and gives neither pass nor fail."""
    washes: Annotated[int, Field(ge=0, le=1000)]
    min_watch_s: Seconds
    dry_watch_s: Seconds
    drip_watch_s: Seconds
    max_gap_s: Annotated[float, Field(gt=0, le=3600)] = 5.0
    min_coverage: Annotated[float, Field(ge=0, le=1)] = 0.99
    detect_ml: Annotated[float, Field(gt=0, le=10_000)] = 1.0
    detect_probability: Annotated[float, Field(gt=0, lt=1)] = 0.9
    allow_unproven_pads: bool = False
    idle_between_s: Seconds = 120.0
    exercise: dict[Phase, Annotated[int, Field(ge=0, le=10_000)]] = Field(default_factory=dict)
    sequential: Sequential | None = None

    @model_validator(mode="after")
    def _can_be_met(self) -> Self:
        if self.detect_ml < DROP_ML:
            raise ValueError(
                f"detect_ml = {self.detect_ml} can never be met: one drop is about {DROP_ML} ml. "
                f"Set detect_ml to {DROP_ML} or more"
            )
        if self.exercise.get("idle"):
            raise ValueError(
                "exercise.idle can never be met: idle is the time between, and no phase that is counted. Take it out"
            )
        if self.purpose == "prove" and self.washes == 0 and not any(self.exercise.values()):
            raise ValueError(
                "a plan with no wash and nothing to exercise proves nothing. "
                'Set washes or [exercise], or purpose = "find"'
            )
        return self


def read_plan(name_or_path: str) -> Plan:
    """A shipped plan by name, or a plan file. Raises PlanError naming file, key and mend."""
    return read_value(Plan, name_or_path, "plans", PlanError)


def named_plan(name: str | None) -> Plan:
    """The shipped plan that a recording or a page names, ``resale`` where it names none. Raises PlanError."""
    return read_shipped(Plan, name or "resale", "plans", PlanError)


def parse_plan(text: str, where: str) -> Plan:
    """A plan from TOML text; ``where`` names its origin in errors. Raises PlanError."""
    return parse_value(Plan, text, where, PlanError)
