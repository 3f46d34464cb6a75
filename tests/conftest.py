"""On a machine that checks submissions the invented examples are the same every time; elsewhere they are new."""

import os

from hypothesis import settings

settings.register_profile("same", derandomize=True)
if os.environ.get("CI"):
    settings.load_profile("same")
