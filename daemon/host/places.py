"""Where things are: the logs, and the sockets on which running posts answer.

Under the service manager the unit's own folders are used (STATE_DIRECTORY, RUNTIME_DIRECTORY of systemd.exec(5)), so that
one site file works on the bench and on a post whose root is read-only.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

from witnesspost.rules.site.model import Site

SYSTEM_RUN = Path("/run/witnesspost")


def log_folder(site: Site, environment: Mapping[str, str] = os.environ) -> Path:
    """The site's log folder: a relative `log_dir` starts from the unit's state folder, elsewhere from the site file's."""
    state = environment.get("STATE_DIRECTORY", "").partition(":")[0]
    return Path(state or site.folder, site.post.log_dir)


def run_folder(environment: Mapping[str, str] = os.environ) -> Path | None:
    """Where this process may put its socket: the unit's folder, the person's own, or the system's for root; or None."""
    if given := environment.get("RUNTIME_DIRECTORY", "").partition(":")[0]:
        return Path(given)
    if own := environment.get("XDG_RUNTIME_DIR", ""):
        return Path(own, "witnesspost")
    return SYSTEM_RUN if os.geteuid() == 0 else None


def run_folders(environment: Mapping[str, str] = os.environ) -> list[Path]:
    """Where posts that run on this machine may be found: the system's first."""
    own = run_folder(environment)
    return [SYSTEM_RUN, own] if own not in (None, SYSTEM_RUN) else [SYSTEM_RUN]
