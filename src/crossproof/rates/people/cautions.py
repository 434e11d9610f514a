"""What stands wherever rates of people are shown; apart, so that showing it loads no statistics."""

from __future__ import annotations

CAUTION = (
    "These figures describe tags, not people. Samples are small, and people do not get equal crosses: "
    "mother lines, hours, weather and flowers differ, and only part of that can be allowed for. Use them to "
    "ask what could be made easier, never to judge a person."
)
"""Stands wherever a person is named."""
"""Stands wherever a person is named."""

CAUTION_SHORT = "Small samples, unequal crosses: not a judgement of people."
"""For a table's caption or a sheet's first line."""
