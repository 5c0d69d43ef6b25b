"""What a study says that stands in no other result: kept, so that results can be handed on without it."""

from collections.abc import Mapping
from typing import Any

from pipeline.study import Study
from pipeline.verdict import Policy
from pipeline.verdict.policy import policy_in_force

STUDY_RECORD = "study.json"
"""Its name below ``.work``."""


def study_record(study: Study, policy: Policy, reviews: Mapping[str, Mapping[str, Any]]) -> dict[str, Any]:
    """Everything of a study that its results show in part or not at all.

    Parameters
    ----------
    study : Study
        Its files of layouts are read.
    policy : Policy
        The policy in force.
    reviews : mapping
        Session -> what `pipeline.report.review.review_of` says of a person's decision.
    """
    return {
        "title": study.title,
        "time_zone": study.time_zone,
        "policy": policy_in_force(policy),
        "layouts": {
            name: {"sha256": layout.sha256, "text": study.layout_files[name].read_text(encoding="utf-8-sig")}
            for name, layout in sorted(study.layouts.items())
        },
        "sessions": [
            {
                "session": session.name,
                "participant": session.participant,
                "site": session.site,
                "device": session.device,
                "layouts": list(session.layouts),
                "dumps": list(session.dumps),
                "started_at": session.started_at.isoformat(),
                "mains_hz": session.mains_hz,
                "activities": [
                    {
                        "start_s": a.start_s,
                        "stop_s": a.stop_s,
                        "activity": a.activity,
                        "intensity": a.intensity,
                    }
                    for a in session.activities
                ],
                "extra": dict(session.extra),
                "review": reviews.get(session.name),
            }
            for session in study.sessions
        ],
    }
