"""Where COILBELL_CI is set, Hypothesis draws the same cases every time: a commit passes or fails by what it
says, not by luck. Anywhere else it looks for new cases at each run; what it finds becomes an @example."""

from __future__ import annotations

import os
import tempfile

from hypothesis import settings

os.environ["COILBELL_SETTINGS"] = os.path.join(tempfile.gettempdir(), "coilbell-no-settings.toml")
# The settings of whoever runs the tests have no part in them.

settings.register_profile("ci", derandomize=True, print_blob=True)
if os.environ.get("COILBELL_CI"):
    settings.load_profile("ci")
