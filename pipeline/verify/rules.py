"""Checks that the policy in a bundle is the one by which, as the bundle says, it was judged."""

import json
import tomllib
from typing import Any

from pipeline.verdict.policy import digest_of_values
from pipeline.verify.bag import LARGEST_TEXT
from pipeline.verify.faults import Fault, of_bundle, shown
from pipeline.verify.tree import Listing, Tree
from schemas.bags import PAYLOAD

POLICY = f"{PAYLOAD}/policy.toml"
TRACE = f"{PAYLOAD}/trace.json"


def check_policy(tree: Tree, listing: Listing) -> list[Fault]:
    """Hold the digest of the policy's values, as ``trace.json`` states it, against the text.

    A bundle that states none, or that has no such text, is not judged by this.
    """
    if POLICY not in listing.files or TRACE not in listing.files:
        return []
    try:
        stated = _stated(tree.read(TRACE, LARGEST_TEXT))
    except (OSError, ValueError, LookupError, TypeError, RecursionError):
        return []  # told of elsewhere, or none stated
    try:
        found = policy_digest(tree.read(POLICY, LARGEST_TEXT).decode("utf-8"))
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        return [of_bundle(POLICY, "", "thresholds by sections, in TOML", shown(str(error)))]
    except OSError:
        return []
    if found == stated:
        return []
    expected = f"values with SHA-256 {shown(stated, 64)}, by trace.json"
    return [of_bundle(POLICY, "", expected, found)]


def _stated(raw: bytes) -> str:
    told: Any = json.loads(raw.decode("utf-8"))
    return str(told["policy"]["sha256"])


def policy_digest(text: str) -> str:
    """SHA-256 of all thresholds of a policy in TOML, whatever version of the program knows them."""
    values = {
        f"{section}.{name}": float(value)
        for section, entries in tomllib.loads(text).items()
        for name, value in entries.items()
    }
    return digest_of_values(values)
