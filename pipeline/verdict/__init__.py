"""Findings to a verdict, by a policy in which every threshold has its reason.

The front door reads policies before anything is measured: judging (:mod:`.judge`) is imported by itself,
since it brings the detectors and with them a second of start-up.
"""

from pipeline.verdict.policy import Policy, Threshold, builtin_policy, commented_policy, load_policy

__all__ = ["Policy", "Threshold", "builtin_policy", "commented_policy", "load_policy"]
