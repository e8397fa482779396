"""The reports that are opened in the browser."""

from __future__ import annotations

import make_runs

# Name of the report -> what stands between `lidjig report` and --out; {name} is the run of that recipe.
REPORTS: dict[str, tuple[str, ...]] = {
    **{name: (f"{{{name}}}",) for name in make_runs.RECIPES},
    "pair": ("--job", make_runs.JOB_PAIR),
    "german": ("{sensor}", "--lang", "de"),
}
