"""A survey of a computer's links as plain data, as `survey --json` writes it; keys are the fields' names."""

from __future__ import annotations

from typing import Any

import attrs

from laneproof.campaign.link_errors import plain_count, plain_errors, plain_link
from laneproof.readings import HostLink, HostSurvey, Unavailable

SCHEMA = 1


def plain_survey(survey: HostSurvey) -> dict[str, Any]:
    """Dicts, lists, numbers, strings and None. What cannot be read is {"unavailable": why}; null is not shown."""
    return {
        "schema": SCHEMA,
        "host": survey.host,
        "kernel": survey.kernel,
        "kernel_arguments": list(survey.kernel_arguments),
        "aspm_policy": survey.aspm_policy,
        "links": [_plain_link(link) for link in survey.links],
        "remarks": list(survey.remarks),
        "missing": list(survey.missing),
    }


def _plain_link(link: HostLink) -> dict[str, Any]:
    messages = link.root_messages
    return {
        "near_address": link.near_address,
        "far_address": link.far_address,
        "description": link.description,
        "slot": link.slot,
        "path": list(link.path),
        "bottleneck": link.bottleneck,
        "link": plain_link(link.link),
        "errors": plain_errors(link.errors),
        "errors_kept_by": link.errors_kept_by,
        "root_messages": {"unavailable": messages.why}
        if isinstance(messages, Unavailable)
        else {severity: plain_count(count) for severity, count in messages.items()},
        "aspm": None if link.aspm is None else list(link.aspm),
        "slot_power_w": link.slot_power_w,
        "functions": [attrs.asdict(function) for function in link.functions],
        "remarks": list(link.remarks),
    }
