"""Marker-based verification of hand crosses in self-pollinating crops.

In a notebook:

    import crossproof as cp

    season = cp.read_season("nursery_2027")
    verdicts = cp.verify(season)
    cp.crossing_rates(season, verdicts).operators

The verbs (`read_season`, `check`, `verify`, `crossing_rates`, `plan`, `run`, `results`) are those of
`crossproof.api`; they are loaded when first used, so that importing the package stays cheap. What they raise
is here as well: `InputError` (input that cannot be used, with all `problems`), its kind `UsageError`,
`BusyError` (another run holds the season), and the warning `SetAsideWarning`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

METHOD_VERSION = 19
"""Part of every cached result's digest: raise it whenever a change of method can change a verdict."""

RATES_VERSION = 4
"""Part of the digest behind the rates: raise it whenever their figures or columns can change."""

_VERBS = ("check", "crossing_rates", "plan", "read_season", "results", "run", "verify")

_RAISED = ("BusyError", "InputError", "SetAsideWarning", "UsageError")

if TYPE_CHECKING:
    from crossproof.api import (
        BusyError,
        InputError,
        SetAsideWarning,
        UsageError,
        check,
        crossing_rates,
        plan,
        read_season,
        results,
        run,
        verify,
    )

__all__ = [
    "METHOD_VERSION",
    "BusyError",
    "InputError",
    "SetAsideWarning",
    "UsageError",
    "__version__",
    "check",
    "crossing_rates",
    "plan",
    "read_season",
    "results",
    "run",
    "verify",
]


def __getattr__(name: str) -> Any:
    if name in _VERBS or name in _RAISED:
        from crossproof import api

        return getattr(api, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted({*globals(), *_VERBS, *_RAISED})
