"""The policy: thresholds with their reasons, built in, overridden value by value by a study."""

import hashlib
import json
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal, get_args

from pipeline.checking import Fault, did_you_mean, faults_in, read_toml
from pipeline.errors import InputError, Problem

Bound = Literal["value", "max", "min"]


@dataclass(frozen=True)
class Threshold:
    """One number of the policy.

    ``bound`` says which side of it is too much, ``own`` that a study set it; a study may set it to any number
    from ``least`` to ``most``.
    """

    section: str
    name: str
    value: float
    unit: str
    reason: str
    bound: Bound = "value"
    own: bool = False
    least: float = 0.0
    most: float | None = None

    @property
    def allowed(self) -> str:
        """What a study may set it to."""
        return (
            f"a number of at least {self.least:g}"
            if self.most is None
            else (f"a number from {self.least:g} to {self.most:g}")
        )

    def allows(self, value: Any) -> bool:
        """Whether a study may set it to that."""
        is_number = isinstance(value, int | float) and not isinstance(value, bool)
        return is_number and self.least <= value < float("inf") and (self.most is None or value <= self.most)

    @property
    def key(self) -> str:
        """``section.name``."""
        return f"{self.section}.{self.name}"


@dataclass(frozen=True)
class Policy:
    """All thresholds, by key."""

    thresholds: Mapping[str, Threshold]

    @property
    def settings(self) -> dict[str, float]:
        """What the detectors need: everything but limits and verdict."""
        return {t.key: t.value for t in self.thresholds.values() if t.section not in ("limits", "verdict")}

    @property
    def limits(self) -> dict[str, Threshold]:
        """Measure -> limit."""
        return {t.name: t for t in self.thresholds.values() if t.section == "limits"}

    def verdict(self, name: str) -> float:
        """A number of the section 'verdict'."""
        return self.thresholds[f"verdict.{name}"].value

    @cached_property
    def sha256(self) -> str:
        """Digest of every value in force."""
        return digest_of_values({t.key: t.value for t in self.thresholds.values()})

    @cached_property
    def settings_sha256(self) -> str:
        """Digest of what detectors need: while it stays, no detector runs again."""
        return digest_of_values(self.settings)


def builtin_text() -> str:
    """The built-in policy as written."""
    return (files("pipeline.verdict") / "policy.toml").read_text(encoding="utf-8")


def builtin_policy() -> Policy:
    """The policy in force where a study says nothing."""
    thresholds = {}
    for section, entries in tomllib.loads(builtin_text()).items():
        for name, entry in entries.items():
            bound: Bound = next(key for key in get_args(Bound) if key in entry)
            threshold = Threshold(
                section,
                name,
                float(entry[bound]),
                entry["unit"],
                entry["reason"],
                bound,
                least=float(entry.get("least", 0)),
                most=float(entry["most"]) if "most" in entry else None,
            )
            thresholds[threshold.key] = threshold
    return Policy(thresholds)


def load_policy(path: Path | None, shown: str = "policy.toml") -> Policy:
    """The built-in policy with a study's own values in it.

    Raises
    ------
    InputError
        With every unknown name and every value that is no number, or none that its threshold may have.
    """
    policy = builtin_policy()
    if path is None:
        return policy
    problems: list[Problem] = []
    own = dict(policy.thresholds)
    for section, entries in (read_toml(path, shown, problems) or {}).items():
        names = {t.name: t for t in policy.thresholds.values() if t.section == section}
        fault = faults_in("", shown, problems)
        if not names:
            sections = sorted({t.section for t in policy.thresholds.values()})
            fault(section, "one of " + ", ".join(sections), f"'{section}'", did_you_mean(section, sections))
        elif not isinstance(entries, dict):
            fault(section, "a table", repr(entries), f"Write [{section}] and the values below it.")
        else:
            own.update(_own_values(section, entries, names, faults_in(section, shown, problems)))
    if problems:
        raise InputError(problems)
    return Policy(own)


def _own_values(
    section: str, entries: Mapping[str, Any], names: Mapping[str, Threshold], fault: Fault
) -> dict[str, Threshold]:
    own = {}
    for name, value in entries.items():
        if name not in names:
            fault(name, "one of " + ", ".join(names), f"'{name}'", did_you_mean(name, names))
        elif not names[name].allows(value):
            remedy = f"The built-in value is {names[name].value:g}."
            if isinstance(value, dict):
                remedy = f"Write [{section}], and below it: {name} = {names[name].value:g}"
            fault(name, names[name].allowed, repr(value), remedy)
        else:
            own[f"{section}.{name}"] = replace(names[name], value=float(value), own=True)
    return own


def commented_policy() -> str:
    """The built-in policy as a file to fill in: every value commented out, its reason beside it."""
    head = "# What differs from the built-in policy. Remove the '#' before a value to change it.\n"
    return _written(head, builtin_policy(), lambda t: f"#{t.name} = {t.value:g}")


def policy_in_force(policy: Policy) -> str:
    """Every threshold in force as a study's policy.toml could state it, its reason beside it."""
    head = "# Every threshold in force. Those that the study set itself say so."
    return _written(head, policy, lambda t: f"{t.name} = {t.value!r}")


def _written(head: str, policy: Policy, line: Callable[[Threshold], str]) -> str:
    lines, section = [head], ""
    for threshold in policy.thresholds.values():
        if threshold.section != section:
            section = threshold.section
            lines += ["", f"[{section}]"]
        unit = "" if threshold.unit == "1" else f" [{threshold.unit}]"
        own = "set by the study; built in for this reason: " if threshold.own else ""
        lines += [f"# {own}{threshold.reason}{unit}", line(threshold)]
    return "\n".join(lines) + "\n"


def digest_of_values(values: Mapping[str, float]) -> str:
    """SHA-256 of thresholds, ``section.name`` -> value, whatever their units and reasons."""
    return hashlib.sha256(json.dumps(dict(values), sort_keys=True).encode()).hexdigest()
