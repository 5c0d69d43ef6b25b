"""Findings to a verdict, by a policy in which every threshold has its reason."""

from pipeline.verdict.judge import Verdict, judge, unreadable
from pipeline.verdict.policy import Policy, Threshold, builtin_policy, commented_policy, load_policy

__all__ = [
    "Policy",
    "Threshold",
    "Verdict",
    "builtin_policy",
    "commented_policy",
    "judge",
    "load_policy",
    "unreadable",
]
